"""The table of calls: one for each operation at least, each successful. A new operation is added here."""

from fill_ledger.trade.events.county import Role
from tests.support.calls import Call

SUBJECT = "subject_id"
ENTRY = "event_id"
CSV = {"content-type": "text/csv"}
INVENTORY = b"serial,specification,service pressure,use,last test\nIMP 1,3AA2216,2216 psi,scba,2024-06\n"
DETAILS = {
    "serial": "AX 40771",
    "specification": "DOT-3AA2216",
    "use": "scba",
    "service_pressure": {"value": "2216", "unit": "psi"},
    "manufactured": "{two_years_ago}",
}
FACT = {"type_version": 1, "occurred_at": "{now}"}
FILL = {
    "station_id": "{station_id}",
    "cylinder_id": "{cylinder_id}",
    "member_id": "{first_member_id}",
    "mode": "automatic",
    "sources": [{"air_source_id": "{air_source_id}"}],
    "start_psi": 480,
    "end_psi": 2200,
    "look_over": "passed",
}

PUBLIC = tuple(
    Call(operation_id=name, role=None, path=path)
    for name, path in (
        ("read_health", {}),
        ("read_readiness", {}),
        ("read_openapi_document", {}),
        ("list_problem_types", {}),
        ("read_problem_type", {"code": "problem_code"}),
        ("list_rules", {}),
        ("read_rule", {"code": "rule_code"}),
        ("list_specifications", {}),
        ("read_specification", {}),
        ("list_air_standards", {}),
        ("list_rule_amendments", {}),
    )
)

RULEBOOK = (
    Call(
        operation_id="enter_specification",
        role=Role.OPERATOR,
        status=201,
        body={
            "entry": {
                "key": "SP99999",
                "uses": ["scba"],
                "interval_years": 5,
                "life_years": 15,
                "source": "the permit's own text",
                "confidence": "read",
            }
        },
        keep={"rulebook_entry_id": SUBJECT},
    ),
    Call(
        operation_id="enter_air_standard",
        role=Role.OPERATOR,
        status=201,
        body={
            "standard": {
                "key": "County rule 2026",
                "title": "Air of the county",
                "limits": [{"analyte": "carbon_monoxide", "unit": "ppm", "maximum": "5"}],
                "source": "county rule, section 4",
                "confidence": "read",
            }
        },
    ),
    Call(operation_id="read_air_standard", role=None),
    Call(
        operation_id="amend_rules",
        role=Role.OPERATOR,
        status=201,
        body={
            "figures": [{"figure": "requalification_grace_months", "value": 1}],
            "reason": "notice of relief",
            "effective_from": "2020-01-01",
            "effective_until": "2020-06-01",
        },
    ),
    Call(
        operation_id="retract_rulebook_entry",
        role=Role.OPERATOR,
        status=201,
        path={"entry_id": "rulebook_entry_id"},
        body={"reason": "The permit was misread."},
    ),
)

DEPARTMENTS = (
    Call(operation_id="list_departments", role=Role.OPERATOR),
    Call(
        operation_id="register_department",
        role=Role.OPERATOR,
        status=201,
        body={"name": "Third Department", "code": "THIRD", "time_zone": "America/New_York"},
        keep={"third_id": SUBJECT},
    ),
    Call(operation_id="read_department", role=Role.OPERATOR),
    Call(
        operation_id="correct_department",
        role=Role.OPERATOR,
        status=201,
        path={"department_id": "third_id"},
        body={"name": "Third Fire and Rescue"},
    ),
    Call(operation_id="read_policy", keep={"policy_tag": "etag"}),
    Call(
        operation_id="set_policy",
        status=201,
        headers={"if-match": "{policy_tag}"},
        body={
            "requalification_due": "strict",
            "air_sample_interval_days": 92,
            "air_sample_interval_source": "department policy",
            "mutual_aid_department_ids": ["{neighbour_id}"],
            "member_required": False,
            "owner_consent_required": True,
        },
    ),
)

STATIONS = (
    Call(operation_id="list_stations"),
    Call(
        operation_id="register_station",
        status=201,
        body={"name": "Quarry Road", "code": "S9", "station_kind": "mobile"},
        keep={"new_station_id": SUBJECT},
    ),
    Call(operation_id="read_station"),
    Call(operation_id="read_own_station", role=Role.CONTROLLER),
    Call(
        operation_id="correct_station", status=201, path={"station_id": "new_station_id"}, body={"name": "Quarry North"}
    ),
    Call(
        operation_id="register_fill_position",
        status=201,
        path={"station_id": "new_station_id"},
        body={"label": "Whip 1", "regulator_psi": 4500, "fill_position_id": "{new_id_0}"},
        keep={"position_entry_id": ENTRY},
    ),
    Call(
        operation_id="remove_fill_position",
        status=201,
        path={"station_id": "new_station_id", "fill_position_id": "new_id_0"},
        body={},
    ),
    Call(
        operation_id="close_station", status=201, path={"station_id": "new_station_id"}, body={"reason": "Being built."}
    ),
    Call(operation_id="open_station", status=201, path={"station_id": "new_station_id"}, body={"reason": "Built."}),
    Call(operation_id="station_history"),
)

AIR = (
    Call(operation_id="list_air_sources"),
    Call(
        operation_id="register_air_source",
        status=201,
        body={"station_id": "{station_id}", "air_source_kind": "storage_bank", "label": "Cascade"},
        keep={"bank_id": SUBJECT},
    ),
    Call(operation_id="read_air_source"),
    Call(
        operation_id="install_bottle",
        status=201,
        path={"air_source_id": "bank_id"},
        body={
            "label": "Bottle 1",
            "water_volume_ml": 43000,
            "service_pressure_psi": 6000,
            "bottle_id": "{new_id_1}",
        },
    ),
    Call(
        operation_id="read_bottle",
        status=201,
        path={"air_source_id": "bank_id"},
        body={"bottle_id": "{new_id_1}", "pressure_psi": 5400},
    ),
    Call(
        operation_id="charge_storage",
        status=201,
        path={"air_source_id": "bank_id"},
        body={
            "from_air_source_id": "{air_source_id}",
            "bottle_ids": ["{new_id_1}"],
            "start_psi": 2200,
            "end_psi": 5800,
        },
    ),
    Call(
        operation_id="remove_bottle",
        status=201,
        path={"air_source_id": "bank_id", "bottle_id": "new_id_1"},
        body={},
    ),
    Call(operation_id="read_run_time", status=201, body={"run_time_tenths_h": 12345}),
    Call(operation_id="change_filter", status=201, body={"run_time_tenths_h": 12346}),
    Call(operation_id="calibrate_co_monitor", status=201, body={"calibrated_on": "{today}"}),
    Call(
        operation_id="enter_alarm",
        status=201,
        body={"alarm_kind": "carbon monoxide", "air_source_id": "{air_source_id}", "reading": "12 ppm"},
        keep={"alarm_id": SUBJECT},
    ),
    Call(operation_id="list_alarms", query={"open": "true"}),
    Call(operation_id="end_alarm", status=201, body={"reason": "Intake moved."}),
    Call(operation_id="take_out_of_service", status=201, body={"reason": "Carbon monoxide alarm."}),
    Call(operation_id="return_to_service", status=201, body={"reason": "Intake moved."}),
    Call(operation_id="air_source_history"),
    Call(
        operation_id="enter_air_sample",
        status=201,
        body={
            "air_source_id": "{air_source_id}",
            "taken_on": "{today}",
            "verdict": "pass",
            "standard": "NFPA 1989 (2019)",
            "results": [{"analyte": "carbon_monoxide", "unit": "ppm", "value": "0.5"}],
        },
    ),
    Call(operation_id="list_air_samples"),
)

MEMBERS = (
    Call(operation_id="list_members"),
    Call(
        operation_id="enrol_member",
        status=201,
        body={"name": "Avery Sample", "badge_number": "202"},
        keep={"member_id": SUBJECT},
    ),
    Call(operation_id="read_member"),
    Call(operation_id="authorise_member", status=201, body={"kinds": ["scba", "storage"]}),
    Call(operation_id="enter_training", status=201, body={"trained_on": "{today}", "course_code": "AIR-FILL-1"}),
    Call(operation_id="correct_member", status=201, body={"name": "Avery Specimen", "badge_number": "203"}),
    Call(operation_id="look_up_members", body={"badge_number": "203"}),
    Call(
        operation_id="bind_credential",
        status=201,
        body={"credential_kind": "card", "card_value": "04:A2:B3:1C"},
        keep={"credential_id": "credential_id"},
    ),
    Call(
        operation_id="open_member_session",
        role=Role.CONTROLLER,
        status=201,
        body={"card_value": "04:A2:B3:1C"},
        keep={"member_session": "member_session"},
    ),
    Call(
        operation_id="revoke_credential",
        status=201,
        body={"reason": "lost"},
    ),
    Call(operation_id="deactivate_member", status=201, body={"reason": "On leave."}),
    Call(operation_id="reactivate_member", status=201, body={"reason": "Back from leave."}),
    Call(operation_id="member_history"),
)

CYLINDERS = (
    Call(
        operation_id="register_cylinder",
        status=201,
        body={
            "details": DETAILS,
            "requalifications": [{"month": "{two_years_ago}", "outcome": "pass"}],
            "tag": "label:FIRST",
        },
        keep={"cylinder_id": SUBJECT},
    ),
    Call(operation_id="list_cylinders"),
    Call(operation_id="read_one", keep={"cylinder_tag": "etag"}),
    Call(
        operation_id="correct_cylinder",
        status=201,
        headers={"if-match": "{cylinder_tag}"},
        body={"details": {**DETAILS, "serial": "AX 40772"}, "reason": "The serial was misread."},
    ),
    Call(operation_id="pair_tag", status=201, body={"tag": "label:SECOND"}),
    Call(operation_id="list_tags"),
    Call(operation_id="remove_tag", status=201, body={"tag": "label:SECOND"}),
    Call(operation_id="enter_inspection", status=201, body={"inspection_kind": "visual_internal", "outcome": "pass"}),
    Call(
        operation_id="enter_requalification",
        status=201,
        body={"stamp": {"month": "{last_year}", "outcome": "pass", "requalifier": "A123"}},
    ),
    Call(
        operation_id="enter_results",
        body={
            "results": [
                {"month": "{this_month}", "outcome": "pass", "cylinder_id": "{cylinder_id}", "requalifier": "A123"}
            ]
        },
    ),
    Call(
        operation_id="extend_life",
        status=201,
        body={"extension": {"permit": "as cited on the cylinder", "through": "2060-01"}},
    ),
    Call(
        operation_id="hold_cylinder",
        status=201,
        body={"hold_kind": "damage", "reason": "Dropped."},
        keep={"hold_id": ENTRY},
    ),
    Call(operation_id="list_holds"),
    Call(
        operation_id="report_fill",
        role=Role.CONTROLLER,
        status=201,
        body={**FACT, "type": "cylinder.filled", "event_id": "{new_id_4}", "body": FILL},
        keep={"finding_id": "finding_ids.0", "event_id": "event_id"},
    ),
    Call(operation_id="release_hold", status=201, body={"reason": "No damage found."}),
    Call(operation_id="condemn_cylinder", status=201, path={"cylinder_id": "condemned_id"}, body={"reason": "Crack."}),
    Call(operation_id="retire_cylinder", status=201, path={"cylinder_id": "retired_id"}, body={"reason": "Replaced."}),
    Call(
        operation_id="transfer_cylinder",
        status=201,
        path={"cylinder_id": "transferred_id"},
        body={"to_department_id": "{neighbour_id}"},
    ),
    Call(operation_id="cylinder_history"),
    Call(operation_id="get_template", query={"format": "csv"}),
    Call(operation_id="run_import", status=201, query={"dry_run": "false"}, headers=CSV, content=INVENTORY),
)

QUESTIONS = (
    Call(operation_id="list_due", query={"horizon_days": "365", "kind": "cylinder"}),
    Call(operation_id="read_workload", query={"horizon_days": "365"}),
    Call(operation_id="list_fleet_judgements", query={"station_id": "{station_id}"}),
    Call(operation_id="read_gauge_reading", role=Role.CONTROLLER, query={"reading_psi": "4510", "limit_psi": "4500"}),
    Call(operation_id="ask_eligibility", role=Role.CONTROLLER, query={"cylinder_id": "{cylinder_id}"}),
    Call(
        operation_id="ask_eligibility_with_body",
        role=Role.CONTROLLER,
        body={"tag": "label:FIRST", "member_id": "{first_member_id}", "explain": True},
    ),
)

PLANS = (
    Call(
        operation_id="make_fill_plan",
        role=Role.CONTROLLER,
        body={
            "connections": [
                {"present_psi": 500, "water_volume_l": 6.8, "limit_psi": 4500},
                {"present_psi": 300, "cylinder_id": "{cylinder_id}", "water_volume_ml": 8430},
            ],
            "supply": {
                "compressor": {"rate_scfm": 25, "maximum_psi": 6000},
                "bottles": [{"water_volume_ml": 43000, "pressure_psi": 5400}],
                "air_source_ids": ["{air_source_id}"],
            },
            "gas_temperature_f": 100,
        },
    ),
    Call(
        operation_id="make_storage_forecast",
        role=Role.ANALYST,
        body={
            "bottles": [{"water_volume_ml": 43000, "pressure_psi": 6000}],
            "kinds": [{"water_volume_l": 6.8, "start_psi": 500, "limit_psi": 4500}],
        },
    ),
)

FACTS = (
    Call(operation_id="list_fills"),
    Call(operation_id="read_fill"),
    Call(operation_id="read_fill_judgement"),
    Call(operation_id="list_findings"),
    Call(operation_id="review_finding", status=201, body={"cause": "training", "note": "Shown how at the drill."}),
    Call(operation_id="reopen_finding", status=201, body={"reason": "It happened again."}),
    Call(operation_id="read_finding"),
    Call(operation_id="read_gaps", role=Role.CONTROLLER),
    Call(
        operation_id="take_batch",
        role=Role.CONTROLLER,
        body={
            "device_now": "{now}",
            "device_software": "controller 2.4",
            "facts": [
                {**FACT, "type": "cylinder.filled", "event_id": "{new_id_5}", "body": {"end_psi": "high"}},
            ],
        },
    ),
    Call(operation_id="list_attempts"),
    Call(operation_id="list_quarantine", keep={"kept_id": "items.0.event_id"}),
    Call(operation_id="count_quarantine"),
    Call(operation_id="read_quarantined", path={"event_id": "kept_id"}),
    Call(operation_id="list_events"),
    Call(operation_id="read_event_by_id"),
    Call(operation_id="retract_event", status=201, body={"reason": "Another cylinder was filled."}),
)

HOLDERS = (
    Call(operation_id="list_principals", role=Role.OPERATOR),
    Call(
        operation_id="register_principal",
        role=Role.OPERATOR,
        status=201,
        body={"role": "officer", "label": "Air officer", "department_ids": ["{department_id}"]},
        keep={"principal_id": SUBJECT},
    ),
    Call(operation_id="read_principal", role=Role.OPERATOR),
    Call(operation_id="list_keys", role=Role.OPERATOR),
    Call(operation_id="issue_key", role=Role.OPERATOR, status=201, body={}, keep={"key_id": "key_id"}),
    Call(operation_id="read_key", role=Role.OPERATOR),
    Call(operation_id="rotate_key", role=Role.OPERATOR, status=201, body={"overlap_hours": 24}),
    Call(operation_id="revoke_key", role=Role.OPERATOR, status=201, body={"reason": "lost"}),
    Call(operation_id="deactivate_principal", role=Role.OPERATOR, status=201, body={"reason": "left"}),
    Call(operation_id="list_controllers", role=Role.OPERATOR),
    Call(
        operation_id="register_controller",
        role=Role.OPERATOR,
        status=201,
        body={"label": "Quarry Road panel", "station_id": "{station_id}"},
        keep={"controller_id": SUBJECT},
    ),
    Call(operation_id="read_controller", role=Role.OPERATOR),
    Call(operation_id="deactivate_controller", role=Role.OPERATOR, status=201, body={"reason": "replaced"}),
)

CALLS: tuple[Call, ...] = (
    *PUBLIC,
    *RULEBOOK,
    *DEPARTMENTS,
    *STATIONS,
    *AIR,
    *MEMBERS,
    *CYLINDERS,
    *QUESTIONS,
    *PLANS,
    *FACTS,
    *HOLDERS,
)
