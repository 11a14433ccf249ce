"""Failed attempts to identify a member, counted in the database for all processes together.

An attempt is counted as failed before it is checked and taken back where it was right. Whoever sends a hundred guesses
at once therefore gets no more of them checked than whoever sends them one after the other.
"""

import uuid
from datetime import timedelta

import msgspec

from fill_ledger.ledger.read import Connection, seeing

# NIST SP 800-63B (revision 3), 5.2.2: no more than 100 consecutive failed attempts on one account.
MAXIMUM_CONSECUTIVE_FAILURES = 100
# After how many failures who has to wait, and how long: a first pause that a person at the whip can bear, then more
# (the same section suggests a growing wait; the numbers are common practice, no source).
PASSCODE_FAILURES_BEFORE_PAUSE = 5
CARD_FAILURES_BEFORE_PAUSE = 30
FIRST_PAUSE = timedelta(minutes=1)
PAUSE_FACTOR = 3
LONGEST_PAUSE = timedelta(hours=24)
# Failures this long ago no longer count, unless the account is closed for good.
FORGOTTEN_AFTER = timedelta(days=30)
# What Retry-After says where waiting does not help: the greatest value it may have here.
NEVER_RETRY_S = 86_400

_COUNT = """
INSERT INTO access.credential_attempt AS known (department_id, subject_digest, failures, last_failure_at, locked_until)
VALUES ($1, $2, 1, clock_timestamp(), NULL)
ON CONFLICT (department_id, subject_digest) DO UPDATE SET
    failures = CASE WHEN known.last_failure_at < clock_timestamp() - $3::interval THEN 1 ELSE known.failures + 1 END,
    last_failure_at = clock_timestamp(),
    locked_until = NULL
WHERE coalesce(known.locked_until, '-infinity') <= clock_timestamp()
RETURNING failures
"""
_LOCK = """
UPDATE access.credential_attempt
SET locked_until = CASE WHEN $3::interval IS NULL THEN 'infinity' ELSE clock_timestamp() + $3::interval END
WHERE department_id = $1 AND subject_digest = $2
"""
_REMAINING = """
SELECT locked_until = 'infinity' AS is_closed,
    CASE WHEN locked_until < 'infinity' THEN ceil(extract(epoch FROM locked_until - clock_timestamp()))::integer
    END AS seconds
FROM access.credential_attempt
WHERE department_id = $1 AND subject_digest = $2 AND locked_until > clock_timestamp()
"""


class AttemptRefused(msgspec.Struct, frozen=True, kw_only=True):
    """No attempt is checked now. `is_closed` means that waiting does not help: a new passcode is needed."""

    retry_after_s: int
    is_closed: bool = False


async def begin_attempt(
    connection: Connection,
    department_id: uuid.UUID,
    subject_digest: bytes,
    *,
    failures_before_pause: int,
    may_close: bool = True,
) -> AttemptRefused | None:
    """Count an attempt as failed; None lets it be checked, anything else says how long to wait.

    With `may_close`, too many failures in a row close the account until a new passcode is bound. A station's account
    for unknown cards never closes: no passcode would open it again.
    """
    async with seeing(connection, (department_id,)):
        failures = await connection.fetchval(_COUNT, department_id, subject_digest, FORGOTTEN_AFTER)
        if failures is None:
            remaining = await _remaining(connection, department_id, subject_digest)
            return remaining or AttemptRefused(retry_after_s=1)  # the pause ended between the two statements
        if may_close and failures >= MAXIMUM_CONSECUTIVE_FAILURES:
            await connection.execute(_LOCK, department_id, subject_digest, None)
        elif failures % failures_before_pause == 0:
            pause = pause_after(failures // failures_before_pause)
            await connection.execute(_LOCK, department_id, subject_digest, pause)
    return None


async def pending_pause(
    connection: Connection, department_id: uuid.UUID, subject_digest: bytes
) -> AttemptRefused | None:
    """Tell whether the next attempt has to wait, without counting anything."""
    async with seeing(connection, (department_id,)):
        return await _remaining(connection, department_id, subject_digest)


async def _remaining(connection: Connection, department_id: uuid.UUID, subject_digest: bytes) -> AttemptRefused | None:
    row = await connection.fetchrow(_REMAINING, department_id, subject_digest)
    if row is None:
        return None
    if row["is_closed"]:
        return AttemptRefused(retry_after_s=NEVER_RETRY_S, is_closed=True)
    return AttemptRefused(retry_after_s=min(max(1, row["seconds"]), NEVER_RETRY_S))


async def has_failures(connection: Connection, department_id: uuid.UUID, subject_digest: bytes) -> bool:
    """Tell whether any failure is counted, without counting one."""
    async with seeing(connection, (department_id,)):
        found: bool = await connection.fetchval(
            "SELECT EXISTS (SELECT 1 FROM access.credential_attempt WHERE department_id = $1 AND subject_digest = $2)",
            department_id,
            subject_digest,
        )
    return found


async def forget_failures(connection: Connection, department_id: uuid.UUID, subject_digest: bytes) -> None:
    """The attempt was right, or a new passcode was bound: nothing counts any more. Sweeps what is long past, too."""
    async with seeing(connection, (department_id,)):
        await connection.execute(
            "DELETE FROM access.credential_attempt WHERE department_id = $1 AND subject_digest = $2",
            department_id,
            subject_digest,
        )
        await connection.execute(
            """
            DELETE FROM access.credential_attempt
            WHERE department_id = $1 AND last_failure_at < clock_timestamp() - $2::interval
                AND locked_until IS DISTINCT FROM 'infinity'
            """,
            department_id,
            FORGOTTEN_AFTER,
        )


async def take_back_attempt(connection: Connection, department_id: uuid.UUID, subject_digest: bytes) -> None:
    """The attempt was never checked, because too many were waiting: it does not count."""
    async with seeing(connection, (department_id,)):
        await connection.execute(
            """
            UPDATE access.credential_attempt SET failures = greatest(failures - 1, 0), locked_until = NULL
            WHERE department_id = $1 AND subject_digest = $2
            """,
            department_id,
            subject_digest,
        )


def pause_after(pauses: int) -> timedelta:
    """Return how long the next attempt has to wait after this many pauses were earned, the newest among them."""
    factor: int = PAUSE_FACTOR ** min(pauses - 1, 20)
    return min(FIRST_PAUSE * factor, LONGEST_PAUSE)
