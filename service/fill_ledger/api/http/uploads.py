"""A file in a request: as the whole body, or as the one part of a form (RFC 7578)."""

from collections.abc import Collection

from multipart import MultipartError, MultipartSegment, PushMultipartParser, parse_options_header

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest, read_body, require_identity_encoding
from fill_ledger.api.http.problems import Fault, Problem

FORM_MEDIA_TYPE = "multipart/form-data"
FILE_FIELD = "file"
# The headers and boundaries of one part around the file itself.
FORM_MARGIN_BYTES = 16_384


async def read_upload(request: AnyRequest, media_types: Collection[str], *, limit_bytes: int) -> bytes:
    """Return the file in a request.

    Args:
        request: its body is the file, or a form whose one part named ``file`` is.
        media_types: what the body may be otherwise than a form.
        limit_bytes: greatest size of the file.

    Raises:
        Problem: 400 bad-request for a broken form, 408, 413, 415, 422 for a form without exactly one file.
    """
    require_identity_encoding(request)
    media_type, options = parse_options_header(request.headers.get("content-type", ""))
    media_type = media_type.strip().lower()
    if media_type == FORM_MEDIA_TYPE:
        body = await read_body(request, limit_bytes=limit_bytes + FORM_MARGIN_BYTES)
        content = _file_of_form(body, options.get("boundary", ""))
        if len(content) > limit_bytes:
            raise Problem(problem_types.BODY_TOO_LARGE, f"The file may have at most {limit_bytes} bytes.")
        return content
    if media_type not in media_types:
        taken = ", ".join([*media_types, FORM_MEDIA_TYPE])
        raise Problem(
            problem_types.UNSUPPORTED_MEDIA_TYPE, f"The body must be one of: {taken}.", headers={"Accept": taken}
        )
    return await read_body(request, limit_bytes=limit_bytes)


def _file_of_form(body: bytes, boundary: str) -> bytes:
    parts: list[tuple[str, bytearray]] = []
    try:
        with PushMultipartParser(boundary, max_segment_count=2, strict=True) as parser:
            for event in parser.parse(body):
                if isinstance(event, MultipartSegment):
                    parts.append((event.name or "", bytearray()))
                elif event:
                    parts[-1][1].extend(event)
            parser.close()
    except (MultipartError, ValueError) as error:
        raise Problem(problem_types.BAD_REQUEST, f"The form cannot be read: {error}.") from None
    if [name for name, _ in parts] != [FILE_FIELD]:
        detail = f"The form must have exactly one part, named {FILE_FIELD}; options go into the query."
        raise Problem(problem_types.NOT_PROCESSABLE, detail, errors=[Fault(code="one-file", detail=detail, pointer="")])
    return bytes(parts[0][1])
