"""Days in a query: YYYY-MM-DD, and in the calendar."""

import datetime

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.problems import Fault, Problem


def real_day(day: str | None, parameter: str) -> datetime.date | None:
    """Return the day a query parameter names; None where it was not given.

    Raises:
        Problem: 400 invalid-query for a day that the calendar does not have, such as February 30.
    """
    if day is None:
        return None
    try:
        return datetime.date.fromisoformat(day)
    except ValueError:
        detail = f"{day} is not in the calendar."
        fault = Fault(code="no-such-day", detail=detail, parameter=parameter)
        raise Problem(problem_types.INVALID_QUERY, detail, errors=[fault]) from None
