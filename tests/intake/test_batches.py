"""Taking batches apart: whatever arrives, and wherever it breaks off, every byte of every fact is somewhere."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fill_ledger.intake.batches import MAXIMUM_FACTS, SplitBatch, TooManyFactsError, split_batch, split_lines

FACTS = [b'{"a": [1, {"b": "]}"}]}', b'"\\ud800"', b"1e400", b"null", b'{"n": ' + b"9" * 5_000 + b"}", b'"\xff"']
HEADER = b'{"device_now": "2026-11-24T03:12:00-05:00", "facts": ['
WHOLE = HEADER + b" , ".join(FACTS) + b'], "device_software": "x"}\n'


def test_each_fact_is_cut_out_as_it_came() -> None:
    split = split_batch(WHOLE)
    assert split.facts == FACTS
    assert json.loads(split.header) == {"device_now": "2026-11-24T03:12:00-05:00", "device_software": "x"}
    assert (split.rest, split.is_whole) == (None, True)


def test_a_batch_cut_anywhere_keeps_its_beginning_and_its_remains() -> None:
    for length in range(len(WHOLE) - 1):
        cut = WHOLE[:length]
        split = split_batch(cut)
        assert not split.is_whole, length
        assert split.facts[:-1] == FACTS[: max(len(split.facts) - 1, 0)], length
        kept = b"".join([*split.facts, split.rest or b""])
        assert all(kept.count(fact) >= cut.count(fact) for fact in FACTS), length


@given(st.binary(max_size=200))
def test_whatever_bytes_come_are_facts_or_remains(raw: bytes) -> None:
    split = split_batch(raw)
    assert split.is_whole or split.rest is not None or split.facts
    if not split.is_whole and not split.facts:
        assert split.rest == raw


def test_members_that_are_named_twice_lose_no_fact() -> None:
    assert split_batch(b'{"facts":[1],"facts":[2, 3]}').facts == [b"1", b"2", b"3"]


def test_facts_under_another_name_are_kept_as_one_more_fact() -> None:
    for stray in (b'"facts":{"a":{"n":1}}', b'"records":[{"n":1}]', b'"facts":"[1]"'):
        split = split_batch(b'{"device_now":null,' + stray + b"}")
        assert (split.facts, split.rest, split.is_whole) == ([b"{" + stray + b"}"], None, True)
        assert json.loads(split.header).keys() == {"device_now", json.loads(b"{" + stray + b"}").popitem()[0]}
    broken = split_batch(b'{"records":[1],"facts":[2],"x":[3')
    assert (broken.facts, broken.rest) == ([b"2", b'{"records":[1]}'], b',"x":[3')


def test_a_fact_without_a_batch_around_it_is_a_fact() -> None:
    alone = b'{"type":"tag.read","body":{"tag":"0042"}}'
    assert split_batch(alone) == SplitBatch(facts=[alone])
    assert split_lines(alone + b"\n" + alone) == SplitBatch(facts=[alone, alone])
    assert split_lines(b'{"facts":[1]}\n2\n').facts == [b"1", b"2"]
    spoilt = b"{spoilt\n" + alone
    assert split_lines(spoilt).facts == [b"{spoilt", alone]


def test_what_follows_a_batch_is_kept() -> None:
    split = split_batch(b'{"facts":[1]} {"facts":[2]}')
    assert (split.facts, split.rest, split.is_whole) == ([b"1"], b'{"facts":[2]}', False)


def test_lines_under_the_wrong_name_are_recognised() -> None:
    lines = b'{"device_now":null}\n{"a":1}\r\n\n{"a":\n'
    assert split_batch(lines) == split_lines(lines)
    assert split_lines(lines).facts == [b'{"a":1}\r', b'{"a":']
    assert split_lines(b" \n") == SplitBatch(rest=b" \n", is_whole=False)


def test_deep_nesting_spoils_only_what_comes_after_it() -> None:
    deep = b"[" * 100_000
    split = split_batch(b'{"facts":[1,' + deep + b"]}")
    assert (split.facts, split.is_whole) == ([b"1"], False)
    assert split.rest is not None
    assert deep in split.rest


def test_too_many_facts_are_refused_as_a_whole() -> None:
    facts = b"1," * MAXIMUM_FACTS
    assert len(split_batch(b'{"facts":[' + facts[:-1] + b"]}").facts) == MAXIMUM_FACTS
    with pytest.raises(TooManyFactsError):
        split_batch(b'{"facts":[' + facts + b"1]}")
    with pytest.raises(TooManyFactsError):
        split_lines(b"{}\n" + b"1\n" * (MAXIMUM_FACTS + 1))
