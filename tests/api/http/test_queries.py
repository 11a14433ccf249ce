"""Strict queries: declared names only, values only in their own form, every fault at once."""

import datetime
import enum
import uuid
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta

from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.queries import QueryParser, parse_query
from fill_ledger.api.http.value_types import Moment, StrictStruct, UnboundedTypeError

KEY = uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11")


class Use(enum.StrEnum):
    SCBA = "scba"
    SCUBA = "scuba"


class Sample(StrictStruct, frozen=True, kw_only=True):
    count: Annotated[int, Meta(ge=-5, le=100)] = 1
    share: Annotated[float, Meta(ge=0, le=1)] | None = None
    open: bool | None = None
    key: uuid.UUID | None = None
    at: Moment | None = None
    day: datetime.date | None = None
    use: Use | None = None
    text: Annotated[str, Meta(min_length=1, max_length=10)] | None = None
    uses: Annotated[tuple[Use, ...], Meta(max_length=2)] = ()
    numbers: Annotated[tuple[Annotated[int, Meta(ge=0, le=9)], ...], Meta(max_length=3)] | None = None


def outcome_of(query: bytes) -> str:
    try:
        parse_query(query, Sample)
    except Problem as problem:
        return problem.kind.code
    return "taken"


def faults_of(query: str | bytes) -> set[tuple[Any, str]]:
    with pytest.raises(Problem) as caught:
        parse_query(query.encode() if isinstance(query, str) else query, Sample)
    assert caught.value.kind.code == "invalid-query"
    return {(fault.parameter, fault.code) for fault in caught.value.errors}


def test_an_empty_query_gives_the_defaults() -> None:
    assert parse_query(b"", Sample) == Sample()


def test_every_kind_of_value_is_read() -> None:
    text = (
        f"count=-5&share=0.25&open=false&key={KEY}&at=2026-11-24T03%3A10%3A22%2B01:00&day=2026-11-24&use=scuba"
        "&text=a%20b+%C3%A9&uses=scba&uses=scuba&numbers=3"
    )
    zone = datetime.timezone(datetime.timedelta(hours=1))
    assert parse_query(text.encode(), Sample) == Sample(
        count=-5,
        share=0.25,
        open=False,
        key=KEY,
        at=datetime.datetime(2026, 11, 24, 3, 10, 22, tzinfo=zone),
        day=datetime.date(2026, 11, 24),
        use=Use.SCUBA,
        text="a b é",
        uses=(Use.SCBA, Use.SCUBA),
        numbers=(3,),
    )


@pytest.mark.parametrize("text", ["+1", "1.0", "01", " 1", "1_0", "0x1", "", "1e1", "\u0661", "9" * 30, "--1", "true"])
def test_integers_have_one_form(text: str) -> None:
    assert faults_of(f"count={quote(text)}") == {("count", "wrong-type")}


@pytest.mark.parametrize("text", ["True", "1", "yes", "on", "", "null"])
def test_booleans_have_two_forms(text: str) -> None:
    assert faults_of(f"open={quote(text)}") == {("open", "wrong-type")}


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("cuont=1", {("cuont", "unknown-parameter")}),
        ("%00=1", {("\ufffd", "unknown-parameter")}),
        ("count=1&count=1", {("count", "repeated-parameter")}),
        ("count=101", {("count", "out-of-range")}),
        ("share=nan", {("share", "wrong-type")}),
        ("key=17", {("key", "wrong-format")}),
        ("at=2026-11-24T03:10:22", {("at", "needs-offset")}),
        ("at=2026-11-24", {("at", "wrong-format")}),
        ("day=2026-02-30", {("day", "wrong-format")}),
        ("use=SCBA", {("use", "not-a-choice")}),
        ("use=", {("use", "not-a-choice")}),
        ("text=", {("text", "too-short")}),
        ("text=%00", {("text", "invalid-character")}),
        ("uses=scba&uses=scba&uses=scba", {("uses", "too-long")}),
        ("uses=scba&uses=x", {("uses", "not-a-choice")}),
        ("numbers=1&numbers=x", {("numbers", "wrong-type")}),
        (
            "Count=1&count=x&text=&stray=%C3%A9",
            {
                ("Count", "unknown-parameter"),
                ("count", "wrong-type"),
                ("text", "too-short"),
                ("stray", "unknown-parameter"),
            },
        ),
    ],
)
def test_every_fault_is_named(query: str, expected: set[tuple[str, str]]) -> None:
    assert faults_of(query) == expected


def test_a_plus_sign_lost_in_a_time_is_explained() -> None:
    with pytest.raises(Problem) as caught:
        parse_query(b"at=2026-11-24T03:10:22+01:00", Sample)
    assert "%2B" in caught.value.errors[0].detail


def test_a_misspelt_name_gets_a_suggestion() -> None:
    with pytest.raises(Problem) as caught:
        parse_query(b"shar=0.5", Sample)
    assert "Did you mean share?" in caught.value.errors[0].detail


@pytest.mark.parametrize(
    "query", [b"text=\xc3\xa9", b"text=%zz", b"text=%", b"text=%ff", b"a=1&" * 101, b"text=" + b"a" * 5000]
)
def test_broken_encodings_and_oversize_are_refused(query: bytes) -> None:
    with pytest.raises(Problem) as caught:
        parse_query(query, Sample)
    assert caught.value.kind.code == "invalid-query"


@given(st.text(alphabet=st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), min_size=1, max_size=10))
def test_any_text_survives_the_way(text: str) -> None:
    assert parse_query(urlencode({"text": text}).encode(), Sample).text == text


@given(st.binary(max_size=40))
def test_any_bytes_end_as_a_query_or_a_problem(query: bytes) -> None:
    assert outcome_of(query) in {"taken", "invalid-query"}


def test_structs_that_cannot_be_queries_are_refused() -> None:
    class Nested(StrictStruct, frozen=True, kw_only=True):
        inner: Sample

    class Loose(StrictStruct, frozen=True, kw_only=True):
        text: str

    class TwoTypes(StrictStruct, frozen=True, kw_only=True):
        value: bool | uuid.UUID

    with pytest.raises(TypeError):
        QueryParser(Nested)
    with pytest.raises(UnboundedTypeError):
        QueryParser(Loose)
    with pytest.raises(TypeError):
        QueryParser(TwoTypes)
