"""The last look at what is to be written: what the ledger cannot hold must not reach it, nor stop its neighbours.

Everything from outside is decoded strictly and never comes this far; a claim made inside the service might. Text cannot
hold NUL in PostgreSQL nor a lone surrogate in UTF-8, and integers beyond +-(2^53-1) are not exact (RFC 8785). Times of
entries are read in any year; near the ends of the calendar an instant may have no value in UTC.
"""

import json
import re
from datetime import datetime
from typing import Any

import msgspec

from fill_ledger.intake.claims import Claim, Unreadable
from fill_ledger.ledger.canonical import canonical_body
from fill_ledger.trade.entries import Refusal
from fill_ledger.trade.events.envelope import MAXIMUM_INTEGER, MAXIMUM_LONG_TEXT, MAXIMUM_SHORT_TEXT, Body

EARLIEST_YEAR, LATEST_YEAR = 2, 9990
"""The years an event may speak of. Beyond, an offset or a key's lifetime given to its successor leaves the calendar."""

REPLACEMENT_CHARACTER = "\ufffd"
_NO_CHARACTER = re.compile("[\x00\ud800-\udfff]")
# Either may also stand inside a text; then the slower look decides.
_NUL_AS_WRITTEN = b"\\u0000"
_LONG_NUMBER = re.compile(rb"[0-9]{16}")


class Unwritable(msgspec.Struct, frozen=True, kw_only=True):
    """An office entry that cannot be written, and why."""

    claim: Claim
    refusal: Refusal


def screened(claim: Claim | Unreadable) -> Claim | Unreadable | Unwritable:
    """Return a claim as it is if it can be written; an observation that cannot is kept beside, an entry refused."""
    if isinstance(claim, Unreadable):
        return _with_clean_words(claim)
    far = far_time_in(claim)
    if far is not None and claim.is_office_entry:
        detail = f"The year must lie between {EARLIEST_YEAR} and {LATEST_YEAR}."
        return Unwritable(
            claim=claim, refusal=Refusal(code="out-of-range", detail=detail, pointer=f"/{far}", conflict=False)
        )
    fault = fault_of(claim.body) if far is None else f"holds a time beyond the calendar: {far}"
    if fault is None:
        return claim
    if claim.is_office_entry:
        refusal = Refusal(code="cannot-be-written", detail=f"The entry {fault}.", conflict=False)
        return Unwritable(claim=claim, refusal=refusal)
    return Unreadable(
        # ASCII alone, so that whatever it holds can be read again from these bytes.
        raw=json.dumps(msgspec.to_builtins(claim.body)).encode(),
        reason=f"The body {fault}.",
        recorded_by=claim.recorded_by,
        station_id=claim.station_id,
        claimed_event_id=claim.event_id,
        claimed_type=claim.body.event_type,
        stream_id=claim.stream_id,
        stream_number=claim.stream_number,
    )


def far_time_in(claim: Claim) -> str | None:
    """Return the name of a time, around the body or in it, whose year is out of range; None where there is none."""
    times = {"occurred_at": claim.occurred_at} | {
        name: getattr(claim.body, name) for name in claim.body.__struct_fields__
    }
    return next(
        (
            name
            for name, value in times.items()
            if isinstance(value, datetime) and not EARLIEST_YEAR <= value.year <= LATEST_YEAR
        ),
        None,
    )


def fault_of(body: Body) -> str | None:
    """Say what of a body cannot be written, None where all of it can."""
    try:
        written = canonical_body(body)
    except UnicodeEncodeError:
        return "holds a lone surrogate"
    except OverflowError:
        return "holds an integer beyond 64 bits"
    if _NUL_AS_WRITTEN in written or _LONG_NUMBER.search(written) is not None:
        return _fault_in(msgspec.to_builtins(body))
    return None


def _fault_in(value: Any) -> str | None:
    if isinstance(value, str) and "\x00" in value:
        return "holds a NUL character"
    if isinstance(value, int) and abs(value) > MAXIMUM_INTEGER:
        return "holds an integer beyond 2^53-1"
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else ()
    return next((fault for part in parts if (fault := _fault_in(part)) is not None), None)


def _with_clean_words(unreadable: Unreadable) -> Unreadable:
    """Unreadable bytes are kept as they are; what is said of them goes into the event and must be plain text."""
    reason = _clean(unreadable.reason, MAXIMUM_LONG_TEXT)
    claimed_type = None if unreadable.claimed_type is None else _clean(unreadable.claimed_type, MAXIMUM_SHORT_TEXT)
    if (reason, claimed_type) == (unreadable.reason, unreadable.claimed_type):
        return unreadable
    return msgspec.structs.replace(unreadable, reason=reason, claimed_type=claimed_type or None)


def _clean(text: str, longest: int) -> str:
    return _NO_CHARACTER.sub(REPLACEMENT_CHARACTER, text)[:longest]
