"""Figures of rules: numbers and months that stand in the catalogue and that the county may amend for a time."""

import msgspec


class NumberFigure(msgspec.Struct, frozen=True, kw_only=True):
    """A whole number of a rule, in the unit of its name; an amendment stays between `lowest` and `highest`."""

    name: str
    value: int
    lowest: int
    highest: int
    meaning: str


class MonthFigure(msgspec.Struct, frozen=True, kw_only=True):
    """A month of a rule, "YYYY-MM"."""

    name: str
    value: str
    meaning: str


Figure = NumberFigure | MonthFigure
