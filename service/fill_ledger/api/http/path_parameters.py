"""Parameters in the path of an operation, read as strictly as everything else."""

import re
from typing import Any

import msgspec
from msgspec import Struct, inspect

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.faults import find_faults
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.api.http.value_types import check_request_type


class PathParameter(Struct, frozen=True, kw_only=True):
    """A named part of the path and its type."""

    name: str
    annotation: Any
    description: str


class PathReader:
    """Reads one path parameter. What it cannot read names no resource, so the answer is 404 with the reason."""

    __slots__ = ("_annotation", "_inspected", "_is_integer", "_name")

    def __init__(self, parameter: PathParameter) -> None:
        self._name = parameter.name
        self._annotation = parameter.annotation
        self._inspected = check_request_type(parameter.annotation)
        self._is_integer = isinstance(self._inspected, inspect.IntType)

    def read(self, text: str) -> Any:
        """Return the typed value.

        Raises:
            Problem: 404 not-found with the reason.
        """
        value: Any = text
        if self._is_integer and re.fullmatch(r"0|[1-9][0-9]{0,17}", text):
            value = int(text)
        if "\x00" not in text:
            try:
                return msgspec.convert(value, self._annotation, strict=True)
            except msgspec.ValidationError:
                pass
        faults = find_faults(value, self._inspected)
        details = [fault.detail for fault in faults] or ["It is not readable."]
        errors = [Fault(code="wrong-format", detail=detail, parameter=self._name) for detail in details]
        raise Problem(problem_types.NOT_FOUND, f"No resource can have this {self._name}.", errors=errors)
