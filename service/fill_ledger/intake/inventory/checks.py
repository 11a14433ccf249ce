"""What must fit together: the cells of one row with each other, and the rows of one file."""

from collections.abc import Callable, Iterable, Iterator

from fill_ledger.intake.inventory.columns import Field
from fill_ledger.intake.inventory.faults import Trouble
from fill_ledger.intake.inventory.headers import words_of
from fill_ledger.intake.inventory.row_reading import RowDraft, RowReader
from fill_ledger.intake.inventory.words import Material
from fill_ledger.trade.identifiers import normal_serial
from fill_ledger.trade.marks import Material as MarkedMaterial
from fill_ledger.trade.marks import SpecificationFamily, material_implied
from fill_ledger.trade.requalifiers import suffix_warnings

# Warnings about marks that make a row faulty; the others are told as notes. 49 CFR 173.302a(b), 180.209(b).
_FAULTY_MARKS = frozenset({"plus-not-for-specification", "star-not-for-specification", "plus-without-expansion-test"})
# A permit may allow what the specification's rule does not: 49 CFR 173.302a(b) lists specifications only.
_MAY_SAY_OTHERWISE = frozenset(
    {SpecificationFamily.SPECIAL_PERMIT, SpecificationFamily.TC_PERMIT, SpecificationFamily.UNKNOWN}
)
_MATERIAL_OF_MARK: dict[MarkedMaterial, Material] = {
    MarkedMaterial.STEEL: "steel",
    MarkedMaterial.ALUMINIUM: "aluminium",
    MarkedMaterial.COMPOSITE: "composite",
}


def check_row(reader: RowReader) -> None:
    """Check one row's cells against each other; adds faults and notes to the reader's draft."""
    _check_dates(reader)
    _check_marks(reader)
    _check_material(reader)


def _check_dates(reader: RowReader) -> None:
    draft = reader.draft
    made = draft.manufactured
    tested = draft.last_requalified
    if made is not None and tested is not None and tested.month_text < made.month_text:
        reader.fault(
            Field.LAST_REQUALIFIED,
            Trouble(
                code="requalified-before-manufacture",
                detail=f"Requalified {tested.month_text}, but manufactured {made.month_text}.",
                suggestion="Compare both months with the stamps.",
            ),
        )
    if made is not None and draft.purchased is not None and draft.purchased.month_text < made.month_text:
        reader.fault(
            Field.PURCHASED,
            Trouble(
                code="purchased-before-manufacture",
                detail=f"Purchased {draft.purchased.text}, but manufactured {made.month_text}.",
                suggestion="Compare the month of manufacture with the stamp, and the purchase with the invoice.",
            ),
        )
    faulty = {fault.field for fault in draft.faults}
    if made is None and Field.MANUFACTURED.value not in faulty and reader.has_column(Field.MANUFACTURED):
        reader.note(
            Field.MANUFACTURED,
            "manufacture-unknown",
            "Without the month of manufacture the end of service life cannot be told; that may bar filling.",
        )
    told = draft.requalifier or draft.requalification_method or draft.requalification_marks
    if tested is None and told and Field.LAST_REQUALIFIED.value not in faulty:
        reader.fault(
            Field.LAST_REQUALIFIED,
            Trouble(
                code="requalification-without-date",
                detail="The row names a requalifier, method or marks, but not when the cylinder was requalified.",
                suggestion="Enter year and month of the last requalification, or clear those cells.",
            ),
        )


def _check_marks(reader: RowReader) -> None:
    draft = reader.draft
    if draft.mark is None:
        return
    for warning in suffix_warnings(draft.mark.family, draft.requalification_marks):
        field = Field.REQUALIFICATION_MARKS
        if warning.code in _FAULTY_MARKS and draft.mark.family not in _MAY_SAY_OTHERWISE:
            reader.fault(
                field,
                Trouble(
                    code=warning.code,
                    detail=f"{warning.text[:1].upper()}{warning.text[1:]} ({warning.source}).",
                    suggestion="Compare specification and marks with the stamps.",
                ),
            )
        else:
            reader.note(field, warning.code, f"{warning.text} ({warning.source})")


def _check_material(reader: RowReader) -> None:
    draft = reader.draft
    marked = material_implied(draft.mark) if draft.mark is not None else None
    implied = _MATERIAL_OF_MARK.get(marked) if marked is not None else None
    if implied is None or draft.mark is None:
        return
    if draft.material is None and all(fault.field != Field.MATERIAL.value for fault in draft.faults):
        draft.material = implied
    elif draft.material not in {None, implied}:
        reader.fault(
            Field.MATERIAL,
            Trouble(
                code="material-contradicts-specification",
                detail=f"{draft.mark.canonical} is {implied}, this column says {draft.material}.",
                suggestion="Compare specification and material with the cylinder.",
            ),
        )


def check_repetitions(readers: Iterable[RowReader], *, serials_may_repeat: bool) -> None:
    """Add a fault to every row whose serial, tag or inventory number stands in another row too.

    Serials are compared without case, spaces and hyphens. With `serials_may_repeat` the same serial is allowed on
    cylinders of different specifications: two makers may stamp the same number.
    """
    all_readers = list(readers)
    for field, key in (
        (Field.SERIAL, _serial_key(with_specification=serials_may_repeat)),
        (Field.TAG, lambda draft: draft.tag),
        (Field.INVENTORY_NUMBER, lambda draft: draft.inventory_number),
    ):
        for reader, others in _repeated(all_readers, key):
            rows = ", ".join(str(row) for row in others)
            suggestion = "Delete one of the rows if they are the same cylinder, else correct the wrong one."
            if field is Field.SERIAL and not serials_may_repeat:
                suggestion += " If two makers stamped the same number, import with serials_may_repeat=true."
            reader.fault(
                field,
                Trouble(
                    code=f"{field.value.replace('_', '-')}-repeated",
                    detail=f"The same {words_of(field)} stands in row {rows}.",
                    suggestion=suggestion,
                ),
            )


def _serial_key(*, with_specification: bool) -> Callable[[RowDraft], str | None]:
    def key(draft: RowDraft) -> str | None:
        if draft.serial is None:
            return None
        specification = draft.mark.canonical if with_specification and draft.mark is not None else ""
        return f"{normal_serial(draft.serial)}\n{specification}"

    return key


# A value that stands in very many rows names so many others; the rest are counted.
_OTHERS_SHOWN = 10


def _repeated(readers: list[RowReader], key: Callable[[RowDraft], str | None]) -> Iterator[tuple[RowReader, list[int]]]:
    groups: dict[str, list[RowReader]] = {}
    for reader in readers:
        value = key(reader.draft)
        if value is not None:
            groups.setdefault(value, []).append(reader)
    for group in groups.values():
        if len(group) > 1:
            rows = [reader.draft.row for reader in group]
            for reader in group:
                yield reader, [row for row in rows[: _OTHERS_SHOWN + 1] if row != reader.draft.row][:_OTHERS_SHOWN]
