"""Names of time zones: those of the IANA time zone database, as the package `tzdata` carries it."""

from functools import lru_cache
from importlib.resources import files

from fill_ledger.trade.rules.calendar import REMEMBERED_ZONES, zone_of


@lru_cache(maxsize=REMEMBERED_ZONES)
def is_time_zone(name: str) -> bool:
    """Tell whether the IANA time zone database has a zone or link of exactly this name, such as America/New_York.

    A machine's own files may know further names ("localtime"), which mean something else on the next machine.
    """
    parts = name.split("/")
    if not all(part and part.replace("_", "").replace("-", "").replace("+", "").isalnum() for part in parts):
        return False
    return files("tzdata").joinpath("zoneinfo", *parts).is_file() and zone_of(name) is not None
