"""The standards of breathing air that a release brings: what each authority wants of every analyte."""

from fill_ledger.trade.events.rulebook import AirStandard

AIR_STANDARDS: tuple[AirStandard, ...] = ()
