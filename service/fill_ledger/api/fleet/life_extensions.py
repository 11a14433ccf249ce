"""Extensions of the service life of a cylinder."""

import uuid
from typing import Annotated

from litestar.handlers import HTTPRouteHandler
from msgspec import Meta

from fill_ledger.api.access import rights
from fill_ledger.api.access.principals import Principal
from fill_ledger.api.entries import Entry, Receipt, record_entry
from fill_ledger.api.fleet.cylinder_records import ENTRY_ANSWERS, ENTRY_PROBLEMS, read_cylinder
from fill_ledger.api.fleet.cylinder_types import Reason, RequalifierNumber
from fill_ledger.api.http.decoding import AnyRequest
from fill_ledger.api.http.header_parameters import IDEMPOTENCY_KEY
from fill_ledger.api.http.operations import post
from fill_ledger.api.http.replies import Reply
from fill_ledger.api.http.value_types import StrictStruct
from fill_ledger.trade.events import cylinders
from fill_ledger.trade.months import StampMonth


class Extension(StrictStruct, frozen=True, kw_only=True):
    """By which permit the life was extended, through which month, and by whom the cylinder was found fit for it."""

    permit: Annotated[str, Meta(min_length=1, max_length=200, description="The permit or approval, as it is cited.")]
    through: Annotated[StampMonth, Meta(description="The month in which the extended life ends.")]
    requalifier: RequalifierNumber | None = None


class LifeExtension(Entry, frozen=True, kw_only=True):
    """An extension that an authority gave. `note` is kept sealed."""

    extension: Extension
    note: Reason | None = None


@post(
    "/v1/cylinders/{cylinder_id}/life-extensions",
    right=rights.CYLINDERS_WRITE,
    tag="cylinders",
    summary="Enter an extension of the service life",
    answers=ENTRY_ANSWERS,
    body_example=LifeExtension(
        extension=Extension(permit="as cited on the cylinder", through="2031-06", requalifier="A123")
    ),
    problems=ENTRY_PROBLEMS,
    request_headers=(IDEMPOTENCY_KEY,),
)
async def extend_life(
    request: AnyRequest, cylinder_id: uuid.UUID, body: LifeExtension, principal: Principal
) -> Reply[Receipt]:
    """Enter that the service life was extended. It counts only where policy says `life_extensions_accepted`.

    A set whose cylinder is used past the life in its maker's instructions loses its approval (NIOSH CA-2018-1006-R1).
    """
    known = await read_cylinder(request, principal, cylinder_id)
    event = cylinders.CylinderLifeExtended(
        cylinder_id=cylinder_id,
        extension=cylinders.LifeExtension(
            permit=body.extension.permit, through=body.extension.through, requalifier=body.extension.requalifier
        ),
        note=body.note,
    )
    return await record_entry(request, principal, known.department_id, body, event, subject_id=cylinder_id)


HANDLERS: list[HTTPRouteHandler] = [extend_life]
