"""Reading a question before anything is looked up: every fault of it, told at once."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import msgspec

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.question.eligibility_types import EligibilityBody, EligibilityQuery
from fill_ledger.ledger.handles import HandleFault, MemberSession, MemberSessions
from fill_ledger.ledger.ledger_token import LedgerPosition, LedgerTokenMalformed, decode_ledger_token
from fill_ledger.trade.events.fills import AsMarked
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.tags import TagFault, normalise_tag
from fill_ledger.views.cylinders import ENTRY_CYLINDER_ID, ENTRY_INVENTORY_NUMBER, ENTRY_SERIAL, ENTRY_TAG

SUBJECT_NAMES = ("tag", "cylinder_id", "inventory_number", "serial")

FURTHEST_MOMENT = timedelta(days=50 * 366)
"""Nobody asks about a fill further than about fifty years away; a moment beyond is a clock or a form gone wrong."""

_SESSION_FAULTS = {
    HandleFault.MALFORMED: ("wrong-format", "This is not a member session."),
    HandleFault.WRONG_KEY: ("not-valid", "This member session was not issued by this service, or was altered."),
    HandleFault.EXPIRED: ("expired", "The member session has ended. Identify the member again."),
}


class Faults:
    """Collects faults of one question; each names its parameter in a query, its pointer in a body."""

    def __init__(self, *, is_body: bool) -> None:
        self._is_body = is_body
        self._found: list[Fault] = []
        self._within = ""

    def within(self, pointer: str) -> "Faults":
        """Return what notes faults of one part of the body, and refuses with all of them."""
        part = Faults(is_body=True)
        part._found, part._within = self._found, pointer
        return part

    def add(self, name: str | None, code: str, detail: str) -> None:
        """Note a fault of one member, or of the whole question."""
        if self._is_body:
            pointer = self._within if name is None else f"{self._within}/{name}"
            self._found.append(Fault(code=code, detail=detail, pointer=pointer))
        elif name is None:
            self._found.append(Fault(code=code, detail=detail))
        else:
            self._found.append(Fault(code=code, detail=detail, parameter=name))

    def refuse_any(self) -> None:
        """End the request if there is any fault.

        Raises:
            Problem: 400 invalid-query or 422 invalid-body with every fault.
        """
        if not self._found:
            return
        counted = "1 fault" if len(self._found) == 1 else f"{len(self._found)} faults"
        if self._is_body:
            raise Problem(problem_types.INVALID_BODY, f"The body has {counted}.", errors=self._found)
        raise Problem(problem_types.INVALID_QUERY, f"The query has {counted}.", errors=self._found)


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """A question as it was read. subject_kind and value: as in the directory; None where only marks were given."""

    asked: EligibilityQuery
    subject_kind: str | None
    value: str | None
    as_marked: AsMarked | None
    member_id: uuid.UUID | None
    session: MemberSession | None
    min_ledger: LedgerPosition | None
    faults: Faults


def read_question(asked: EligibilityQuery, sessions: MemberSessions) -> Question:
    """Return the question as it will be looked up.

    Raises:
        Problem: 400 (query) or 422 (body), with every fault.
    """
    as_marked = asked.cylinder_as_marked if isinstance(asked, EligibilityBody) else None
    faults = Faults(is_body=isinstance(asked, EligibilityBody))
    subject_kind, value = read_subject(asked, as_marked, faults)
    session = read_session(asked, sessions, faults)
    min_ledger = _read_min_ledger(asked.min_ledger, faults)
    if asked.at is not None and abs(asked.at - datetime.now(UTC)) > FURTHEST_MOMENT:
        faults.add("at", "out-of-range", "The moment asked about must lie within fifty years of now.")
    faults.refuse_any()
    return Question(
        asked=asked,
        subject_kind=subject_kind,
        value=value,
        as_marked=as_marked,
        member_id=asked.member_id if session is None else session.member_id,
        session=session,
        min_ledger=min_ledger,
        faults=faults,
    )


def read_subject(asked: EligibilityQuery, as_marked: AsMarked | None, faults: Faults) -> tuple[str | None, str | None]:
    """Return how the cylinder is named and by what, as in the directory; notes what is wrong with it."""
    named = [name for name in SUBJECT_NAMES if getattr(asked, name) is not None]
    if len(named) > 1:
        detail = f"Name the cylinder in one way only; {_listed(named)} were given."
        for name in named:
            faults.add(name, "exactly-one-subject", detail)
    if not named and as_marked is None:
        faults.add(None, "exactly-one-subject", f"Name the cylinder by exactly one of {_listed(SUBJECT_NAMES)}.")
    subject: tuple[str | None, str | None] = (None, None)
    if asked.tag is not None:
        tag = normalise_tag(asked.tag)
        if isinstance(tag, TagFault):
            faults.add("tag", f"tag-{tag.code}", f"This cannot be a tag: {tag.detail}; {tag.suggestion}.")
        else:
            subject = (ENTRY_TAG, tag.canonical)
    elif asked.cylinder_id is not None:
        subject = (ENTRY_CYLINDER_ID, str(asked.cylinder_id))
    elif asked.inventory_number is not None:
        subject = (ENTRY_INVENTORY_NUMBER, asked.inventory_number.upper())
    elif asked.serial is not None:
        serial = normal_serial(asked.serial)
        if not serial:
            faults.add("serial", "wrong-format", "A serial number has at least one letter or digit.")
        subject = (ENTRY_SERIAL, serial)
    elif as_marked is not None and as_marked.serial is not None and normal_serial(as_marked.serial):
        subject = (ENTRY_SERIAL, normal_serial(as_marked.serial))
    return subject


def read_session(asked: EligibilityQuery, sessions: MemberSessions, faults: Faults) -> MemberSession | None:
    """Return the session that was given, if it is a good one; notes what is wrong with it."""
    if asked.member_session is None:
        return None
    if asked.member_id is not None:
        detail = "Name the member by member_id or by member_session, not by both."
        faults.add("member_id", "one-member", detail)
        faults.add("member_session", "one-member", detail)
    session = sessions.verify(asked.member_session, datetime.now(UTC))
    if isinstance(session, MemberSession):
        return session
    faults.add("member_session", *_SESSION_FAULTS[session.fault])
    return None


def _read_min_ledger(token: str | None, faults: Faults) -> LedgerPosition | None:
    if token is None:
        return None
    try:
        return decode_ledger_token(token)
    except LedgerTokenMalformed:
        faults.add("min_ledger", "wrong-format", "This is not a ledger token, or not all of it.")
        return None


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"
