"""The rulebook as the county's ledger has it, kept in a process until it changes there."""

import asyncpg

from fill_ledger.ledger.read import Connection
from fill_ledger.trade.identifiers import COUNTY_ID, SubjectKind
from fill_ledger.trade.rulebook import SHIPPED, Rulebook, rulebook_of
from fill_ledger.trade.states.rulebook import RulebookState
from fill_ledger.views.folding import decode_state

_READ = """
    SELECT ledger_position, CASE WHEN ledger_position <> $4 THEN state END AS state
    FROM lookup.states($1, $2, $3)
"""


class Rulebooks:
    """Holds the rulebook of one database. Before anything is installed, what the release brings holds."""

    def __init__(self) -> None:
        self._position = 0
        self._rulebook = SHIPPED

    async def at(self, connection: "Connection | asyncpg.Pool[asyncpg.Record]", position: int | None) -> Rulebook:
        """Return the rulebook at least as new as a position of the county's ledger that was just read; None: none."""
        return self._rulebook if (position or 0) == self._position else await self.current(connection)

    async def current(self, connection: "Connection | asyncpg.Pool[asyncpg.Record]") -> Rulebook:
        """Return the rulebook as it stands now: a short read, and a long one only when it has changed."""
        held_position, held = self._position, self._rulebook
        row = await connection.fetchrow(_READ, [COUNTY_ID], [SubjectKind.RULEBOOK.value], [COUNTY_ID], held_position)
        if row is not None and row["state"] is None:
            return held
        position, rulebook = 0, SHIPPED
        if row is not None:
            state: RulebookState = decode_state(SubjectKind.RULEBOOK, row["state"])
            position, rulebook = row["ledger_position"], rulebook_of(state)
        # Another reading may have come back meanwhile with something newer: that stays.
        if position > self._position or self._position == held_position:
            self._position, self._rulebook = position, rulebook
        return rulebook
