"""Query parameters that several lists take, described once for the OpenAPI document."""

import uuid
from typing import Annotated

from msgspec import Meta

from fill_ledger.api.http.value_types import Moment

OneDepartment = Annotated[
    uuid.UUID, Meta(description="Whose ledger; needed only where the key may act for several departments.")
]
OfDepartment = Annotated[uuid.UUID, Meta(description="Only what this department's ledger has.")]
AtStation = Annotated[uuid.UUID, Meta(description="Only what happened at this station.")]
OfCylinder = Annotated[uuid.UUID, Meta(description="Only what is about this cylinder.")]
ByMember = Annotated[uuid.UUID, Meta(description="Only what this member did.")]
FromMoment = Annotated[Moment, Meta(description="Only what happened at this time or later.")]
BeforeMoment = Annotated[Moment, Meta(description="Only what happened before this time.")]
IsRetracted = Annotated[bool, Meta(description="Only what was taken back, or only what was not; both if left out.")]
