"""What a plan for several connections is made from, and what it says.

Pressures are whole gauge psi at the temperature of the plan; predicted ones to the nearest, limits as they are.
"""

from enum import StrEnum

import msgspec

from fill_ledger.trade.gas.contents import FreeAir
from fill_ledger.trade.gas.storage import Bottle


class Connection(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A cylinder on a fill position.

    `limit_psi` is its fill limit, settled at 70 F, `label` the caller's name for it. `rating_psi` is what the regulator
    of the fill position is set to or its hose rated for, whichever is less: no gauge behind it may show more, however
    warm the gas. None where there is nothing to heed.
    """

    label: str
    water_volume_ml: int
    present_psi: int
    limit_psi: int
    rating_psi: int | None = None


class Compressor(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A compressor: free air it makes in standard cubic feet a minute, and the pressure at which it stops."""

    rate_scfm: float
    maximum_psi: int


class Supply(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a station fills from. Without either nothing can be filled."""

    compressor: Compressor | None = None
    bottles: tuple[Bottle, ...] = ()


class PressureChange(msgspec.Struct, frozen=True, kw_only=True):
    """A cylinder or a bottle before and after. `air` is what went in or came out."""

    label: str
    before_psi: int
    after_psi: int
    air: FreeAir


class Stage(msgspec.Struct, frozen=True, kw_only=True):
    """One stage: open these, bring them to the ceiling, close those that are full.

    `opened` stands lowest pressure first, the order to open them in. `reached` is false when the supply ends below the
    ceiling, and then nothing is closed as full. `stop_at_psi` stands when a gas temperature was given and the table
    reaches; it heeds the ratings of what is open. `bottles` stand in the order to open them in, each closed before the
    next; with `compressor_first` the compressor runs before the first of them, else after the last. `compressor_s` is
    the time the compressor runs; `duration_s` is None when stored air flows and nobody said how fast.
    """

    number: int
    ceiling_psi: int
    stop_at_psi: int | None
    opened: tuple[str, ...]
    closed: tuple[str, ...]
    reached: bool
    cylinders: tuple[PressureChange, ...]
    bottles: tuple[PressureChange, ...]
    compressor_first: bool
    from_storage: FreeAir
    from_compressor: FreeAir
    compressor_s: int
    duration_s: int | None


class ConnectionState(StrEnum):
    """How a cylinder ends. Values are sent; never rename one."""

    FULL = "full"
    ALREADY_FULL = "already-full"
    OVER_LIMIT = "over-limit"
    SHORT = "short"


class ConnectionEnd(msgspec.Struct, frozen=True, kw_only=True):
    """How one cylinder ends, and why when it is not full.

    `limit_psi` is the limit that was filled to, lowered where a rating asks for it; `limit_reading_psi` is what that
    shows at the temperature of the plan. `air` went in.
    """

    label: str
    state: ConnectionState
    end_psi: int
    limit_psi: int
    limit_reading_psi: int
    air: FreeAir
    text: str


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """A word of advice with its source. `code` is stable."""

    code: str
    text: str
    source: str


class FillPlan(msgspec.Struct, frozen=True, kw_only=True):
    """A staged plan. Sums are of the stages; `duration_s` is None when one stage's is."""

    stages: tuple[Stage, ...]
    ends: tuple[ConnectionEnd, ...]
    bottles_after: tuple[Bottle, ...]
    from_storage: FreeAir
    from_compressor: FreeAir
    compressor_s: int
    duration_s: int | None
    advice: tuple[Advice, ...]
