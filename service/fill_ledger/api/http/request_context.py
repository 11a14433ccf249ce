"""What the service knows about the request in hand: its id, its caller, and headers its answer shall carry."""

import re
import time
import uuid
from collections.abc import Mapping
from typing import Any

MAX_REQUEST_ID_LENGTH = 64
REQUEST_ID_HEADER = "X-Request-Id"

_STATE_KEY = "fill_ledger.request"
_ACCEPTED_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{8,64}\Z")


class RequestContext:
    """One request while it is handled. Mutable: the layers below note what the log line and the answer need."""

    __slots__ = ("answer_headers", "principal_id", "request_id", "started", "status")

    def __init__(self, request_id: str) -> None:
        self.request_id = request_id
        self.started = time.perf_counter()
        self.principal_id: str | None = None
        self.status = 0
        self.answer_headers: list[tuple[bytes, bytes]] = []

    def add_answer_headers(self, headers: Mapping[str, str]) -> None:
        """Have the answer, whatever it becomes, carry these headers too."""
        self.answer_headers.extend(
            (name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()
        )


def open_context(scope: Any) -> RequestContext:
    """Make the context of a request and keep it in the scope.

    The caller's ``X-Request-Id`` is kept if it is 8 to 64 plain characters; anything else is replaced, so that a header
    cannot write into the log.
    """
    context = RequestContext(_accepted_id(scope) or str(uuid.uuid4()))
    scope.setdefault("state", {})[_STATE_KEY] = context
    return context


def context_of(scope: Any) -> RequestContext:
    """Return the context of the request with this scope (``request.scope``); one is made if none was opened."""
    found = scope.get("state", {}).get(_STATE_KEY)
    return found if isinstance(found, RequestContext) else open_context(scope)


def _accepted_id(scope: Any) -> str | None:
    for name, value in scope["headers"]:
        if name == b"x-request-id":
            text: str = value.decode("latin-1")
            return text if _ACCEPTED_REQUEST_ID.match(text) else None
    return None
