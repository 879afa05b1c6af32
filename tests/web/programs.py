"""A program with a token, as tests send its requests."""

from __future__ import annotations

import json
from typing import Any

from tests.web.conftest import Client

API = "/api/v1"


class Program:
    """A program with a token."""

    def __init__(self, client: Client, token: str) -> None:
        self.client, self.headers = client, {"Authorization": f"Bearer {token}"}

    def get(self, path: str, **options: Any) -> Any:
        return self.client.get(API + path, headers=self.headers, **options)

    def send(self, method: str, path: str, body: Any = None, key: str | None = None) -> Any:
        headers = self.headers | ({} if key is None else {"Idempotency-Key": key})
        headers |= {"Content-Type": "application/json"}
        # Escaped, so that halves of surrogate pairs arrive as a program could send them.
        return self.client.request(method, API + path, headers=headers, content=json.dumps(body), csrf=False)
