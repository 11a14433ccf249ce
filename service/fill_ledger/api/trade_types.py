"""Field types that stations, positions and air sources share, each with its bounds."""

import uuid
from typing import Annotated

from msgspec import Meta, Struct

MAXIMUM_EVENT_PSI = 15_000
MAXIMUM_LISTED = 10_000  # of what one station or source gathers in its life
SHOWN_PERIODS = 100
"""So many of the newest closures, outages, samples and filter changes stand in one answer; the history has them all."""

StationCode = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=16,
        pattern=r"^[A-Z0-9-]{1,16}\Z",
        description="Short code, unique in the department.",
        examples=["S3"],
    ),
]
DepartmentCode = Annotated[
    str,
    Meta(
        min_length=2,
        max_length=12,
        pattern=r"^[A-Z0-9]{2,12}\Z",
        description="Short code, unique in the county.",
        examples=["QFD"],
    ),
]
ZoneName = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=r"^[A-Za-z0-9_+/-]+\Z",
        description="Name of a zone in the IANA time zone database.",
        examples=["America/New_York"],
    ),
]
Reason = Annotated[str, Meta(min_length=1, max_length=2000, description="Kept sealed, because it may name a person.")]
ShownReason = Annotated[str, Meta(max_length=2000, description="Null for callers who may not read names.")]
PressurePsi = Annotated[
    int,
    Meta(ge=0, le=MAXIMUM_EVENT_PSI, extra_json_schema={"format": "int32"}, description="Gauge pressure in whole psi."),
]
RatedPressurePsi = Annotated[
    int,
    Meta(ge=1, le=MAXIMUM_EVENT_PSI, extra_json_schema={"format": "int32"}, description="Gauge pressure in whole psi."),
]
RunTimeTenths = Annotated[
    int,
    Meta(
        ge=0,
        le=2**31 - 1,
        extra_json_schema={"format": "int32"},
        description="Reading of an hour meter in tenths of an hour.",
    ),
]

EXAMPLE_STATION_ID = uuid.UUID("5f0c7c52-6f2b-4d7e-9a41-2f0d3b8c6e11")
EXAMPLE_DEPARTMENT_ID = uuid.UUID("0b9d6c1e-8f0a-4a53-b7cf-5b1f4a9a2f10")
EXAMPLE_AIR_SOURCE_ID = uuid.UUID("8e0a2c4b-6d8f-4013-a5b7-c9d1e3f50708")


class SealedText(Struct, frozen=True):
    """A sealed text as far as the caller may read it."""

    text: str | None = None
    erased: bool = False
