"""Drawings made on the server: block strip, sparkline, range dot, hatching, and the lifter page's figure.

Every function is pure and returns finished SVG as ``Markup``. Colours are classes of
``static/css/marks.css``, so one sheet serves light, dark and paper, and the strict content policy needs no
inline style. Hatching is referred to by attribute (``fill="url(#…)"``) because some browsers look a fragment
inside an external sheet up in that sheet; ``hatch_defs()`` therefore stands once on every page that shows a
block.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite, nan
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from app.training.records import BLOCK_KINDS, BlockKind, Floats
from app.web import figure as figures
from app.web.figure import (
    BANDS,
    HATCHES,
    KIND_WORDS,
    LONGEST_BRIDGE_DAYS,
    Course,
    Finding,
    LifterFigure,
    StripBlock,
)

__all__ = [
    "KIND_WORDS",
    "StripBlock",
    "block_strip",
    "drawn",
    "hatch_defs",
    "hatch_key",
    "lifter_chart",
    "range_dot",
    "sparkline",
]

LEAST_SPAN: Final = 0.08
"""A trend's full height is its own range, but at least this share of its level, the same rule for everybody:
otherwise one lifter's noise would look as steep as another's year."""


def drawn(source: str) -> Markup:
    """Declare finished SVG or HTML safe. Whoever calls this has escaped every text in it."""
    return Markup(source)  # noqa: S704  # The one place, so that a search for it finds every drawing.


def hatch_defs() -> Markup:
    """The hatching of every block kind, once a page."""
    patterns = "".join(
        f'<pattern id="hatch-{kind}" width="{size}" height="{size}" patternUnits="userSpaceOnUse">'
        f'<path class="hatch" d="{region}"/></pattern>'
        for kind, (size, region) in HATCHES.items()
    )
    return drawn(
        '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false">'
        f"<defs>{patterns}</defs></svg>"
    )


def hatch_key(kinds: Iterable[BlockKind] = BLOCK_KINDS) -> Markup:
    """The hatchings with their words, in the fixed order of the kinds."""
    wanted = set(kinds)
    items = "".join(
        '<li><svg class="strip" width="26" height="14" aria-hidden="true" focusable="false">'
        '<rect class="well" x=".5" y=".5" width="25" height="13"/>'
        f'<rect class="edge" x=".5" y=".5" width="25" height="13" fill="url(#hatch-{kind})"/></svg>'
        f"{escape(KIND_WORDS[kind])}</li>"
        for kind in BLOCK_KINDS
        if kind in wanted
    )
    return drawn(f'<ul class="hatch-key">{items}</ul>')


def block_strip(
    blocks: Sequence[StripBlock],
    trend: Sequence[tuple[int, float]],
    *,
    today: int,
    first_day: int,
    last_day: int,
    width: int = 280,
    height: int = 42,
    label: str | None = None,
) -> Markup:
    """A season on one line: terraces of planned weekly stress, the trend across, a hairline at today.

    ``trend`` is (day, level) in any unit; points after ``today`` are left out, since only what happened is
    drawn across the plan. ``label`` replaces the sentence made from the blocks for readers who cannot see.
    """
    if last_day <= first_day:
        raise ValueError(f"need last_day after first_day, got {first_day} to {last_day}")
    scale = width / (last_day - first_day)
    floor = height - 3.5
    top = max((s for b in blocks for _, s in b.weeks if isfinite(s)), default=0.0)
    rise = (floor - 8.0) / top if top > 0 else 0.0
    body: list[str] = []
    for block in blocks:
        for part in ("", " ahead"):
            since, until = (today, last_day) if part else (first_day, min(today, last_day))
            outline = _terrace(block, max(since, first_day), until, first_day, scale, floor, rise)
            if outline:
                body.append(
                    f'<path class="well{part}" d="{outline}"/>'
                    f'<path class="edge{part}" fill="url(#hatch-{block.kind})" d="{outline}"/>'
                )
    body.append(f'<path class="ground" d="M0 {floor:.1f}H{width}"/>')
    points = [(d, v) for d, v in trend if first_day <= d <= min(today, last_day) and isfinite(v)]
    line = _line(points, first_day, scale, 4.0, height - 14.0)
    if line:
        body.append(f'<path class="halo" d="{line}"/><path class="trend" d="{line}"/>')
    if first_day <= today <= last_day:
        x = (today - first_day) * scale
        body.append(f'<path class="today" d="M{min(x, width - 0.5):.1f} 0V{height}"/>')
    words = label if label is not None else _season_in_words(blocks, points, today)
    return _svg("strip", width, height, words, body)


def sparkline(
    points: Sequence[tuple[int, float]],
    *,
    first_day: int,
    last_day: int,
    width: int = 96,
    height: int = 24,
    label: str = "",
) -> Markup:
    """A trend alone, its last value as a dot. Points are (day, level); a gap is left open."""
    if last_day <= first_day:
        raise ValueError(f"need last_day after first_day, got {first_day} to {last_day}")
    inside = [(d, v) for d, v in points if first_day <= d <= last_day and isfinite(v)]
    scale = (width - 6) / (last_day - first_day)
    body: list[str] = []
    line = _line(inside, first_day, scale, 4.0, height - 8.0)
    if line:
        day, value = inside[-1]
        low, span = _vertical([v for _, v in inside])
        y = 4.0 + (height - 8.0) * (1 - (value - low) / span)
        body.append(f'<path class="trend" d="{line}"/>')
        body.append(f'<circle class="last" cx="{(day - first_day) * scale:.1f}" cy="{y:.1f}" r="2.5"/>')
    return _svg("spark", width, height, label or _rise_in_words(inside), body)


def range_dot(
    low: float,
    high: float,
    value: float,
    *,
    width: int = 96,
    height: int = 16,
    label: str = "",
) -> Markup:
    """A value beside the lifter's own usual range.

    Zero is always at the left and the middle of the usual range always at the centre, whatever the numbers
    are, so that rows can be compared down a column; what is beyond twice the usual is an arrow at the edge.
    """
    y = height / 2
    body = [f'<path class="ground" d="M2 {y:.1f}H{width - 2}"/>']
    middle = (low + high) / 2
    known = isfinite(low) and isfinite(high) and middle > 0
    if known:
        scale = (width - 8) / (2 * middle)
        left, right = 4 + low * scale, min(4 + high * scale, width - 2)
        body.append(
            f'<rect class="usual" x="{left:.1f}" y="{y - 4:.1f}" '
            f'width="{max(right - left, 2.0):.1f}" height="8"/>'
        )
        if isfinite(value):
            state = " beyond" if value > high else " short" if value < low else ""
            x = 4 + value * scale
            if x > width - 4:
                body.append(f'<path class="dot{state}" d="M{width - 10} {y - 4.5:.1f}l9 4.5l-9 4.5Z"/>')
            else:
                body.append(f'<circle class="dot{state}" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
    words = label or _place_in_words(low, high, value, known=known)
    return _svg("range", width, height, words, body)


def _svg(name: str, width: float, height: float, label: str, body: Sequence[str]) -> Markup:
    return drawn(
        f'<svg class="{name}" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'aria-label="{escape(label)}" focusable="false">{"".join(body)}</svg>'
    )


def _terrace(
    block: StripBlock, since: int, until: int, first_day: int, scale: float, floor: float, rise: float
) -> str:
    """The closed step outline of a block's weeks between two days; empty where they do not overlap."""
    steps: list[str] = []
    begin = end = nan
    for index, (start, stress) in enumerate(block.weeks):
        stop = block.weeks[index + 1][0] if index + 1 < len(block.weeks) else start + 7
        left, right = max(start, since), min(stop, until)
        if left >= right:
            continue
        # A week without a plan still happened: it keeps a low step so that the block stays on the strip.
        y = floor - max(stress * rise, 1.5) if isfinite(stress) and rise > 0 else floor - 5.0
        if not steps:
            begin = (left - first_day) * scale
        end = (right - first_day) * scale
        steps.append(f"V{y:.1f}H{end:.1f}")
    return f"M{begin:.1f} {floor:.1f}{''.join(steps)}V{floor:.1f}Z" if steps else ""


def _vertical(values: Sequence[float]) -> tuple[float, float]:
    """Lowest value of the drawing and its span, never less than the least span and centred if widened."""
    low, high = min(values), max(values)
    least = LEAST_SPAN * max(abs(low), abs(high), 1e-9)
    if high - low >= least:
        return low, high - low
    return (low + high - least) / 2, least


def _line(
    points: Sequence[tuple[int, float]], first_day: int, scale: float, top: float, height: float
) -> str:
    """Path through the points, broken where no point was seen for longer than the longest bridge."""
    if not points:
        return ""
    low, span = _vertical([value for _, value in points])
    path: list[str] = []
    before: int | None = None
    for day, value in points:
        move = "L" if before is not None and day - before <= LONGEST_BRIDGE_DAYS else "M"
        y = top + height * (1 - (value - low) / span)
        path.append(f"{move}{(day - first_day) * scale:.1f} {y:.1f}")
        before = day
    # A lone point has no length; a round cap on a tiny stroke makes it visible.
    return "".join(path) + ("h.1" if len(points) == 1 else "")


def _season_in_words(blocks: Sequence[StripBlock], points: Sequence[tuple[int, float]], today: int) -> str:
    parts = []
    for block in blocks:
        weeks = len(block.weeks)
        now = f", now in week {(today - block.start) // 7 + 1}" if block.start <= today < block.end else ""
        parts.append(f"{block.name}, {KIND_WORDS[block.kind]}, {weeks} week{'s' * (weeks != 1)}{now}")
    season = "; ".join(parts) if parts else "no blocks"
    return f"Season: {season}. {_rise_in_words(points)}"


def _rise_in_words(points: Sequence[tuple[int, float]]) -> str:
    if len(points) < 2:
        return "No trend yet."
    change = 100 * (points[-1][1] / points[0][1] - 1) if points[0][1] else nan
    if not isfinite(change):
        return "Trend drawn."
    weeks = max(1, round((points[-1][0] - points[0][0]) / 7))
    return f"Trend {change:+.1f} % over {weeks} week{'s' * (weeks != 1)}."


def _place_in_words(low: float, high: float, value: float, *, known: bool) -> str:
    if not known:
        return "No usual range yet."
    if not isfinite(value):
        return "No value this week."
    place = (
        "above the usual range" if value > high else "below the usual range" if value < low else "as usual"
    )
    return f"{value:.0f}, {place} of {low:.0f} to {high:.0f}."


# The lifter page's figure --------------------------------------------------------------------------

_GLYPH: Final = 6.4
"""Mean advance of a 12 px sans glyph [px]; labels are placed before any browser has measured them."""


def lifter_chart(figure: LifterFigure, *, width: int = 1180, name: str = "wide") -> Markup:
    """Performance above, blocks between, weekly stress below, on one time axis.

    Bands hold 50, 80 and 95 % of what the level could be; every session is a point; what lies ahead is
    dashed; findings are written where they are seen. ``name`` becomes a class, for the sheet to choose
    the drawing that fits the screen.
    """
    if figure.last_day <= figure.first_day:
        raise ValueError(f"need last_day after first_day, got {figure.first_day} to {figure.last_day}")
    plot = _Plot(figure, width)
    body = [
        *_performance(plot),
        *_time_axis(plot),
        *_blocks(plot),
        *_stress(plot),
    ]
    return drawn(
        f'<svg class="fig {name}" viewBox="0 0 {width} {plot.bottom + 26}" role="img" '
        f'aria-label="{escape(figures.sentence(figure))}" focusable="false">{"".join(body)}</svg>'
    )


class _Plot:
    """Where things stand in the drawing. [px]"""

    def __init__(self, figure: LifterFigure, width: int) -> None:
        self.figure = figure
        self.course = figures.course(figure)
        self.width = width
        self.left, self.right = (50, width - 12) if width > 500 else (36, width - 6)
        self.top, self.floor = 30, 192  # of the performance panel
        self.lane, self.lane_height = 204, 28  # of the blocks
        # A finding about stress is written over the columns, on a line of its own.
        told = 16 * any(f.panel == "stress" for f in figure.findings)
        self.crest, self.bottom = 262 + told, 336 + told  # of the stress panel
        self.per_day = (self.right - self.left) / (figure.last_day - figure.first_day)
        self.today = self.x(figure.today)
        self.low, self.high = (0.0, 1.0) if self.course is None else figures.performance_range(self.course)

    def x(self, day: float) -> float:
        return self.left + (day - self.figure.first_day) * self.per_day

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.floor - (self.floor - self.top) * min(max(share, 0.0), 1.0)

    def path(self, day: Floats, value: Floats) -> str:
        """Coordinates of a line, without its first command letter."""
        x = (self.left + (day - self.figure.first_day) * self.per_day).tolist()
        share = np.clip((value - self.low) / (self.high - self.low), 0.0, 1.0)
        y = (self.floor - (self.floor - self.top) * share).tolist()
        return "L".join([f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)])


def _text(x: float, y: float, words: str, name: str = "", anchor: str = "") -> str:
    kind = f' class="{name}"' if name else ""
    side = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text{kind}{side} x="{x:.1f}" y="{y:.1f}">{escape(words)}</text>'


def _performance(plot: _Plot) -> list[str]:
    figure, drawn_course = plot.figure, plot.course
    body = [_text(plot.left if plot.width > 500 else 2, 12, f"e1RM, {figure.unit}", "ax")]
    if drawn_course is None:
        middle = (plot.left + plot.right) / 2
        words = figure.missing_because or "no trend yet"
        return [*body, _text(middle, (plot.top + plot.floor) / 2, words, "none", "middle")]
    for value in figures.ticks(plot.low, plot.high, 4):
        y = plot.y(value)
        body.append(f'<path class="grid" d="M{plot.left} {y:.1f}H{plot.right}"/>')
        body.append(_text(plot.left - 7, y + 4, figures.tidy(value), "", "end"))
    body.extend(_gaps(plot))
    for index, (_, half) in enumerate(BANDS):
        body.append(f'<path class="band-{3 - index}" d="{_band(plot, drawn_course, half)}"/>')
    ahead = drawn_course
    if ahead.ahead_day.size > 1:
        for index, (_, half) in enumerate(BANDS):
            body.append(
                f'<path class="band-{3 - index} ahead" '
                f'd="{_hull(plot, ahead.ahead_day, ahead.ahead, ahead.ahead_sd * half)}"/>'
            )
    body.extend(_sessions(plot, drawn_course))
    line = "".join(
        f"M{plot.path(drawn_course.day[run], drawn_course.level[run])}"
        for run in figures.runs(drawn_course.day)
    )
    if line:
        body.append(f'<path class="level" d="{line}"/>')
    if ahead.ahead_day.size > 1:
        body.append(f'<path class="level ahead" d="M{plot.path(ahead.ahead_day, ahead.ahead)}"/>')
    body.extend(_findings(plot, drawn_course))
    return body


def _band(plot: _Plot, drawn_course: Course, half: float) -> str:
    return "".join(
        _hull(plot, drawn_course.day[run], drawn_course.level[run], drawn_course.sd[run] * half)
        for run in figures.runs(drawn_course.day)
    )


def _hull(plot: _Plot, day: Floats, centre: Floats, reach: Floats) -> str:
    return f"M{plot.path(day, centre + reach)}L{plot.path(day[::-1], (centre - reach)[::-1])}Z"


def _sessions(plot: _Plot, drawn_course: Course) -> list[str]:
    """One round dot a session: a stroke without length under a round cap, so a year is a single path."""
    if not drawn_course.point.size:
        return []
    side = figures.far_off(drawn_course)
    dots = [f"M{plot.x(d):.1f} {plot.y(v):.1f}h0" for d, v in _pairs(drawn_course, side == 0)]
    body = [f'<path class="dots" d="{"".join(dots)}"/>'] if dots else []
    # Far off the scale: an arrow at the edge with its value beside it, never left out.
    for day, value in _pairs(drawn_course, side != 0):
        up = value > plot.high
        x, y, d = plot.x(day), plot.top if up else plot.floor, 5 if up else -5
        body.append(f'<path class="off" d="M{x - 4:.1f} {y + d}h8L{x:.1f} {y}Z"/>')
        body.append(_text(x + 7, y + 4, figures.tidy(value), "off-value"))
    return body


def _pairs(
    drawn_course: Course, keep: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> list[tuple[int, float]]:
    return list(zip(drawn_course.point_day[keep].tolist(), drawn_course.point[keep].tolist(), strict=True))


def _gaps(plot: _Plot) -> list[str]:
    body = []
    for since, until in figures.gaps(plot.figure):
        a, b = max(plot.x(since), plot.left), min(plot.x(until), plot.right)
        words = f"no log, {round((until - since) / 7)} weeks"
        if b - a > len(words) * _GLYPH:
            body.append(_text((a + b) / 2, plot.floor - 6, words, "gap", "middle"))
        elif b - a > 9 * _GLYPH:
            body.append(_text((a + b) / 2, plot.floor - 6, "no log", "gap", "middle"))
    return body


def _findings(plot: _Plot, drawn_course: Course) -> list[str]:
    """Each finding as a bracket over its days with its words, above the band or, without room, below it."""
    body: list[str] = []
    # The word "today" stands at the top beside its line; nothing may be written over it.
    taken = [(plot.today - 4, plot.today + 44, 0.0, 18.0)]
    for finding in sorted(plot.figure.findings, key=lambda f: f.since):
        if (
            finding.panel == "stress"
            or finding.until < plot.figure.first_day
            or finding.since >= plot.figure.last_day
        ):
            continue
        a = max(plot.x(finding.since), plot.left)
        b = min(max(plot.x(finding.until), a + 6), plot.right)
        length = len(finding.text) * _GLYPH * 1.06
        # Words that would cross today's line end at it instead.
        limit = plot.today - 5 if a < plot.today else plot.right
        begin = a if a + length <= limit else max(min(b, limit) - length, plot.left)
        y = _free_height(plot, drawn_course, finding, (min(a, begin), max(b, begin + length)), taken)
        taken.append((min(a, begin), max(b, begin + length), y - 16, y + 4))
        edge = 4 if y < (plot.top + plot.floor) / 2 else -4
        below = 12 if edge < 0 else 0
        body.append(
            f'<path class="bracket {finding.severity}" '
            f'd="M{a:.1f} {y + edge - below / 3:.1f}V{y - below / 3:.1f}H{b:.1f}v{edge}"/>'
        )
        body.append(_text(begin, y - 5 + below, finding.text, f"note {finding.severity}"))
    return body


def _free_height(
    plot: _Plot,
    drawn_course: Course,
    finding: Finding,
    across: tuple[float, float],
    taken: list[tuple[float, float, float, float]],
) -> float:
    """Height of a finding's bracket: just above everything drawn over its width, else just below it."""
    since = plot.figure.first_day + (across[0] - plot.left) / plot.per_day
    until = plot.figure.first_day + (across[1] - plot.left) / plot.per_day
    ys: list[float] = []
    for day, level, sd in (
        (drawn_course.day, drawn_course.level, drawn_course.sd),
        (drawn_course.ahead_day, drawn_course.ahead, drawn_course.ahead_sd),
    ):
        near = (day >= since - 7) & (day <= until + 7)
        for sign in (-1.0, 1.0):
            ys.extend(plot.y(v) for v in (level[near] + sign * BANDS[1][1] * sd[near]).tolist())
    seen = (drawn_course.point_day >= since) & (drawn_course.point_day <= until)
    ys.extend(plot.y(v) for v in drawn_course.point[seen].tolist())
    high, low = (min(ys), max(ys)) if ys else (plot.floor, plot.top)

    def clear(y: float) -> bool:
        return all(y + 4 < t or y - 16 > b or across[1] < a or across[0] > z for a, z, t, b in taken)

    above = [y for y in np.arange(high - 8, plot.top - 12, -4.0).tolist() if clear(y)]
    below = [y for y in np.arange(low + 12, plot.floor - 8, 4.0).tolist() if clear(y)]
    # With no room beside the data the words stand on it: they carry a halo, other words would not part.
    over = [y for y in np.arange(plot.top, plot.floor, 4.0).tolist() if clear(y)]
    return float(next(iter((*above, *below, *over)), plot.top - 8))


def _time_axis(plot: _Plot) -> list[str]:
    figure = plot.figure
    body = []
    free = plot.left - 4.0
    for start, words in figures.month_starts(figure.first_day, figure.last_day):
        x = plot.x(start)
        body.append(f'<path class="tick" d="M{x:.1f} {plot.bottom}v5"/>')
        if x >= free and x + len(words) * _GLYPH <= plot.width:
            body.append(_text(x, plot.bottom + 18, words))
            free = x + len(words) * _GLYPH + 10
    if figure.first_day <= figure.today < figure.last_day:
        body.append(f'<path class="today" d="M{plot.today:.1f} 4V{plot.bottom}"/>')
        after = plot.today + 46 <= plot.width
        x = plot.today + 5 if after else plot.today - 5
        body.append(_text(x, 14, "today", "now", "" if after else "end"))
    return body


def _blocks(plot: _Plot) -> list[str]:
    figure, body = plot.figure, []
    for block in figure.blocks:
        a, b = max(plot.x(block.start), plot.left), min(plot.x(block.end), plot.right)
        if b - a < 2:
            continue
        ahead = " ahead" if block.start > figure.today else ""
        w = b - a - 1.5
        label = _block_label(block, a, w, plot.lane + plot.lane_height - 6)
        body.append(
            f'<g class="block{ahead}"><title>{escape(block.name)}, {KIND_WORDS[block.kind]}, '
            f"{figures.short_day(block.start)} to {figures.short_day(block.end - 1)}</title>"
            f'<rect class="well" x="{a:.1f}" y="{plot.lane}" width="{w:.1f}" height="{plot.lane_height}"/>'
            f'<rect class="edge" x="{a:.1f}" y="{plot.lane}" width="{w:.1f}" height="9" '
            f'fill="url(#hatch-{block.kind})"/>{label}</g>'
        )
    return body


def _block_label(block: StripBlock, x: float, width: float, y: float) -> str:
    """As much of the name as fits; a block too short for six letters is told by its hatching and title."""
    fits = int((width - 8) / _GLYPH)
    if fits >= len(block.name):
        return _text(x + 4, y, block.name)
    if fits >= 7:
        return _text(x + 4, y, block.name[: fits - 1].rstrip() + "…")
    return ""


def _stress(plot: _Plot) -> list[str]:
    figure = plot.figure
    scale = figure.stress_scale
    inside = (figure.week + 7 > figure.first_day) & (figure.week <= figure.today)
    week, done = figure.week[inside], figure.done[inside] * scale
    meant = (figure.planned_week + 7 > figure.first_day) & (figure.planned_week < figure.last_day)
    planned_week, planned = figure.planned_week[meant], figure.planned[meant] * scale
    known = np.isfinite(planned)
    planned_week, planned = planned_week[known], planned[known]
    done = np.nan_to_num(done)
    top = float(max(np.max(done, initial=0.0), np.max(planned, initial=0.0)))
    words = figures.stress_words(figure, short=plot.width < 500)
    body = [_text(plot.left if plot.width > 500 else 2, 250, words, "ax")]
    if top <= 0:
        body.append(f'<path class="base" d="M{plot.left} {plot.bottom}H{plot.right}"/>')
        return body
    rise = (plot.bottom - plot.crest) / top
    for value in figures.ticks(0.0, top, 2):
        y = plot.bottom - value * rise
        if value > 0:
            body.append(f'<path class="grid" d="M{plot.left} {y:.1f}H{plot.right}"/>')
        body.append(_text(plot.left - 7, y + 4, figures.tidy(value), "", "end"))
    own = np.nan_to_num(figure.own[inside] * scale)
    inset = min(3.0, plot.per_day * 7 * 0.14)
    for amounts, kind in ((done, "column"), (own, "column own")):
        bars: dict[bool, list[str]] = {True: [], False: []}
        for day, amount in zip(week.tolist(), amounts.tolist(), strict=True):
            a, b = max(plot.x(day) + inset, plot.left), min(plot.x(day + 7) - inset, plot.right)
            if amount > 0 and b > a:
                height = amount * rise
                bars[day + 7 <= figure.today].append(
                    f"M{a:.1f} {plot.bottom}v{-height:.1f}h{b - a:.1f}v{height:.1f}Z"
                )
        for over, columns in bars.items():
            if columns:
                body.append(f'<path class="{kind}{"" if over else " running"}" d="{"".join(columns)}"/>')
    steps: dict[bool, list[str]] = {True: [], False: []}
    for day, amount in zip(planned_week.tolist(), planned.tolist(), strict=True):
        a, b = max(plot.x(day) + 1, plot.left), min(plot.x(day + 7) - 1, plot.right)
        if b > a:
            steps[day <= figure.today].append(f"M{a:.1f} {plot.bottom - amount * rise:.1f}H{b:.1f}")
    for begun, lines in steps.items():
        if lines:
            body.append(f'<path class="planned{"" if begun else " ahead"}" d="{"".join(lines)}"/>')
    body.append(f'<path class="base" d="M{plot.left} {plot.bottom}H{plot.right}"/>')
    return [*body, *_stress_findings(plot)]


def _stress_findings(plot: _Plot) -> list[str]:
    body = []
    for finding in plot.figure.findings:
        if finding.panel != "stress" or not plot.figure.first_day <= finding.since < plot.figure.last_day:
            continue
        # The week it speaks of ends with the day on which it was first true.
        a, b = max(plot.x(finding.since - 6), plot.left), min(plot.x(finding.since + 1), plot.right)
        y = plot.crest - 5
        fits_before = b - len(finding.text) * _GLYPH * 1.06 > plot.left
        body.append(f'<path class="bracket {finding.severity}" d="M{a:.1f} {y + 4}V{y}H{b:.1f}v4"/>')
        note = f"note {finding.severity}"
        body.append(
            _text(b, y - 4, finding.text, note, "end") if fits_before else _text(a, y - 4, finding.text, note)
        )
    return body
