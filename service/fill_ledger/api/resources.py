"""Every resource of the interface, in the order of the document: one line a resource."""

from collections.abc import Mapping

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api import (
    attempts,
    credentials,
    cylinder_history,
    cylinders,
    eligibility,
    events,
    fill_records,
    fills,
    findings,
    health,
    holds,
    intake,
    member_sessions,
    member_standing,
    members,
    quarantine,
    requalifications,
    rules,
    stations,
    tags,
)

TAGS: Mapping[str, str] = {
    "eligibility": "The question: may this cylinder be filled here, now, by this member?",
    "rules": "Every code an answer may carry, with its source.",
    "stations": "Fill stations, fixed and on trucks, with their fill positions.",
    "fills": "Fills of cylinders, as reported and as judged.",
    "findings": "What a person should look at.",
    "events": "The ledger itself: every event with its place in the digest chain.",
    "quarantine": "Facts that were kept beside, as they came.",
    "intake": "Facts from stations, many at once.",
    "members": "Members: what they may fill, and the cards and passcodes that identify them. Names are sealed.",
    "member-sessions": "Who is at the whip.",
    "cylinders": "Cylinders: what is stamped on them, where they stand, and everything that happened to them.",
    "holds": "Holds: cylinders that must not be filled until a person says so.",
    "tags": "Tags and the cylinders they are on.",
    "requalifications": "Requalifications, one by one or as the requalifier's list.",
    "air-sources": "Air sources: compressors, storage banks and purchased air, with their samples.",
    "health": "Whether the service is alive and can do its work.",
}

HANDLERS: tuple[HTTPRouteHandler, ...] = (
    *health.HANDLERS,
    *eligibility.HANDLERS,
    *rules.HANDLERS,
    *stations.HANDLERS,
    *fills.HANDLERS,
    *fill_records.HANDLERS,
    *attempts.HANDLERS,
    *findings.HANDLERS,
    *events.HANDLERS,
    *quarantine.HANDLERS,
    *intake.HANDLERS,
    *members.HANDLERS,
    *member_standing.HANDLERS,
    *credentials.HANDLERS,
    *member_sessions.HANDLERS,
    *cylinders.HANDLERS,
    *cylinder_history.HANDLERS,
    *holds.HANDLERS,
    *tags.HANDLERS,
    *requalifications.HANDLERS,
)
