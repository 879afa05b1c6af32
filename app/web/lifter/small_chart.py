"""One lift over a year, drawn small: points, the recent window, the recent best."""

from __future__ import annotations

from math import isfinite

from markupsafe import Markup, escape

from app.planning.past import PastLift
from app.training.units import Unit, lb_from_kg
from app.web.figure import month_starts, ticks
from app.web.svg import drawn

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 340, 180, 38, 22, 8
SPAN_DAYS = 364


def lift_chart(found: PastLift, unit: Unit) -> Markup:
    """The picture; its words stand beside it and the same numbers in a table below."""
    if found.day.size == 0:
        return Markup("")
    shown = [float(one if unit == "kg" else lb_from_kg(float(one))) for one in found.value_kg]
    low, high = min(shown), max(shown)
    room = max(high - low, 0.04 * high, 1.0) * 0.12
    low, high = low - room, high + room
    last = found.window_start + 0
    end = max(int(found.day[-1]), last) + 7
    start = max(end - SPAN_DAYS, int(found.day[0]) - 7)

    def x(day: float) -> float:
        return LEFT + (WIDTH - LEFT - 6) * (day - start) / max(end - start, 1)

    def y(value: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (high - value) / (high - low)

    floor = HEIGHT - BOTTOM
    parts = [
        f'<rect class="recent" x="{x(max(found.window_start, start)):.1f}" y="{TOP}" '
        f'width="{max(x(end) - x(max(found.window_start, start)), 0):.1f}" height="{floor - TOP}"/>'
    ]
    for tick in ticks(low, high, 4):
        parts.append(f'<path class="grid" d="M{LEFT} {y(tick):.1f}H{WIDTH - 6}"/>')
        parts.append(
            f'<text x="{LEFT - 5}" y="{y(tick) + 4:.1f}" text-anchor="end">{escape(f"{tick:g}")}</text>'
        )
    months = month_starts(start, end)
    every = max(1, -(-len(months) // 5))
    for day, words in months[::every]:
        parts.append(f'<text x="{x(day):.1f}" y="{HEIGHT - 6}">{escape(words)}</text>')
    if isfinite(found.recent_kg):
        best = found.recent_kg if unit == "kg" else float(lb_from_kg(found.recent_kg))
        parts.append(f'<path class="best" d="M{LEFT} {y(best):.1f}H{WIDTH - 6}"/>')
    parts += [
        f'<circle class="point" cx="{x(int(day)):.1f}" cy="{y(value):.1f}" r="3"/>'
        for day, value in zip(found.day, shown, strict=True)
    ]
    label = escape(f"{found.name}: {found.sentence}")
    return drawn(
        f'<svg class="small-chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">'
        + "".join(parts)
        + "</svg>"
    )
