"""Events as they stood in ledgers before bodies got further fields: read today, and their bytes are the same.

`earlier_events.ndjson` was written by the code that knew only the first three migrations: of each type of event one as
bare and one as full as could be drawn. It is never written anew; a later shape gets a file of its own.
"""

import json
from pathlib import Path

import pytest

from fill_ledger.ledger.canonical import canonical_bytes, read_event
from fill_ledger.trade.events import catalogue

LINES = (Path(__file__).parent / "earlier_events.ndjson").read_bytes().splitlines()


def _type_of(line: bytes) -> tuple[str, int]:
    event = json.loads(line)
    return event["type"], event["type_version"]


@pytest.mark.parametrize("line", LINES, ids=[f"{number}-{_type_of(line)[0]}" for number, line in enumerate(LINES)])
def test_an_earlier_event_is_read_and_written_byte_for_byte(line: bytes) -> None:
    event = read_event(line)
    assert (event.body.event_type, event.body.type_version) == _type_of(line)
    assert canonical_bytes(event) == line


def test_every_type_that_there_was_is_among_them() -> None:
    earlier = {_type_of(line) for line in LINES}
    assert len(earlier) == 59
    assert earlier < set(catalogue()), "a type, once recorded, is read for ever"
