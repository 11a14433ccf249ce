"""Facts as a station's controller sends them, for tests."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any


def ago(**how_long: float) -> str:
    """Return a moment that lies so long in the past, as text."""
    return (datetime.now(UTC) - timedelta(**how_long)).isoformat()


def fact(event_type: str, body: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    """Return a fact with a new id that happened a minute ago; parts of the envelope may be overridden."""
    return {
        "type": event_type,
        "type_version": 1,
        "event_id": str(uuid.uuid4()),
        "occurred_at": ago(minutes=1),
        "body": body,
        **envelope,
    }


def fill(body: dict[str, Any], **envelope: Any) -> dict[str, Any]:
    """Return the fact of a fill."""
    return fact("cylinder.filled", body, **envelope)
