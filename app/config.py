"""Settings from ``TERRACE_*`` environment variables; an unknown name is an error, not a silence."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

PREFIX = "TERRACE_"


class SettingsError(ValueError):
    """A setting is unknown or cannot be what it says."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that can be set from outside, with its default.

    ``database_url`` is empty for SQLite in ``data_dir``, else a ``sqlite:///`` or ``postgresql://`` URL.
    ``https`` says that the app is reached through TLS: cookies become ``Secure`` and HSTS is sent.
    ``trusted_proxies`` lists the addresses whose forwarding headers are believed.
    """

    data_dir: Path = Path("data")
    database_url: str = ""
    host: str = "127.0.0.1"
    port: int = 8000
    base_url: str = ""
    https: bool = False
    trusted_proxies: tuple[str, ...] = ()
    upload_limit_mb: int = 50
    coach_idle_hours: int = 12
    coach_absolute_days: int = 30
    lifter_idle_days: int = 60
    link_days: int = 365
    backup_keep_days: int = 7
    worker: bool = True
    demo: bool = False

    @property
    def url(self) -> str:
        """The database URL in the form the engine takes."""
        if not self.database_url:
            return f"sqlite:///{self.data_dir / 'terrace.db'}"
        return self.database_url.replace("postgresql://", "postgresql+psycopg://", 1)

    @property
    def address(self) -> str:
        """Where the coach's browser finds the app."""
        return self.base_url.rstrip("/") or f"http://{self.host}:{self.port}"


def from_environment(environ: Mapping[str, str] | None = None) -> Settings:
    """Read the settings; ``NAME_FILE`` may stand in for ``NAME`` and names a file holding the value.

    Raises
    ------
    SettingsError
        If a ``TERRACE_`` variable is unknown or its value cannot be read as what it should be.
    """
    given = dict(os.environ if environ is None else environ)
    known = {field.name: field for field in fields(Settings)}
    values: dict[str, object] = {}
    for variable, raw in sorted(given.items()):
        if not variable.startswith(PREFIX):
            continue
        name, text = variable.removeprefix(PREFIX).lower(), raw
        if name.endswith("_file") and name.removesuffix("_file") in known:
            name = name.removesuffix("_file")
            try:
                text = Path(raw).read_text(encoding="utf-8").strip()
            except OSError as error:
                raise SettingsError(f"{variable} names a file that cannot be read: {error}") from error
        if name not in known:
            raise SettingsError(f"{variable} is not a setting. Known: {', '.join(sorted(_names()))}")
        values[name] = _read(variable, text, known[name].default)
    return Settings(**values)  # type: ignore[arg-type]


def _names() -> list[str]:
    return [PREFIX + field.name.upper() for field in fields(Settings)]


def _read(variable: str, text: str, default: object) -> object:
    if isinstance(default, bool):
        if text.lower() in {"1", "true", "yes", "on"}:
            return True
        if text.lower() in {"0", "false", "no", "off", ""}:
            return False
        raise SettingsError(f"{variable} is {text!r}; write 1 or 0")
    if isinstance(default, int):
        try:
            number = int(text)
        except ValueError:
            raise SettingsError(f"{variable} is {text!r}; write a whole number") from None
        if not 1 <= number <= 1_000_000:
            raise SettingsError(f"{variable} is {number}; write a number from 1 to 1000000")
        return number
    if isinstance(default, Path):
        return Path(text)
    if isinstance(default, tuple):
        return tuple(part.strip() for part in text.split(",") if part.strip())
    return text
