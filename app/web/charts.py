"""The lifter page's figure for plotly, as plain dicts: no plotly is imported to make one.

The figure carries no colour. Every trace says in ``meta`` which part it plays ("level", "band-80", …) and
``static/js/chart.js`` paints the parts from the sheet's own properties, so that light and dark need one
figure. Tests build ``plotly.graph_objects.Figure`` from the dicts, which refuses what plotly does not know.
"""

from __future__ import annotations

from itertools import cycle
from typing import Any, Final

import numpy as np
import orjson
from markupsafe import Markup

from app.training.records import Floats, Ints
from app.web import figure as figures
from app.web.figure import BANDS, HATCHES, KIND_WORDS, Course, LifterFigure
from app.web.svg import drawn

MS_PER_DAY: Final = 86_400_000
EPOCH: Final = 719_163  # 1 January 1970 as an ordinal
_HALVES: Final = np.array([half for _, half in BANDS])
STRESS_HEIGHT: Final = 0.25  # of the drawing, from below
NARROW_WEEKS: Final = (16, 5)
"""[weeks] before and after today that a narrow screen begins with; the rest is there to be moved to."""

CONFIG: Final[dict[str, Any]] = {
    "displaylogo": False,
    "responsive": True,
    # plotly.js offers by default to send a chart to its vendor. Nothing leaves this machine.
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
}


def chart_json(figure: LifterFigure) -> Markup:
    """The figure and its configuration as JSON that may stand inside a script element."""
    body = orjson.dumps(plotly_figure(figure) | {"config": CONFIG}, option=orjson.OPT_SERIALIZE_NUMPY)
    # A block's name may hold "</script>"; as an escape it is the same string and no end tag.
    return drawn(body.replace(b"<", b"\\u003c").decode())


def plotly_figure(figure: LifterFigure) -> dict[str, Any]:
    """Two panels on one time axis: performance above, weekly stress below, the blocks between them."""
    course = figures.course(figure)
    data: list[dict[str, Any]] = []
    shapes: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    low, high = 0.0, 1.0
    if course is not None:
        low, high = figures.performance_range(course)
        data.extend(_performance(figure, course, (low, high)))
        _mark_findings(figure, course, (low, high), shapes, notes)
    else:
        notes.append(
            _note(0.5, 0.72, figure.missing_because or "no trend yet", "none", xref="paper", yref="paper")
        )
    # fmax passes over what is not known.
    # Axis titles stand level at the head of their panels: upright ones need room that a phone has not.
    for height, words in ((1, f"e1RM, {figure.unit}"), (STRESS_HEIGHT, figures.stress_words(figure))):
        notes.append(
            _note(0, height, words, "axis", xref="paper", yref="paper", xanchor="left", yanchor="bottom")
        )
    top = max(float(np.fmax.reduce(v, initial=0.0)) for v in (figure.done, figure.planned))
    top *= figure.stress_scale
    told = any(one.panel == "stress" for one in figure.findings)
    data.extend(_blocks(figure))
    data.extend(_stress(figure))
    for finding in figure.findings:
        if finding.panel == "stress" and figure.first_day <= finding.since < figure.last_day:
            part, end = f"finding {finding.severity}", _ms(finding.since + 1)
            line = {"type": "line", "x0": _ms(finding.since - 6), "x1": end, "y0": top, "y1": top}
            shapes.append(line | {"yref": "y3", "name": part})
            place = {"yref": "y3", "xanchor": "right", "yanchor": "bottom"}
            notes.append(_note(end, top, _plain(finding.text), part, **place))
    for since, until in figures.gaps(figure):
        middle = _ms((since + until) / 2)
        notes.append(
            _note(middle, low, f"no log, {round((until - since) / 7)} weeks", "gap", yanchor="bottom")
        )
    if figure.first_day <= figure.today < figure.last_day:
        now = _ms(figure.today)
        line = {"type": "line", "x0": now, "x1": now, "y0": 0, "y1": 1, "yref": "paper", "name": "today"}
        shapes.append(line)
        notes.append(_note(now, 1, "today", "today", yref="paper", xanchor="left", yanchor="bottom"))
    back, ahead = NARROW_WEEKS
    layout = {
        "meta": {
            "narrow": [
                _ms(max(figure.today - 7 * back, figure.first_day)),
                _ms(min(figure.today + 7 * ahead, figure.last_day)),
            ],
            "stress": figures.stress_words(figure, short=True),
        },
        "barmode": "overlay",
        "showlegend": False,
        "hovermode": "closest",
        "margin": {"l": 44, "r": 12, "t": 24, "b": 40},
        "xaxis": {
            "type": "date",
            "range": [_ms(figure.first_day), _ms(figure.last_day)],
            "anchor": "y3",
            "tickformatstops": [
                {"dtickrange": [None, 14 * MS_PER_DAY], "value": "%-d %b\n%Y"},
                {"dtickrange": ["M1", None], "value": "%b\n%Y"},
            ],
            "hoverformat": "%a %-d %b %Y",
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {
            "domain": [0.45, 1],
            "range": [low, high],
            "nticks": 6,
            "zeroline": False,
            "visible": course is not None,
        },
        "yaxis2": {"domain": [0.335, 0.415], "range": [0, 1], "fixedrange": True, "visible": False},
        "yaxis3": {
            "domain": [0, STRESS_HEIGHT],
            "range": [0, top * (1.35 if told else 1.08) if top > 0 else 1],
            "nticks": 4,
            "rangemode": "tozero",
            "zeroline": True,
        },
        "shapes": shapes,
        "annotations": notes,
    }
    return {"data": data, "layout": layout}


def _ms(day: float) -> int:
    return round((day - EPOCH) * MS_PER_DAY)


def _instants(day: Floats | Ints) -> Floats:
    return (np.asarray(day, float) - EPOCH) * MS_PER_DAY


def _performance(figure: LifterFigure, course: Course, axis: tuple[float, float]) -> list[dict[str, Any]]:
    unit = figure.unit
    x, ahead_x = _instants(course.day), _instants(course.ahead_day)
    out = _bands("", x, course.level, course.sd)
    if course.ahead_day.size > 1:
        out += _bands(" ahead", ahead_x, course.ahead, course.ahead_sd)
    # A session far off the scale is an arrow at the edge with its value, never left out.
    side = figures.far_off(course)
    points: dict[str, Any] = {
        "type": "scatter",
        "mode": "markers",
        "name": "session",
        "meta": "points",
        "x": _instants(course.point_day),
        "y": np.round(course.point, 2),
        "marker": {"size": 5},
        "hovertemplate": f"%{{x}}<br>session: %{{y:.1f}} {unit}<extra></extra>",
    }
    if side.any():
        far, near = side != 0, side == 0
        out.append(
            points
            | {
                "mode": "markers+text",
                "x": points["x"][far],
                "y": np.clip(points["y"][far], *axis),
                "text": [f"{v:.1f}" for v in course.point[far].tolist()],
                "textposition": "middle right",
                "marker": {
                    "size": 8,
                    "symbol": ["triangle-up" if s > 0 else "triangle-down" for s in side[far].tolist()],
                },
                "hovertemplate": f"%{{x}}<br>session: %{{text}} {unit}, off the scale<extra></extra>",
            }
        )
        points |= {"x": points["x"][near], "y": points["y"][near]}
    out.append(points)
    out.append(_line("trend", "level", x, course.level, course.sd, unit))
    if course.ahead_day.size > 1:
        ahead = _line("forecast", "level ahead", ahead_x, course.ahead, course.ahead_sd, unit)
        ahead["line"] = {"dash": "dot", "width": 2}
        out.append(ahead)
    return out


def _bands(when: str, x: Floats, level: Floats, sd: Floats) -> list[dict[str, Any]]:
    """One filled outline a band: there along the top and back along the bottom of every stretch."""
    rows = np.arange(x.size)
    there_and_back = [p for run in figures.runs(x) for p in (rows[run], rows[run][::-1], [x.size])]
    at = np.concatenate(there_and_back[:-1]) if there_and_back else rows
    side = np.concatenate(
        [np.full(len(p), sign) for p, sign in zip(there_and_back[:-1], cycle((1.0, -1.0, 0.0)), strict=False)]
        or [np.zeros(0)]
    )
    # The row after the last is no number: it ends one outline and begins the next.
    x, level, sd = (np.append(v, np.nan)[at] for v in (x, level, sd))
    outlines = np.round(level + np.multiply.outer(_HALVES, side * sd), 2)
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "name": f"{100 * share:.0f} % band",
            "meta": f"band-{share * 100:.0f}{when}",
            "x": x,
            "y": y,
            "fill": "toself",
            "line": {"width": 0},
            "hoverinfo": "skip",
        }
        for (share, _), y in zip(BANDS, outlines, strict=True)
    ]


def _line(name: str, part: str, x: Floats, level: Floats, sd: Floats, unit: str) -> dict[str, Any]:
    reach = sd * BANDS[1][1]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "meta": part,
        "x": x,
        "y": np.round(level, 2),
        "customdata": np.round(np.stack((level - reach, level + reach), axis=1), 1),
        "connectgaps": False,
        "line": {"width": 2.5},
        "hovertemplate": f"%{{x}}<br>{name}: %{{y:.1f}} {unit}<br>8 of 10 between %{{customdata[0]:.1f}} "
        "and %{customdata[1]:.1f}<extra></extra>",
    }


def _blocks(figure: LifterFigure) -> list[dict[str, Any]]:
    """A lane of labelled blocks, hatched along its upper edge."""
    shown = [b for b in figure.blocks if b.end > figure.first_day and b.start < figure.last_day]
    if not shown:
        return []
    begin = [max(b.start, figure.first_day) for b in shown]
    end = [min(b.end, figure.last_day) for b in shown]
    said = [
        f"{_plain(b.name)}<br>{KIND_WORDS[b.kind]}, "
        f"{figures.short_day(b.start)} to {figures.short_day(b.end - 1)}"
        for b in shown
    ]
    common: dict[str, Any] = {
        "type": "bar",
        "x": [_ms((a + z) / 2) for a, z in zip(begin, end, strict=True)],
        # A sliver is left between blocks, as on paper.
        "width": [round((z - a - 0.5) * MS_PER_DAY) for a, z in zip(begin, end, strict=True)],
        "yaxis": "y2",
        "hovertext": said,
        "hovertemplate": "%{hovertext}<extra></extra>",
    }
    label = common | {
        "name": "blocks",
        "meta": "block",
        "y": [0.66] * len(shown),
        "text": [_plain(b.name) for b in shown],
        "textposition": "inside",
        "insidetextanchor": "middle",
        "textangle": 0,
        # The script cuts names to the room there is; plotly would make them too small to read.
        "constraintext": "none",
        "cliponaxis": True,
    }
    hatch = common | {
        "name": "kinds",
        "meta": "hatch",
        "base": [0.66] * len(shown),
        "y": [0.34] * len(shown),
        "customdata": [b.kind for b in shown],
        "marker": {
            "opacity": [0.5 if b.start > figure.today else 1.0 for b in shown],
            "pattern": {
                "path": [HATCHES[b.kind][1] for b in shown],
                "size": [HATCHES[b.kind][0] for b in shown],
            },
        },
    }
    return [label, hatch]


def _plain(text: str) -> str:
    """Plotly reads a few tags in texts; a coach's name for a block is shown letter by letter."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _stress(figure: LifterFigure) -> list[dict[str, Any]]:
    scale, unit = figure.stress_scale, figure.stress_unit
    shown = (figure.week + 7 > figure.first_day) & (figure.week <= figure.today)
    week = figure.week[shown]
    done, own = (np.round(v[shown] * scale, 2) for v in (figure.done, figure.own))
    over = week + 7 <= figure.today
    out: list[dict[str, Any]] = []
    columns = [
        ("stress", over, "all lifts", done),
        ("stress running", ~over, "all lifts so far", done),
    ]
    if np.nansum(own) > 0:
        lift = _plain(figure.lift.lower())
        columns += [("own", over, lift, own), ("own running", ~over, f"{lift} so far", own)]
    for part, pick, words, amount in columns:
        if pick.any():
            out.append(
                {
                    "type": "bar",
                    "name": words,
                    "meta": part,
                    "x": _instants(week[pick]) + 3.5 * MS_PER_DAY,
                    "width": 5.2 * MS_PER_DAY,
                    "y": amount[pick],
                    "yaxis": "y3",
                    "customdata": _instants(week[pick]),
                    "hovertemplate": "week of %{customdata|%-d %b %Y}<br>"
                    f"{words}: %{{y:.1f}} {unit}<extra></extra>",
                }
            )
    meant = (figure.planned_week + 7 > figure.first_day) & (figure.planned_week < figure.last_day)
    meant &= np.isfinite(figure.planned)
    week, planned = figure.planned_week[meant], np.round(figure.planned[meant] * scale, 2)
    begun = week <= figure.today
    for part, pick in (("planned", begun), ("planned ahead", ~begun)):
        if pick.any():
            start = _instants(week[pick])
            pad = 0.3 * MS_PER_DAY
            x = np.column_stack((start + pad, start + 7 * MS_PER_DAY - pad, np.full(start.size, np.nan)))
            y = np.column_stack((planned[pick], planned[pick], np.full(start.size, np.nan)))
            out.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "name": "planned",
                    "meta": part,
                    "x": x.ravel(),
                    "y": y.ravel(),
                    "yaxis": "y3",
                    "connectgaps": False,
                    "line": {"width": 2, "dash": "dot" if part.endswith("ahead") else "solid"},
                    "hovertemplate": f"planned: %{{y:.1f}} {unit}<extra></extra>",
                }
            )
    return out


def _mark_findings(
    figure: LifterFigure,
    course: Course,
    axis: tuple[float, float],
    shapes: list[dict[str, Any]],
    notes: list[dict[str, Any]],
) -> None:
    """Each finding as a line over its days with its words, a step higher where another is in the way."""
    low, high = axis
    step = (high - low) * 0.09
    placed: list[tuple[int, int, float]] = []
    for finding in sorted(figure.findings, key=lambda f: f.since):
        if finding.panel == "stress":
            continue
        since, until = max(finding.since, figure.first_day), min(finding.until, figure.last_day)
        if until < since:
            continue
        near = (course.day >= since - 7) & (course.day <= until + 7)
        seen = (course.point_day >= since) & (course.point_day <= until)
        y = float(
            max(
                np.max(course.level[near] + BANDS[1][1] * course.sd[near], initial=low),
                np.max(course.point[seen], initial=low),
            )
        )
        y = min(y + step / 2, high - step)
        while any(a <= until + 60 and b >= since - 60 and abs(y - other) < step for a, b, other in placed):
            y += step
        placed.append((since, until, y))
        part = f"finding {finding.severity}"
        shapes.append({"type": "line", "x0": _ms(since), "x1": _ms(until), "y0": y, "y1": y, "name": part})
        # Words that would run out of the drawing on the right end where the line ends.
        late = since > figure.first_day + 0.6 * (figure.last_day - figure.first_day)
        notes.append(
            _note(
                _ms(min(until, figure.today)) if late else _ms(since),
                y,
                _plain(finding.text),
                part,
                xanchor="right" if late else "left",
                yanchor="bottom",
            )
        )


def _note(x: float, y: float, text: str, part: str, **place: Any) -> dict[str, Any]:
    return {"x": x, "y": y, "text": text, "name": part, "showarrow": False} | place
