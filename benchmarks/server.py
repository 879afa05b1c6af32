"""Servers to measure against, each a process of its own with the app's own server settings.

`python -m benchmarks.server app PORT DATABASE` serves the app on a ready database, without its analysis
worker; `python -m benchmarks.server nothing PORT` serves an endpoint that does nothing.
"""

from __future__ import annotations

import http.client
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def serve(what: str, port: int, database: str = "") -> None:
    import uvicorn
    from fastapi import FastAPI
    from fastapi.responses import PlainTextResponse

    app: Any
    if what == "app":
        from app.config import Settings
        from app.main import create_app

        app = create_app(Settings(database_url=f"sqlite:///{database}", port=port, worker=False))
    else:
        app = FastAPI()

        def nothing() -> PlainTextResponse:
            return PlainTextResponse("")

        app.post("/")(nothing)
        app.get("/health")(nothing)
    uvicorn.run(
        app,
        host="127.0.0.1",
        port=port,
        loop="uvloop",
        http="httptools",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
    )


class Connection:
    """One kept-alive connection that sends as soon as it can, as a browser does."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.raw = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        self.raw.connect()
        self.raw.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, method: str, path: str, body: bytes, headers: Mapping[str, str]) -> tuple[int, bytes]:
        self.raw.request(method, path, body, dict(headers))
        answer = self.raw.getresponse()
        return answer.status, answer.read()

    def close(self) -> None:
        self.raw.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(what: str, database: Path | None = None) -> Iterator[Connection]:
    """A server in its own process and a connection to it; ended on leaving."""
    port = free_port()
    command = [sys.executable, "-m", "benchmarks.server", what, str(port)]
    with tempfile.TemporaryFile() as log:  # the app writes a line a request there, as it always does
        process = subprocess.Popen(
            [*command, str(database)] if database else command, stdout=subprocess.DEVNULL, stderr=log
        )
        try:
            connection = _connected(process, port)
            if connection is None:
                log.seek(0)
                raise RuntimeError(f"the server did not start: {log.read()[-500:].decode(errors='replace')}")
            yield connection
            connection.close()
        finally:
            process.terminate()
            process.wait(timeout=20)


def _connected(process: subprocess.Popen[bytes], port: int) -> Connection | None:
    until = time.monotonic() + 30
    while time.monotonic() < until and process.poll() is None:
        try:
            connection = Connection(port)
            if connection.send("GET", "/health", b"", {})[0] == 200:
                return connection
        except OSError:
            time.sleep(0.05)
    return None


if __name__ == "__main__":
    serve(sys.argv[1], int(sys.argv[2]), *sys.argv[3:])
