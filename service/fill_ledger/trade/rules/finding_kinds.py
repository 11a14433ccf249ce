"""What can be found about a recorded fact beyond the reasons of the rules, and how grave a finding is.

A finding never refuses anything: the fact has happened and is kept. The reasons for which the rules would have denied a
fill are findings too, and bring their own title and source; which of those are grave stands here.
"""

from typing import Literal

import msgspec

from fill_ledger.trade.gas.table_values import GREATEST_TEMPERATURE_F, LEAST_TEMPERATURE_F

Severity = Literal["grave", "notable"]

_FROM_THE_LEDGER = "inference: the ledger keeps whatever a device reports, and says what is wrong with it"
_FROM_PERMITS = "inference: a permit is for one fill, and begins it before it runs out"
_SCALE = "ASME B40.100, from memory: a gauge is chosen to read about twice its working pressure"
_GAUGE = "US Navy Diving Manual 7-5.1.1: from 50 psi over the rating on, bleed off and gauge again"


class FindingKind(msgspec.Struct, frozen=True, kw_only=True):
    """A kind of finding as the catalogue lists it. A code never changes its meaning.

    title: what was found, without a full stop. source: why it is one. severity: "grave" where somebody may have been
    hurt or the air or cylinder must be looked at before it is used; "notable" is for the record.
    """

    code: str
    title: str
    source: str
    severity: Severity = "notable"


OVER_FILL_LIMIT = FindingKind(
    code="over-fill-limit",
    title="The pressure at the end of the fill, settled at 70 F, is above the cylinder's own limit",
    source=f"49 CFR 173.301a(c) (2024 copy), the limit at 70 F; tolerance: {_GAUGE}",
    severity="grave",
)
HOSE_RATING_EXCEEDED = FindingKind(
    code="hose-rating-exceeded",
    title="The gauge read more at the end of the fill than the hose is rated for",
    source=f"common practice, no source: a rating bounds the reading, hot or cold; tolerance: {_GAUGE}",
    severity="grave",
)
REGULATOR_SETTING_EXCEEDED = FindingKind(
    code="regulator-setting-exceeded",
    title="The gauge read more at the end of the fill than the regulator is set to",
    source=f"inference: it lets through more than it is set to, or its setting on record is wrong; tolerance: {_GAUGE}",
)
END_READING_IMPOSSIBLE = FindingKind(
    code="end-reading-impossible",
    title="The pressure at the end of the fill is below nothing, or more than a gauge shows on such a hose",
    source=f"inference; {_SCALE}",
)
START_READING_IMPOSSIBLE = FindingKind(
    code="start-reading-impossible",
    title="The pressure before the fill is below nothing, or more than a gauge shows on such a hose",
    source=f"inference; {_SCALE}",
)
START_ABOVE_END = FindingKind(
    code="start-above-end",
    title="The pressure before the fill is above the one after it",
    source=f"inference: a fill raises the pressure; tolerance: {_GAUGE}",
)
DURATION_IMPOSSIBLE = FindingKind(
    code="duration-impossible",
    title="The pressure rose faster than any cylinder is filled: the readings or the duration are wrong",
    source="inference: twice the rate makers claim for a fast fill, empty to 4,500 psi in 45 s (secondary source)",
)
DURATION_UNBELIEVABLE = FindingKind(
    code="duration-unbelievable",
    title="The duration of the fill is below nothing or more than a day",
    source="inference: no cylinder takes a day to fill",
)
DATED_IN_THE_FUTURE = FindingKind(
    code="dated-in-the-future",
    title="The fill was dated more than 5 minutes ahead of the server's clock; it is kept as of when it came",
    source="inference: what is reported has happened; the device's clock or the date is wrong",
)
DATED_BEFORE_MANUFACTURE = FindingKind(
    code="dated-before-manufacture",
    title="The fill is dated before the month in which the cylinder was made",
    source="inference: the date of the fill, the month on record or the cylinder named is wrong",
)
FILLED_TOO_FAST = FindingKind(
    code="filled-too-fast",
    title="The cylinder was filled faster than the greatest fill rate: it gets hot and settles low",
    source="gas-industry habit of 600 psi/min or slower (secondary source), or the department's policy",
)
GAS_TEMPERATURE_OUTSIDE_TABLE = FindingKind(
    code="gas-temperature-outside-table",
    title=(
        f"The gas temperature is not within {LEAST_TEMPERATURE_F} to {GREATEST_TEMPERATURE_F} F: the reading cannot be "
        "settled with it"
    ),
    source="inference: the table of air ends there; no gas in a cylinder should be hotter",
)
LOOK_OVER_FAILED = FindingKind(
    code="look-over-failed",
    title="The cylinder was filled although it failed the look-over before the fill",
    source="49 CFR 173.301(a)(2) (2015 edition)",
    severity="grave",
)
LOOK_OVER_NOT_DONE = FindingKind(
    code="look-over-not-done",
    title="The cylinder was filled without the look-over before the fill",
    source="49 CFR 173.301(a)(2) (2015 edition)",
)
OVERRIDE_USED = FindingKind(
    code="override-used",
    title="An operator overrode the answer, or went ahead without one",
    source="common practice, no source: somebody reads every override",
)
CONSENT_NOT_REPORTED = FindingKind(
    code="owner-consent-not-reported",
    title="A fill of another owner's cylinder was reported without the owner's consent",
    source="49 CFR 173.301(e) (2015 edition)",
)
PERMIT_NOT_GENUINE = FindingKind(
    code="permit-reference-not-genuine",
    title="The fill quotes a permit that this service did not give, or gave under a key it no longer has",
    source=_FROM_PERMITS,
)
PERMIT_FOR_ANOTHER_FILL = FindingKind(
    code="permit-for-another-fill",
    title="The fill quotes a permit that was given for another fill",
    source=_FROM_PERMITS,
)
PERMIT_EXPIRED = FindingKind(
    code="permit-expired",
    title="The fill began after the permit that it quotes had run out",
    source=_FROM_PERMITS,
)
PERMIT_USED_TWICE = FindingKind(
    code="permit-used-twice",
    title="Another fill on record has quoted the same permit before",
    source=_FROM_PERMITS,
)
FILL_NOT_ASKED = FindingKind(
    code="fill-not-asked",
    title="A station filled without asking: it quotes no permit and no roster, and tells of no override",
    source=f"{_FROM_PERMITS}; a fill by hand, and one that a person enters, need none",
)
STATION_DIFFERS = FindingKind(
    code="station-differs",
    title="The fact names another station than that of the controller that sent it",
    source=_FROM_THE_LEDGER,
)
CONFLICT_KEPT = FindingKind(
    code="event-id-used-twice",
    title="An observation came with an id that another fact already has; it was kept beside",
    source=_FROM_THE_LEDGER,
)
QUARANTINED = FindingKind(
    code="fact-unreadable",
    title="A fact could not be read as its type; its bytes were kept",
    source=_FROM_THE_LEDGER,
)

# In the order in which a person should look at them.
FINDING_KINDS: tuple[FindingKind, ...] = (
    OVER_FILL_LIMIT,
    HOSE_RATING_EXCEEDED,
    LOOK_OVER_FAILED,
    LOOK_OVER_NOT_DONE,
    REGULATOR_SETTING_EXCEEDED,
    FILLED_TOO_FAST,
    OVERRIDE_USED,
    CONSENT_NOT_REPORTED,
    PERMIT_NOT_GENUINE,
    PERMIT_FOR_ANOTHER_FILL,
    PERMIT_EXPIRED,
    PERMIT_USED_TWICE,
    FILL_NOT_ASKED,
    DATED_IN_THE_FUTURE,
    DATED_BEFORE_MANUFACTURE,
    END_READING_IMPOSSIBLE,
    START_READING_IMPOSSIBLE,
    START_ABOVE_END,
    DURATION_UNBELIEVABLE,
    DURATION_IMPOSSIBLE,
    GAS_TEMPERATURE_OUTSIDE_TABLE,
    STATION_DIFFERS,
    CONFLICT_KEPT,
    QUARANTINED,
)

# Of the reasons to deny: a fill against one of these may have hurt somebody; the others are for the record first.
GRAVE_REASON_CODES = frozenset(
    {
        "condemned",
        "requalification-rejected",
        "on-hold",
        "service-life-over",
        "specification-not-fillable",
        "specification-wrong-use",
        "inspection-failed",
        "eddy-current-mark-missing",
        "air-source-out-of-service",
        "air-sample-failed",
        "air-sample-over-limit",
        "air-alarm-open",
    }
)

_KIND_BY_CODE = {kind.code: kind for kind in FINDING_KINDS}


def severity_of(code: str) -> Severity:
    """Return how grave a finding is, by the code of its kind or of the reason to deny behind it."""
    kind = _KIND_BY_CODE.get(code)
    if kind is not None:
        return kind.severity
    return "grave" if code in GRAVE_REASON_CODES else "notable"
