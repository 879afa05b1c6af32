"""Small drawings made on the server: the block strip, the sparkline, the range dot and the hatching.

Every function is pure and returns finished SVG as ``Markup``. Colours are classes of
``static/css/marks.css``, so one sheet serves light, dark and paper, and the strict content policy needs no
inline style. Hatching is referred to by attribute (``fill="url(#…)"``) because some browsers look a fragment
inside an external sheet up in that
sheet; ``hatch_defs()`` therefore stands once on every page that shows a block.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite, nan

from markupsafe import Markup, escape

from app.training.records import BLOCK_KINDS, BlockKind

LONGEST_BRIDGE_DAYS = 28
"""A trend is not drawn across more days than this without a point: a gap is shown as a gap."""

LEAST_SPAN = 0.08
"""A trend's full height is its own range, but at least this share of its level, the same rule for everybody:
otherwise one lifter's noise would look as steep as another's year."""

KIND_WORDS: dict[BlockKind, str] = {
    "volume": "volume",
    "strength": "strength",
    "peak": "peak",
    "low-stress": "low stress",
    "maintenance": "maintenance",
    "re-entry": "re-entry",
    "test": "test",
}

_HATCHES: dict[BlockKind, str] = {
    "volume": '<pattern id="hatch-volume" width="6" height="5" patternUnits="userSpaceOnUse">'
    '<path class="hatch" d="M0 2.5h6"/></pattern>',
    "strength": '<pattern id="hatch-strength" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path class="hatch heavy" d="M2.5 0v5"/></pattern>',
    "peak": '<pattern id="hatch-peak" width="4" height="4" patternUnits="userSpaceOnUse">'
    '<path class="hatch heavy" d="M2 0v4"/></pattern>',
    "low-stress": '<pattern id="hatch-low-stress" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<circle class="hatch-dot" cx="2.5" cy="2.5" r=".9"/></pattern>',
    "maintenance": '<pattern id="hatch-maintenance" width="9" height="6" patternUnits="userSpaceOnUse">'
    '<path class="hatch" d="M0 1.5h5M4.5 4.5h4.5M0 4.5h.5"/></pattern>',
    "re-entry": '<pattern id="hatch-re-entry" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(-45)"><path class="hatch" d="M3 0v6"/></pattern>',
    "test": '<pattern id="hatch-test" width="6" height="6" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><path class="hatch" d="M3 0v6M0 3h6"/></pattern>',
}


@dataclass(frozen=True, slots=True)
class StripBlock:
    """One block of a season: ``weeks`` are (first day, planned stress), oldest first; NaN where unplanned."""

    kind: BlockKind
    name: str
    weeks: tuple[tuple[int, float], ...]

    @property
    def start(self) -> int:
        return self.weeks[0][0]

    @property
    def end(self) -> int:
        """The day after the last week."""
        return self.weeks[-1][0] + 7


def drawn(source: str) -> Markup:
    """Declare finished SVG or HTML safe. Whoever calls this has escaped every text in it."""
    return Markup(source)  # noqa: S704  # The one place, so that a search for it finds every drawing.


def hatch_defs() -> Markup:
    """The hatching of every block kind, once a page."""
    patterns = "".join(_HATCHES[kind] for kind in BLOCK_KINDS)
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
