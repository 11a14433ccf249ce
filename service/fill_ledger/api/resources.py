"""Every resource of the interface, in the order of the document: one line a resource."""

from collections.abc import Mapping

from litestar.handlers import HTTPRouteHandler

from fill_ledger.api import health
from fill_ledger.api.access import controllers, keys, principal_entries
from fill_ledger.api.document import documentation
from fill_ledger.api.due import due, fleet_judgements
from fill_ledger.api.fleet import cylinder_history, cylinders, holds, imports, life_extensions, requalifications, tags
from fill_ledger.api.people import credentials, member_sessions, member_standing, members, trainings
from fill_ledger.api.places import (
    air_samples,
    air_source_upkeep,
    air_sources,
    alarms,
    co_calibrations,
    departments,
    fill_positions,
    own_station,
    policies,
    station_gaps,
    stations,
)
from fill_ledger.api.planning import fill_plans, gauge_readings, storage_forecasts
from fill_ledger.api.question import eligibility
from fill_ledger.api.record import (
    attempts,
    events,
    fill_judgements,
    fill_records,
    fills,
    finding_reviews,
    findings,
    intake,
    quarantine,
)
from fill_ledger.api.rulebook import air_standards, retractions, rule_amendments, rules, specifications

TAGS: Mapping[str, str] = {
    "eligibility": "The question: may this cylinder be filled here, now, by this member?",
    "rules": "Every code an answer may carry, with its source.",
    "rulebook": "What the rules go by, as dated data: specifications and permits, standards of air, amendments.",
    "departments": "The departments of the county, and the policy of each.",
    "stations": "Fill stations, fixed and on trucks, with their fill positions.",
    "fills": "Fills of cylinders, as reported and as judged.",
    "findings": "What a person should look at.",
    "events": "The ledger itself: every event with its place in the digest chain.",
    "quarantine": "Facts that were kept beside, as they came.",
    "intake": "Facts from stations, many at once.",
    "members": "Members: what they may fill, and the cards and passcodes that identify them. Names are sealed.",
    "member-sessions": "Who is at the whip.",
    "principals": "Persons and integrations that hold keys.",
    "controllers": "The devices at fill stations.",
    "keys": "Keys: shown once, listed without their secret, rotated with an overlap, revoked at once.",
    "cylinders": "Cylinders: what is stamped on them, where they stand, and everything that happened to them.",
    "holds": "Holds: cylinders that must not be filled until a person says so.",
    "tags": "Tags and the cylinders they are on.",
    "requalifications": "Requalifications, one by one or as the requalifier's list.",
    "air-sources": "Air sources: compressors, storage banks and purchased air, with their samples.",
    "plans": "Fill plans and forecasts of stored air. They are reckoned out, and nothing is recorded.",
    "gauge-readings": "What a gauge reading means: what it settles to, where to stop, the air there is.",
    "due": "What comes due: what stops being permitted, when, and what clears it.",
    "fleet-judgements": "The same judgement for every cylinder of a fleet, now or on another date.",
    "health": "Whether the service is alive and can do its work.",
    "imports": "The department's inventory file.",
    documentation.TAG: documentation.TAG_DESCRIPTION,
}

HANDLERS: tuple[HTTPRouteHandler, ...] = (
    *health.HANDLERS,
    *eligibility.HANDLERS,
    *rules.HANDLERS,
    *specifications.HANDLERS,
    *air_standards.HANDLERS,
    *rule_amendments.HANDLERS,
    *retractions.HANDLERS,
    *departments.HANDLERS,
    *policies.HANDLERS,
    *stations.HANDLERS,
    *own_station.HANDLERS,
    *station_gaps.HANDLERS,
    *fill_positions.HANDLERS,
    *air_sources.HANDLERS,
    *air_source_upkeep.HANDLERS,
    *co_calibrations.HANDLERS,
    *air_samples.HANDLERS,
    *alarms.HANDLERS,
    *fills.HANDLERS,
    *fill_records.HANDLERS,
    *fill_judgements.HANDLERS,
    *attempts.HANDLERS,
    *findings.HANDLERS,
    *finding_reviews.HANDLERS,
    *events.HANDLERS,
    *quarantine.HANDLERS,
    *intake.HANDLERS,
    *members.HANDLERS,
    *member_standing.HANDLERS,
    *trainings.HANDLERS,
    *credentials.HANDLERS,
    *member_sessions.HANDLERS,
    *principal_entries.HANDLERS,
    *controllers.HANDLERS,
    *keys.HANDLERS,
    *cylinders.HANDLERS,
    *cylinder_history.HANDLERS,
    *life_extensions.HANDLERS,
    *holds.HANDLERS,
    *tags.HANDLERS,
    *requalifications.HANDLERS,
    *fill_plans.HANDLERS,
    *storage_forecasts.HANDLERS,
    *gauge_readings.HANDLERS,
    *due.HANDLERS,
    *fleet_judgements.HANDLERS,
    *imports.HANDLERS,
    *documentation.HANDLERS,
)
