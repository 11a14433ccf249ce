"""A small HTTP client, as a controller might have one: one connection, JSON, and the key of one principal."""

import http.client
import json
from typing import Any, Self
from urllib.parse import urlencode, urlsplit

TIMEOUT_S = 15.0


class Caller:
    """Calls the service with one key. Not for several threads at once."""

    def __init__(self, base_url: str, key: str) -> None:
        parts = urlsplit(base_url)
        assert parts.hostname is not None
        self._connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=TIMEOUT_S)
        self._headers = {"Authorization": f"Bearer {key}", "Accept": "application/json"}

    def get(self, path: str, **query: object) -> tuple[int, Any]:
        """Return status and decoded answer of a GET; a query value of None is left out."""
        given = {name: value for name, value in query.items() if value is not None}
        return self._call("GET", f"{path}?{urlencode(given)}" if given else path, None)

    def post(self, path: str, body: object) -> tuple[int, Any]:
        """Return status and decoded answer of a POST of JSON."""
        return self._call("POST", path, json.dumps(body).encode())

    def _call(self, method: str, target: str, body: bytes | None) -> tuple[int, Any]:
        headers = self._headers if body is None else {**self._headers, "Content-Type": "application/json"}
        self._connection.request(method, target, body, headers)
        answer = self._connection.getresponse()
        text = answer.read()
        return answer.status, json.loads(text) if text else None

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()
