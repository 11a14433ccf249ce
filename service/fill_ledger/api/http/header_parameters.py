"""Request headers that several operations take, described once for the OpenAPI document."""

from fill_ledger.api.http.operations import RequestHeader

IF_NONE_MATCH = RequestHeader(
    name="If-None-Match",
    description="ETags the caller has; if one of them is the present one, the answer is 304 without a body.",
    pattern=r'^(\*|(W/)?"[!#-~]*"(, *(W/)?"[!#-~]*")*)$',
    example='"v17"',
)
IF_MATCH = RequestHeader(
    name="If-Match",
    description="The ETag of the version the change starts from; 412 if the resource has changed since.",
    pattern=r'^(\*|(W/)?"[!#-~]*"(, *(W/)?"[!#-~]*")*)$',
    is_required=True,
    example='"v17"',
)
IDEMPOTENCY_KEY = RequestHeader(
    name="Idempotency-Key",
    description=(
        "For clients that cannot make event ids: the same key with the same request is carried out once. "
        "A quoted string as in the IETF draft; without quotes it is taken too."
    ),
    pattern=r'^("[!-~]{1,128}"|[!#-~][!-~]{0,127})$',
    example='"8e03978e-40d5-43e8-bc93-6894a57f9324"',
)
