"""Checks of entries that extend the service life of a cylinder."""

from collections.abc import Iterable
from datetime import datetime

from fill_ledger.trade.entries.registry import Known, Refusal, check
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.identifiers import Subject, SubjectKind
from fill_ledger.trade.requalifiers import rin_fault
from fill_ledger.trade.states.cylinders import CylinderState


@check(cylinders.CylinderLifeExtended)
def _extension_makes_sense(body: cylinders.CylinderLifeExtended, known: Known, moment: datetime) -> Iterable[Refusal]:
    state: CylinderState = known.state(Subject(SubjectKind.CYLINDER, body.cylinder_id))
    extension = body.extension
    if state.condemned_at is not None:
        yield Refusal(
            code="cylinder-condemned",
            detail="A condemned cylinder cannot come back, by any procedure (49 CFR 180.205(i)).",
        )
    made = None if state.details is None else state.details.manufactured
    if made is not None and extension.through <= made:
        yield Refusal(
            code="extended-before-made",
            detail=f"The extension ends {extension.through}, not after the manufacture month {made}.",
            pointer="/extension/through",
            conflict=False,
        )
    number_fault = None if extension.requalifier is None else rin_fault(extension.requalifier)
    if number_fault is not None:
        yield Refusal(
            code=number_fault.code,
            detail=f"{number_fault.detail}; {number_fault.suggestion}.",
            pointer="/extension/requalifier",
            conflict=False,
        )
    if any(extended.extension == extension for extended in state.life_extensions):
        yield Refusal(code="extension-known", detail="This very extension is on record already.")
