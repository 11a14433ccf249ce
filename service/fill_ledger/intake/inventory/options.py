"""What the importing person may say about a file, where the file itself does not say it."""

from typing import Literal

import msgspec

from fill_ledger.intake.inventory.date_readings import DateOrder
from fill_ledger.intake.inventory.delimited import Delimiter
from fill_ledger.intake.inventory.encodings import Encoding
from fill_ledger.intake.inventory.words import Use
from fill_ledger.trade.pressure import PressureUnit
from fill_ledger.trade.volumes import VolumeUnit


class ReadingOptions(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Choices for one import; None means: let the file say it.

    date_order: which number of 03/04/2021 is the month. two_digit_years: "latest_past" reads 09/21 and Sep-21 as month
    and year, the latest not after today. pressure_unit, volume_unit: of numbers whose cell and header name none.
    default_use: of rows without a use. sheet: which one of several. serials_may_repeat: the same serial on cylinders
    of different specifications is two cylinders.
    """

    date_order: DateOrder | None = None
    two_digit_years: Literal["refuse", "latest_past"] = "refuse"
    pressure_unit: PressureUnit | None = None
    volume_unit: VolumeUnit | None = None
    default_use: Use | None = None
    sheet: str | None = None
    encoding: Encoding | None = None
    delimiter: Delimiter | None = None
    serials_may_repeat: bool = False
