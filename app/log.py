"""One JSON line an event, UTC, on standard error; no line breaks and no secrets inside a value."""

from __future__ import annotations

import sys
import traceback
from datetime import UTC, datetime
from typing import Any

import orjson


class Logger:
    """Writes events; ``quiet`` drops requests, for tests and the command line."""

    quiet = False

    def _write(self, level: str, event: str, values: dict[str, Any]) -> None:
        line = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "level": level, "event": event}
        sys.stderr.write(orjson.dumps(line | values, default=str).decode() + "\n")

    def info(self, event: str, **values: Any) -> None:
        if not self.quiet:
            self._write("info", event, values)

    def error(self, event: str, **values: Any) -> None:
        self._write("error", event, values)

    def exception(self, event: str, error: BaseException, **values: Any) -> None:
        trace = "".join(traceback.format_exception(error))
        self._write("error", event, values | {"error": repr(error), "trace": trace})


logger = Logger()
