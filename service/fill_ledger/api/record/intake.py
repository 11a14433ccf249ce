"""`/v1/intake`: many facts at once, of any type a device may send, in any order."""

import uuid
from collections.abc import Iterator, Sequence
from typing import Annotated, TypeVar

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta, Struct, field, structs

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.filters import OneDepartment
from fill_ledger.api.http import problem_types
from fill_ledger.api.http.content_encodings import ACCEPTED_ENCODINGS, EncodingUnreadableError, decompress, encoding_of
from fill_ledger.api.http.decoding import AnyRequest, is_json_media_type, read_body
from fill_ledger.api.http.operations import BodyDescription, answer, post
from fill_ledger.api.http.problems import Problem
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import LedgerPosition, LedgerToken, StrictStruct
from fill_ledger.api.parts import parts_of
from fill_ledger.api.record.facts import (
    EXAMPLE_FACT,
    MAXIMUM_CLAIMS_A_UNIT,
    Digest,
    FactProblem,
    FactResult,
    decode_strictly,
    errors_of,
    kind_of,
    problem_of_faults,
    record_facts,
    sender_of,
)
from fill_ledger.intake.batches import (
    MAXIMUM_BATCH_BYTES,
    MAXIMUM_FACTS,
    Batch,
    BatchHeader,
    SplitBatch,
    TooManyFactsError,
    split_batch,
    split_lines,
)
from fill_ledger.intake.claims import Recorded
from fill_ledger.intake.facts import ANY_FACT, FactReader, UnreadableTextError, keep_unreadable
from fill_ledger.intake.missing import MAXIMUM_GAPS, Gap, missing_numbers, streams_of
from fill_ledger.ledger.ledger_token import encode_ledger_token

JSON_LINES_TYPES = frozenset({"application/x-ndjson", "application/ndjson", "application/jsonl", "application/x-jsonl"})
READER = FactReader(ANY_FACT, decode_strictly)
Item = TypeVar("Item")


class IntakeQuery(StrictStruct, frozen=True, kw_only=True):
    """`department_id` is needed only where the key may act for several departments."""

    department_id: OneDepartment | None = None


class BatchResult(FactResult, frozen=True, kw_only=True):
    """What became of one fact of a batch; `index` is its place, counted from 0."""

    index: Annotated[int, Meta(ge=0, le=MAXIMUM_FACTS, extra_json_schema={"format": "int32"})]


class MissingNumbers(Struct, frozen=True, kw_only=True):
    """Numbers of a stream that have not come although a higher one has; the first and the last are meant too."""

    stream_id: uuid.UUID
    from_: LedgerPosition = field(name="from")
    to: LedgerPosition


class IntakeReceipt(Struct, frozen=True, kw_only=True):
    """What became of a batch. `problem` is about the batch as a whole: what it says of itself, or that it broke off."""

    results: Annotated[list[BatchResult], Meta(max_length=MAXIMUM_FACTS + 1)]
    missing: Annotated[list[MissingNumbers], Meta(max_length=MAXIMUM_GAPS)]
    problem: FactProblem | None
    ledger: LedgerToken
    chain_digest: Digest


EXAMPLE_BATCH = {
    "device_now": "2026-11-24T03:12:00-05:00",
    "device_software": "controller 2.4",
    "facts": [EXAMPLE_FACT],
}
EXAMPLE_RECEIPT = IntakeReceipt(
    results=[
        BatchResult(
            index=0,
            event_id=uuid.UUID(str(EXAMPLE_FACT["event_id"])),
            outcome="created",
            ledger_position=60_211,
            finding_ids=[],
            problem=None,
        )
    ],
    missing=[
        MissingNumbers(stream_id=uuid.UUID(str(EXAMPLE_FACT["stream_id"])), from_=1200, to=1203),
    ],
    problem=None,
    ledger="AWoflw8OPVxMVppZCw1vWnwx6zM",
    chain_digest="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
)


@post(
    "/v1/intake",
    right=rights.FACTS_RECORD,
    tag="intake",
    summary="Send many facts",
    answers=answer(IntakeReceipt, "What became of each fact, in the order of the request.", example=EXAMPLE_RECEIPT),
    bodies=(
        BodyDescription(
            media_type="application/json",
            description=f"A batch of at most {MAXIMUM_FACTS} facts; gzip and zstd are taken.",
            content_type=Batch,
            example=EXAMPLE_BATCH,
        ),
        BodyDescription(
            media_type="application/x-ndjson",
            description="The batch without `facts` on the first line, then a fact a line; gzip and zstd are taken.",
        ),
    ),
    body_limit_bytes=MAXIMUM_BATCH_BYTES,
    problems=(problem_types.NOT_PROCESSABLE,),
)
async def take_batch(request: AnyRequest, query: IntakeQuery, principal: Principal) -> Reply[IntakeReceipt]:
    """Take facts from a station, each on its own merits, and say what became of each.

    Outcomes are final: the sender may forget every fact that has a result. Only 401, 403, 413, 429 and 5xx of the whole
    request mean: keep it, or split it. From a controller, a batch that breaks off is taken as far as it goes, and what
    remains is kept as one more, unreadable fact. `missing` names numbers of the batch's streams that never came.
    """
    department_id = principal.department(query.department_id)
    split, whole_problem = await _read_batch(request, principal)
    header, header_problem = _read_header(split, principal)
    sender = sender_of(principal)
    results: list[BatchResult] = []
    streams: dict[uuid.UUID, None] = {}
    recorded: Recorded | None = None
    for chunk in _chunks(split.facts):
        reads = [READER.read(raw, sender, device_now=header.device_now) for raw in chunk]
        if split.rest is not None and len(results) + len(chunk) == len(split.facts):
            reads.append(keep_unreadable(split.rest, sender, "This could not be cut out of the batch.", is_json=False))
        of_chunk, recorded = await record_facts(request, department_id, reads)
        results.extend(_with_index(of_chunk, len(results)))
        streams.update(dict.fromkeys(streams_of(claim for read in reads for claim in read.claims)))
    assert recorded is not None
    return Reply(
        IntakeReceipt(
            results=results,
            missing=await _missing(request, department_id, list(streams)),
            problem=whole_problem or header_problem,
            ledger=encode_ledger_token(department_id, recorded.ledger_position),
            chain_digest=recorded.chain_digest.hex(),
        )
    )


def _chunks(items: Sequence[Item]) -> Iterator[Sequence[Item]]:
    """Yield the items in chunks; one empty chunk where there are none, so that even an empty batch reads the ledger."""
    for start in range(0, max(len(items), 1), MAXIMUM_CLAIMS_A_UNIT):
        yield items[start : start + MAXIMUM_CLAIMS_A_UNIT]


def _with_index(results: Sequence[FactResult], first: int) -> Iterator[BatchResult]:
    for index, result in enumerate(results, start=first):
        yield BatchResult(index=index, **structs.asdict(result))


async def _missing(request: AnyRequest, department_id: uuid.UUID, streams: list[uuid.UUID]) -> list[MissingNumbers]:
    if not streams:
        return []
    async with parts_of(request).database.lookups.acquire() as connection:
        gaps: list[Gap] = await missing_numbers(connection, department_id, streams)
    return [MissingNumbers(stream_id=gap.stream_id, from_=gap.first, to=gap.last) for gap in gaps]


async def _read_batch(request: AnyRequest, principal: Principal) -> tuple[SplitBatch, FactProblem | None]:
    """Read the body and take it apart; say what is wrong with it as a whole.

    Raises:
        Problem: 413; and, except from a controller, 400 or 415 for what is wrong with it as a whole.
    """
    is_device = principal.station_id is not None
    if not is_device:
        _require_media_type(request)
    raw = await read_body(request, limit_bytes=MAXIMUM_BATCH_BYTES)
    try:
        text = decompress(raw, encoding_of(request), limit_bytes=MAXIMUM_BATCH_BYTES)
    except EncodingUnreadableError as error:
        if not is_device:
            raise _encoding_problem(error) from None
        return SplitBatch(rest=raw, is_whole=False), problem_of_faults(
            problem_types.UNSUPPORTED_CONTENT_ENCODING, error.detail, ()
        )
    try:
        split = split_lines(text) if _media_type(request) in JSON_LINES_TYPES else split_batch(text)
    except TooManyFactsError:
        raise Problem(
            problem_types.BODY_TOO_LARGE, f"A batch may have at most {MAXIMUM_FACTS} facts: split it."
        ) from None
    if split.is_whole:
        return split, None
    detail = f"The batch breaks off, or is not one JSON object, after {len(split.facts)} facts."
    if not is_device:
        raise Problem(problem_types.MALFORMED_JSON, detail)
    return split, problem_of_faults(problem_types.MALFORMED_JSON, detail, ())


def _read_header(split: SplitBatch, principal: Principal) -> tuple[BatchHeader, FactProblem | None]:
    """Read what a batch says of itself. From a controller, a fault there takes no fact with it."""
    try:
        header: BatchHeader = decode_strictly(BatchHeader, split.header)
    except UnreadableTextError as error:
        kind, detail = kind_of(is_json=error.is_json), error.detail.replace("The fact has", "The batch has")
        if principal.station_id is None:
            raise Problem(kind, detail, errors=errors_of(error.faults)) from None
        return BatchHeader(), problem_of_faults(kind, detail, error.faults)
    return header, None


def _media_type(request: AnyRequest) -> str:
    stated: str = request.headers.get("content-type", "")
    return stated.partition(";")[0].strip().lower()


def _require_media_type(request: AnyRequest) -> None:
    media_type = _media_type(request)
    if not is_json_media_type(media_type) and media_type not in JSON_LINES_TYPES:
        raise Problem(
            problem_types.UNSUPPORTED_MEDIA_TYPE,
            "The body must be application/json or application/x-ndjson.",
            headers={"Accept": "application/json, application/x-ndjson"},
        )


def _encoding_problem(error: EncodingUnreadableError) -> Problem:
    if error.is_known:
        return Problem(problem_types.BAD_REQUEST, error.detail)
    return Problem(
        problem_types.UNSUPPORTED_CONTENT_ENCODING, error.detail, headers={"Accept-Encoding": ACCEPTED_ENCODINGS}
    )


HANDLERS: list[HTTPRouteHandler] = [take_batch]
