"""Real server processes that can be killed: one process imports the app, its children serve."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# Importing takes a second and a kill costs a server, so a process that has imported everything and has no
# threads forks one server after another. Each child is a process of its own, with its own connections.
NURSERY = """
import os, sys
import uvicorn
from app.config import Settings
from app.log import logger
from app.main import create_app
logger.quiet = True
for line in sys.stdin:
    url, port = line.split()
    child = os.fork()
    if child == 0:
        uvicorn.run(create_app(Settings(database_url=url, worker=False)), host="127.0.0.1", port=int(port),
                    log_level="error")
        os._exit(0)
    print(child, flush=True)
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Nursery:
    """Starts servers and kills them."""

    def __init__(self, *prefix: str) -> None:
        self.process = subprocess.Popen(
            [*prefix, sys.executable, "-W", "ignore", "-c", NURSERY],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.server = self.port = 0

    def start(self, url: str, port: int) -> float:
        """Start a server; how long until it takes connections. [s]"""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        began, self.port = time.monotonic(), port
        self.process.stdin.write(f"{url} {port}\n")
        self.process.stdin.flush()
        self.server = int(self.process.stdout.readline())
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
            except OSError:
                assert time.monotonic() - began < 20, "the server does not come up"
                time.sleep(0.005)
            else:
                return time.monotonic() - began

    def kill(self) -> None:
        """Kill the server as a power switch would, as far as one process can tell."""
        os.kill(self.server, signal.SIGKILL)
        # The next one must not be taken for ready because this one's port still answers.
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except ConnectionRefusedError:
                return
            except OSError:
                time.sleep(0.001)

    def close(self) -> None:
        if self.server:
            os.kill(self.server, signal.SIGKILL)
        self.process.kill()
        self.process.wait(10)
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()
