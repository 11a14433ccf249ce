"""Turn the body of a request into a typed value, or into a problem that lists every fault.

The good case costs one decode and one scan. Only when either objects is the body read a second time, slowly, to find
all faults with their places. The framework's own body parameter is not used: it coerces types, takes any media type,
and stops at the first fault.
"""

import asyncio
from typing import Any, Generic, TypeVar

import msgspec
from litestar import Request

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.faults import find_faults
from fill_ledger.api.http.json_text import JsonTextError, find_text_faults, may_hide_faults, read_json
from fill_ledger.api.http.problems import Fault, Problem, pointer_to
from fill_ledger.api.http.value_types import check_request_type, decoder_for

T = TypeVar("T")
AnyRequest = Request[Any, Any, Any]

DEFAULT_BODY_LIMIT_BYTES = 64 * 1024
"""Greatest body of an ordinary operation; bulk operations state their own."""

BODY_TIMEOUT_S = 30.0
"""A body must be complete within this time; a sender that stalls must not hold a place for ever."""

_JSON_MEDIA_TYPE = "application/json"


class ClientGoneError(ConnectionError):
    """The client closed the connection before its body was complete: nobody is left to answer."""


class BodyDecoder(Generic[T]):
    """A strict decoder for one request type, checked for bounds when it is made.

    Raises:
        UnboundedTypeError: the type leaves something without bounds.
    """

    def __init__(self, request_type: type[T]) -> None:
        self.request_type = request_type
        self._inspected = check_request_type(request_type)
        self._decoder = decoder_for(request_type)

    def decode(self, body: bytes) -> T:
        """Return the typed value of a JSON text.

        Raises:
            Problem: malformed-json (400) if it is not JSON, invalid-body (422) with every fault otherwise.
        """
        try:
            value: T = self._decoder.decode(body)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return self._decode_slowly(body)
        if may_hide_faults(body):
            return self._decode_slowly(body)
        return value

    def _decode_slowly(self, body: bytes) -> T:
        """Find every fault, or decode what only the spelling of a number kept from being decoded."""
        try:
            plain = read_json(body)
        except JsonTextError as error:
            raise Problem(problem_types.MALFORMED_JSON, f"Not JSON: {error}.") from None
        faults = [*find_text_faults(plain), *find_faults(plain, self._inspected)]
        if not faults:
            try:
                value: T = self._decoder.decode(msgspec.json.encode(plain))
            except msgspec.ValidationError as error:
                faults = [fault_of_decoder(error)]
            else:
                return value
        counted = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise Problem(problem_types.INVALID_BODY, f"The body has {counted}.", errors=faults)


def fault_of_decoder(error: Exception) -> Fault:
    """Return the single fault the decoder itself named, its place turned into a JSON Pointer.

    Needed for rules that only code can state (``__post_init__``); those messages are our own words.
    """
    message, _, place = str(error).partition(" - at `")
    return Fault(code="invalid-value", detail=message, pointer=_pointer_of_path(place.rstrip("`")))


def _pointer_of_path(path: str) -> str:
    # msgspec writes `$.facts[3].body`; an index it does not know is written [...].
    parts: list[str] = []
    for step in path.removeprefix("$").split("."):
        name, *positions = step.split("[")
        parts.extend(part for part in [name, *(position.rstrip("]") for position in positions)] if part)
    return pointer_to(*parts)


_DECODERS: dict[Any, BodyDecoder[Any]] = {}


def body_decoder(request_type: type[T]) -> BodyDecoder[T]:
    """Return the decoder of a request type; made once."""
    if request_type not in _DECODERS:
        _DECODERS[request_type] = BodyDecoder(request_type)
    return _DECODERS[request_type]


async def decode_body(
    request: AnyRequest, expected: type[T] | BodyDecoder[T], *, limit_bytes: int = DEFAULT_BODY_LIMIT_BYTES
) -> T:
    """Read the body of a request and return it as the expected type.

    Args:
        request: the request; its media type must be JSON.
        expected: a struct type, or a decoder made from one.
        limit_bytes: greatest size of the body.

    Raises:
        Problem: 400 malformed-json, 408, 413, 415, or 422 invalid-body with a pointer for every fault.
    """
    decoder = expected if isinstance(expected, BodyDecoder) else body_decoder(expected)
    require_json(request)
    body = await read_body(request, limit_bytes=limit_bytes)
    return decoder.decode(body)


def require_json(request: AnyRequest) -> None:
    """Refuse a body that does not say it is JSON in UTF-8, or that is compressed.

    Raises:
        Problem: 415 unsupported-media-type or unsupported-content-encoding.
    """
    values = request.headers.getall("content-type", [])
    if len(values) != 1:
        wrong = "names none" if not values else f"names {len(values)}"
        raise _unsupported(f"Send one header 'Content-Type: application/json'; the request {wrong}.")
    media_type, _, parameters = values[0].partition(";")
    if not is_json_media_type(media_type.strip().lower()):
        raise _unsupported("The body must be application/json.")
    for parameter in filter(None, (part.strip().lower() for part in parameters.split(";"))):
        name, _, value = parameter.partition("=")
        if name.strip() == "charset" and value.strip().strip('"') not in ("utf-8", "utf8"):
            raise _unsupported("The body must be in UTF-8.")
    require_identity_encoding(request)


def is_json_media_type(media_type: str) -> bool:
    """Tell whether a lower-case media type without parameters is ``application/json`` or ``application/*+json``."""
    return media_type == _JSON_MEDIA_TYPE or (media_type.startswith("application/") and media_type.endswith("+json"))


def require_identity_encoding(request: AnyRequest) -> None:
    """Refuse a compressed body where the operation does not say it takes one.

    Raises:
        Problem: 415 unsupported-content-encoding with the Accept-Encoding to use (RFC 9110 section 15.5.16).
    """
    encoding = request.headers.get("content-encoding", "identity").strip().lower()
    if encoding not in ("", "identity"):
        raise Problem(
            problem_types.UNSUPPORTED_CONTENT_ENCODING,
            "This operation takes bodies as they are, not compressed.",
            headers={"Accept-Encoding": "identity"},
        )


def _unsupported(detail: str) -> Problem:
    return Problem(problem_types.UNSUPPORTED_MEDIA_TYPE, detail, headers={"Accept": _JSON_MEDIA_TYPE})


async def read_body(request: AnyRequest, *, limit_bytes: int) -> bytes:
    """Return the raw body, refusing it as soon as it is known to be too large.

    Raises:
        Problem: 413 body-too-large (by Content-Length before reading, else while reading), 408 request-timeout.
        ClientGoneError: the client left.
    """
    declared = request.headers.get("content-length", "")
    if declared.isascii() and declared.isdigit() and int(declared[:20]) > limit_bytes:
        raise too_large(limit_bytes)
    try:
        async with asyncio.timeout(BODY_TIMEOUT_S):
            return await _collect(request, limit_bytes)
    except TimeoutError:
        detail = f"The body was not complete within {BODY_TIMEOUT_S:g} seconds."
        raise Problem(problem_types.REQUEST_TIMEOUT, detail) from None


async def _collect(request: AnyRequest, limit_bytes: int) -> bytes:
    parts: list[bytes] = []
    size = 0
    while True:
        message = await request.receive()
        if message["type"] == "http.disconnect":
            raise ClientGoneError("the client left before its body was complete")
        part = message["body"]  # type: ignore[typeddict-item]
        size += len(part)
        if size > limit_bytes:
            raise too_large(limit_bytes)
        parts.append(part)
        if not message.get("more_body", False):
            return parts[0] if len(parts) == 1 else b"".join(parts)


def too_large(limit_bytes: int) -> Problem:
    """Return the problem of a body that is larger than an operation takes."""
    return Problem(problem_types.BODY_TOO_LARGE, f"The body may have at most {limit_bytes} bytes.")
