"""What the rules go by, put together: which entry goes before which, when it holds, under which key a mark stands."""

import uuid
from datetime import UTC, date, datetime
from typing import Any, TypeVar

import pytest

from fill_ledger.trade.events.envelope import Body
from fill_ledger.trade.events.rulebook import (
    AirStandard,
    AmendedFigure,
    AmendedSource,
    AnalyteLimit,
    RuleAmended,
    RulebookInstalled,
    SpecificationEntry,
)
from fill_ledger.trade.rulebook import SHIPPED, Rulebook, holds_on, key_meant, rulebook_of, shipped_rulebook
from fill_ledger.trade.rulebook.air_standards import AIR_STANDARDS
from fill_ledger.trade.rulebook.specifications import SPECIFICATIONS
from fill_ledger.trade.states.rulebook import Entered, RulebookState

DAY = date(2026, 6, 15)
EntryType = TypeVar("EntryType", bound=Body)


def steel(**fields: Any) -> SpecificationEntry:
    given: dict[str, Any] = {"key": "3AA", "interval_years": 4, "source": "an order", "confidence": "read"}
    return SpecificationEntry(**(given | fields))


def air(**fields: Any) -> AirStandard:
    limits = (AnalyteLimit(analyte="carbon_monoxide", unit="ppm", maximum="5"),)
    given: dict[str, Any] = {"key": "county air", "title": "Air", "source": "an order", "confidence": "read"}
    return AirStandard(**({"limits": limits} | given | fields))


AMENDMENT = RuleAmended(
    figures=(AmendedFigure(figure="plus_percent", value=105),),
    sources=(AmendedSource(code="on-hold", source="an order"),),
    reason="an order",
    effective_from="2026-07-01",
    effective_until="2027-01-01",
)


def entered(entry: EntryType) -> Entered[EntryType]:
    return Entered(event_id=uuid.UUID(int=1), entered_at=datetime(2026, 6, 1, tzinfo=UTC), entry=entry)


def state_of(**fields: Any) -> RulebookState:
    return RulebookState(department_id=uuid.UUID(int=2), subject_id=uuid.UUID(int=3), **fields)


@pytest.mark.parametrize(
    ("effective_from", "effective_until", "holds"),
    [
        (None, None, True),
        ("2026-06-15", None, True),
        ("2026-06-16", None, False),
        (None, "2026-06-16", True),
        (None, "2026-06-15", False),
        ("2026-06-01", "2026-07-01", True),
        ("2026-01-01", "2026-06-01", False),
        ("2026-07-01", "2026-08-01", False),
    ],
)
def test_the_last_day_is_exclusive(effective_from: str | None, effective_until: str | None, holds: bool) -> None:
    assert holds_on(DAY, effective_from, effective_until) is holds


def test_entries_of_one_key_stand_in_order_and_know_their_days() -> None:
    known = Rulebook(
        (steel(), steel(key="3AL"), steel(interval_years=3, effective_from="2026-07-01", effective_until="2027-01-01")),
        (air(effective_from="2026-07-01", effective_until="2027-01-01"), air(key="other air"), air(title="Newer")),
        (AMENDMENT,),
    )
    assert [
        (dated.entry.interval_years, dated.effective_from, dated.effective_until)
        for dated in known.specifications("3AA")
    ] == [(4, None, None), (3, date(2026, 7, 1), date(2027, 1, 1))]
    assert known.specifications("SP99998") == ()
    assert [
        (dated.standard.title, dated.effective_from, dated.effective_until)
        for dated in known.air_standards("county air")
    ] == [("Air", date(2026, 7, 1), date(2027, 1, 1)), ("Newer", None, None)]
    assert known.air_standards("no such air") == ()
    assert [(entry.key, entry.interval_years) for entry in known.every_specification()] == [
        ("3AA", 4),
        ("3AA", 3),
        ("3AL", 4),
    ]
    assert [(one.key, one.title) for one in known.every_air_standard()] == [
        ("county air", "Air"),
        ("county air", "Newer"),
        ("other air", "Air"),
    ]
    (amendment,) = known.amendments
    assert (amendment.figures, amendment.sources) == ({"plus_percent": 105}, {"on-hold": "an order"})
    assert (amendment.effective_from, amendment.effective_until) == (date(2026, 7, 1), date(2027, 1, 1))
    assert known.state is None


def test_a_digest_tells_what_differs() -> None:
    """Equal data judge alike and have one digest; whatever differs, wherever it stands, gives another."""
    same = Rulebook((steel(),), (air(),), (AMENDMENT,))
    books = [
        Rulebook((steel(),), (air(),), (AMENDMENT,), state=state_of()),
        Rulebook((steel(interval_years=5),), (air(),), (AMENDMENT,)),
        Rulebook((steel(),), (air(title="Other"),), (AMENDMENT,)),
        Rulebook((steel(),), (air(),), ()),
        Rulebook((steel(),), (), (AMENDMENT,)),
        Rulebook((), (air(),), (AMENDMENT,)),
    ]
    assert books[0].digest == same.digest
    assert len({known.digest for known in books}) == len(books)
    assert SHIPPED.digest == Rulebook(SPECIFICATIONS, AIR_STANDARDS).digest


def test_a_release_brings_what_stands_in_its_files() -> None:
    assert shipped_rulebook("2.1") == RulebookInstalled(
        release="2.1", specifications=SPECIFICATIONS, air_standards=AIR_STANDARDS
    )


def test_what_the_county_entered_goes_before_what_was_installed() -> None:
    installed = RulebookInstalled(release="1", specifications=(steel(interval_years=6),), air_standards=(air(),))
    state = state_of(
        installed=installed,
        specifications=[entered(steel(interval_years=3)), entered(steel(interval_years=2))],
        air_standards=[entered(air(title="Entered"))],
        amendments=[entered(AMENDMENT)],
    )
    known = rulebook_of(state)
    assert [dated.entry.interval_years for dated in known.specifications("3AA")] == [6, 3, 2]
    assert [dated.standard.title for dated in known.air_standards("county air")] == ["Air", "Entered"]
    assert [amendment.figures for amendment in known.amendments] == [{"plus_percent": 105}]
    assert known.state is state


def test_before_anything_is_installed_the_release_itself_holds() -> None:
    known = rulebook_of(state_of(specifications=[entered(steel(key="SP99998"))]))
    assert tuple(known.every_specification()) == (*SPECIFICATIONS, steel(key="SP99998"))
    assert tuple(known.every_air_standard()) == AIR_STANDARDS


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("3AA", "3AA"),
        ("DOT-3AA2216", "3AA"),
        ("SP10915", "SP10915"),
        ("DOT-SP10915-4500", "SP10915"),
        ("DOT-E10915-4500", "SP10915"),
        ("UN steel", "UN steel"),
        ("UN composite", "UN composite"),
        ("EN aluminium", "EN aluminium"),
        ("UN ISO 9809-1", "UN steel"),
        ("UN ISO 7866", "UN aluminium"),
        ("TC-3AAM155", "TC 3AAM"),
        ("UN", None),  # without a material, nothing stands under it
        ("UN wood", None),
        ("blue one", None),
        ("DOT-7Z2216", None),  # a mark, and no specification of that name is known
        ("unknown", None),
        ("", None),
    ],
)
def test_the_key_that_a_text_means(text: str, key: str | None) -> None:
    assert key_meant(text) == key
