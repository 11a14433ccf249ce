"""What a stranger reads of a fault: words for every form, what came instead, and no secret repeated."""

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

import pytest
from msgspec import Meta

from fill_ledger.api.document.openapi_document import build_openapi
from fill_ledger.api.fleet.cylinder_types import InventoryNumber, RequalifierNumber, StampedNumber
from fill_ledger.api.http.faults import find_faults
from fill_ledger.api.http.pattern_words import TEXT_FORMS, pattern_words, portable_pattern
from fill_ledger.api.http.service import operations_of
from fill_ledger.api.http.value_types import GaugePsi, Moment, Month, StrictStruct, check_request_type
from fill_ledger.api.resources import HANDLERS, TAGS
from fill_ledger.trade.events.envelope import Day
from fill_ledger.trade.pressure import STAMPED_VALUE_PATTERN

Names = Annotated[tuple[Annotated[str, Meta(min_length=1, max_length=3)], ...], Meta(min_length=1, max_length=2)]


class Sheet(StrictStruct, frozen=True, kw_only=True):
    end_psi: GaugePsi | None = None
    month: Month = "2026-04"
    day: Day = "2026-04-30"
    requalifier: RequalifierNumber = "A123"
    value: StampedNumber = "4500"
    inventory_number: InventoryNumber = "C-1"
    type_version: Literal[1] = 1
    unit: Literal["psi", "bar"] = "psi"
    passed: bool = True
    names: Names = ("a",)
    at: Moment | None = None
    share: Annotated[float, Meta(ge=0, le=1)] = 0.5


SHEET = check_request_type(Sheet)


def patterns_of(node: Any, place: str = "#") -> Iterator[tuple[str, str]]:
    """Yield every pattern of a document with its place; examples and enumerated values are no schemas."""
    if isinstance(node, dict):
        if isinstance(node.get("pattern"), str):
            yield node["pattern"], place
        for key, value in node.items():
            if key not in ("example", "examples", "enum", "const", "default"):
                yield from patterns_of(value, f"{place}/{key}")
    elif isinstance(node, list):
        for position, value in enumerate(node):
            yield from patterns_of(value, f"{place}/{position}")


def test_every_pattern_of_the_interface_has_words() -> None:
    found = dict(patterns_of(build_openapi(operations_of(HANDLERS), TAGS)))
    assert len(found) > 20
    assert {pattern: place for pattern, place in found.items() if pattern not in TEXT_FORMS} == {}


@pytest.mark.parametrize("pattern", TEXT_FORMS)
def test_the_example_of_a_form_has_the_form(pattern: str) -> None:
    form = TEXT_FORMS[pattern]
    assert re.search(pattern.removesuffix("$") + r"\Z", form.example)
    assert not form.wanted.endswith(".")
    assert "^" not in form.phrase


def test_a_pattern_is_known_as_python_and_as_json_schema_write_it() -> None:
    assert pattern_words(r"^[A-Z0-9]{4}\Z") == pattern_words("^[A-Z0-9]{4}$") != portable_pattern("^[A-Z0-9]{4}$")


@pytest.mark.parametrize(
    ("member", "detail"),
    [
        (
            {"end_psi": "4500"},
            'Expected a whole number from 0 to 20000 or null; got the text "4500": leave out the quotes.',
        ),
        ({"end_psi": "swordfish"}, "Expected a whole number from 0 to 20000 or null; got a text."),
        ({"end_psi": ""}, "Expected a whole number from 0 to 20000 or null; got an empty text."),
        ({"end_psi": 4500.5}, "Expected a whole number from 0 to 20000 or null; got 4500.5, which has a fraction."),
        ({"end_psi": [4500]}, "Expected a whole number from 0 to 20000 or null; got an array."),
        ({"end_psi": 45_000}, "The number must be at most 20000; got 45000."),
        ({"share": "0.5"}, 'Expected a number from 0 to 1; got the text "0.5": leave out the quotes.'),
        (
            {"value": "4,500"},
            f"Expected {pattern_words(STAMPED_VALUE_PATTERN)}.",
        ),
        (
            {"requalifier": "A12"},
            f"Expected {pattern_words('^[A-Z0-9]{4}$')}.",
        ),
        ({"month": "2026-13"}, "Expected a month as YYYY-MM, from 01 to 12, such as 2026-04."),
        ({"day": "30.4.2026"}, "Expected a day as YYYY-MM-DD, its year from 1900 to 2199, such as 2026-04-30."),
        ({"type_version": 2}, "Expected 1."),
        ({"type_version": "1"}, 'Expected 1; got the text "1": leave out the quotes.'),
        ({"unit": "kpa"}, "Expected one of bar, psi."),
        (
            {"passed": "True"},
            'Expected true or false; got the text "True": write true in small letters without quotes.',
        ),
        ({"passed": 1}, "Expected true or false; got a number."),
        ({"names": []}, "At least 1 item is needed; got none."),
        ({"names": [""]}, "At least 1 character is needed; got none."),
        ({"names": ["a", "b", "c"]}, "At most 2 items are taken; got 3."),
        ({"names": ["a", "four"]}, "At most 3 characters are taken; got 4."),
        ({"names": [7]}, "Expected a text of 1 to 3 characters; got a number: put it in quotes."),
        ({"at": 1_700_000_000}, "Expected a time such as 2026-11-24T03:10:22-05:00 (RFC 3339) or null; got a number."),
    ],
)
def test_a_fault_says_what_is_wanted_and_what_came(member: dict[str, Any], detail: str) -> None:
    assert [fault.detail for fault in find_faults(member, SHEET)] == [detail]


def test_a_stamped_pressure_sent_as_a_number_is_told_to_wear_quotes() -> None:
    (fault,) = find_faults({"value": 4500}, SHEET)
    assert fault.detail.startswith("Expected a number as stamped, in quotes:")
    assert fault.detail.endswith("; got a number: put it in quotes.")
