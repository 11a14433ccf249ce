"""Which role may do what: the whole table on one page.

A right reads `things:action`. A key's scopes narrow its role's rights and never widen them.
"""

from fill_ledger.trade.events.county import Role

ELIGIBILITY_ASK = "eligibility:ask"
FACTS_RECORD = "facts:record"
MEMBER_SESSIONS_OPEN = "member-sessions:open"
DEPARTMENTS_READ = "departments:read"
DEPARTMENTS_WRITE = "departments:write"
POLICIES_READ = "policies:read"
POLICIES_WRITE = "policies:write"
STATIONS_READ = "stations:read"
STATIONS_WRITE = "stations:write"
OWN_STATION_READ = "own-station:read"
GAPS_READ = "gaps:read"  # a controller only those of its own station
AIR_READ = "air:read"
AIR_WRITE = "air:write"
CYLINDERS_READ = "cylinders:read"
CYLINDERS_WRITE = "cylinders:write"
CYLINDERS_END = "cylinders:end"  # condemn, retire, transfer
HOLDS_WRITE = "holds:write"
MEMBERS_READ = "members:read"
MEMBERS_READ_NAMES = "members:read-names"
MEMBERS_WRITE = "members:write"
FILLS_READ = "fills:read"
FINDINGS_READ = "findings:read"
FINDINGS_REVIEW = "findings:review"
EVENTS_READ = "events:read"
EVENTS_RETRACT = "events:retract"
RULES_READ = "rules:read"
RULES_WRITE = "rules:write"
PLANS_MAKE = "plans:make"  # reckon something out; nothing is recorded
DUE_READ = "due:read"
IMPORTS_RUN = "imports:run"
PRINCIPALS_READ = "principals:read"
PRINCIPALS_WRITE = "principals:write"
QUARANTINE_READ = "quarantine:read"

_READ_FLEET = frozenset(
    {
        ELIGIBILITY_ASK,
        DEPARTMENTS_READ,
        POLICIES_READ,
        STATIONS_READ,
        GAPS_READ,
        AIR_READ,
        CYLINDERS_READ,
        MEMBERS_READ,
        FILLS_READ,
        FINDINGS_READ,
        EVENTS_READ,
        RULES_READ,
        PLANS_MAKE,
        DUE_READ,
    }
)

ROLE_RIGHTS: dict[Role, frozenset[str]] = {
    # A station's device: asks, reports, identifies members, and reads the rules. Nothing about other stations.
    Role.CONTROLLER: frozenset(
        {ELIGIBILITY_ASK, FACTS_RECORD, MEMBER_SESSIONS_OPEN, OWN_STATION_READ, GAPS_READ, RULES_READ, PLANS_MAKE}
    ),
    # Answers for the department's breathing air.
    Role.OFFICER: _READ_FLEET
    | {
        FACTS_RECORD,
        POLICIES_WRITE,
        STATIONS_WRITE,
        AIR_WRITE,
        CYLINDERS_WRITE,
        CYLINDERS_END,
        HOLDS_WRITE,
        MEMBERS_READ_NAMES,
        MEMBERS_WRITE,
        FINDINGS_REVIEW,
        EVENTS_RETRACT,
        IMPORTS_RUN,
        QUARANTINE_READ,
        RULES_WRITE,
    },
    # Keeps the cylinders and the air sources.
    Role.TECHNICIAN: _READ_FLEET
    | {FACTS_RECORD, AIR_WRITE, CYLINDERS_WRITE, CYLINDERS_END, HOLDS_WRITE, FINDINGS_REVIEW, IMPORTS_RUN},
    # Another system of the county: loads and reads, and cannot end a cylinder or read a name.
    Role.INTEGRATOR: _READ_FLEET
    | {FACTS_RECORD, STATIONS_WRITE, CYLINDERS_WRITE, MEMBERS_WRITE, IMPORTS_RUN, QUARANTINE_READ},
    # Reads, and sees no names.
    Role.ANALYST: _READ_FLEET,
    # Runs the service: departments, principals and keys; not the record of any department.
    Role.OPERATOR: frozenset(
        {
            DEPARTMENTS_READ,
            DEPARTMENTS_WRITE,
            POLICIES_READ,
            STATIONS_READ,
            GAPS_READ,
            STATIONS_WRITE,
            PRINCIPALS_READ,
            PRINCIPALS_WRITE,
            RULES_READ,
            RULES_WRITE,
            QUARANTINE_READ,
        }
    ),
}

# What holds for the whole county: only for principals that are not bound to some of its departments.
COUNTY_WIDE_RIGHTS = frozenset({RULES_WRITE})

ALL_RIGHTS: frozenset[str] = frozenset().union(*ROLE_RIGHTS.values())
