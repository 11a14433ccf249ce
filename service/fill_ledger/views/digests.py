"""Digests of what a department's ledger adds up to: the same accepted facts give the same digest, in any order.

Left out is what depends on the order or the place of arrival, and nothing else:

- positions, `recorded_at`, and rows of states of which nothing holds any more (a subject whose every event was taken
  back is the same as one that was never heard of);
- numbers assigned by the ledger: the fields a state names as `assigned`, and the subjects that only keep numbers;
- what was judged when a fact was taken, by what was known then: findings, and the judgement's columns of fills;
- references to sealed records: sealing the same text again gives another reference. That there is one stays;
- the department's own id, wherever it stands: the digest says what is so, not whose it is.
"""

import hashlib
import uuid
from collections.abc import AsyncIterator
from typing import Any

import msgspec

from fill_ledger.ledger.read import Connection, seeing
from fill_ledger.trade.identifiers import SubjectKind
from fill_ledger.trade.states import FOLDS
from fill_ledger.views.folding import decode_state

ONLY_NUMBERS = frozenset({SubjectKind.NUMBERING, SubjectKind.INVENTORY_NUMBER})
# Views of history whose rows follow from the facts alone, with the columns that do not.
HISTORY_VIEWS: dict[str, tuple[str, ...]] = {
    "fill": (
        "owner_department_id",
        "attributed_by",
        "decision",
        "code",
        "fill_limit_psi",
        "settled_psi",
        "air_delivered_l",
        "rules_version",
        "permit_nonce",
    ),
    "attempt": (),
    "air_sample": (),
}
_OWN = "own"
_SEALED = "sealed"
_encoder = msgspec.json.Encoder(order="sorted")


async def state_digest(connection: Connection, department_id: uuid.UUID) -> bytes:
    """Return the SHA-256 of a department's state, 32 bytes.

    The connection must not be in a transaction that sees other departments only.
    """
    digest = hashlib.sha256()
    async for line in state_lines(connection, department_id):
        digest.update(line)
        digest.update(b"\n")
    return digest.digest()


async def state_lines(connection: Connection, department_id: uuid.UUID) -> AsyncIterator[bytes]:
    """Give what the digest is made of, in its order: one line a subject, then one line a row of history."""
    own = str(department_id).encode()
    async with seeing(connection, (department_id,)):
        async for row in connection.cursor(
            """
            SELECT subject_kind, subject_id, state FROM views.state WHERE department_id = $1
            ORDER BY subject_kind, subject_id
            """,
            department_id,
        ):
            kind = SubjectKind(row["subject_kind"])
            if kind in ONLY_NUMBERS:
                continue
            line = _line_of_state(kind, department_id, row["subject_id"], row["state"])
            if line is not None:
                yield line.replace(own, _OWN.encode())
        for view, left_out in HISTORY_VIEWS.items():
            async for row in connection.cursor(
                f"SELECT known.* FROM views.{view} AS known WHERE department_id = $1 ORDER BY event_id", department_id
            ):
                yield _line_of_row(view, dict(row), left_out, department_id).replace(own, _OWN.encode())


def _line_of_state(kind: SubjectKind, department_id: uuid.UUID, subject_id: uuid.UUID, stored: str) -> bytes | None:
    state = decode_state(kind, stored)
    empty = FOLDS[kind].empty(department_id, subject_id)
    for field in state.assigned:
        setattr(state, field, getattr(empty, field))
    if state == empty:
        return None
    return _encoder.encode([kind, _without_references(msgspec.to_builtins(state))])


def _line_of_row(view: str, row: dict[str, Any], left_out: tuple[str, ...], department_id: uuid.UUID) -> bytes:
    if row.get("attributed_by") in ("tag", "marks") and row["owner_department_id"] not in (None, department_id):
        # That the tag or the marks are those of a neighbour's cylinder was looked up when the fill was taken.
        row["cylinder_id"] = None
    return _encoder.encode([view, {column: value for column, value in row.items() if column not in left_out}])


def _without_references(value: Any) -> Any:
    if isinstance(value, list):
        return [_without_references(part) for part in value]
    if not isinstance(value, dict):
        return value
    if value.keys() == {"record_id", "digest"}:
        return _SEALED
    return {name: _SEALED if name == "record_id" else _without_references(part) for name, part in value.items()}
