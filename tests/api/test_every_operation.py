"""Every operation can succeed, and its answer is what the document says."""

from typing import Any

import httpx
import pytest
from openapi_schema_validator import OAS31Validator, oas31_format_checker

from fill_ledger.api.document.openapi_document import build_openapi
from fill_ledger.api.http.operations import Operation
from fill_ledger.api.http.service import operations_of
from fill_ledger.api.resources import HANDLERS, TAGS
from tests.support.call_table import CALLS
from tests.support.calls import Call, first_words, send
from tests.support.county import County

DOCUMENTED: dict[str, Operation] = {
    stated.operation_id: stated for stated in operations_of(HANDLERS) if stated.in_document
}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return build_openapi(operations_of(HANDLERS), TAGS)


def faults_in(response: httpx.Response, call: Call, document: dict[str, Any]) -> list[str]:
    """Return what of an answer the document does not say: status, media type, body, headers."""
    stated = DOCUMENTED[call.operation_id]
    told = document["paths"][stated.path][stated.method.lower()]["responses"].get(str(response.status_code))
    if told is None:
        return [f"status {response.status_code} is not documented"]
    content = told.get("content", {})
    media_type = response.headers.get("content-type", "").partition(";")[0]
    faults = [f"header {name} is missing" for name in ("x-request-id",) if name not in response.headers]
    if not content:
        return [*faults, *(["a body is not documented"] if response.content else [])]
    if media_type not in content:
        return [*faults, f"media type {media_type} is not documented"]
    if media_type != "application/json" or "schema" not in content[media_type]:
        return faults
    schema = {**content[media_type]["schema"], "components": document["components"]}
    validator = OAS31Validator(schema, format_checker=oas31_format_checker)
    return faults + [f"{error.json_path}: {error.message}" for error in validator.iter_errors(response.json())]


def test_every_operation_has_a_call() -> None:
    called = {call.operation_id for call in CALLS}
    assert called == set(DOCUMENTED), "tests/support/call_table.py needs a successful call for each operation"


async def test_every_operation_succeeds_as_the_document_says(county: County, document: dict[str, Any]) -> None:
    words = await first_words(county)
    wrong: dict[str, Any] = {}
    for call in CALLS:
        stated = DOCUMENTED[call.operation_id]
        response = await send(county, call, words, stated.method, stated.path)
        assert response.status_code == call.status, f"{call.operation_id}: {response.text}"
        words.keep(call, response)
        if faults := faults_in(response, call, document):
            wrong[call.operation_id] = faults
    assert not wrong


def test_an_answer_that_the_document_does_not_tell_is_found(document: dict[str, Any]) -> None:
    call = Call(operation_id="read_health", role=None)
    headers = {"x-request-id": "1", "content-type": "application/json"}
    good = document["paths"]["/v1/health"]["get"]["responses"]["200"]["content"]["application/json"]["examples"]
    assert faults_in(httpx.Response(200, json=good["example"]["value"], headers=headers), call, document) == []
    for bad in (
        httpx.Response(200, json={}, headers=headers),
        httpx.Response(200, text="{}", headers={**headers, "content-type": "text/plain"}),
        httpx.Response(204, headers=headers),
    ):
        assert faults_in(bad, call, document)
