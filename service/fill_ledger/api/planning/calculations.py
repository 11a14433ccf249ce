"""Where long calculations run: on one thread of their own, so that look-ups go on meanwhile.

One thread, because more would only share the same interpreter: whoever asks for many plans at once waits for them
alone. The interpreter takes turns every few milliseconds, so a look-up waits no longer than that.
"""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem
from fill_ledger.trade.gas.air_table import OutsideTable

Result = TypeVar("Result")

_THREAD = ThreadPoolExecutor(max_workers=1, thread_name_prefix="planning")


async def calculated(calculation: Callable[[], Result]) -> Result:
    """Return what a calculation gives, made off the event loop. Whatever it raises is raised here."""
    return await asyncio.get_running_loop().run_in_executor(_THREAD, calculation)


def outside_table(outside: OutsideTable) -> Problem:
    """Return the problem of figures that are each in the table of real air, and come to one that is not."""
    fault = Fault(code="outside-gas-table", detail=f"{outside.text[0].upper()}{outside.text[1:]}.", pointer="")
    return Problem(problem_types.NOT_PROCESSABLE, fault.detail, errors=[fault])
