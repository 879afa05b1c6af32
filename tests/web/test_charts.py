"""The figure for plotly is read back trace by trace; plotly itself says whether it is a figure."""

from __future__ import annotations

import json
import time
from typing import Any

import numpy as np
import orjson
import plotly.graph_objects as go
import pytest

from app.training.records import BLOCK_KINDS
from app.web import charts
from app.web.figure import (
    HATCHES,
    Finding,
    StripBlock,
    course,
    gaps,
    month_starts,
    performance_range,
    sentence,
    table,
    ticks,
)
from tests.web.figures import MONDAY, TODAY, make_figure, make_trend


def drawn(**changes: Any) -> go.Figure:
    """The figure as plotly reads it; an unknown property or a wrong value raises."""
    return go.Figure(json.loads(orjson.dumps(charts.plotly_figure(make_figure(**changes)), option=16)))


def parts(figure: go.Figure, part: str) -> list[Any]:
    return [trace for trace in figure.data if trace.meta == part]


def day(instant: float) -> float:
    return instant / charts.MS_PER_DAY + charts.EPOCH


def test_two_panels_share_one_time_axis_and_say_their_units() -> None:
    figure = drawn()
    assert {trace.xaxis for trace in figure.data} == {None}  # All on the one x axis.
    assert figure.layout.yaxis.domain[0] > figure.layout.yaxis2.domain[1]
    assert figure.layout.yaxis2.domain[0] > figure.layout.yaxis3.domain[1]
    words = [note.text for note in figure.layout.annotations]
    assert "e1RM, kg" in words
    assert "stress: relative volume load, reps × share of e1RM a week; dark: deadlift; line: planned" in words
    assert figure.layout.yaxis3.range[0] == 0  # Columns begin at zero.


def test_bands_are_as_wide_as_their_share_of_a_normal_distribution() -> None:
    figure = drawn()
    trend = make_trend(first=MONDAY - 7 * 36)
    for share, half in ((50, 0.6745), (80, 1.2816), (95, 1.96)):
        (band,) = parts(figure, f"band-{share}")
        # The first outline goes along the top and comes back along the bottom.
        stop = list(band.y).index(None)
        top, bottom = np.array(band.y[: stop // 2]), np.array(band.y[stop // 2 : stop])[::-1]
        np.testing.assert_allclose((top - bottom) / 2, half * trend.sd_kg[: stop // 2], atol=0.011)
        assert list(band.y).count(None) == 1  # A second outline begins after the gap.


def test_every_session_is_a_point_and_a_slipped_decimal_is_shown_at_the_edge() -> None:
    trend = make_trend(first=MONDAY - 7 * 36)
    (plain,) = parts(drawn(trend=trend), "points")
    np.testing.assert_allclose(plain.y, trend.point_kg, atol=0.006)
    values = trend.point_kg.copy()
    values[5] = 1790.0
    far, near = parts(drawn(trend=make_trend(first=MONDAY - 7 * 36, point_kg=values)), "points")
    assert list(far.text) == ["1790.0"]
    assert far.marker.symbol == ("triangle-up",)
    assert len(near.y) == len(values) - 1
    assert max(near.y) < 210  # The scale is still that of the year.


def test_the_forecast_is_dashed_joined_and_begins_today() -> None:
    figure = drawn()
    (past,), (ahead,) = parts(figure, "level"), parts(figure, "level ahead")
    assert past.line.dash is None
    assert ahead.line.dash == "dot"
    assert ahead.x[0] == past.x[-1]
    assert day(ahead.x[1]) > TODAY
    assert day(past.x[-1]) <= TODAY


def test_a_gap_in_the_log_is_a_gap_in_the_line_and_is_named() -> None:
    figure = drawn()
    (line,) = parts(figure, "level")
    blank = [i for i, value in enumerate(line.y) if value is None]
    assert len(blank) == 6
    assert blank == list(range(blank[0], blank[0] + 6))
    assert line.connectgaps is False
    assert any("no log, 7 weeks" in note.text for note in figure.layout.annotations)
    without = make_figure(trend=make_trend(first=MONDAY - 7 * 36, gap=None))
    assert gaps(without) == []


def test_blocks_carry_their_name_kind_and_hatching() -> None:
    (label,), (hatch,) = parts(drawn(), "block"), parts(drawn(), "hatch")
    assert label.text[0] == "Volume eights"
    assert label.text[10] == "Heavy tens &amp; &lt;more&gt;"  # Plotly reads tags; a name is no tag.
    assert hatch.marker.pattern.path[0] == HATCHES["volume"][1]
    assert hatch.customdata[7] == "peak"
    assert min(hatch.marker.opacity) < 1 == hatch.marker.opacity[0]  # What lies ahead is faded.
    centre, width = np.array(label.x), np.array(label.width)
    begin = day(centre - width / 2)
    assert begin[0] == pytest.approx(MONDAY - 7 * 36, abs=0.3)
    assert np.all(np.diff(begin) > 0)


def test_stress_columns_stand_on_their_week_and_the_running_week_is_apart() -> None:
    figure = drawn()
    (done,), (running,), (planned,) = (parts(figure, p) for p in ("stress", "stress running", "planned"))
    assert len(running.x) == 1
    assert day(running.customdata[0]) == MONDAY
    assert day(done.customdata[-1]) == MONDAY - 7
    assert day(done.x[0]) == MONDAY - 7 * 36 + 3.5
    (own,) = parts(figure, "own")
    assert own.name == "deadlift"
    np.testing.assert_allclose(own.y, 0.35 * np.array(done.y), atol=0.02)
    # A planned week is a level piece of line with a hole after it.
    assert planned.y[0] == planned.y[1]
    assert planned.y[2] is None
    (ahead,) = parts(figure, "planned ahead")
    assert ahead.line.dash == "dot"
    assert day(ahead.x[0]) > TODAY


def test_findings_are_written_where_they_are_seen_and_not_over_each_other() -> None:
    two = (
        Finding(TODAY - 40, TODAY, "flat since 19 Dec", "act"),
        Finding(TODAY - 35, TODAY, "harder than prescribed", "watch"),
    )
    figure = drawn(findings=two)
    lines = [shape for shape in figure.layout.shapes if shape.name.startswith("finding")]
    assert [day(line.x0) for line in lines] == [TODAY - 40, TODAY - 35]
    assert lines[0].y0 != lines[1].y0
    notes = [n for n in figure.layout.annotations if n.name.startswith("finding")]
    assert [n.text for n in notes] == ["flat since 19 Dec", "harder than prescribed"]
    assert all(n.xanchor == "right" for n in notes)  # They end at today's line.


def test_a_finding_about_stress_stands_over_its_week_in_the_lower_panel() -> None:
    spike = Finding(TODAY - 9, TODAY, "1.6 × the largest of four weeks", "watch", "stress")
    figure = drawn(findings=(spike,))
    (line,) = [shape for shape in figure.layout.shapes if shape.name.startswith("finding")]
    assert line.yref == "y3"
    assert (day(line.x0), day(line.x1)) == (TODAY - 15, TODAY - 8)
    assert line.y0 >= max(parts(figure, "stress")[0].y)
    assert figure.layout.yaxis3.range[1] > line.y0


def test_pounds_scale_what_has_a_mass_and_nothing_else() -> None:
    kilograms, pounds = drawn(), drawn(unit="lb")
    (a,), (b,) = parts(kilograms, "level"), parts(pounds, "level")
    assert b.y[0] == pytest.approx(a.y[0] / 0.45359237, abs=0.02)
    (a,), (b,) = parts(kilograms, "stress"), parts(pounds, "stress")
    assert a.y[3] == b.y[3]
    heavy = drawn(unit="lb", measure="volume_load")
    assert parts(heavy, "stress")[0].y[3] == pytest.approx(a.y[3] / 0.45359237, abs=0.02)
    assert any("volume load, lb a week" in n.text for n in heavy.layout.annotations)


def test_without_a_trend_the_figure_says_why_and_still_shows_the_work() -> None:
    figure = drawn(trend=None, missing_because="needs 3 more sessions")
    assert parts(figure, "level") == []
    assert any(n.text == "needs 3 more sessions" for n in figure.layout.annotations)
    assert len(parts(figure, "stress")) == 1
    assert "no trend yet: needs 3 more sessions" in sentence(
        make_figure(trend=None, missing_because="needs 3 more sessions")
    )


def test_an_empty_log_is_a_figure_too() -> None:
    none = np.zeros(0)
    figure = drawn(
        trend=None,
        missing_because="no session of this lift yet",
        blocks=(),
        week=none.astype(np.int64),
        done=none,
        own=none,
        planned_week=none.astype(np.int64),
        planned=none,
        findings=(),
    )
    assert figure.data == ()


def test_the_data_block_cannot_be_closed_by_a_name() -> None:
    blocks = (StripBlock("peak", "</script><b>", ((MONDAY, 5.0),)),)
    text = charts.chart_json(make_figure(blocks=blocks))
    assert "<" not in text
    assert json.loads(text)["data"]


def test_nothing_offers_to_send_the_chart_elsewhere() -> None:
    config = json.loads(charts.chart_json(make_figure()))["config"]
    assert config["showSendToCloud"] is False
    assert config["plotlyServerURL"] == ""
    assert config["displaylogo"] is False


def test_every_part_is_one_the_script_can_paint() -> None:
    from app.web.pages import ROOT

    script = (ROOT / "static/js/chart.js").read_text()
    for trace in drawn().data:
        part = trace.meta.split(" ")[0]
        assert f"{part}:" in script or f'"{part}":' in script, part


def test_the_figure_costs_little_more_than_its_serialisation() -> None:
    # Three years of weekly nodes, 468 sessions and 157 weeks, as large as a lifter's page gets.
    first, rng = MONDAY - 7 * 156, np.random.default_rng(1)
    week = first + 7 * np.arange(157)
    nodes, days = week[:-1] + 3, np.sort(rng.choice(np.arange(first, TODAY), 468, replace=False))
    level = np.linspace(150, 190, nodes.size)
    trend = make_trend(
        first=first,
        day=nodes,
        level_kg=level,
        sd_kg=np.full(nodes.size, 3.0),
        point_day=days,
        point_kg=np.interp(days, nodes, level),
    )
    figure = make_figure(
        first_day=first,
        trend=trend,
        week=week,
        done=rng.normal(60, 9, 157),
        own=np.full(157, 20.0),
        planned_week=week,
        planned=np.full(157, 60.0),
    )
    ready = json.loads(charts.chart_json(figure))

    def best(run: Any) -> float:
        times = []
        for _ in range(60):
            began = time.perf_counter()
            run()
            times.append(time.perf_counter() - began)
        return min(times)

    assert best(lambda: charts.chart_json(figure)) <= 6 * best(lambda: orjson.dumps(ready))


# What both drawings share ---------------------------------------------------------------------------


def test_ticks_are_round_and_inside() -> None:
    assert ticks(168.2, 201.0) == [170, 180, 190, 200]
    assert ticks(0, 93, 2) == [0, 50]
    assert ticks(0.1, 0.9) == [0.2, 0.4, 0.6, 0.8]
    assert ticks(5, 5) == [5]


def test_months_begin_where_they_begin_and_january_has_its_year() -> None:
    from datetime import date

    first = date(2025, 11, 3).toordinal()
    found = month_starts(first, date(2026, 2, 2).toordinal())
    assert [words for _, words in found] == ["Dec", "Jan 2026", "Feb"]
    assert date.fromordinal(found[1][0]) == date(2026, 1, 1)
    assert month_starts(date(2026, 1, 1).toordinal(), date(2026, 1, 5).toordinal())[0][1] == "Jan 2026"


def test_the_axis_makes_room_for_sessions_but_not_for_a_wide_first_guess() -> None:
    trend = make_trend(first=MONDAY - 7 * 36)
    sd = trend.sd_kg.copy()
    sd[0] = 60.0
    found = course(make_figure(trend=make_trend(first=MONDAY - 7 * 36, sd_kg=sd)))
    assert found is not None
    low, high = performance_range(found)
    assert low < trend.point_kg.min()
    assert high > trend.point_kg.max()
    assert high - low < 60


def test_the_sentence_gives_level_interval_slope_forecast_and_stress() -> None:
    words = sentence(make_figure())
    for part in (
        "Deadlift now 19",
        "8 of 10 between",
        "over the last six weeks: ",
        "from 412 sets in",
        "Level and slope lead to",
        "Stress in the week of 19 Jan was",
        "Flat since 20 Dec, work up 14 %.",
    ):
        assert part in words, (part, words)


def test_the_table_has_the_same_numbers_as_the_figure() -> None:
    figure = make_figure()
    rows = {row.week: row for row in table(figure)}
    (done,) = parts(drawn(), "stress")
    assert float(rows[MONDAY - 7].done) == pytest.approx(done.y[-1], abs=0.05)
    assert rows[MONDAY - 7 * 36].block == "Volume eights"
    assert rows[MONDAY - 7 * 18].level == ""  # Inside the gap nothing is known.
    assert rows[MONDAY + 7].is_forecast
    assert rows[MONDAY + 7].planned
    assert " to " in rows[MONDAY - 7].interval


def test_every_kind_of_block_can_be_drawn() -> None:
    blocks = tuple(
        StripBlock(kind, kind, ((MONDAY - 70 + 7 * i, 4.0),)) for i, kind in enumerate(BLOCK_KINDS)
    )
    (hatch,) = parts(drawn(blocks=blocks), "hatch")
    assert list(hatch.customdata) == list(BLOCK_KINDS)
