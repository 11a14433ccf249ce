"""Entity tags (RFC 9110): strong ETags made from versions; If-None-Match gives 304, If-Match 412 and 428."""

import re

from fill_ledger.api.http import problem_types
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.problems import Fault, Problem

_ENTITY_TAG = re.compile(r'(W/)?"([\x21\x23-\x7e]*)"')
_TAG_LIST = re.compile(r'\s*((W/)?"[\x21\x23-\x7e]*"\s*(,\s*(W/)?"[\x21\x23-\x7e]*"\s*)*)\Z')


def version_tag(version: int) -> str:
    """Return the strong ETag of a version of a resource, quotes included: ``"v17"``."""
    return f'"v{version}"'


def is_not_modified(request: AnyRequest, etag: str) -> bool:
    """Tell whether If-None-Match names this ETag, so that 304 answers the read (weak comparison, RFC 9110 13.1.2)."""
    header = request.headers.get("if-none-match")
    if header is None:
        return False
    if header.strip() == "*":
        return True
    return any(value == etag.strip('"') for _, value in _tags(header, "If-None-Match"))


def expected_version(request: AnyRequest, *, required: bool = True) -> int | None:
    """Return the version that If-Match says the change starts from.

    Returns None if the header is absent and not required, or is ``*``.

    Raises:
        Problem: 428 precondition-required if absent and required; 400 invalid-header if it is no list of entity tags;
            412 precondition-failed if it names no version of ours (such a tag can match nothing).
    """
    header = request.headers.get("if-match")
    if header is None:
        if required:
            raise Problem(problem_types.PRECONDITION_REQUIRED, "This change needs an If-Match header.")
        return None
    if header.strip() == "*":
        return None
    tags = _tags(header, "If-Match")
    if len(tags) == 1 and not tags[0][0] and re.fullmatch(r"v[0-9]{1,18}", tags[0][1]):
        return int(tags[0][1][1:])
    raise Problem(problem_types.PRECONDITION_FAILED, "If-Match does not name one version of this resource.")


def require_version(request: AnyRequest, current_version: int, *, required: bool = True) -> None:
    """Refuse a change that does not start from the current version.

    Raises:
        Problem: as `expected_version`, and 412 precondition-failed with the present ETag if the versions differ.
    """
    expected = expected_version(request, required=required)
    if expected is not None and expected != current_version:
        raise Problem(
            problem_types.PRECONDITION_FAILED,
            "The resource is no longer at the version named in If-Match.",
            headers={"ETag": version_tag(current_version)},
        )


def _tags(header: str, name: str) -> list[tuple[bool, str]]:
    if not _TAG_LIST.match(header):
        detail = f'{name} must be entity tags in double quotes, such as "v17".'
        raise Problem(
            problem_types.INVALID_HEADER, detail, errors=[Fault(code="wrong-format", detail=detail, header=name)]
        )
    return [(bool(weak), value) for weak, value in _ENTITY_TAG.findall(header)]
