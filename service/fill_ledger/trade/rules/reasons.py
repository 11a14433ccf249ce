"""Reasons, and how a rule declares which ones it may give.

A kind of reason is declared once, with its code, effect, title and source; a rule makes reasons of its kinds and adds
the words and values. Decision words follow the XACML vocabulary: permit, deny, obligation, advice.
"""

import unicodedata
from datetime import datetime
from typing import Literal

import msgspec

from fill_ledger.trade.events.envelope import Use

USE_WORDS: dict[Use, str] = {"scba": "SCBA", "scuba": "SCUBA", "storage": "storage"}

Effect = Literal["deny", "obligation", "advice"]

MAXIMUM_TEXT = 200
MAXIMUM_DISPLAY_TEXT = 80
SHORT_VALUE = 24


class Reason(msgspec.Struct, frozen=True, kw_only=True):
    """One reason: why not, what to do as well (obligation), or what is good to know (advice).

    text: at most 200 characters. display_text: at most 80 ASCII characters for a small display. source: regulation
    paragraph, standard, policy or common practice. clears_by: what a person does about it. clears_at: when it ends by
    itself, exclusive, None if never.
    """

    code: str
    effect: Effect
    text: str
    display_text: str
    source: str
    clears_by: str | None = None
    clears_at: datetime | None = None


class ReasonKind(msgspec.Struct, frozen=True, kw_only=True):
    """A kind of reason as it stands in the catalogue. A code never changes its meaning."""

    code: str
    effect: Effect
    title: str
    source: str
    clears_by: str | None = None

    def reason(
        self,
        text: str,
        display_text: str,
        *,
        source: str | None = None,
        clears_by: str | None = None,
        clears_at: datetime | None = None,
    ) -> Reason:
        """Return a reason of this kind; words that are too long are cut, never refused."""
        return Reason(
            code=self.code,
            effect=self.effect,
            text=text if len(text) <= MAXIMUM_TEXT else text[: MAXIMUM_TEXT - 3] + "...",
            display_text=plain(display_text, MAXIMUM_DISPLAY_TEXT),
            source=source or self.source,
            clears_by=clears_by or self.clears_by,
            clears_at=clears_at,
        )


def plain(value: str, limit: int = SHORT_VALUE) -> str:
    """Return a text as a small display can show it: one line of printable ASCII of at most `limit` characters."""
    if not (value.isascii() and value.isprintable()):
        folded = unicodedata.normalize("NFKD", value)
        kept = (
            c if c.isascii() and c.isprintable() else " " if c.isspace() else "?"
            for c in folded
            if not unicodedata.combining(c)
        )
        value = " ".join("".join(kept).split())
    return value if len(value) <= limit else value[: limit - 3] + "..."
