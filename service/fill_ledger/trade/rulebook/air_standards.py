"""The standards of breathing air that a release brings: what each authority wants of every analyte.

Data, not code: the county enters further ones, or others in their place. `confidence` says how well a standard is
founded, as for specifications; a limit that is founded otherwise names its own source. Of these texts only
29 CFR 1910.134 was read; the others are known from summaries of laboratories and test houses. CGA Grade L is left out,
because what is known of it is from memory alone.
"""

from fill_ledger.trade.events.air import AirSourceKind, Analyte, AnalyteUnit
from fill_ledger.trade.events.rulebook import AirStandard, AnalyteLimit

NO_ODOUR, SLIGHT_ODOUR = "0", "1"  # ranks of `AnalyteLimit`

_STORED_200_BAR_PSI = 2_900  # 200 bar is 2,900.7 psi, rounded down as every conversion of a limit
_STORED_40_BAR_PSI = 580  # 40 bar is 580.1 psi

_STORED: tuple[AirSourceKind, ...] = ("storage_bank", "purchased")

_OSHA = "29 CFR 1910.134(i)(1)(ii) (2015 edition)"
_NFPA = "NFPA 1989-2019 as summarised by a laboratory (secondary)"
_NFPA_MEMORY = "NFPA 1989-2019, from memory"
_GRADE_E = "CGA G-7.1 Grade E, summaries of 1997 to 2011 (secondary)"
_EN = "EN 12021:2014, three summaries that agree (secondary)"


def _at_most(
    analyte: Analyte,
    unit: AnalyteUnit,
    maximum: str,
    *,
    source: str | None = None,
    over_psi: int | None = None,
    through_psi: int | None = None,
    air_source_kind: AirSourceKind | None = None,
) -> AnalyteLimit:
    return AnalyteLimit(
        analyte=analyte,
        unit=unit,
        maximum=maximum,
        source=source,
        over_psi=over_psi,
        through_psi=through_psi,
        air_source_kind=air_source_kind,
    )


OSHA_GRADE_D = AirStandard(
    key="OSHA Grade D",
    title="Grade D breathing air as OSHA asks for it (CGA G-7.1-1989)",
    source=_OSHA,
    confidence="read",
    limits=(
        AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5", maximum="23.5"),
        _at_most("carbon_monoxide", "ppm", "10"),
        _at_most("carbon_dioxide", "ppm", "1000"),
        _at_most("oil", "mg_per_m3", "5", source=f"{_OSHA}: condensed hydrocarbons"),
        _at_most(
            "dew_point", "deg_f", "-50", source="29 CFR 1910.134(i)(4)(iii) (2015 edition): cylinders, at 1 atmosphere"
        ),
        _at_most("odour", "none", NO_ODOUR, source=f"{_OSHA}: lack of noticeable odor"),
    ),
)

CGA_GRADE_E = AirStandard(
    key="CGA Grade E",
    title="Grade E breathing air of CGA G-7.1",
    source=_GRADE_E,
    confidence="medium",
    limits=(
        AnalyteLimit(analyte="oxygen", unit="percent", minimum="20", maximum="22"),
        _at_most("carbon_monoxide", "ppm", "10"),
        _at_most("carbon_dioxide", "ppm", "1000", source=f"{_GRADE_E}; 500 in older ones"),
        _at_most("oil", "mg_per_m3", "5"),
        _at_most("hydrocarbons", "ppm", "25", source=f"{_GRADE_E}: as methane"),
        # Two ways to say one limit: a sample gives either.
        _at_most("dew_point", "deg_f", "-50", source=f"{_GRADE_E}; a stricter variant has -65 F"),
        _at_most("water", "ppm", "67", source=f"{_GRADE_E}; a stricter variant has 24 ppm"),
        _at_most("odour", "none", SLIGHT_ODOUR),
    ),
)

NFPA_1989_2019 = AirStandard(
    key="NFPA 1989-2019",
    title="Breathing air quality for emergency services respiratory protection, 2019 edition",
    source=_NFPA,
    confidence="medium",
    limits=(
        AnalyteLimit(analyte="oxygen", unit="percent", minimum="19.5", maximum="23.5", source=_NFPA_MEMORY),
        AnalyteLimit(analyte="nitrogen", unit="percent", minimum="75", maximum="81", source=_NFPA_MEMORY),
        _at_most("carbon_monoxide", "ppm", "5"),
        _at_most("carbon_dioxide", "ppm", "1000"),
        _at_most("oil", "mg_per_m3", "2", source=f"{_NFPA}: oil mist and particulate"),
        _at_most("hydrocarbons", "ppm", "25", source=f"{_NFPA}: total volatile non-methane"),
        _at_most("water", "ppm", "24"),
        _at_most("dew_point", "deg_f", "-65", source=f"{_NFPA}: 24 ppm, about -65 F"),
        _at_most("odour", "none", SLIGHT_ODOUR),
    ),
)

EN_12021_2014 = AirStandard(
    key="EN 12021:2014",
    title="Compressed air for breathing apparatus (Europe)",
    source=_EN,
    confidence="medium",
    limits=(
        AnalyteLimit(analyte="oxygen", unit="percent", minimum="20", maximum="22"),
        _at_most("carbon_monoxide", "ppm", "5", source=f"{_EN}; 15 in the edition of 1999"),
        _at_most("carbon_dioxide", "ppm", "500"),
        _at_most("oil", "mg_per_m3", "0.5"),
        _at_most("water", "mg_per_m3", "25", air_source_kind="compressor"),
        *(
            _at_most("water", "mg_per_m3", maximum, over_psi=over_psi, through_psi=through_psi, air_source_kind=kind)
            for kind in _STORED
            for maximum, over_psi, through_psi in (
                ("50", _STORED_40_BAR_PSI, _STORED_200_BAR_PSI),
                ("35", _STORED_200_BAR_PSI, None),
            )
        ),
        _at_most("odour", "none", NO_ODOUR, source=f"{_EN}: no significant odour"),
    ),
)

AIR_STANDARDS: tuple[AirStandard, ...] = (OSHA_GRADE_D, CGA_GRADE_E, NFPA_1989_2019, EN_12021_2014)
