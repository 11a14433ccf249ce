"""Asking for fill plans and storage forecasts in tests."""

from typing import Any

import httpx

from fill_ledger.intake.founding import NewPrincipal
from fill_ledger.trade.events.county import Role
from tests.support.county import County

PLANS = "/v1/fill-plans"
FORECASTS = "/v1/storage-forecasts"
COMPRESSOR = {"rate_scfm": 25, "maximum_psi": 6_000}


def by_numbers(limit_psi: int, present_psi: int = 500, **further: Any) -> dict[str, Any]:
    """Return a connection with a 6.8 L cylinder that nobody registered."""
    return {"water_volume_ml": 6_800, "limit_psi": limit_psi, "present_psi": present_psi, **further}


def bottle(pressure_psi: int, water_volume_ml: int = 43_000, **further: Any) -> dict[str, Any]:
    """Return a storage bottle by numbers."""
    return {"water_volume_ml": water_volume_ml, "pressure_psi": pressure_psi, **further}


async def send(county: County, path: str, body: Any, key: NewPrincipal | str | None = None) -> httpx.Response:
    """Return the whole answer; of the own station's controller unless another key is given."""
    async with county.client(key or county.own.keys[Role.CONTROLLER]) as client:
        return await client.post(path, json=body)


async def planned(
    county: County,
    connections: list[dict[str, Any]],
    supply: dict[str, Any] | None = None,
    key: NewPrincipal | str | None = None,
    **further: Any,
) -> dict[str, Any]:
    """Return a plan that was made; from a compressor unless a supply is given."""
    body = {"connections": connections, "supply": supply or {"compressor": COMPRESSOR}, **further}
    response = await send(county, PLANS, body, key)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    assert "trained person decides" in document["cautions"]
    return document


async def forecasted(
    county: County, kinds: list[dict[str, Any]], key: NewPrincipal | str | None = None, **further: Any
) -> dict[str, Any]:
    """Return a forecast that was made."""
    response = await send(county, FORECASTS, {"kinds": kinds, **further}, key)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    assert "trained person decides" in document["cautions"]
    return document


def codes(items: list[dict[str, Any]]) -> list[str]:
    """Return the codes of notes, reasons or what was left out."""
    return [item["code"] for item in items]
