"""The terms of a department's policy, as they are set and shown."""

import uuid
from typing import Annotated, Literal

from msgspec import Meta

MAXIMUM_PARTNERS = 500

DueMonth = Annotated[
    Literal["lenient", "strict"],
    Meta(
        description="Until when a cylinder may be filled: the end of the month in which its requalification is due "
        "(lenient), or of the month before (strict)."
    ),
]
IntervalDays = Annotated[int, Meta(ge=1, le=3_660, extra_json_schema={"format": "int32"})]
SampleIntervalDays = Annotated[
    int,
    Meta(
        ge=1,
        le=3_660,
        extra_json_schema={"format": "int32"},
        description="So many days after it was taken a passed air sample is no longer current.",
    ),
]
RestsOn = Annotated[
    str, Meta(min_length=1, max_length=200, description="What the interval rests on; quoted with every denial.")
]
Partners = Annotated[
    tuple[uuid.UUID, ...],
    Meta(max_length=MAXIMUM_PARTNERS, description="Departments whose cylinders are filled here, by mutual aid."),
]
StandardName = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        description="A standard of GET /v1/air-standards by which every air sample is judged again, analyte by "
        "analyte; null leaves it at the laboratory's verdict.",
    ),
]
ScubaStandardName = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        description="The standard that the air must meet as well where a SCUBA cylinder is filled; null for none.",
    ),
]
FilterLifeTenths = Annotated[
    int,
    Meta(
        ge=1,
        le=1_000_000,
        extra_json_schema={"format": "int32"},
        description="Tenths of an hour that a purification filter may run, by the maker's instructions.",
    ),
]
FillPressurePsi = Annotated[
    int,
    Meta(
        ge=500,
        le=10_000,
        extra_json_schema={"format": "int32"},
        description="No cylinder is filled above this, whatever its marks allow; gauge psi, settled at 70 F.",
    ),
]
TolerancePsi = Annotated[
    int,
    Meta(
        ge=0,
        le=50,
        extra_json_schema={"format": "int32"},
        description="So much above the limit a settled reading may lie before it is an overfill; null: the rules' own.",
    ),
]
FillRate = Annotated[
    int,
    Meta(
        ge=50,
        le=600,
        extra_json_schema={"format": "int32"},
        description="The fastest rise, gauge psi a minute, that is asked for; null: the rules' own figure.",
    ),
]

# Each may be left out, which leaves the rules as they are; where given it makes them stricter, never looser.
ScubaFillsAllowed = Annotated[bool, Meta(description="Whether SCUBA cylinders are filled here at all.")]
ScubaVisualRequired = Annotated[
    bool, Meta(description="Whether a SCUBA cylinder without a yearly internal inspection is denied, not advised.")
]
FilterLifeDays = Annotated[IntervalDays, Meta(description="Days after which a purification filter is changed.")]
CoCalibrationDays = Annotated[IntervalDays, Meta(description="Days after which a CO monitor is calibrated again.")]
TrainingDays = Annotated[IntervalDays, Meta(description="Days after which a member's training is refreshed.")]
LifeExtensionsAccepted = Annotated[bool, Meta(description="Whether a recorded extension of a service life counts.")]
BankNeedsOwnSample = Annotated[
    bool,
    Meta(
        description="Whether a storage bank needs an air sample of its own. Where not, a bank without a current one "
        "goes by the samples of the compressors of its station, taken between purification and storage."
    ),
]
FastFillsAllowed = Annotated[bool, Meta(description="Whether the mode fast is allowed.")]

# The terms that came after the first ones; they are kept and shown under the same names.
TERMS = (
    "air_standard",
    "scuba_fills_allowed",
    "scuba_air_standard",
    "scuba_visual_required",
    "filter_life_tenths_h",
    "filter_life_days",
    "co_calibration_interval_days",
    "training_interval_days",
    "training_interval_source",
    "life_extensions_accepted",
    "fill_limit_cap_psi",
    "gauge_tolerance_psi",
    "fill_rate_max_psi_per_minute",
    "fast_fills_allowed",
    "bank_needs_own_sample",
)
