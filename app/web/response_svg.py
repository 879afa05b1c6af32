"""Stress and recovery drawn: fitness and fatigue of a lift over time, and what a day's work does to a date.

Pure functions from numbers to finished SVG, like those of ``app.web.svg``, with the classes of the lifter
page's figure. Fitness stands above the line and fatigue hangs below it; what costs lies below zero. Position
says it, and words do; colour only repeats it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from app.training.records import Floats, Ints
from app.web.figure import month_starts, ticks, tidy
from app.web.svg import drawn

GLYPH: Final = 6.4  # [px] mean advance of a 12 px sans glyph
TOP: Final = 26  # [px] over the panel
SHOWN_BEFORE: Final = 84  # [d] before a date; earlier days do little
SIZES: Final = {"wide": 1180, "medium": 760, "narrow": 380}  # [px] by class, for the sheet to choose from


@dataclass(frozen=True, slots=True)
class _Panel:
    """Where values stand. [px]"""

    left: float
    right: float
    floor: float
    first: float
    last: float
    low: float
    high: float

    def x(self, value: float) -> float:
        return self.left + (self.right - self.left) * (value - self.first) / (self.last - self.first)

    def y(self, value: float) -> float:
        return self.floor - (self.floor - TOP) * (value - self.low) / (self.high - self.low)

    def line(self, at: Floats, value: Floats) -> str:
        """Coordinates of a line, without its first command letter."""
        return "L".join(f"{self.x(a):.1f} {self.y(b):.1f}" for a, b in zip(at, value, strict=True))

    def area(self, at: Floats, value: Floats) -> str:
        zero = self.y(0.0)
        return f"M{self.x(at[0]):.1f} {zero:.1f}L{self.line(at, value)}L{self.x(at[-1]):.1f} {zero:.1f}Z"


def course(
    day: Ints, fitness: Floats, fatigue: Floats, *, unit: str, label: str, width: str = "wide"
) -> Markup:
    """Fitness above the line and fatigue below it, day by day, in the reader's unit of mass."""
    if day.size < 2:
        raise ValueError("need at least two days to draw")
    panel = _panel(width, float(day[0]), float(day[-1]), -float(fatigue.max()), float(fitness.max()), 190)
    thin = slice(None, None, -max(day.size // 364, 1))  # from the last day back, so that it stays in
    at, up, down = (one[thin][::-1] for one in (day.astype(float), fitness, -fatigue))
    body = [
        *_scale(panel, f"{unit}, at today's level", signed=False),
        f'<path class="band-1" d="{panel.area(at, up)}"/>',
        f'<path class="level" d="M{panel.line(at, up)}"/>',
        f'<path class="column" d="{panel.area(at, down)}"/>',
        f'<path class="base" d="M{panel.left} {panel.y(0):.1f}H{panel.right}"/>',
        _text(panel.left + 6, TOP + 12, "fitness: what training left", "note"),
        _text(panel.left + 6, panel.floor - 6, "fatigue: stress still carried", "note"),
    ]
    free = panel.left - 4.0
    for start, words in month_starts(int(day[0]), int(day[-1])):
        x = panel.x(start)
        body.append(f'<path class="tick" d="M{x:.1f} {panel.floor}v5"/>')
        if x >= free and x + len(words) * GLYPH <= panel.right:
            body.append(_text(x, panel.floor + 18, words))
            free = x + len(words) * GLYPH + 10
    return _svg(width, panel.floor + 26, label, body)


def influence(
    days_before: Floats,
    effect: Floats,
    *,
    turns: float,
    best: float,
    unit: str,
    label: str,
    width: str = "wide",
) -> Markup:
    """What one usual training day does to a date, from weeks before it on the left to the date on the right.

    ``turns`` and ``best`` are days before the date; those outside the drawing are not marked.
    """
    narrow, shown = width == "narrow", days_before <= SHOWN_BEFORE
    before, value = -days_before[shown][::-1], effect[shown][::-1]
    panel = _panel(width, -SHOWN_BEFORE, 0.0, float(value.min()), float(value.max()), 170)
    body = [
        *_scale(panel, f"{unit} on the date" if narrow else f"{unit} on the date, from one training day"),
        f'<path class="band-1" d="{panel.area(before, np.maximum(value, 0))}"/>',
        f'<path class="column" d="{panel.area(before, np.minimum(value, 0))}"/>',
        f'<path class="level" d="M{panel.line(before, value)}"/>',
        f'<path class="base" d="M{panel.left} {panel.y(0):.1f}H{panel.right}"/>',
    ]
    step = 28 if narrow else 14
    for days in range(0, SHOWN_BEFORE + 1, step):
        x = panel.x(-days)
        body.append(f'<path class="tick" d="M{x:.1f} {panel.floor}v5"/>')
        words = (
            "the date"
            if days == 0
            else f"{days // 7} weeks before"
            if days == SHOWN_BEFORE
            else f"{days // 7}"
        )
        anchor = "end" if days == 0 else "" if days == SHOWN_BEFORE else "middle"
        body.append(_text(x, panel.floor + 18, words, "", anchor))
    if 0 < turns <= SHOWN_BEFORE:
        x = panel.x(-turns)
        body.append(f'<path class="today" d="M{x:.1f} {TOP}V{panel.floor}"/>')
        words = f"from {round(turns)} days before on it costs"
        # Written where there is room: the costly side is the narrow one.
        body.append(_text(x - 6, panel.floor - 6, words, "note", "end"))
    if 0 < best <= SHOWN_BEFORE:
        x, words = panel.x(-best), f"most at {round(best)} days before"
        half = len(words) * GLYPH / 2
        body.append(
            _text(min(max(x, panel.left + half), panel.right - half), TOP - 4, words, "note", "middle")
        )
        body.append(f'<path class="tick" d="M{x:.1f} {TOP}v6"/>')
    return _svg(width, panel.floor + 26, label, body)


def _panel(width: str, first: float, last: float, low: float, high: float, height: int) -> _Panel:
    pixels = SIZES[width]
    left, right = (50, pixels - 12) if pixels > 500 else (40, pixels - 6)
    # A line is drawn at zero whatever lies on either side, and nothing touches the edge.
    low, high = min(low, 0.0), max(high, 0.0)
    span = max(high - low, 1e-9)
    low = low - 0.12 * span
    return _Panel(left, right, TOP + height, first, last, low, high + 0.12 * span)


def _scale(panel: _Panel, words: str, *, signed: bool = True) -> list[str]:
    body = [_text(0, 12, words, "ax")]
    values = ticks(panel.low, panel.high, 4)
    decimals = 0 if all(value == round(value) for value in values) else 2 if max(map(abs, values)) < 1 else 1
    for value in values:
        y = panel.y(value)
        body.append(f'<path class="grid" d="M{panel.left} {y:.1f}H{panel.right}"/>')
        body.append(_text(panel.left - 7, y + 4, tidy(value if signed else abs(value), decimals), "", "end"))
    return body


def _text(x: float, y: float, words: str, name: str = "", anchor: str = "") -> str:
    kind = f' class="{name}"' if name else ""
    side = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text{kind}{side} x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'


def _svg(name: str, height: float, label: str, body: list[str]) -> Markup:
    return drawn(
        f'<svg class="fig {name}" viewBox="0 0 {SIZES[name]} {height:g}" role="img" '
        f'aria-label="{escape(label)}" focusable="false">{"".join(body)}</svg>'
    )
