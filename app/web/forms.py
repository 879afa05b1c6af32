"""Forms keep every answer as typed and say what to do about each one that cannot be taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import available_timezones

MAX_TEXT = 10_000


@dataclass
class Form:
    """Answers as typed and what is wrong with them, by field name."""

    values: dict[str, str] = field(default_factory=dict)
    errors: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, data: Mapping[str, object]) -> Form:
        """Take the text answers of a request; files are left to whoever expects them."""
        return cls({key: value[:MAX_TEXT] for key, value in data.items() if isinstance(value, str)})

    def get(self, name: str, default: str = "") -> str:
        return self.values.get(name, default).strip()

    def text(self, name: str, label: str, *, longest: int, needed: bool = True) -> str:
        value = self.get(name)
        if needed and not value:
            self.errors[name] = f"Enter {label}"
        elif len(value) > longest:
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must be {longest} characters or fewer"
        elif any(ord(one) < 32 and one not in "\r\n\t" for one in value):
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must not contain control characters"
        return value

    def whole(self, name: str, label: str, *, low: int, high: int, default: int | None = None) -> int | None:
        """A whole number within bounds; an empty answer is ``default``."""
        value = self.get(name)
        if not value:
            if default is None:
                self.errors[name] = f"Enter {label}"
            return default
        if not value.isascii() or not value.removeprefix("-").isdigit() or len(value) > 9:
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must be a whole number, like {low}"
            return None
        if not low <= int(value) <= high:
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must be from {low} to {high}"
            return None
        return int(value)

    def decimal(
        self, name: str, label: str, *, low: float, high: float, default: float | None = None
    ) -> float | None:
        """A number within bounds, with a point or a comma; an empty answer is ``default``."""
        value = self.get(name)
        if not value:
            if default is None:
                self.errors[name] = f"Enter {label}"
            return default
        plain = value.replace(",", ".")
        digits = plain.removeprefix("-").replace(".", "", 1)
        if not digits.isascii() or not digits.isdigit() or len(plain) > 12:
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must be a number, like {low:g}"
            return None
        number = float(plain)
        if not low <= number <= high:
            self.errors[name] = f"{label[:1].upper()}{label[1:]} must be from {low:g} to {high:g}"
            return None
        return number

    def one_of(self, name: str, label: str, choices: Mapping[str, str] | list[str] | tuple[str, ...]) -> str:
        value = self.get(name)
        if value not in choices:
            self.errors[name] = f"Choose {label}"
        return value

    def zone(self, name: str, label: str) -> str:
        value = self.get(name)
        if value not in available_timezones():
            self.errors[name] = f"Enter {label} as an area and a city, like Europe/Lisbon"
        return value
