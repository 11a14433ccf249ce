"""What each kind of user may paste into a shell: curl commands with working keys."""

import shlex
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from demo_seed.cast import Asker, Cast
from demo_seed.keys import KeptKey


class Example(msgspec.Struct, frozen=True, kw_only=True):
    """One request that works as it stands. `status` is what it is answered with."""

    who: str
    what: str
    method: str
    path: str
    key: str
    body: dict[str, Any] | None = None
    file: Path | None = None  # sent as it is
    status: tuple[int, ...] = (200,)

    def as_curl(self, base_url: str) -> str:
        """Return the request as a command of one line, quoted for a POSIX shell."""
        words = ["curl", "-sS"]
        if self.method != "GET":
            words += ["-X", self.method]
        words += ["-H", f"Authorization: Bearer {self.key}"]
        if self.body is not None:
            words += ["-H", "Content-Type: application/json", "-d", msgspec.json.encode(self.body).decode()]
        if self.file is not None:
            words += ["-H", "Content-Type: text/csv", "--data-binary", f"@{self.file}"]
        words.append(f"{base_url}{self.path}")
        return shlex.join(words)


def make_examples(cast: Cast, keys: Mapping[uuid.UUID, KeptKey], fleet_list: Path) -> list[Example]:
    """Return the requests of the tour: a controller's, county IT's, an analyst's, an officer's and the operator's."""
    asker = cast.askers[0]
    controller, officer = keys[asker.controller_id], keys[cast.officer_id]
    integrator, analyst, operator = keys[cast.integrator_id], keys[cast.analyst_id], keys[cast.operator_id]
    tag = asker.tags[0]
    question = (
        f"/v1/eligibility?tag={tag}&member_id={asker.member_id}&air_source_id={asker.air_source_id}"
        f"&fill_position_id={asker.fill_position_id}"
    )
    fact: dict[str, Any] = {
        "type": "cylinder.filled",
        "type_version": 1,
        "event_id": str(uuid.uuid4()),
        "occurred_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "body": {
            "tag": tag,
            "member_id": str(asker.member_id),
            "fill_position_id": str(asker.fill_position_id),
            "mode": "automatic",
            "sources": [{"air_source_id": str(asker.air_source_id)}],
            "start_psi": 480,
            "end_psi": asker.first_service_pressure_psi,
            "look_over": "passed",
        },
    }
    return [
        Example(
            who=controller.whose, what="may this cylinder be filled?", method="GET", path=question, key=controller.key
        ),
        Example(
            who=controller.whose,
            what="it was filled (sent twice, it is recorded once)",
            method="POST",
            path="/v1/fills",
            key=controller.key,
            body=fact,
            status=(201, 200),
        ),
        Example(
            who=integrator.whose,
            what="cylinders of one department",
            method="GET",
            path=f"/v1/cylinders?department_id={asker.department_id}&limit=3",
            key=integrator.key,
        ),
        Example(
            who=integrator.whose,
            what="a fleet list, dry run: what would be recorded, and every faulty cell",
            method="POST",
            path=f"/v1/imports?department_id={asker.department_id}&dry_run=true",
            key=integrator.key,
            file=fleet_list,
        ),
        Example(who=analyst.whose, what="the newest fills", method="GET", path="/v1/fills?limit=3", key=analyst.key),
        Example(
            who=analyst.whose,
            what="what a person should look at",
            method="GET",
            path="/v1/findings?limit=3",
            key=analyst.key,
        ),
        *_officer_examples(asker, officer, fact["event_id"]),
        *_operator_examples(asker, operator, keys[cast.askers[-1].controller_id]),
    ]


def _officer_examples(asker: Asker, officer: KeptKey, fill_event_id: str) -> list[Example]:
    """Return what the air officer of the first station's department may enter."""
    return [
        Example(
            who=officer.whose,
            what="put a cylinder on hold",
            method="POST",
            path=f"/v1/cylinders/{asker.last_cylinder_id}/holds",
            key=officer.key,
            body={"hold_kind": "damage", "reason": "Dropped on the apron.", "clears_by": "an internal inspection"},
            status=(201,),
        ),
        Example(
            who=officer.whose,
            what="take back the fill above: it was a mistake, and stays on record as one",
            method="POST",
            path=f"/v1/events/{fill_event_id}/retractions",
            key=officer.key,
            body={"reason": "Another cylinder was filled."},
            status=(201,),
        ),
        Example(
            who=officer.whose,
            what="a laboratory's result for the air of a source",
            method="POST",
            path="/v1/air-samples",
            key=officer.key,
            body={
                "air_source_id": str(asker.air_source_id),
                "taken_on": datetime.now(UTC).date().isoformat(),
                "verdict": "pass",
                "standard": "NFPA 1989 (2019)",
                "results": [{"analyte": "carbon_monoxide", "unit": "ppm", "value": "0.5"}],
            },
            status=(201,),
        ),
    ]


def _operator_examples(asker: Asker, operator: KeptKey, replaced: KeptKey) -> list[Example]:
    """Return what the operator does about the rulebook, controllers and keys."""
    return [
        Example(
            who=operator.whose,
            what="a permit that no release knows, as its text says; the next question goes by it",
            method="POST",
            path="/v1/specifications",
            key=operator.key,
            body={
                "entry": {
                    "key": "SP99999",  # no such permit exists
                    "uses": ["scba"],
                    "interval_years": 5,
                    "life_years": 15,
                    "source": "invented for the demonstration",
                    "confidence": "low",
                }
            },
            status=(201,),
        ),
        Example(
            who=operator.whose,
            what="a second controller for a station, with its key shown this once",
            method="POST",
            path="/v1/controllers",
            key=operator.key,
            body={"label": "Second panel", "station_id": str(asker.station_id)},
            status=(201,),
        ),
        Example(
            who=operator.whose,
            what="the keys of the county, none of which can be read back",
            method="GET",
            path="/v1/keys?limit=3",
            key=operator.key,
        ),
        Example(
            who=operator.whose,
            what=(
                f"replace a key: the answer shows the new one of {replaced.label} this once, and the old one goes on "
                "working for 24 hours (its revoked_at is now, its ends_at tomorrow)"
            ),
            method="POST",
            path=f"/v1/keys/{replaced.key_id}/rotations",
            key=operator.key,
            body={"overlap_hours": 24},
            status=(201,),
        ),
    ]
