"""The OpenAPI 3.1 document of the service, made from what the operations state. Nothing in it is written twice."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec

from fill_ledger.api.document.openapi_responses import ProblemResponses, answer_response, used_headers
from fill_ledger.api.document.openapi_schemas import Schema, make_schemas, without_null
from fill_ledger.api.http.operations import Answer, BodyDescription, Operation
from fill_ledger.api.http.problems import ProblemDocument

OPENAPI_VERSION = "3.1.0"
INTERFACE_VERSION = "1.0.0"
"""Version of the interface, not of the program: its first number stands in every path."""

SECURITY_SCHEME = "bearer"

_SERVER = {"url": "/", "description": "Production: the service that serves this document.", "x-internal": False}

_DESCRIPTION = """\
An event-sourced ledger of breathing-air cylinder fills for fire departments: asks before each fill, facts after it, the
whole history of every cylinder, and who may do what.

Times are RFC 3339 with an offset; pressures are whole gauge psi with the unit in the name; ids are UUIDs. Bodies and
queries are read strictly: names that are not declared are refused. Every error is a problem (RFC 9457) that lists every
fault with its place. Lists are cursor pages with a Link header. HEAD is answered wherever GET is. The stable code of
every problem is the last part of its type, and /v1/problems explains it. Answers may gain members and codes; ignore
those you do not know."""


class DocumentError(ValueError):
    """What the operations state is not enough for a complete document; the message lists what is missing."""


def build_openapi(operations: Sequence[Operation], tags: Mapping[str, str]) -> dict[str, Any]:
    """Return the document as plain values.

    Args:
        operations: `service.operations_of(handlers)`.
        tags: a description for each tag.

    Raises:
        DocumentError: a tag, query parameter or answer lacks its description or example.
    """
    described = [stated for stated in operations if stated.in_document]
    _require_complete(described, tags)
    types = list(dict.fromkeys(_types_of(described)))
    schemas, components = make_schemas(types)
    builder = _PathBuilder(dict(zip(types, schemas, strict=True)), components)
    paths: dict[str, Any] = {}
    for stated in sorted(described, key=lambda stated: (stated.path, stated.method)):
        paths.setdefault(stated.path, {})[stated.method.lower()] = builder.operation(stated)
    responses = builder.problems.components()
    used_tags = {stated.tag for stated in described}
    document = {
        "openapi": OPENAPI_VERSION,
        "info": _info(),
        "servers": [_SERVER],
        "security": [{SECURITY_SCHEME: []}],
        "tags": [{"name": name, "description": tags[name]} for name in sorted(used_tags)],
        "paths": paths,
        "components": {
            "schemas": builder.remaining_components(),
            "responses": responses,
            "headers": used_headers([paths, responses]),
            "securitySchemes": {
                SECURITY_SCHEME: {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A key of this service in the Authorization header; shown once, when it is made.",
                }
            },
        },
    }
    # Through JSON and back, so that only what JSON knows is left: a default of () becomes an empty array.
    plain: dict[str, Any] = json.loads(json.dumps(document))
    return plain


def openapi_text(document: Mapping[str, Any]) -> str:
    """Return the document as text that is the same for the same operations, byte for byte."""
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _info() -> dict[str, Any]:
    return {
        "title": "Fill Ledger",
        "version": INTERFACE_VERSION,
        "summary": "A ledger of breathing-air cylinder fills",
        "description": _DESCRIPTION,
        "contact": {"name": "The Fill Ledger contributors"},
        "license": {"name": "Apache-2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
    }


def _types_of(operations: Iterable[Operation]) -> Iterable[Any]:
    yield ProblemDocument
    for stated in operations:
        if stated.query_type is not None:
            yield stated.query_type
        for parameter in stated.path_parameters:
            yield parameter.annotation
        for described in _contents(stated):
            if described.content_type is not None:
                yield described.content_type


def _contents(stated: Operation) -> list[Answer | BodyDescription]:
    return [*stated.bodies, *stated.answers]


def _require_complete(operations: Sequence[Operation], tags: Mapping[str, str]) -> None:
    missing: list[str] = []
    for stated in operations:
        if stated.tag not in tags:
            missing.append(f"a description of the tag {stated.tag}")
        missing += [
            f"an example in {stated.operation_id} of {described.content_type}"
            for described in _contents(stated)
            if described.content_type is not None and described.example is None
        ]
    if missing:
        raise DocumentError("the document needs " + "; ".join(missing))


class _PathBuilder:
    """Writes operations, and keeps what they share."""

    def __init__(self, schemas: dict[Any, Schema], components: dict[str, Schema]) -> None:
        self._schemas = schemas
        self._components = components
        self._query_names: set[str] = set()
        self.problems = ProblemResponses()

    def operation(self, stated: Operation) -> dict[str, Any]:
        written: dict[str, Any] = {
            "operationId": stated.operation_id,
            "tags": [stated.tag],
            "summary": stated.summary,
            "description": " ".join(stated.description.split()),
        }
        parameters = [*self._path_parameters(stated), *self._query_parameters(stated), *_header_parameters(stated)]
        if parameters:
            written["parameters"] = parameters
        if stated.bodies:
            written["requestBody"] = self._request_body(stated)
        written["responses"] = self._responses(stated)
        written["security"] = [] if stated.right is None else [{SECURITY_SCHEME: []}]
        if stated.right is not None:
            written["x-right"] = str(stated.right)
        return written

    def remaining_components(self) -> dict[str, Schema]:
        """Return the schemas that something refers to: queries stand in their parameters instead."""
        return {name: schema for name, schema in self._components.items() if name not in self._query_names}

    def _path_parameters(self, stated: Operation) -> list[dict[str, Any]]:
        return [
            {
                "name": parameter.name,
                "in": "path",
                "required": True,
                "description": parameter.description or f"The {parameter.name.replace('_', ' ')}.",
                "schema": self._schemas[parameter.annotation],
            }
            for parameter in stated.path_parameters
        ]

    def _query_parameters(self, stated: Operation) -> list[dict[str, Any]]:
        if stated.query_type is None:
            return []
        name = self._schemas[stated.query_type]["$ref"].rpartition("/")[2]
        self._query_names.add(name)
        component = self._components[name]
        required = component.get("required", [])
        written = []
        for parameter, schema in component.get("properties", {}).items():
            schema = without_null(schema)
            description = schema.pop("description", None) or self._description_of(schema)
            if not description:
                raise DocumentError(
                    f"the query parameter {parameter} of {name} needs a description: Meta(description=...)"
                )
            written.append(
                {
                    "name": parameter,
                    "in": "query",
                    "required": parameter in required,
                    "description": description,
                    "schema": schema,
                }
            )
        return written

    def _description_of(self, schema: Schema) -> str:
        referred = self._components.get(schema.get("$ref", "").rpartition("/")[2], {})
        return str(referred.get("description", ""))

    def _request_body(self, stated: Operation) -> dict[str, Any]:
        content = {body.media_type: self._content(body, stated.body_limit_bytes) for body in stated.bodies}
        described = " ".join(body.description for body in stated.bodies if body.description)
        limit = f"At most {stated.body_limit_bytes} bytes."
        return {"required": True, "description": f"{described} {limit}".strip(), "content": content}

    def _content(self, described: BodyDescription, limit_bytes: int) -> dict[str, Any]:
        if described.content_type is None:
            file: Schema = {"type": "string", "maxLength": limit_bytes, "format": "binary"}
            schema = file if described.form_part is None else _form_schema(described.form_part, file)
            return {"schema": schema} | ({"example": described.example} if described.example is not None else {})
        return {
            "schema": self._schemas[described.content_type],
            "examples": {"example": {"value": msgspec.to_builtins(described.example, str_keys=True)}},
        }

    def _responses(self, stated: Operation) -> dict[str, Any]:
        responses = {
            str(answered.status): answer_response(answered, self._schemas.get(answered.content_type))
            for answered in sorted(stated.answers, key=lambda answered: answered.status)
        }
        return responses | self.problems.of(stated)


def _form_schema(part: str, file: Schema) -> Schema:
    return {"type": "object", "properties": {part: file}, "required": [part], "additionalProperties": False}


def _header_parameters(stated: Operation) -> list[dict[str, Any]]:
    return [
        {
            "name": header.name,
            "in": "header",
            "required": header.is_required,
            "description": header.description,
            "schema": {"type": "string", "maxLength": 1000, "pattern": header.pattern},
            "example": header.example,
        }
        for header in stated.request_headers
    ]
