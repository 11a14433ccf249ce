"""The inventory file over HTTP: as a body or a form, dry by default, every faulty cell told, the template."""

import io
import uuid

from openpyxl import load_workbook

from fill_ledger.intake.inventory import InventoryRow, write_csv, write_xlsx
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.pressure import PressureUnit, StampedPressure
from tests.api.clients import places, problem_in
from tests.support.county import County

PATH = "/v1/imports"
CSV = {"content-type": "text/csv; charset=utf-8"}
XLSX = {"content-type": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
FOR_GOOD = {"dry_run": "false"}


def row(serial: str, **given: str) -> InventoryRow:
    """Return one faultless row."""
    return InventoryRow(
        row=2,
        serial=serial,
        specification="DOT-3AA2216",
        specification_as_entered="3AA2216",
        service_pressure=StampedPressure(value="2216", unit=PressureUnit.PSI),
        use="scba",
        **given,  # type: ignore[arg-type]
    )


async def test_an_import_is_dry_until_told_otherwise_and_can_be_repeated(county: County) -> None:
    rows = [row("AB 1", tag="label:R-1", remark="Ask Avery Example."), row("AB 2", inventory_number="C-2")]
    async with county.client(county.own.keys[Role.INTEGRATOR]) as client:
        dry = await client.post(PATH, content=write_csv(rows), headers=CSV)
        nothing = (await client.get("/v1/cylinders")).json()["items"]
        first = await client.post(PATH, content=write_csv(rows), headers=CSV, params=FOR_GOOD)
        form = await client.post(PATH, files={"file": ("list.xlsx", write_xlsx(rows))}, params=FOR_GOOD)
        again = await client.post(PATH, content=write_xlsx(rows), headers=XLSX, params=FOR_GOOD)
        listed = (await client.get("/v1/cylinders")).json()["items"]
        tags = (await client.get("/v1/tags")).json()["items"]
    assert dry.status_code == 200, dry.text
    assert (dry.json()["dry_run"], dry.json()["recorded"], dry.json()["counts"]["would_be_created"]) == (True, False, 2)
    assert nothing == []
    assert first.status_code == 201, first.text
    assert [line["outcome"] for line in first.json()["rows"]] == ["created", "created"]
    # The same rows as a workbook, and as a form, are the same rows.
    for repeated in (form, again):
        assert repeated.status_code == 200, repeated.text
        assert [line["outcome"] for line in repeated.json()["rows"]] == ["exists", "exists"]
    assert [line["cylinder_id"] for line in again.json()["rows"]] == [
        line["cylinder_id"] for line in first.json()["rows"]
    ]
    assert {item["serial"] for item in listed} == {"AB 1", "AB 2"}
    assert [tag["cylinder_id"] for tag in tags] == [first.json()["rows"][0]["cylinder_id"]]


async def test_every_faulty_cell_is_told_with_row_and_column(county: County) -> None:
    content = (
        b"Serial No.;Spec;WP (psi);Use;Last hydro;Station\r\n"
        b"AB 1;3AA2O15;2015;scba;2024-06;S1\r\n"
        b"AB 2;3AA2015;2216;oxygen;2024-13;S1\r\n"
        b"AB 3;3AA2015;2015;scba;2024-06;S99\r\n"
        b"AB 4;3AA2015;2015;scba;2024-06;S1\r\n"
    )
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        refused = await client.post(PATH, content=content, headers=CSV, params=FOR_GOOD)
        partly = await client.post(PATH, content=content, headers=CSV, params=FOR_GOOD | {"mode": "only_good_rows"})
    told = {(fault["row"], fault["column"]) for fault in refused.json()["faults"]}
    assert {(2, "Spec"), (3, "WP (psi)"), (3, "Use"), (3, "Last hydro"), (4, "Station")} <= told
    assert all(fault["suggestion"] for fault in refused.json()["faults"])
    assert refused.status_code == 200
    assert refused.json()["recorded"] is False
    assert [line["outcome"] for line in refused.json()["rows"]] == ["faulty", "faulty", "faulty", "not_taken"]
    assert partly.status_code == 201
    assert [line["outcome"] for line in partly.json()["rows"]] == ["faulty", "faulty", "faulty", "created"]


async def test_what_is_no_inventory_is_a_problem(county: County) -> None:
    async with county.client(county.own.keys[Role.OFFICER]) as client:
        problem_in(await client.post(PATH, content=b"hello", headers=CSV), 422, "not-processable")
        problem_in(await client.post(PATH, content=b"PK\x03\x04 nothing", headers=XLSX), 422, "not-processable")
        json_body = await client.post(PATH, json={"rows": []})
        problem_in(json_body, 415, "unsupported-media-type")
        two = await client.post(PATH, files={"file": ("a.csv", b"a"), "other": ("b.csv", b"b")})
        assert {code for _, code in places(problem_in(two, 422, "not-processable"))} == {"one-file"}
        wrong_name = await client.post(PATH, files={"list": ("a.csv", b"a")})
        problem_in(wrong_name, 422, "not-processable")
        broken = await client.post(
            PATH, content=b"--x\r\nnot a form", headers={"content-type": "multipart/form-data; boundary=x"}
        )
        problem_in(broken, 400, "bad-request")
        no_boundary = await client.post(PATH, content=b"x", headers={"content-type": "multipart/form-data"})
        problem_in(no_boundary, 400, "bad-request")
        query = await client.post(
            PATH, content=b"x", headers=CSV, params={"mode": "some", "dry_run": "no", "pressure_unit": "atm", "z": "1"}
        )
    assert {place for place, _ in places(problem_in(query, 400, "invalid-query"))} == {
        "mode",
        "dry_run",
        "pressure_unit",
        "z",
    }


async def test_only_those_who_may_import_for_their_own_department(county: County) -> None:
    content = write_csv([row("AB 1")])
    async with county.client(county.own.keys[Role.ANALYST]) as client:
        problem_in(await client.post(PATH, content=content, headers=CSV), 403, "not-permitted")
    async with county.client(county.neighbour.keys[Role.OFFICER]) as client:
        query = {"department_id": str(county.own.department_id)}
        problem_in(await client.post(PATH, content=content, headers=CSV, params=query), 403, "not-permitted")
    async with county.client(county.keys[Role.INTEGRATOR]) as client:
        problem_in(await client.post(PATH, content=content, headers=CSV), 422, "not-processable")
        nowhere = await client.post(PATH, content=content, headers=CSV, params={"department_id": str(uuid.uuid4())})
        assert places(problem_in(nowhere, 422, "not-processable")) == {("department_id", "department-unknown")}
        named = await client.post(
            PATH, content=content, headers=CSV, params={"department_id": str(county.own.department_id)} | FOR_GOOD
        )
        assert named.status_code == 201


async def test_the_template_comes_as_text_and_as_workbook(county: County) -> None:
    async with county.client(county.own.keys[Role.TECHNICIAN]) as client:
        text = await client.get(f"{PATH}/template")
        workbook = await client.get(f"{PATH}/template", params={"format": "xlsx"})
        empty = await client.post(PATH, content=text.content, headers=CSV)
    assert text.headers["content-type"].startswith("text/csv")
    assert text.headers["content-disposition"] == 'attachment; filename="cylinder-inventory.csv"'
    assert "Serial number" in text.content.decode("utf-8-sig").splitlines()[0]
    assert "Cylinders" in load_workbook(io.BytesIO(workbook.content)).sheetnames
    assert [fault["code"] for fault in empty.json()["faults"]] == ["no-rows"]
