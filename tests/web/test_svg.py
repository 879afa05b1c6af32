"""The drawings are well-formed, escaped, free of inline style, and put things where the numbers say."""

from __future__ import annotations

import re
from math import nan
from xml.etree import ElementTree

import pytest

from app.training.records import BLOCK_KINDS
from app.web.figure import Finding
from app.web.svg import (
    StripBlock,
    block_strip,
    hatch_defs,
    hatch_key,
    lifter_chart,
    range_dot,
    sparkline,
)
from tests.web.figures import MONDAY, TODAY, make_figure, make_trend

SVG = "{http://www.w3.org/2000/svg}"
FIRST = 739_000


def parsed(markup: str) -> ElementTree.Element:
    return ElementTree.fromstring(str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def season() -> list[StripBlock]:
    return [
        StripBlock("volume", "Volume eights", tuple((FIRST + 7 * i, 8.0 + i) for i in range(4))),
        StripBlock("low-stress", "Easy week", ((FIRST + 28, 4.0),)),
        StripBlock("strength", "Fives & <triples>", tuple((FIRST + 35 + 7 * i, 8.0) for i in range(3))),
    ]


def paths(markup: str, name: str) -> list[str]:
    return [p.get("d", "") for p in parsed(markup).iter(f"{SVG}path") if name in p.get("class", "").split()]


def test_a_block_is_a_terrace_as_high_as_its_planned_stress() -> None:
    markup = block_strip(
        season(), [], today=FIRST + 56, first_day=FIRST, last_day=FIRST + 56, width=280, height=42
    )
    volume = paths(markup, "edge")[0]
    # Four weeks of 8, 9, 10, 11: the largest fills the drawing (8 px under the top), 35 px a week.
    assert volume.startswith("M0.0 38.5V")
    heights = [38.5 - float(y) for y in re.findall(r"V([\d.]+)H", volume)]
    assert heights == pytest.approx([30.5 * s / 11 for s in (8, 9, 10, 11)], abs=0.06)
    assert re.findall(r"H([\d.]+)", volume) == ["35.0", "70.0", "105.0", "140.0"]


def test_what_lies_ahead_is_a_part_of_its_own_that_begins_today() -> None:
    markup = block_strip(season(), [], today=FIRST + 10, first_day=FIRST, last_day=FIRST + 56, width=560)
    ahead = paths(markup, "ahead")
    assert ahead[0].startswith("M100.0 ")
    assert len(paths(markup, "edge")) == 4  # The running block is cut in two at today.
    assert paths(markup, "today") == ["M100.0 0V42"]


def test_the_trend_stops_today_and_leaves_a_gap_open() -> None:
    trend = [(FIRST, 180.0), (FIRST + 7, 182.0), (FIRST + 42, 181.0), (FIRST + 70, 200.0)]
    line = paths(
        block_strip(season(), trend, today=FIRST + 49, first_day=FIRST, last_day=FIRST + 84), "trend"
    )[0]
    assert line.count("M") == 2
    assert line.count("L") == 1


def test_noise_is_not_blown_up_to_the_full_height() -> None:
    markup = sparkline([(FIRST, 200.0), (FIRST + 7, 201.0)], first_day=FIRST, last_day=FIRST + 7)
    ys = [float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", paths(markup, "trend")[0])]
    assert abs(ys[0] - ys[1]) == pytest.approx(16 * 1 / (0.08 * 201), abs=0.11)


@pytest.mark.parametrize(("value", "state"), [(5.0, "short"), (10.0, ""), (14.0, "beyond"), (90.0, "beyond")])
def test_a_range_dot_has_zero_at_the_left_and_the_usual_in_the_middle(value: float, state: str) -> None:
    root = parsed(range_dot(8.0, 12.0, value, width=96))
    box = root.find(f"{SVG}rect")
    assert box is not None
    assert float(box.get("x", "")) + float(box.get("width", "")) / 2 == pytest.approx(48, abs=0.1)
    dots = [e for e in root.iter() if "dot" in e.get("class", "").split()]
    assert [e.get("class") for e in dots] == [f"dot {state}".strip()]
    if value == 90.0:
        assert dots[0].tag == f"{SVG}path"  # Beyond twice the usual: an arrow, not a dot outside the drawing.
    else:
        assert float(dots[0].get("cx", "")) == pytest.approx(4 + 88 * value / 20, abs=0.1)


def test_missing_numbers_are_said_and_not_drawn() -> None:
    assert "No usual range yet." in range_dot(nan, nan, 3.0)
    assert "No value this week." in range_dot(3.0, 4.0, nan)
    assert "No trend yet." in sparkline([], first_day=0, last_day=7)
    assert "no blocks" in block_strip([], [], today=3, first_day=0, last_day=7)
    unplanned = [StripBlock("re-entry", "Back", ((FIRST, nan), (FIRST + 7, nan)))]
    assert (
        len(paths(block_strip(unplanned, [], today=FIRST + 7, first_day=FIRST, last_day=FIRST + 14), "edge"))
        == 2
    )


def test_names_are_escaped_and_said_to_those_who_do_not_see() -> None:
    markup = block_strip(season(), [], today=FIRST + 40, first_day=FIRST, last_day=FIRST + 56)
    assert "<triples>" not in markup
    assert "Fives &amp; &lt;triples&gt;, strength, 3 weeks, now in week 1" in markup
    assert parsed(markup).get("role") == "img"


def test_no_drawing_carries_a_style_or_a_colour_of_its_own() -> None:
    trend = [(FIRST + i, 180.0 + i) for i in range(0, 40, 3)]
    drawings = [
        block_strip(season(), trend, today=FIRST + 40, first_day=FIRST, last_day=FIRST + 56),
        sparkline(trend, first_day=FIRST, last_day=FIRST + 56),
        range_dot(1, 2, 3),
        hatch_defs(),
        hatch_key(),
    ]
    for markup in drawings:
        assert not re.search(r"style=|#[0-9a-f]{3,8}\b(?<!hatch)|rgb\(", markup.replace("url(#", "")), markup
        parsed(markup)


def test_every_kind_has_a_hatching_and_a_word() -> None:
    for kind in BLOCK_KINDS:
        assert f'id="hatch-{kind}"' in hatch_defs()
        assert f"url(#hatch-{kind})" in hatch_key()
    assert hatch_key(["peak"]).count("<li>") == 1


def test_an_empty_span_is_refused() -> None:
    with pytest.raises(ValueError, match="last_day after first_day"):
        block_strip([], [], today=3, first_day=7, last_day=7)


# The lifter page's figure ---------------------------------------------------------------------------


def texts(markup: str, name: str = "") -> list[ElementTree.Element]:
    found = parsed(markup).iter(f"{SVG}text")
    return [t for t in found if not name or name in (t.get("class") or "").split()]


def test_the_figure_draws_each_part_once_and_what_lies_ahead_apart() -> None:
    markup = lifter_chart(make_figure())
    assert [len(paths(markup, f"band-{n}")) for n in (1, 2, 3)] == [2, 2, 2]  # past and ahead
    past, ahead = paths(markup, "level")
    assert past.count("M") == 2  # Two stretches, a gap between them.
    assert ahead.count("M") == 1
    assert len(paths(markup, "dots")) == 1
    assert paths(markup, "dots")[0].count("h0") == make_figure().trend.point_day.size  # type: ignore[union-attr]
    assert len(paths(markup, "running")) == 2  # All lifts and this one, in the week that is not over.


@pytest.mark.parametrize("width", [1180, 760, 380])
def test_no_words_of_the_figure_run_out_of_it_or_over_each_other(width: int) -> None:
    findings = (
        Finding(TODAY - 150, TODAY - 120, "holiday", "notice"),
        Finding(TODAY - 60, TODAY, "below old bests, as expected", "notice"),
        Finding(TODAY - 39, TODAY, "flat since 20 Dec, work up 14 %", "act"),
        Finding(TODAY - 20, TODAY, "harder than prescribed", "watch"),
        Finding(TODAY, TODAY + 20, "until 17 Feb", "notice"),
        Finding(TODAY - 2, TODAY, "1.6 × the largest of four weeks", "watch", "stress"),
    )
    figure = make_figure(findings=findings)
    if width == 380:
        figure = figure.between(TODAY - 112, TODAY + 35)
    boxes = []
    for t in texts(lifter_chart(figure, width=width)):
        x, y, length = float(t.get("x", "")), float(t.get("y", "")), len(t.text or "") * 6.0
        left = {"end": x - length, "middle": x - length / 2}.get(t.get("text-anchor", ""), x)
        assert left >= -1, t.text
        assert left + length <= width + 1, t.text
        boxes.append((left, left + length, y - 10, y + 2, t.text))
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            apart = a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]
            assert apart, (a, b)


def test_a_short_block_keeps_its_hatching_and_says_its_name_to_those_who_ask() -> None:
    root = parsed(lifter_chart(make_figure(), width=760))
    blocks = [g for g in root.iter(f"{SVG}g") if "block" in g.get("class", "")]
    easy = blocks[1]
    assert easy.find(f"{SVG}text") is None
    assert easy.findtext(f"{SVG}title", "").startswith("Easy week, low stress, ")
    assert "ahead" in blocks[-1].get("class", "")
    long = [g.findtext(f"{SVG}text", "") for g in blocks if g.findtext(f"{SVG}text", "").endswith("…")]
    assert all(len(words) >= 7 for words in long)


def test_columns_stand_under_their_blocks_on_the_same_axis() -> None:
    markup = lifter_chart(make_figure())
    root = parsed(markup)
    lane = [g.find(f"{SVG}rect") for g in root.iter(f"{SVG}g")]
    first_block = float(lane[0].get("x", "")) if lane[0] is not None else 0
    column = float(re.match(r"M([\d.]+)", paths(markup, "column")[0]).group(1))  # type: ignore[union-attr]
    step = float(re.match(r"M([\d.]+)", paths(markup, "planned")[0]).group(1))  # type: ignore[union-attr]
    assert first_block <= step <= column <= first_block + 5


def test_without_a_trend_the_reason_stands_in_its_place() -> None:
    markup = lifter_chart(make_figure(trend=None, missing_because="needs 3 more <sessions>"))
    assert [t.text for t in texts(markup, "none")] == ["needs 3 more <sessions>"]
    assert "<sessions>" not in markup


def test_a_value_far_off_the_scale_is_an_arrow_with_its_number() -> None:
    trend = make_trend(first=MONDAY - 7 * 36)
    values = trend.point_kg.copy()
    values[-3] = 18.5
    markup = lifter_chart(make_figure(trend=make_trend(first=MONDAY - 7 * 36, point_kg=values)))
    assert len(paths(markup, "off")) == 1
    assert [t.text for t in texts(markup, "off-value")] == ["18.5"]
