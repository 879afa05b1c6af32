from __future__ import annotations

from app.training import emphasis
from app.training.analysis import analyse_lifter
from tests.training.logs import MONDAY, make_log, straight
from tests.training.planted import blocks, eights_and_fours, end_of, plant


def test_blocks_are_read_from_where_the_repetitions_change() -> None:
    found = emphasis.inferred(plant(16, plan=eights_and_fours))
    assert [(span.start - MONDAY) // 7 for span in found] == [0, 4, 8, 12]
    assert [span.kind for span in found] == ["volume", "strength", "volume", "strength"]
    assert found[-1].end == end_of(16)


def test_one_easy_week_and_small_changes_are_no_new_block() -> None:
    plan = lambda week: (5, 2.0) if week != 9 else (8, 3.0)  # noqa: E731
    sevens = lambda week: (6, 2.0) if week < 8 else (5, 2.0)  # noqa: E731
    assert [(span.start - MONDAY) // 7 for span in emphasis.inferred(plant(16, plan=sevens))] == [0]
    assert len(emphasis.inferred(plant(9, plan=plan))) == 1


def test_repetitions_that_change_within_every_week_are_one_emphasis() -> None:
    rows = [
        row
        for week in range(12)
        for day, reps in ((0, 8), (2, 5), (4, 3))
        for row in straight(MONDAY + 7 * week + day, 100.0, reps, 3, rpe=8.0)
    ]
    assert len(emphasis.inferred(make_log(rows))) == 1


def test_nothing_logged_has_no_blocks() -> None:
    assert emphasis.inferred(make_log([])) == ()


def test_a_log_without_a_calendar_is_analysed_about_as_well_as_with_one() -> None:
    log = plant(32)
    spans = blocks(*[("volume", 4), ("strength", 4)] * 4)
    with_it, without = (analyse_lifter(log, s, as_of=end_of(32)).exercises[0].trend for s in (spans, ()))
    assert with_it is not None
    assert without is not None
    assert abs(without.e1rm.mean / with_it.e1rm.mean - 1) < 0.01


def test_an_emphasis_read_from_the_log_was_not_planned() -> None:
    # The same lifter with a calendar is told of an expected dip; without one nobody expected anything.
    unused = lambda week: 150 * 1.002**week * (0.95 if week >= 20 else 1.0)  # noqa: E731
    plan = lambda week: (8, 2.0) if week < 20 else (3, 1.5)  # noqa: E731
    log = plant(22, strength=unused, plan=plan, noise=0.3, form=0.005)
    spans = blocks(("volume", 20), ("strength", 5))
    told, silent = (
        {flag.kind for flag in analyse_lifter(log, s, as_of=end_of(22)).exercises[0].flags}
        for s in (spans, ())
    )
    assert "expected_dip" in told
    assert "expected_dip" not in silent
