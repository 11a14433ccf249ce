"""The OpenAPI document: whole, true to the types, the same every time."""

import copy
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import msgspec
import pytest
from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct
from openapi_schema_validator import OAS31Validator, oas31_format_checker
from openapi_spec_validator import OpenAPIV31SpecValidator

from fill_ledger.api import resources
from fill_ledger.api.document.documentation import TAG, TAG_DESCRIPTION
from fill_ledger.api.document.openapi_document import DocumentError, build_openapi, openapi_text
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.operations import OPERATION_KEY, PUBLIC, Operation, answer, get, post
from fill_ledger.api.http.paging import PageQuery
from fill_ledger.api.http.service import create_service, operations_of
from fill_ledger.api.http.value_types import Label, StrictStruct
from tests.api.sample_service import CURSOR_KEY, HANDLERS, TAGS, DialView, SampleDoorkeeper

ALL_TAGS = {TAG: TAG_DESCRIPTION, **TAGS}


COMMITTED = Path(__file__).parents[3] / "openapi" / "fill-ledger.json"


@pytest.fixture(scope="module")
def sample() -> dict[str, Any]:
    """The document of the sample service, small enough to know by heart."""
    return build_openapi(operations_of(HANDLERS), ALL_TAGS)


@pytest.fixture(scope="module")
def served() -> dict[str, Any]:
    """The document of the whole interface."""
    return build_openapi(operations_of(resources.HANDLERS), resources.TAGS)


@pytest.fixture(scope="module", params=["sample", "served"])
def document(request: pytest.FixtureRequest) -> dict[str, Any]:
    made: dict[str, Any] = request.getfixturevalue(request.param)
    return made


def each(part: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    yield path, part
    items = part.items() if isinstance(part, dict) else enumerate(part) if isinstance(part, list) else ()
    for name, item in items:
        yield from each(item, f"{path}/{name}")


def operations_in(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield path, method.upper(), operation


def validator_for(schema: Any, document: dict[str, Any]) -> Any:
    return OAS31Validator({**schema, "components": document["components"]}, format_checker=oas31_format_checker)


def test_the_committed_document_is_the_one_of_the_code(served: dict[str, Any]) -> None:
    is_same = COMMITTED.read_text(encoding="utf-8") == openapi_text(served)
    assert is_same, "openapi/fill-ledger.json is not what the code says: run `make openapi` and commit it"


def test_it_is_a_valid_openapi_3_1_document(document: dict[str, Any]) -> None:
    # The schema of the OpenAPI Initiative for 3.1, as openapi-spec-validator carries it.
    OpenAPIV31SpecValidator(copy.deepcopy(document)).validate()


@pytest.mark.parametrize(("name", "handlers"), [("sample", HANDLERS), ("served", resources.HANDLERS)])
def test_every_route_of_the_service_is_in_it_and_nothing_else(
    name: str, handlers: Sequence[HTTPRouteHandler], request: pytest.FixtureRequest
) -> None:
    routed = set()
    service = create_service(handlers, doorkeeper=SampleDoorkeeper(), cursor_key=CURSOR_KEY, tags=TAGS)
    for route in service.routes:
        for handler in getattr(route, "route_handlers", []):
            stated = handler.opt.get(OPERATION_KEY)
            if stated is None:
                assert handler.http_methods == {"OPTIONS"}
            elif stated.in_document:
                routed.add((stated.path, stated.method))
    assert routed == {(path, method) for path, method, _ in operations_in(request.getfixturevalue(name))}


def test_operation_ids_are_unique(document: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations_in(document)]
    assert len(ids) == len(set(ids)) >= 8


def test_every_example_fits_its_schema(document: dict[str, Any]) -> None:
    seen = 0
    for path, part in each(document):
        if isinstance(part, dict) and "schema" in part and "examples" in part:
            for name, example in part["examples"].items():
                faults = list(validator_for(part["schema"], document).iter_errors(example["value"]))
                assert not faults, f"{path} {name}: {faults}"
                seen += 1
    assert seen > 25


def test_an_example_that_does_not_fit_would_be_found(sample: dict[str, Any]) -> None:
    schema = sample["paths"]["/v1/dials"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    validator = validator_for(schema, sample)
    good = {"label": "left", "reading_psi": 1, "read_at": "2026-11-24T03:00:00Z"}
    assert validator.is_valid(good)
    for bad in (
        {**good, "stray": 1},
        {**good, "reading_psi": "1"},
        {**good, "reading_psi": 20_001},
        {**good, "label": ""},
        {**good, "label": "a\u0000"},
        {**good, "marks": ["a", "b", "c", "d", "e"]},
        {"label": "left"},
    ):
        assert not validator.is_valid(bad), bad


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    targets = {f"#{path}" for path, _ in each(document)}
    references = {part["$ref"] for _, part in each(document) if isinstance(part, dict) and "$ref" in part}
    assert references <= targets
    assert len(references) > 10


def test_every_string_integer_and_array_is_bounded(document: dict[str, Any]) -> None:
    for path, part in each(document):
        if not isinstance(part, dict) or "/examples/" in path or "/value/" in path:
            continue
        if part.get("type") == "string" and "enum" not in part:
            assert "maxLength" in part, path
            assert "pattern" in part or "format" in part, path
        if part.get("type") == "integer":
            assert {"minimum", "maximum", "format"} <= set(part), path
        if part.get("type") == "array":
            assert {"maxItems", "items"} <= set(part), path


def test_patterns_are_those_of_json_schema_and_bound_at_both_ends(document: dict[str, Any]) -> None:
    patterns = {part["pattern"] for _, part in each(document) if isinstance(part, dict) and "pattern" in part}
    assert patterns
    for pattern in patterns:
        assert pattern.startswith("^")
        assert pattern.endswith("$")
        assert not re.search(r"\\[AZz]|\(\?P", pattern)


def test_every_operation_tells_its_problems(document: dict[str, Any]) -> None:
    for path, _, operation in operations_in(document):
        expected = {"400", "429", "500"}
        if operation["security"]:
            expected |= {"401", "403", "503"}
        if "{" in path:
            expected.add("404")
        if "requestBody" in operation:
            expected |= {"408", "413", "415", "422"}
        assert expected <= set(operation["responses"])
        for status, response in operation["responses"].items():
            if status.startswith(("4", "5")):
                component = document["components"]["responses"][response["$ref"].rpartition("/")[2]]
                assert list(component["content"]) == ["application/problem+json"]
                assert all(
                    str(example["value"]["status"]) == status
                    for example in component["content"]["application/problem+json"]["examples"].values()
                )


def test_requests_are_closed_and_problems_are_open(sample: dict[str, Any]) -> None:
    schemas = sample["components"]["schemas"]
    assert schemas["Dial"]["additionalProperties"] is False
    assert "additionalProperties" not in schemas["ProblemDocument"]
    assert schemas["PageOfDialView"]["properties"]["items"]["items"] == {"$ref": "#/components/schemas/DialView"}
    assert "DialQuery" not in schemas


def test_query_parameters_are_told_as_they_are_read(sample: dict[str, Any]) -> None:
    parameters = {item["name"]: item for item in sample["paths"]["/v1/dials"]["get"]["parameters"]}
    assert parameters["limit"]["schema"] == {
        "type": "integer",
        "format": "int32",
        "minimum": 1,
        "maximum": 500,
        "default": 50,
    }
    assert parameters["broken"]["schema"] == {"type": "boolean"}
    assert parameters["at_least_psi"]["schema"]["maximum"] == 20_000
    assert not any(item["required"] for item in parameters.values())
    assert all(item["description"] for item in parameters.values())


def test_only_the_right_of_an_operation_stands_in_it(sample: dict[str, Any]) -> None:
    assert sample["paths"]["/v1/dials"]["post"]["x-right"] == "dials:write"
    assert "x-right" not in sample["paths"]["/v1/problems"]["get"]


def test_the_text_is_the_same_every_time() -> None:
    first = openapi_text(build_openapi(operations_of(HANDLERS), ALL_TAGS))
    second = openapi_text(build_openapi(operations_of(list(reversed(HANDLERS))), ALL_TAGS))
    assert first == second
    assert first.endswith("}\n")


class Bare(StrictStruct, frozen=True, kw_only=True):
    label: Label


class Undescribed(PageQuery, frozen=True, kw_only=True):
    """A query with a filter that nothing is said about."""

    open: bool | None = None


class Round(StrictStruct, frozen=True, kw_only=True, tag_field="shape", tag="round"):
    """A round thing."""

    radius: Annotated[int, Meta(ge=0, le=2**40)]


class Square(StrictStruct, frozen=True, kw_only=True, tag_field="shape", tag="square"):
    """A square thing."""

    side: Annotated[int, Meta(ge=0, le=9)]


class Drawing(StrictStruct, frozen=True, kw_only=True):
    """Shapes, one of each kind at most."""

    shapes: Annotated[list[Round | Square], Meta(max_length=2)]


def stated(handler: Any) -> list[Operation]:
    return operations_of([handler])


def test_a_union_keeps_its_discriminator() -> None:
    example = Drawing(shapes=[Round(radius=1), Square(side=2)])

    @post("/v1/x", right="x", tag="dials", summary="x", answers=answer(None, "x", status=204), body_example=example)
    async def draw(request: AnyRequest, body: Drawing) -> None: ...

    schemas = build_openapi(stated(draw), ALL_TAGS)["components"]["schemas"]
    assert schemas["Drawing"]["properties"]["shapes"]["items"]["discriminator"] == {
        "propertyName": "shape",
        "mapping": {"round": "#/components/schemas/Round", "square": "#/components/schemas/Square"},
    }
    assert schemas["Round"]["properties"]["shape"] == {"enum": ["round"], "type": "string"}
    assert schemas["Round"]["properties"]["radius"]["format"] == "int64"
    assert msgspec.json.decode(msgspec.json.encode(example), type=Drawing) == example


def test_what_is_missing_is_named() -> None:
    told: dict[str, Any] = {"right": PUBLIC, "summary": "x"}

    @get("/v1/x", tag="stray", answers=answer(DialView, "x"), **told)
    async def lacks_tag_and_example(request: AnyRequest) -> None: ...

    @get("/v1/x", tag="dials", answers=answer(None, "x", status=204), **told)
    async def lacks_query_text(request: AnyRequest, query: Undescribed) -> None: ...

    @post("/v1/x", tag="dials", answers=answer(None, "x", status=204), body_example=Bare(label="x"), **told)
    async def lacks_docstring(request: AnyRequest, body: Bare) -> None: ...

    with pytest.raises(DocumentError, match=r"tag stray; an example in lacks_tag_and_example"):
        build_openapi(stated(lacks_tag_and_example), ALL_TAGS)
    with pytest.raises(DocumentError, match="parameter open of Undescribed needs a description"):
        build_openapi(stated(lacks_query_text), ALL_TAGS)
    with pytest.raises(ValueError, match=r"need a docstring.*Bare"):
        build_openapi(stated(lacks_docstring), ALL_TAGS)


def test_an_answer_type_without_bounds_is_refused_while_it_loads() -> None:
    class Loose(Struct):
        """An answer without bounds."""

        text: str

    async def endpoint(request: AnyRequest) -> Loose:
        return Loose("x")

    with pytest.raises(TypeError, match=r"Loose\.text needs a greatest length"):
        get("/v1/x", right=PUBLIC, tag="dials", summary="x", answers=answer(Loose, "x"))(endpoint)
