"""An HTTP client that calls an application in this process, and short words for reading problems."""

from typing import Any

import httpx

from fill_ledger.api.http.service import Service
from tests.api.sample_service import GOOD_KEY


def client_of(service: Service, **headers: str) -> httpx.AsyncClient:
    """Return a client with a good key; the application's own exceptions are answers, as in a server."""
    transport = httpx.ASGITransport(app=service, raise_app_exceptions=False)
    sent = {"authorization": GOOD_KEY, **headers}
    return httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=sent)


def problem_in(response: httpx.Response, status: int, code: str) -> dict[str, Any]:
    """Return the problem document of an answer, after checking what every one of them must hold (RFC 9457)."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = response.json()
    assert document["type"] == f"/v1/problems/{code}"
    assert document["status"] == status
    assert document["title"]
    assert document["detail"]
    assert document["instance"] == response.request.url.raw_path.partition(b"?")[0].decode()
    assert document["request_id"] == response.headers["x-request-id"]
    return document


def places(document: dict[str, Any]) -> set[tuple[str, str]]:
    """Return every fault as (place, code)."""
    return {
        (fault.get("pointer", fault.get("parameter", fault.get("header"))), fault["code"])
        for fault in document.get("errors", [])
    }
