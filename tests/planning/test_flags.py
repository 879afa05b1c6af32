"""The life of a flag: raised once, updated in place, quiet once answered, cleared without flicker."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pytest

from app.planning import answers
from app.planning import flags as life
from app.planning.analysis import lifter_view, recompute
from app.planning.attention import Finding, missed_work, pain_findings, readiness_drop
from app.storage import flags, lifters
from app.storage.engine import Store
from app.storage.models import Flag, RosterRow
from app.storage.seasons import CheckedIn, Due, Pain
from tests.factories import NOW, TODAY, log_sets, make_coach
from tests.planning.world import World, at_day, finding, make_world, report_pain, train


def _sync(world: World, found: Sequence[Finding], day: int = 0) -> list[Flag]:
    with world.store.transaction() as db:
        return life.sync(db, world.lifter.id, found, today=TODAY + day, now=at_day(day))


def _all(world: World) -> list[Flag]:
    with world.store.reading() as db:
        return list(flags.history(db, world.lifter.id))


def _only(world: World) -> Flag:
    (flag,) = _all(world)
    return flag


# Raising and updating -----------------------------------------------------------------------------


def test_a_cause_is_one_flag_updated_in_place(any_store: Store) -> None:
    world = make_world(any_store)
    _sync(world, [finding(probability=0.62)])
    _sync(world, [finding(probability=0.66, evidence={"weeks": 6.0})], 1)
    flag = _only(world)
    assert flag.probability == 0.66
    assert flag.evidence == {"weeks": 6.0}
    assert flag.opened_at == at_day(0)
    assert flag.last_true_day == TODAY + 1


def test_a_stall_that_turns_into_a_fall_stays_one_flag(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding(kind="stall")])
    _sync(world, [finding(kind="regression", severity="act", probability=0.85)], 5)
    flag = _only(world)
    assert (flag.kind, flag.severity) == ("regression", "act")


def test_an_onset_that_wanders_is_not_told_anew(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding(since_day=TODAY - 30)])
    _sync(world, [finding(since_day=TODAY - 23)], 1)
    assert _only(world).since_day == TODAY - 30


def test_a_severity_is_lowered_only_beyond_the_dead_band(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding(kind="regression", severity="act", probability=0.82)])
    _sync(world, [finding(kind="regression", severity="watch", probability=0.78)], 1)
    assert _only(world).severity == "act"
    _sync(world, [finding(kind="regression", severity="watch", probability=0.71)], 2)
    assert _only(world).severity == "watch"


# Clearing -----------------------------------------------------------------------------------------


def test_an_estimate_is_cleared_only_after_a_while(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    assert [one.id for one in _sync(world, [], 6)] == [_only(world).id]
    assert _sync(world, [], 7) == []
    flag = _only(world)
    assert flag.cleared_at == at_day(7)
    assert flag.state == "cleared"


def test_a_condition_that_comes_and_goes_is_one_flag(store: Store) -> None:
    world = make_world(store)
    for day in range(28):
        _sync(world, [finding()] if day % 3 == 0 else [], day)
    flag = _only(world)
    assert flag.cleared_at is None
    assert flag.opened_at == at_day(0)


def test_what_was_just_cleared_is_not_raised_again_within_a_week(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    _sync(world, [], 7)
    assert _sync(world, [finding()], 9) == []
    assert len(_all(world)) == 1
    assert len(_sync(world, [finding()], 15)) == 1
    assert len(_all(world)) == 2


def test_worse_is_raised_again_at_once(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    _sync(world, [], 7)
    assert len(_sync(world, [finding(severity="act", kind="regression", probability=0.9)], 9)) == 1


def test_a_plain_fact_is_over_at_once(store: Store) -> None:
    world = make_world(store)
    silent = finding(cause="attendance:", kind="silent", probability=None, size=9.0)
    _sync(world, [silent])
    assert _sync(world, [], 1) == []


# Answers ------------------------------------------------------------------------------------------


def test_a_snoozed_flag_is_quiet_until_its_day(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    answers.snooze(store, world.coach, world.lifter.id, _only(world).id, until=TODAY + 7, now=NOW)
    _sync(world, [finding()], 6)
    assert _only(world).state == "snoozed"
    _sync(world, [finding()], 7)
    assert _only(world).state == "open"


def test_a_snoozed_flag_comes_back_early_only_when_clearly_worse(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding(probability=0.62)])
    answers.snooze(store, world.coach, world.lifter.id, _only(world).id, until=TODAY + 14, now=NOW)
    _sync(world, [finding(probability=0.70)], 1)
    flag = _only(world)
    assert flag.state == "snoozed"
    assert flag.probability == 0.62  # What the coach saw when answering.
    _sync(world, [finding(probability=0.78)], 2)
    assert _only(world).state == "open"
    assert _only(world).snoozed_until is None


def test_small_steps_add_up_to_worse(store: Store) -> None:
    world = make_world(store)
    silent = {"cause": "attendance:", "kind": "silent", "probability": None, "severity": "watch"}
    first = finding(**silent, evidence={"days_without_log": 8}, size=8.0)
    _sync(world, [first])
    answers.dismiss(store, world.coach, world.lifter.id, _only(world).id, reason="on holiday", now=NOW)
    states = []
    for day in range(1, 6):
        days_without = 8 + day
        _sync(
            world,
            [finding(**silent, evidence={"days_without_log": days_without}, size=float(days_without))],
            day,
        )
        states.append(_only(world).state)
    assert states == ["dismissed", "dismissed", "dismissed", "open", "open"]


def test_a_dismissed_flag_keeps_its_reason_and_can_be_raised_after_it_was_over(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    answers.dismiss(store, world.coach, world.lifter.id, _only(world).id, reason="known, a cut", now=NOW)
    _sync(world, [finding()], 3)
    assert _only(world).state == "dismissed"
    _sync(world, [], 12)
    assert _only(world).cleared_at == at_day(12)
    assert _only(world).reason == "known, a cut"
    _sync(world, [finding()], 30)
    assert len(_all(world)) == 2


def test_a_snooze_ends_after_today(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    with pytest.raises(answers.SnoozeInThePast):
        answers.snooze(store, world.coach, world.lifter.id, _only(world).id, until=TODAY, now=NOW)


def test_another_coach_cannot_answer(store: Store) -> None:
    world = make_world(store)
    _sync(world, [finding()])
    other = make_coach(store, login="other@example.org")
    with pytest.raises(lifters.LifterNotFound):
        answers.dismiss(store, other, world.lifter.id, _only(world).id, reason="mine", now=NOW)
    elsewhere = make_world(store, coach=other)
    with pytest.raises(flags.FlagNotFound):
        answers.dismiss(store, other, elsewhere.lifter.id, _only(world).id, reason="mine", now=NOW)
    assert _only(world).state == "open"


def test_an_answer_changes_the_roster_at_once(store: Store) -> None:
    world = make_world(store)
    train(world, until=TODAY - 16)
    recompute(store, world.lifter.id, now=NOW)
    flag = _only(world)

    def row() -> RosterRow:
        with store.reading() as db:
            found = db.get(RosterRow, world.lifter.id)
        assert found is not None
        return found

    assert row().level == "act"
    answers.snooze(store, world.coach, world.lifter.id, flag.id, until=TODAY + 7, now=NOW)
    assert row().level == ""
    assert row().body["needs"] == []
    answers.reopen(store, world.coach, world.lifter.id, flag.id, now=NOW)
    assert row().level == "act"


# From what is true of a lifter --------------------------------------------------------------------


def _pain(day: int, severity: int, *, exercise_id: int | None = 1, resolved: bool = False) -> Pain:
    return Pain(day, day, "knee", severity, "descent", exercise_id, "", NOW if resolved else None)


def test_pain_asks_for_a_decision_when_strong_or_reported_again() -> None:
    assert pain_findings([_pain(TODAY, 2)], today=TODAY)[0].severity == "watch"
    assert pain_findings([_pain(TODAY, 5)], today=TODAY)[0].severity == "act"
    assert pain_findings([_pain(TODAY - 3, 3), _pain(TODAY, 3)], today=TODAY)[0].severity == "act"


def test_pain_is_over_when_resolved_gone_or_faded() -> None:
    assert pain_findings([_pain(TODAY, 6, resolved=True)], today=TODAY) == []
    assert pain_findings([_pain(TODAY - 3, 6), _pain(TODAY, 0)], today=TODAY) == []
    assert pain_findings([_pain(TODAY - 30, 2)], today=TODAY) == []
    assert len(pain_findings([_pain(TODAY - 30, 6)], today=TODAY)) == 1


def test_a_new_report_wakes_a_dismissed_pain_flag(store: Store) -> None:
    world = make_world(store)
    train(world)
    report_pain(world, TODAY, 3)
    recompute(store, world.lifter.id, now=NOW)
    answers.dismiss(store, world.coach, world.lifter.id, _only(world).id, reason="bruise", now=NOW)
    recompute(store, world.lifter.id, now=at_day(1))
    assert _only(world).state == "dismissed"
    report_pain(world, TODAY + 1, 3)
    recompute(store, world.lifter.id, now=at_day(1))
    assert _only(world).state == "open"


def _due(*statuses: str) -> list[Due]:
    return [
        Due(number, 1, 1, "Heavy", TODAY - 2 * (len(statuses) - number), status)
        for number, status in enumerate(statuses)
    ]


def test_missed_work_needs_two_and_half() -> None:
    assert missed_work(_due("planned"), today=TODAY) == []
    assert missed_work(_due("planned", "done", "missed", "done", "done"), today=TODAY) == []
    (found,) = missed_work(_due("planned", "done", "missed", "done"), today=TODAY)
    assert (found.evidence["missed"], found.evidence["due"]) == (2, 4)
    assert missed_work(_due("skipped", "skipped", "done"), today=TODAY) == []


def _check_ins(usual: int, recent: int, *, spread: int = 0) -> list[CheckedIn]:
    before = [usual + spread * (-1) ** n for n in range(16)]
    return [
        *(CheckedIn(TODAY - 40 + 2 * n, (a, a, a, a)) for n, a in enumerate(before)),
        *(CheckedIn(TODAY - n, (recent, recent, recent, recent)) for n in (4, 2, 0)),
    ]


def test_readiness_is_judged_against_the_lifters_own_answers() -> None:
    assert readiness_drop(_check_ins(3, 3), today=TODAY) == []
    assert readiness_drop(_check_ins(5, 5), today=TODAY) == []
    (found,) = readiness_drop(_check_ins(2, 4), today=TODAY)
    assert (found.evidence["recent"], found.evidence["usual"]) == (4.0, 2.0)
    # The same two points mean less to a lifter whose answers always jump.
    assert readiness_drop(_check_ins(4, 5, spread=2), today=TODAY) == []


def test_a_few_check_ins_say_nothing() -> None:
    assert readiness_drop(_check_ins(2, 6)[-5:], today=TODAY) == []


# Over weeks ---------------------------------------------------------------------------------------


def test_a_steady_lifter_is_not_told_about_twice(store: Store) -> None:
    """Twelve weeks of ordinary training, a week off, and pain: each cause once, none flickering."""
    world = make_world(store)
    train(world, weeks=16, until=TODAY - 1)
    for day in range(0, 56):
        if day % 7 in (0, 3) and not 20 <= day < 34:
            log_sets(store, world.lifter, world.squat, TODAY + day, [(116.0 + day / 14, 5, 8.0)] * 3)
        if day == 40:
            report_pain(world, TODAY + day, 3)
        recompute(store, world.lifter.id, now=at_day(day))
    told = _all(world)
    raised = [(one.cause, one.opened_at) for one in told]
    for cause, at in raised:
        again = [other for same, other in raised if same == cause and other > at]
        assert all(other - at > timedelta(days=7) for other in again), raised
    assert {one.kind for one in told} <= {"silent", "pain", "load_spike", "stall", "regression"}
    assert sum(one.kind == "silent" for one in told) == 1
    assert lifter_view(store, world.coach, world.lifter.id, now=at_day(55)).open_flags[0].kind == "pain"
