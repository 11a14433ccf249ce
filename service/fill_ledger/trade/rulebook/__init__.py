"""What the rules go by, as dated data: specifications and permits, standards of air, figures and sources.

`specifications` and `air_standards` are what a release brings; `book` puts that together with what the county entered
in its ledger, ready for the judgement; `keys` says under which key a mark stands.
"""

from fill_ledger.trade.rulebook.book import (
    SHIPPED,
    Amendment,
    DatedEntry,
    DatedStandard,
    Rulebook,
    holds_on,
    released_entries,
    rulebook_of,
    shipped_rulebook,
)
from fill_ledger.trade.rulebook.keys import implied_wall, key_meant, permit_key, read_mark, specification_key

__all__ = [
    "SHIPPED",
    "Amendment",
    "DatedEntry",
    "DatedStandard",
    "Rulebook",
    "holds_on",
    "implied_wall",
    "key_meant",
    "permit_key",
    "read_mark",
    "released_entries",
    "rulebook_of",
    "shipped_rulebook",
    "specification_key",
]
