"""Strict decoding: what the decoder misses is found, what it stops at is told in full, and both agree."""

import datetime
import decimal
import enum
import json
import uuid
from typing import Annotated, Any, Literal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta, Struct

from fill_ledger.api.http.decoding import BodyDecoder
from fill_ledger.api.http.faults import find_faults
from fill_ledger.api.http.json_text import MAX_DEPTH, JsonTextError, find_text_faults, may_hide_faults, read_json
from fill_ledger.api.http.problems import MAX_FAULTS, Problem, ProblemDocument
from fill_ledger.api.http.value_types import Moment, Month, StrictStruct, UnboundedTypeError, check_request_type

Short = Annotated[str, Meta(min_length=1, max_length=5)]
Small = Annotated[int, Meta(ge=0, le=10)]


class Colour(enum.StrEnum):
    RED = "red"
    BLUE = "blue"


class Inner(StrictStruct, frozen=True, kw_only=True):
    name: Short
    size: Small | None = None


class Round(StrictStruct, frozen=True, kw_only=True, tag_field="shape", tag="round"):
    radius: Small


class Square(StrictStruct, frozen=True, kw_only=True, tag_field="shape", tag="square"):
    side: Small


class Whole(StrictStruct, frozen=True, kw_only=True):
    number: Small
    odd: Annotated[int, Meta(gt=0, lt=100, multiple_of=3)] = 3
    share: Annotated[float, Meta(ge=0, le=1)] = 0.5
    flag: bool = False
    text: Annotated[str, Meta(max_length=5, pattern=r"^[a-z]*\Z")] = "a"
    month: Month = "2026-04"
    at: Moment | None = None
    day: datetime.date | None = None
    key: uuid.UUID | None = None
    amount: decimal.Decimal | None = None
    colour: Colour = Colour.RED
    level: Literal["low", "high"] = "low"
    inner: Inner | None = None
    inners: Annotated[tuple[Inner, ...], Meta(max_length=3)] = ()
    counts: Annotated[dict[Short, Small], Meta(max_length=2)] = msgspec.field(default_factory=dict)
    shape: Round | Square | None = None
    either: Short | Small | None = None
    anything: Any = None


DECODER = BodyDecoder(Whole)
PLAIN = msgspec.json.Decoder(Whole)
INSPECTED = check_request_type(Whole)


def outcome_of(body: bytes) -> str:
    try:
        DECODER.decode(body)
    except Problem as problem:
        return problem.kind.code
    return "taken"


def faults_of(text: str | bytes) -> set[tuple[Any, str]]:
    body = text.encode() if isinstance(text, str) else text
    with pytest.raises(Problem) as caught:
        DECODER.decode(body)
    assert caught.value.kind.code == "invalid-body"
    return {(fault.pointer, fault.code) for fault in caught.value.errors}


@pytest.mark.parametrize(
    ("members", "expected"),
    [
        ({}, {("/number", "missing-field")}),
        ({"number": "1"}, {("/number", "wrong-type")}),
        ({"number": 1.5}, {("/number", "wrong-type")}),
        ({"number": 1.0, "flag": 1.0}, {("/flag", "wrong-type")}),
        ({"number": True}, {("/number", "wrong-type")}),
        ({"number": None}, {("/number", "wrong-type")}),
        ({"number": 11, "odd": 100}, {("/number", "out-of-range"), ("/odd", "out-of-range")}),
        ({"number": 1, "odd": 4}, {("/odd", "out-of-range")}),
        ({"number": 1, "share": 1.01}, {("/share", "out-of-range")}),
        ({"number": 1, "flag": "true"}, {("/flag", "wrong-type")}),
        ({"number": 1, "flag": 1}, {("/flag", "wrong-type")}),
        ({"number": 1, "text": "ab\n"}, {("/text", "wrong-format")}),
        ({"number": 1, "text": "TOOLONG"}, {("/text", "too-long"), ("/text", "wrong-format")}),
        ({"number": 1, "month": "2026-13"}, {("/month", "wrong-format")}),
        ({"number": 1, "at": "2026-11-24T03:10:22"}, {("/at", "needs-offset")}),
        ({"number": 1, "at": "2026-11-24 03:10"}, {("/at", "needs-offset")}),
        ({"number": 1, "at": "yesterday"}, {("/at", "wrong-format")}),
        ({"number": 1, "at": "2026-02-30T03:10:22Z"}, {("/at", "wrong-format")}),
        ({"number": 1, "at": 1700000000}, {("/at", "wrong-type")}),
        ({"number": 1, "day": "2026-02-30"}, {("/day", "wrong-format")}),
        ({"number": 1, "key": "17"}, {("/key", "wrong-format")}),
        ({"number": 1, "amount": "ten"}, {("/amount", "wrong-format")}),
        (
            {"number": 1, "colour": "green", "level": "middle"},
            {("/colour", "not-a-choice"), ("/level", "not-a-choice")},
        ),
        ({"number": 1, "colour": 3}, {("/colour", "wrong-type")}),
        ({"number": 1, "inner": {"nam": "x"}}, {("/inner/nam", "unknown-field"), ("/inner/name", "missing-field")}),
        ({"number": 1, "inner": []}, {("/inner", "wrong-type")}),
        (
            {"number": 1, "inners": [{"name": "a"}, {"name": ""}, {"name": "a", "size": "1"}, 7]},
            {
                ("/inners", "too-long"),
                ("/inners/1/name", "too-short"),
                ("/inners/2/size", "wrong-type"),
                ("/inners/3", "wrong-type"),
            },
        ),
        ({"number": 1, "counts": {"a/b~": 11, "": 1}}, {("/counts/a~1b~0", "out-of-range"), ("/counts/", "too-short")}),
        ({"number": 1, "shape": {"radius": 1}}, {("/shape/shape", "missing-field")}),
        ({"number": 1, "shape": {"shape": "star"}}, {("/shape/shape", "not-a-choice")}),
        (
            {"number": 1, "shape": {"shape": "round", "side": 1}},
            {("/shape/side", "unknown-field"), ("/shape/radius", "missing-field")},
        ),
        ({"number": 1, "either": True}, {("/either", "wrong-type")}),
        ({"number": 1, "either": 11}, {("/either", "out-of-range")}),
        ({"number": 1, "numbr": 2, "~/": 3}, {("/numbr", "unknown-field"), ("/~0~1", "unknown-field")}),
    ],
)
def test_every_fault_is_named_with_its_place(members: dict[str, Any], expected: set[tuple[str, str]]) -> None:
    assert faults_of(json.dumps(members)) == expected


@pytest.mark.parametrize("text", ["[]", '"x"', "7", "null", "true"])
def test_a_body_of_another_kind_points_at_the_whole(text: str) -> None:
    assert faults_of(text) == {("", "wrong-type")}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 8259 section 4 leaves repeated names undefined; RFC 7493 section 2.3 forbids them.
        ('{"number":1,"number":1}', {("/number", "duplicate-key")}),
        ('{"number":1,"inner":{"name":"a","name":"b"}}', {("/inner/name", "duplicate-key")}),
        ('{"number":1,"num\\u0062er":1}', {("/number", "duplicate-key")}),
        ('{"number":1,"anything":{"a":[{"b":1,"b":2}]}}', {("/anything/a/0/b", "duplicate-key")}),
        ('{"number":1,"text":"a\\u0000"}', {("/text", "invalid-character"), ("/text", "wrong-format")}),
        ('{"number":1,"anything":"a\\u0000"}', {("/anything", "invalid-character")}),
        ('{"number":1,"anything":"\\ud800"}', {("/anything", "invalid-character")}),
        ('{"number":1,"anything":["\\udc00\\ud800"]}', {("/anything/0", "invalid-character")}),
        ('{"number":1,"anything":{"\\ud800":1}}', {("/anything/\ufffd", "invalid-character")}),
        # RFC 7493 section 2.2: integers an IEEE 754 double holds exactly.
        ('{"number":1,"anything":9007199254740992}', {("/anything", "out-of-range")}),
        ('{"number":1,"anything":[-9007199254740992]}', {("/anything/0", "out-of-range")}),
        ('{"number":1,"anything":' + "9" * 5000 + "}", {("/anything", "out-of-range")}),
        ('{"number":1,"anything":1e400}', {("/anything", "out-of-range")}),
        ('{"number":1,"anything":9007199254740992.0}', {("/anything", "out-of-range")}),
        ('{"number":1.00000000000000000001}', {("/number", "wrong-type")}),
        ('{"number":1e-400}', {("/number", "wrong-type")}),
    ],
)
def test_what_the_decoder_would_let_pass_is_refused(text: str, expected: set[tuple[str, str]]) -> None:
    assert faults_of(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        '{"number":1,"anything":9007199254740991}',
        '{"number":1,"anything":-9007199254740991}',
        '{"number":1,"anything":"9007199254740992"}',
        '{"number":1,"anything":"\\\\u0000"}',
        '{"number":1,"anything":"\\ud83d\\ude00"}',
        '{"number":1,"at":"2026-11-24T03:10:22.123456-05:00"}',
        # JSON Schema 2020-12 core, section 4.2.3: a number with a zero fraction is an integer.
        '{"number":1.0}',
        '{"number":1.000000000000000000000000}',
        '{"number":10e-1}',
        '{"number":0.1E1,"inners":[{"name":"a","size":2.0}]}',
        ' {"number":1} \n',
    ],
)
def test_what_only_looks_suspicious_is_taken(text: str) -> None:
    assert DECODER.decode(text.encode()).number == 1


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b"{", "line 1, column 2"),
        (b'{"number":1,}', "line 1"),
        (b'{"number":1} x', "Extra data"),
        (b"{'number':1}", "column 2"),
        (b'{"number":NaN}', "NaN is not a JSON value"),
        (b'{"number":-Infinity}', "-Infinity is not a JSON value"),
        (b'{"number":01}', "column"),
        (b'{"text":"\xff"}', "not UTF-8"),
        (b'{"text":"a\nb"}', "Invalid control character"),
        (b'\xef\xbb\xbf{"number":1}', "byte order mark"),
        ('{"number":1}'.encode("utf-16"), "byte order mark"),
        (b'{"anything":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "nested"),
    ],
)
def test_what_is_no_json_is_a_400_that_says_where(body: bytes, words: str) -> None:
    with pytest.raises(Problem, match=words) as caught:
        DECODER.decode(body)
    assert caught.value.kind.code == "malformed-json"


def test_nesting_is_bounded() -> None:
    deep = "[" * MAX_DEPTH + "]" * MAX_DEPTH
    places = faults_of('{"number":11,"anything":' + deep + "}")
    assert ("/anything" + "/0" * (MAX_DEPTH - 1), "too-deep") in places


def test_a_hostile_body_is_answered_with_a_bounded_list() -> None:
    with pytest.raises(Problem) as caught:
        DECODER.decode(json.dumps({f"field{number}": 1 for number in range(10_000)}).encode())
    assert len(caught.value.errors) == MAX_FAULTS


def test_problems_fit_their_own_schema_whatever_the_keys() -> None:
    key = "~" * 5000 + "\x00"
    nested = '{"number":1,"anything":' + f"{{{json.dumps(key)}:" * 40 + "1" + "}" * 40 + "}"
    with pytest.raises(Problem) as caught:
        DECODER.decode(nested.encode())
    document = caught.value.document(instance="/v1/x", request_id="request-1")
    assert msgspec.convert(document, ProblemDocument).errors
    assert "\x00" not in json.dumps(document, ensure_ascii=False)


def test_values_are_never_repeated_in_the_answer() -> None:
    with pytest.raises(Problem) as caught:
        DECODER.decode(b'{"number":"swordfish","text":"SWORDFISH","key":"swordfish"}')
    assert "swordfish" not in repr(caught.value.errors).lower()


class Span(StrictStruct, frozen=True, kw_only=True):
    low: Small
    high: Small

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError("low must not be above high")


class Spans(StrictStruct, frozen=True, kw_only=True):
    spans: Annotated[tuple[Span, ...], Meta(max_length=3)]


def test_a_rule_between_fields_is_told_in_its_own_words() -> None:
    body = b'{"spans":[{"low":1,"high":2},{"low":2,"high":1}]}'
    with pytest.raises(Problem) as caught:
        BodyDecoder(Spans).decode(body)
    (fault,) = caught.value.errors
    assert (fault.code, fault.detail) == ("invalid-value", "low must not be above high")
    assert str(fault.pointer).startswith("/spans/")


JSON_SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 120),
    st.floats(allow_nan=False, allow_infinity=False, width=16),
    st.sampled_from(["", "a", "abcdef", "red", "low", "round", "2026-04", "2026-11-24", "2026-11-24T01:02:03Z", "1.5"]),
    st.uuids().map(str),
    st.text(max_size=6),
)
JSON_VALUES = st.recursive(
    JSON_SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["name", "size", "shape", "radius", "side", "x"]), inner, max_size=4),
    ),
    max_leaves=6,
)
FIELD_NAMES = [field.name for field in msgspec.structs.fields(Whole)]


@given(st.dictionaries(st.sampled_from([*FIELD_NAMES, "number", "stray"]), JSON_VALUES, max_size=6))
def test_the_walk_finds_faults_exactly_where_the_decoder_refuses(members: dict[str, Any]) -> None:
    body = json.dumps(members).encode()
    try:
        PLAIN.decode(body)
        accepted = True
    except msgspec.ValidationError:
        accepted = False
    assert (not find_faults(json.loads(body), INSPECTED)) == accepted


TROUBLESOME = st.one_of(
    JSON_VALUES, st.integers(), st.text(st.characters(), max_size=3).map(lambda text: text + "\x00")
)


@given(st.one_of(TROUBLESOME, st.lists(TROUBLESOME, max_size=3)))
def test_the_scan_never_misses_what_the_search_would_find(value: Any) -> None:
    body = json.dumps(value).encode()
    if find_text_faults(read_json(body)):
        assert may_hide_faults(body)


@given(st.binary(max_size=60))
def test_any_bytes_end_as_a_value_or_a_problem(body: bytes) -> None:
    assert outcome_of(body) in {"taken", "malformed-json", "invalid-body"}


@given(st.one_of(st.binary(max_size=40), JSON_VALUES.map(lambda value: json.dumps(value).encode()[:-1])))
def test_our_reader_takes_whatever_the_decoder_takes(body: bytes) -> None:
    try:
        read_json(body)
        ours = True
    except JsonTextError:
        ours = False
    try:
        msgspec.json.decode(body)
        theirs = True
    except (msgspec.DecodeError, UnicodeDecodeError):
        theirs = False
    if theirs:
        assert ours


def test_unbounded_request_types_are_refused_when_the_decoder_is_made() -> None:
    class Loose(Struct):
        text: str
        number: int
        items: list[bool]
        at: datetime.datetime
        lines: Annotated[str, Meta(max_length=5, pattern="^a$")]

    with pytest.raises(UnboundedTypeError) as caught:
        BodyDecoder(Loose)
    message = str(caught.value)
    for words in (
        "Loose must be an object without unknown fields",
        "Loose.text",
        "Loose.number",
        "Loose.items",
        "Loose.at",
    ):
        assert words in message
    assert "Loose.lines has a pattern that ends in $" in message
