"""One cylinder as an inventory file describes it, read and made uniform."""

import hashlib

import msgspec

from fill_ledger.intake.inventory.words import Condition, Material, RequalificationMethod, Use
from fill_ledger.trade.pressure import StampedPressure
from fill_ledger.trade.requalifiers import RequalificationSuffix

# Goes into every digest: a change of what a row means gets a new number.
DIGEST_VERSION = 1
_OUTSIDE_THE_DIGEST = frozenset({"row", "specification_as_entered"})


class InventoryRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of the file without any fault.

    row: as the spreadsheet numbers it. specification: canonical; as_entered: as the file has it. service_pressure: as
    stamped. Months are YYYY-MM; purchased is YYYY-MM or YYYY-MM-DD. tag: canonical text. home_station: name or code
    as written, not yet looked up. condition: in service where the file says nothing.
    """

    row: int
    serial: str
    specification: str
    specification_as_entered: str
    service_pressure: StampedPressure
    use: Use
    condition: Condition = "in_service"
    inventory_number: str | None = None
    water_volume_ml: int | None = None
    manufactured: str | None = None
    last_requalified: str | None = None
    requalifier: str | None = None
    requalification_method: RequalificationMethod | None = None
    requalification_marks: tuple[RequalificationSuffix, ...] = ()
    material: Material | None = None
    alloy: str | None = None
    tag: str | None = None
    home_station: str | None = None
    purchased: str | None = None
    remark: str | None = None

    @property
    def content_digest(self) -> str:
        """SHA-256 (hex) over what the row says, whatever its place in the file and however it was spelled there."""
        content = {name: value for name, value in msgspec.to_builtins(self).items() if name not in _OUTSIDE_THE_DIGEST}
        encoded = msgspec.json.encode([DIGEST_VERSION, content], order="sorted")
        return hashlib.sha256(encoded).hexdigest()
