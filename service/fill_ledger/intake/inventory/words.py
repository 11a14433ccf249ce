"""The words clerks use for a cylinder's use, material, condition and requalification (common practice, no source)."""

import re
from collections.abc import Mapping
from typing import Literal, TypeVar

from fill_ledger.intake.inventory.cells import Cell, meant_text, shown
from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.trade.requalifiers import RequalificationSuffix, read_suffix

Use = Literal["scba", "scuba", "storage"]
Material = Literal["steel", "aluminium", "composite"]
Condition = Literal["in_service", "on_hold", "condemned", "retired"]
RequalificationMethod = Literal["volumetric", "proof_pressure", "ultrasonic", "acoustic_emission", "visual"]

Meaning = TypeVar("Meaning", bound=str)


def _by_word(meanings: Mapping[Meaning, str]) -> dict[str, Meaning]:
    """Turn "meaning: word, word, ..." round."""
    return {word.strip(): meaning for meaning, words in meanings.items() for word in words.split(",")}


_USES: Mapping[Use, str] = {
    "scba": "scba, ba, breathing apparatus, self contained breathing apparatus, firefighting",
    "scuba": "scuba, dive, diving, diver, dive team, underwater",
    "storage": "storage, cascade, bank, air bank, storage bottle, storage cylinder, storage bank, air storage",
}
_MATERIALS: Mapping[Material, str] = {
    "steel": "steel, alloy steel, chrome moly, chromoly, stainless, stainless steel",
    "aluminium": "aluminium, aluminum, alum, alu, al, all aluminum, all aluminium",
    "composite": (
        "composite, carbon, carbon fiber, carbon fibre, cf, carbon composite, full wrap carbon, carbon full wrap, "
        "fully wrapped carbon, glass, glass fiber, glass fibre, fiberglass, fibreglass, aramid, hoop wrap, "
        "hoop wrapped, full wrap, fully wrapped"
    ),
}
# "Out of service" is taken as a hold: it bars filling and a person can lift it.
_CONDITIONS: Mapping[Condition, str] = {
    "in_service": "in service, active, ok, good, in use, ready, available, serviceable, spare, yes, y, true",
    "on_hold": (
        "on hold, hold, held, quarantine, quarantined, out of service, oos, not in service, at hydro, out for hydro, "
        "needs hydro, awaiting hydro, out for test, in repair, repair, rejected, lost, missing, no, n, false"
    ),
    "condemned": "condemned, condemn, failed hydro",
    "retired": "retired, end of life, scrapped, scrap, disposed, destroyed, sold, decommissioned, withdrawn",
}
_METHODS: Mapping[RequalificationMethod, str] = {
    "volumetric": (
        "volumetric, volumetric expansion, hydro, hydrostatic, hydrostatic test, hydrotest, hydro test, water jacket"
    ),
    "proof_pressure": "proof, proof pressure, proof pressure test",
    "ultrasonic": "ultrasonic, ultrasonic examination, ultrasonic test, ue, ut",
    "acoustic_emission": "acoustic emission, acoustic, ae, modal acoustic emission",
    "visual": "visual, visual inspection, internal visual, external visual",
}

USES = _by_word(_USES)
MATERIALS = _by_word(_MATERIALS)
CONDITIONS = _by_word(_CONDITIONS)
METHODS = _by_word(_METHODS)

YES_WORDS = frozenset({"yes", "y", "true", "x", "1"})
NO_WORDS = frozenset({"no", "n", "false", "0"})


def plain_words(cell: Cell) -> str:
    """Return a cell's words as they are looked up: lower case, single spaces, no punctuation but plus and star."""
    text = meant_text(shown(cell)).casefold().replace("_", " ").replace(".", "")
    return " ".join(re.sub("[^\\w+*\N{BLACK STAR}\N{WHITE STAR}]+", " ", text).split())


def read_word(cell: Cell, words: Mapping[str, Meaning], what: str) -> Meaning | Trouble | None:
    """Return what a cell's word means, or what is wrong with it, or None for an empty cell. `what` is for people."""
    text = plain_words(cell)
    if not text:
        return None
    meaning = words.get(text)
    if meaning is not None:
        return meaning
    choices = ", ".join(dict.fromkeys(words.values()))
    return Trouble(
        code="word-unknown", detail=f"{shown(cell)!r} is no {what} known here.", suggestion=f"Use one of: {choices}."
    )


def read_marks(cell: Cell) -> tuple[RequalificationSuffix, ...] | Trouble:
    """Return the marks behind a requalification date, each once, in the order of `RequalificationSuffix`.

    They are those of 49 CFR 180.213(f): plus, star, S, E, FS, AE, UE, VE.
    """
    spaced = re.sub("([+*\N{BLACK STAR}\N{WHITE STAR}])", r" \1 ", plain_words(cell))
    found = [read_suffix(word) for word in spaced.split() if word not in {"and", "sign", "mark"}]
    if None in found:
        return Trouble(
            code="mark-unknown",
            detail=f"{shown(cell)!r} holds something that is no mark after a requalification date.",
            suggestion="Use plus, star, S, E, FS, AE, UE or VE, several with a comma between.",
        )
    return tuple(suffix for suffix in RequalificationSuffix if suffix in found)


def read_yes_or_no(cell: Cell) -> bool | Trouble:
    """Return whether a cell says yes; an empty one says no."""
    text = plain_words(cell)
    if text in YES_WORDS:
        return True
    if not text or text in NO_WORDS:
        return False
    return Trouble(code="word-unknown", detail=f"{shown(cell)!r} is neither yes nor no.", suggestion="Use yes or no.")
