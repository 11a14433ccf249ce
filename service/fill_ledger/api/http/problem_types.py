"""The catalogue of problems (RFC 9457) this service answers with.

Every error answer is ``application/problem+json`` and its ``type`` is ``/v1/problems/<code>``: a relative reference
that resolves to a page which says what the problem means and what to change. Codes are never reused.
"""

from msgspec import Struct

PROBLEM_PATH = "/v1/problems/"


class ProblemType(Struct, frozen=True, kw_only=True):
    """One kind of problem: its code, HTTP status, constant title, and what the caller should change."""

    code: str
    status: int
    title: str
    what_to_change: str

    @property
    def uri(self) -> str:
        """Return the ``type`` member: a URI reference relative to the service."""
        return PROBLEM_PATH + self.code


def _kind(code: str, status: int, title: str, what_to_change: str) -> ProblemType:
    return ProblemType(code=code, status=status, title=title, what_to_change=what_to_change)


BAD_REQUEST = _kind(
    "bad-request",
    400,
    "The request could not be understood",
    "Send a well-formed HTTP request; the detail names the part that was not.",
)
MALFORMED_JSON = _kind(
    "malformed-json",
    400,
    "The body is not one well-formed JSON text",
    "Send exactly one JSON text (RFC 8259) in UTF-8 without a byte order mark; every object may name a key once.",
)
INVALID_QUERY = _kind(
    "invalid-query",
    400,
    "The query has faults",
    "Correct every parameter listed under errors. Names that the operation does not declare are refused, "
    "so that a misspelt filter is never silently ignored.",
)
INVALID_HEADER = _kind(
    "invalid-header",
    400,
    "A request header has faults",
    "Correct every header listed under errors.",
)
INVALID_CURSOR = _kind(
    "invalid-cursor",
    400,
    "The cursor was not made by this service",
    "Send next_cursor exactly as it was answered, or leave cursor out to start at the first page.",
)
CURSOR_MISMATCH = _kind(
    "cursor-mismatch",
    400,
    "The cursor belongs to another list",
    "Use a cursor only with the filters and the order it was answered for; only limit may change between pages.",
)
NOT_AUTHENTICATED = _kind(
    "not-authenticated",
    401,
    "No valid key was presented",
    "Send the header 'Authorization: Bearer <key>' with a key that has neither expired nor been revoked.",
)
NOT_PERMITTED = _kind(
    "not-permitted",
    403,
    "The key does not carry the right this operation needs",
    "Use a key of a principal with the named right in the named department, or ask whoever gives out keys for it.",
)
NOT_FOUND = _kind(
    "not-found",
    404,
    "There is nothing at this address",
    "Check the path and the identifiers in it. "
    "What belongs to a department the key may not see is answered the same way.",
)
METHOD_NOT_ALLOWED = _kind(
    "method-not-allowed",
    405,
    "The method is not offered at this address",
    "Use one of the methods in the Allow header.",
)
NOT_ACCEPTABLE = _kind(
    "not-acceptable",
    406,
    "None of the acceptable media types is offered",
    "Accept one of the media types that the description of the operation lists.",
)
REQUEST_TIMEOUT = _kind(
    "request-timeout",
    408,
    "The body did not arrive in time",
    "Send the whole body without pausing, or split it into smaller requests.",
)
CONFLICT = _kind(
    "conflict",
    409,
    "The request contradicts what is on record",
    "Read the present state, decide again, and send a request that fits it.",
)
REQUEST_IN_PROGRESS = _kind(
    "request-in-progress",
    409,
    "The first request with this key is still running",
    "Wait a moment and send the same request with the same Idempotency-Key again.",
)
PRECONDITION_FAILED = _kind(
    "precondition-failed",
    412,
    "The resource has changed since it was read",
    "Read the resource again and repeat the change with its present ETag in If-Match.",
)
BODY_TOO_LARGE = _kind(
    "body-too-large",
    413,
    "The body is larger than this operation takes",
    "Split the body; the detail names the limit in bytes.",
)
UNSUPPORTED_MEDIA_TYPE = _kind(
    "unsupported-media-type",
    415,
    "The media type of the body is not taken here",
    "Send 'Content-Type: application/json' (or a type ending in +json), in UTF-8.",
)
UNSUPPORTED_CONTENT_ENCODING = _kind(
    "unsupported-content-encoding",
    415,
    "The content encoding of the body is not taken here",
    "Send the body without a Content-Encoding, or with one listed in the Accept-Encoding header of this answer.",
)
INVALID_BODY = _kind(
    "invalid-body",
    422,
    "The body has faults",
    "Correct every fault listed under errors; each names its place by a JSON Pointer (RFC 6901).",
)
NOT_PROCESSABLE = _kind(
    "not-processable",
    422,
    "The request is well-formed but cannot be carried out",
    "The detail and the errors say which rule stands against it.",
)
IDEMPOTENCY_KEY_REUSED = _kind(
    "idempotency-key-reused",
    422,
    "The Idempotency-Key was used for another request",
    "Use a new Idempotency-Key for every new request; repeat one only with the identical request.",
)
MEMBER_NOT_IDENTIFIED = _kind(
    "member-not-identified",
    422,
    "The credential identifies no member who may act here",
    "Scan again, or enter the passcode again. A card that was revoked, or never bound, must be bound by an officer.",
)
PRECONDITION_REQUIRED = _kind(
    "precondition-required",
    428,
    "The change must say which version it starts from",
    "Send the ETag of the version you read in If-Match.",
)
RATE_LIMITED = _kind(
    "rate-limited",
    429,
    "Too many requests",
    "Wait for the seconds in Retry-After; the RateLimit headers of every answer say how much is left.",
)
CREDENTIAL_LOCKED = _kind(
    "credential-locked",
    429,
    "Too many failed attempts in a row",
    "Wait for the seconds in Retry-After before the next attempt, or use a card. "
    "After very many failures only a new passcode helps.",
)
INTERNAL_ERROR = _kind(
    "internal-error",
    500,
    "The service failed",
    "This is a fault of the service. Nothing was recorded unless a later read shows it; repeat the request with the "
    "same event_id or Idempotency-Key. Quote the request_id when reporting it.",
)
DATABASE_UNAVAILABLE = _kind(
    "database-unavailable",
    503,
    "The database cannot be reached",
    "Keep the request and send it again after the seconds in Retry-After.",
)
DATABASE_BUSY = _kind(
    "database-busy",
    503,
    "The database did not answer in time",
    "Keep the request and send it again after the seconds in Retry-After.",
)
PASSCODE_CHECKS_BUSY = _kind(
    "passcode-checks-busy",
    503,
    "Too many passcodes are being checked at this moment",
    "Send the request again after the seconds in Retry-After; the attempt was not counted.",
)
LEDGER_BUSY = _kind(
    "ledger-busy",
    503,
    "The department's ledger has too many writers just now",
    "Keep the request and send it again, with the same event ids, after the seconds in Retry-After.",
)
LEDGER_BEHIND = _kind(
    "ledger-behind",
    503,
    "This process has not yet seen the ledger position asked for",
    "Ask again after the seconds in Retry-After, or leave min_ledger out to be answered from what is known now.",
)
FLEET_LISTS_BUSY = _kind(
    "fleet-lists-busy",
    503,
    "Too many lists of whole fleets are being worked out",
    "Send the request again after the seconds in Retry-After, or name a station, a kind or a department to have less "
    "worked out.",
)
TEMPORARILY_UNAVAILABLE = _kind(
    "temporarily-unavailable",
    503,
    "The service is starting or stopping",
    "Send the request again after the seconds in Retry-After.",
)

_ALL_TYPES = tuple(value for value in list(globals().values()) if isinstance(value, ProblemType))

CATALOGUE: dict[str, ProblemType] = {kind.code: kind for kind in _ALL_TYPES}
"""Every problem type by its code. A constant added above is in the catalogue at once."""
