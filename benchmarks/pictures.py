"""Two small pictures of the scorecard, written as SVG by hand and readable in the light and in the dark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

MOST_ALARMS, LONGEST_DELAY = 3.0, 60.0  # the axes of the detection picture
WIDTH, HEIGHT, LEFT, TOP, SIDE = 560, 430, 62, 46, 320

STYLE = """<style>
text{font:13px ui-sans-serif,system-ui,sans-serif;fill:#1c2426}
.title{font-weight:600;font-size:15px}.quiet{fill:#4d5957;font-size:12px}
.ground{fill:#fbfaf6}.line{stroke:#d6d0c1;fill:none}.even{stroke:#6d7773;stroke-dasharray:4 4;fill:none}
.curve{fill:none;stroke:#0b5a5c;stroke-width:2}.second{stroke-dasharray:7 4}.third{stroke-dasharray:2 3}
.dot{fill:#0b5a5c}.must{stroke:#9c3717;stroke-dasharray:6 4;fill:none}.warn{fill:#9c3717}
@media (prefers-color-scheme:dark){text{fill:#e9e6dc}.quiet{fill:#b6bdb8}.ground{fill:#1a2122}
.line{stroke:#323c3c}.even{stroke:#929c97}.curve{stroke:#79c7bd}.dot{fill:#79c7bd}
.must{stroke:#f0956d}.warn{fill:#f0956d}}
</style>"""


def _frame(title: str, about: str, x_label: str, y_label: str, body: Sequence[str]) -> str:
    middle = TOP + SIDE / 2
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">',
            f"<title>{title}</title><desc>{about}</desc>",
            STYLE,
            f'<rect class="ground" width="{WIDTH}" height="{HEIGHT}"/>',
            f'<text class="title" x="{LEFT}" y="26">{title}</text>',
            *body,
            f'<text x="{LEFT + SIDE / 2}" y="{TOP + SIDE + 42}" text-anchor="middle">{x_label}</text>',
            f'<text transform="translate(18 {middle}) rotate(-90)" text-anchor="middle">{y_label}</text>',
            "</svg>",
            "",
        )
    )


def _grid(x_ticks: Sequence[tuple[float, str]], y_ticks: Sequence[tuple[float, str]]) -> list[str]:
    """Grid lines with their numbers; positions as shares of the side."""
    out = []
    for share, text in x_ticks:
        x = LEFT + share * SIDE
        out.append(f'<path class="line" d="M{x:.1f} {TOP}V{TOP + SIDE}"/>')
        out.append(
            f'<text class="quiet" x="{x:.1f}" y="{TOP + SIDE + 18}" text-anchor="middle">{text}</text>'
        )
    for share, text in y_ticks:
        y = TOP + (1 - share) * SIDE
        out.append(f'<path class="line" d="M{LEFT} {y:.1f}H{LEFT + SIDE}"/>')
        out.append(f'<text class="quiet" x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{text}</text>')
    return out


def calibration(curves: Mapping[str, Sequence[tuple[float, float]]]) -> str:
    """Nominal against actual coverage of the intervals, in shares."""
    quarters = [(k / 5, f"{k * 20} %") for k in range(6)]
    body = _grid(quarters, quarters)
    body.append(f'<path class="even" d="M{LEFT} {TOP + SIDE}L{LEFT + SIDE} {TOP}"/>')
    said = []
    for number, ((name, points), style) in enumerate(
        zip(curves.items(), ("", " second", " third"), strict=False)
    ):
        path = "L".join(f"{LEFT + x * SIDE:.1f} {TOP + (1 - y) * SIDE:.1f}" for x, y in points)
        body.append(f'<path class="curve{style}" d="M{path}"/>')
        y = TOP + 16 + number * 20
        body.append(f'<path class="curve{style}" d="M{LEFT + SIDE + 14} {y - 4}h22"/>')
        body.append(f'<text class="quiet" x="{LEFT + SIDE + 42}" y="{y}">{name}</text>')
        at_90 = min(points, key=lambda p: abs(p[0] - 0.9))
        said.append(f"{name}: {at_90[1]:.0%} at 90 %")
    return _frame(
        "Calibration of the intervals",
        "Share of true values inside the interval against the share promised. " + "; ".join(said) + ".",
        "interval says",
        "true value inside",
        body,
    )


def detection(points: Sequence[tuple[float, float, float, float]]) -> str:
    """Median delay and recall of a problem against false alarms as the sensitivity varies.

    Each point is (false alarms [1/lifter-year], recall [1], median delay [d], sensitivity [1]).
    """
    points = sorted(p for p in points if all(v == v for v in p))
    most, latest = MOST_ALARMS, LONGEST_DELAY
    body = _grid(
        [(k / 6, f"{k * most / 6:g}") for k in range(7)], [(k / 6, f"{k * latest / 6:.0f}") for k in range(7)]
    )
    limit = LEFT + 1.2 / most * SIDE
    body.append(f'<path class="must" d="M{limit:.1f} {TOP}V{TOP + SIDE}"/>')
    body.append(f'<text class="quiet warn" x="{limit + 4:.1f}" y="{TOP + 12}">1.2 allowed</text>')
    # What lies outside is in the description only: nobody would work with that many alarms.
    inside = [p for p in points if p[0] <= most and p[2] <= latest]
    at = [(LEFT + p[0] / most * SIDE, TOP + (1 - p[2] / latest) * SIDE) for p in inside]
    if at:
        body.append('<path class="curve" d="M' + "L".join(f"{x:.1f} {y:.1f}" for x, y in at) + '"/>')
    below = False
    for k, ((x, y), (_, recall, _, sensitivity)) in enumerate(zip(at, inside, strict=True)):
        near = k > 0 and abs(x - at[k - 1][0]) < 70 and abs(y - at[k - 1][1]) < 16
        below = near and not below
        body.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4"/>')
        words = f"{recall:.0%} seen" + (" (as shipped)" if sensitivity == 1 else "")
        body.append(f'<text class="quiet" x="{x + 7:.1f}" y="{y + (17 if below else -7):.1f}">{words}</text>')
    about = "; ".join(
        f"sensitivity {s:g}: {f:.2g} false alarms a lifter-year, {r:.0%} seen, median {d:.0f} days"
        for f, r, d, s in points
    )
    return _frame(
        "Stall or regression: delay, and share seen",
        about + ".",
        "false alarms per lifter-year",
        "median delay, days",
        body,
    )
