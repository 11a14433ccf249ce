"""Batches as they are sent: taken apart into facts, however much of the whole can be read.

A batch is one JSON object with the array `facts`, or newline-delimited JSON whose first line is that object without it.
Each fact is cut out as the bytes in which it came. What cannot be cut out, such as the end of a batch that was broken
off, is one more piece, so that nothing that arrived is lost.
"""

import json
import re
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from fill_ledger.intake.facts import ANY_FACT
from fill_ledger.trade.events.envelope import MAXIMUM_SHORT_TEXT, Moment

MAXIMUM_FACTS = 10_000
MAXIMUM_BATCH_BYTES = 16 * 1024 * 1024
"""Greatest size of a batch, after decompression: 10,000 facts of the usual size take about half of it."""

FACTS_MEMBER = "facts"
# What a fact has and a batch never: then it is a fact sent alone, or lines without the header; no misspelt batch.
_SIGNS_OF_A_FACT = frozenset({"type", "event_id", "body"})
_SPACE = re.compile(r"[ \t\n\r]*")
_PUNCTUATION = b" \t\n\r,]}"
# Numbers are only passed over here: converting a very long run of digits would be slow, and is refused by Python.
_scanner = json.JSONDecoder(parse_int=len, parse_float=len)

SoftwareName = Annotated[str, Meta(max_length=MAXIMUM_SHORT_TEXT, description="name and version of the software")]


class TooManyFactsError(Exception):
    """The batch has more than `MAXIMUM_FACTS` facts. Nothing was taken of it."""


class BatchHeader(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a batch says of itself: the device's clock as it was sent, and the software that made it."""

    device_now: Moment | None = None
    device_software: SoftwareName | None = None


class Batch(BatchHeader, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Many facts of any type that a device may send, in any order."""

    facts: Annotated[tuple[ANY_FACT, ...], Meta(max_length=MAXIMUM_FACTS)]


class SplitBatch(msgspec.Struct, kw_only=True):
    """A batch taken apart. `header` is the JSON text of what is not a fact; `rest` is what could not be cut out.

    What stands where the header has no place for it, such as facts under another name, is one more fact: it is likely
    to hold some. A fact sent alone, without a batch around it, is therefore taken as well.

    `is_whole` is False where the batch does not come to its end, even if nothing but punctuation is missing.
    """

    header: bytes = b"{}"
    facts: list[bytes] = msgspec.field(default_factory=list)
    rest: bytes | None = None
    is_whole: bool = True


def split_lines(raw: bytes) -> SplitBatch:
    """Take newline-delimited JSON apart: the header, then a fact a line; empty lines are passed over.

    Raises:
        TooManyFactsError: more facts than a batch may have.
    """
    lines = [line for line in raw.split(b"\n") if line.strip()]
    if not lines:
        return SplitBatch(rest=raw, is_whole=False)
    if len(lines) - 1 > MAXIMUM_FACTS:
        raise TooManyFactsError
    cutter = _Cutter(lines[0])
    try:
        cutter.cut_object()
    except (ValueError, RecursionError):
        return SplitBatch(header=lines[0], facts=lines)
    if not cutter.is_at_end():
        return SplitBatch(header=lines[0], facts=lines)
    first = cutter.split(rest_from=None)
    return SplitBatch(header=first.header, facts=[*first.facts, *lines[1:]])


def split_batch(raw: bytes) -> SplitBatch:
    """Take a JSON batch apart. Newline-delimited JSON that was sent under the wrong name is recognised.

    Raises:
        TooManyFactsError: more facts than a batch may have.
    """
    cutter = _Cutter(raw)
    try:
        cutter.cut_object()
    except (ValueError, RecursionError):
        return cutter.split(rest_from=cutter.safe)
    if cutter.is_at_end():
        return cutter.split(rest_from=None)
    if not cutter.has_facts and raw[: raw.find(b"\n") + 1].strip():
        return split_lines(raw)
    return cutter.split(rest_from=cutter.place)


class _Cutter:
    """Walks over the text of a batch. `safe` is the place up to which everything was cut out whole."""

    def __init__(self, raw: bytes) -> None:
        # Bytes that are no UTF-8 become lone surrogates and come back as they were: only their own fact suffers.
        self._text = raw.decode("utf-8", "surrogateescape")
        self._header: dict[str, Any] = {}
        self._facts: list[bytes] = []
        self._strays: list[tuple[int, str, bytes]] = []
        self.place = 0
        self.safe = 0
        self.has_facts = False

    def split(self, *, rest_from: int | None) -> SplitBatch:
        """Return what was cut out, and what remains from a place on."""
        rest = b"" if rest_from is None else self._bytes(rest_from, len(self._text))
        is_worth_keeping = bool(rest.strip(_PUNCTUATION)) or (rest_from is not None and not self._facts)
        strays = [stray for stray in self._strays if rest_from is None or stray[0] < rest_from]
        names = {name for _, name, _ in strays}
        is_fact = not names.isdisjoint(_SIGNS_OF_A_FACT)
        header = {name: value for name, value in self._header.items() if not is_fact or name not in names}
        return SplitBatch(
            header=json.dumps(header).encode(),
            facts=[*self._facts, b"{" + b",".join(text for _, _, text in strays) + b"}"] if strays else self._facts,
            rest=rest if is_worth_keeping else None,
            is_whole=rest_from is None,
        )

    def is_at_end(self) -> bool:
        """Tell whether nothing but white space follows."""
        self._skip_space()
        return self.place == len(self._text)

    def cut_object(self) -> None:
        """Cut the one object that a batch is. Raises ValueError or RecursionError where it cannot go on."""
        self._expect("{")
        if self._takes("}"):
            return
        while True:
            self._skip_space()
            start = self.place
            name = self._value()
            if not isinstance(name, str):
                raise ValueError("a member's name is a string")
            self._expect(":")
            self._skip_space()
            if name == FACTS_MEMBER and self._text.startswith("[", self.place):
                self._cut_facts()
            else:
                self._header[name] = self._value()
                if name not in BatchHeader.__struct_fields__:
                    self._strays.append((start, name, self._bytes(start, self.place)))
            if not self._takes(","):
                break
        self._expect("}")
        self.safe = self.place

    def _cut_facts(self) -> None:
        self._expect("[")
        self.has_facts = True
        self.safe = self.place
        if self._takes("]"):
            return
        while True:
            self._skip_space()
            start = self.place
            self._value()
            if len(self._facts) == MAXIMUM_FACTS:
                raise TooManyFactsError
            self._facts.append(self._bytes(start, self.place))
            self.safe = self.place
            if not self._takes(","):
                break
        self._expect("]")
        self.safe = self.place

    def _value(self) -> Any:
        value, self.place = _scanner.raw_decode(self._text, self.place)
        return value

    def _skip_space(self) -> None:
        found = _SPACE.match(self._text, self.place)
        assert found is not None
        self.place = found.end()

    def _takes(self, mark: str) -> bool:
        self._skip_space()
        if not self._text.startswith(mark, self.place):
            return False
        self.place += 1
        return True

    def _expect(self, mark: str) -> None:
        if not self._takes(mark):
            raise ValueError(f"{mark} is expected")

    def _bytes(self, start: int, end: int) -> bytes:
        return self._text[start:end].encode("utf-8", "surrogateescape")
