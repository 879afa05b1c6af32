"""The lifter page: what needs the coach with all its parts, one lift at a time, what was done of the plan."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest

from app.planning import flags as life
from app.planning.analysis import recompute
from app.planning.attention import Finding
from app.planning.worker import run_pending
from app.storage import lifters, logs
from app.storage.models import CoachMember, Decision, Lifter, PlannedSession, Prescription, SetMark
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import World, add_block, finding, report_pain, train
from tests.web.conftest import Client, sign_in
from tests.web.test_roster import statements


@pytest.fixture
def world(client: Client) -> World:
    """A lifter of the signed-in coach with twelve weeks of squats."""
    lifter = make_lifter(
        client.store, coach=client.coach, name="Maren Oduya", goal="Club meet", goal_day=TODAY + 40
    )
    made = World(client.store, client.coach, lifter, make_exercise(client.store, coach=client.coach))
    train(made)
    return made


def analysed(world: World, found: Sequence[Finding] | None = None) -> None:
    """The analysis as of now; with ``found``, just these flags."""
    recompute(world.store, world.lifter.id, now=NOW)
    if found is not None:
        with world.store.transaction() as db:
            life.sync(db, world.lifter.id, found, today=TODAY, now=NOW)


def plan(
    world: World, block_id: int, day: int, sets: list[dict[str, Any]], *, text: str, status: str = "planned"
) -> tuple[int, int]:
    """A planned session of one exercise: its number and its prescription's."""
    with world.store.transaction() as db:
        session = PlannedSession(
            block_id=block_id,
            lifter_id=world.lifter.id,
            week=1,
            position=1,
            name="Heavy",
            day=day,
            status=status,
        )
        db.add(session)
        db.flush()
        work = Prescription(
            planned_session_id=session.id,
            lifter_id=world.lifter.id,
            exercise_id=world.squat.id,
            position=1,
            text=text,
            sets=sets,
        )
        db.add(work)
        db.flush()
        return session.id, work.id


def text(html: str) -> str:
    """What a reader sees, without the tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("&amp;", "&").replace("&#39;", "'")


def page(client: Client, world: World, query: str = "", status: int = 200, **options: Any) -> str:
    answer = client.get(f"/lifters/{world.lifter.id}{query}", **options)
    assert answer.status_code == status
    return answer.text


# Who may look --------------------------------------------------------------------------------------


def test_another_coach_finds_nothing(client: Client, other_client: Client, world: World) -> None:
    assert other_client.get(f"/lifters/{world.lifter.id}").status_code == 404
    assert client.get("/lifters/999999").status_code == 404


def test_nobody_is_sent_to_sign_in(nobody: Client) -> None:
    answer = nobody.get("/lifters/1")
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")


# The page as a whole -------------------------------------------------------------------------------


def test_before_the_first_analysis_the_page_says_so(client: Client, world: World) -> None:
    assert "The first analysis of this log is being made" in page(client, world)


def test_the_head_says_block_goal_window_and_unit(client: Client, world: World) -> None:
    add_block(world, TODAY - 9, weeks=5, name="Heavy triples")
    analysed(world)
    said = text(page(client, world))
    assert "Heavy triples, week 2 of 5. Goal: Club meet on 18 Apr, 6 weeks. Recent window 8 weeks." in said
    assert "Logs in kg, Lisbon." in said


def test_every_link_of_the_page_leads_somewhere(client: Client, world: World) -> None:
    add_block(world, TODAY - 9, weeks=5)
    analysed(world, [finding(exercise_id=world.squat.id), finding(cause="silent:", kind="silent")])
    html = page(client, world).split("<main", 1)[1]
    for address in sorted(set(re.findall(r'(?:href|src|action|hx-get)="([^"]+)"', html))):
        path = address.replace("&amp;", "&").split("#")[0]
        # The world's block has no plan to open; forms are sent in tests of their own.
        is_form = f'action="{address}"' in html
        if path.startswith("/") and not is_form and not re.fullmatch(r"/blocks/\d+", path):
            assert client.get(path).status_code == 200, path
    for anchor in re.findall(r'href="#([^"]+)"', html):
        assert f'id="{anchor}"' in html, anchor
    assert f'href="/lifters/{world.lifter.id}/blocks/new">Next block' in html
    assert re.search(r'href="/blocks/\d+">Edit block', html)
    assert re.search(r'href="/lifters/\d+/flags/\d+/act\?action=step_back"', html)


def test_the_number_of_statements_does_not_grow_with_the_log(client: Client, world: World) -> None:
    analysed(world)
    with statements(client.store) as few:
        page(client, world)
    for week in range(30):
        log_sets(client.store, world.lifter, world.squat, TODAY - 200 - 7 * week, [(90, 5, 8.0)] * 3)
    analysed(world)
    with statements(client.store) as many:
        page(client, world)
    assert len(many) == len(few) <= 45


# Flags ---------------------------------------------------------------------------------------------


def test_a_flag_is_said_with_all_its_parts(client: Client, world: World) -> None:
    evidence = {"weeks": 5.0, "change_pct": -0.4, "usual_slope_pct_per_week": 0.2, "stress_ratio": 1.14}
    stall = finding(
        exercise_id=world.squat.id, evidence=evidence, advice="Consider a step back.", clears_when="it rises"
    )
    analysed(world, [stall])
    html = page(client, world)
    flag = re.search(r'<section class="flag watch".*?</section>', html, re.DOTALL)
    assert flag is not None
    said = text(flag.group())
    assert "Squat: stall likely, about 7 in 10" in said  # what changed
    assert "Since Sat 7 Feb 2026" in said
    assert "How large −0.4 % in 5 weeks, +0.2 % a week was usual; stress at 1.14 of the weeks before" in said
    assert "How sure About 7 in 10 that it has come to a standstill." in said
    assert "Rests on 72 sets in 24 sessions" in said
    assert "Consider a step back." in said  # what could be done
    assert "Over when It rises" in said
    assert 'href="/methods#stall"' in flag.group()


@pytest.mark.parametrize(
    ("kind", "evidence"),
    [
        ("regression",
         {"weeks": 4.0, "change_pct": -3.0, "usual_slope_pct_per_week": 0.1, "stress_ratio": 1.0}),
        ("load_spike", {"over_largest_of_four_weeks": 1.6, "over_largest_in_range": 1.4, "rep_range": "5-6"}),
        ("detraining", {"days_without": 20, "usual_days_between": 4.0}),
        ("effort_drift", {"rpe_above_prescribed": 1.2, "sessions": 6}),
        ("silent", {"days_without_log": 12, "usual_longest_gap": 4.0, "planned_since": 2}),
        ("missed_work", {"missed": 3, "due": 4, "days": 14}),
        ("readiness_drop", {"recent": 4.5, "usual": 3.0, "drop": 1.5, "check_ins": 3, "worst": "sleep"}),
        ("pain",
         {"severity": 5, "worst": 6, "place": "knee", "during": "descent", "last_day": TODAY, "reports": 2}),
        ("data_error", {"sets": 4, "days": 2, "last_day": TODAY - 2, "reason": "pounds_as_kilograms"}),
        ("expected_dip", {"below_best_pct": 1.2, "until": "2026-03-20", "block": "Fives"}),
        ("effort_drift", {"rpe_above_usual": -0.8, "weeks": 3.0, "probability": 0.7}),
        ("low_headroom", {"sessions": 3, "sets_at_the_end": 0.9}),
        ("stale_stimulus",
         {"weeks": 12, "load_low_kg": 100.0, "load_high_kg": 102.5, "reps_low": 5, "reps_high": 5}),
        ("ready_to_progress", {"rpe_below_prescribed": 1.6, "sessions": 2}),
    ],
)  # fmt: skip
def test_no_part_of_any_kind_is_empty(
    client: Client, world: World, kind: str, evidence: dict[str, Any]
) -> None:
    analysed(world, [finding(cause=f"{kind}:x", kind=kind, exercise_id=world.squat.id, evidence=evidence)])
    html = page(client, world)
    flag = re.search(r'<section class="flag .*?</section>', html, re.DOTALL)
    assert flag is not None
    for name, part in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", flag.group(), re.DOTALL):
        assert len(text(part).strip()) > 4, name
    assert "unknown" not in text(flag.group())
    assert re.search(rf'id="{kind}"', client.get("/methods").text)


def test_a_finding_is_written_into_the_figure(client: Client, world: World) -> None:
    dip = finding(
        cause="expected_dip:squat",
        kind="expected_dip",
        severity="notice",
        since_day=TODAY - 7,
        exercise_id=world.squat.id,
        evidence={"below_best_pct": 1.2, "until": "2026-03-20"},
    )
    analysed(world, [dip])
    assert "dip expected until 20 Mar" in page(client, world)


def test_a_flag_is_snoozed_dismissed_with_a_reason_and_shown_again(client: Client, world: World) -> None:
    analysed(world, [finding(exercise_id=world.squat.id)])
    number = re.search(r'id="flag-(\d+)"', page(client, world))
    assert number is not None
    flag = f"/lifters/{world.lifter.id}/flags/{number.group(1)}"
    assert client.post(f"{flag}/snooze", data={"days": "7"}).status_code == 303
    assert "snoozed until 16 Mar" in text(page(client, world))
    assert client.post(f"{flag}/reopen").status_code == 303
    refused = client.post(f"{flag}/dismiss", data={"reason": " "})
    assert refused.status_code == 422
    assert "Enter why it can be dismissed" in refused.text
    assert client.post(f"{flag}/dismiss", data={"reason": "a cold"}).status_code == 303
    assert "dismissed: a cold" in text(page(client, world))
    assert client.post(f"{flag}/snooze", data={"days": "400"}).status_code == 422


def test_another_coach_answers_no_flag(client: Client, other_client: Client, world: World) -> None:
    analysed(world, [finding(exercise_id=world.squat.id)])
    number = re.search(r'id="flag-(\d+)"', page(client, world))
    assert number is not None
    address = f"/lifters/{world.lifter.id}/flags/{number.group(1)}/dismiss"
    assert other_client.post(address, data={"reason": "x"}).status_code == 404


# One lift ------------------------------------------------------------------------------------------


def test_a_tab_is_a_link_and_a_fragment(client: Client, world: World) -> None:
    bench = make_exercise(client.store, coach=client.coach, name="Bench press")
    for week in range(8):
        log_sets(client.store, world.lifter, bench, TODAY - 7 * week, [(80, 5, 8.0)] * 3)
    analysed(world, [])
    whole = page(client, world, f"?lift={bench.id}")
    assert '<h2 id="ledger-title">Recent exposure, bench press</h2>' in whole
    assert f'href="?lift={world.squat.id}"' in whole
    part = page(client, world, f"?lift={bench.id}", headers={"HX-Request": "true"})
    assert part.lstrip().startswith('<section id="lift"')
    assert "Recent exposure, bench press" in part
    assert "<h1" not in part
    assert (
        page(client, world, "?lift=987654").count("Recent exposure") == 1
    )  # An unknown lift shows the first.


def test_the_figure_comes_as_drawing_data_sentence_and_table(client: Client, world: World) -> None:
    analysed(world, [])
    html = page(client, world)
    assert html.count('<svg class="fig ') == 3
    block = re.search(r'<script type="application/json" id="chart-data">(.*?)</script>', html, re.DOTALL)
    assert block is not None
    data = json.loads(block.group(1))
    (level,) = [trace for trace in data["data"] if trace["meta"] == "level"]
    shown = re.search(r"Squat now ([\d.]+) kg, 8 of 10 between", html)
    assert shown is not None
    assert float(shown.group(1)) == pytest.approx(level["y"][-1], abs=0.06)
    rows = re.findall(r'<tr><th scope="row">(.*?)</th>.*?<td class="num">([\d.]*)</td>', html)
    assert any(week == "Mon 2 Mar 2026" and value for week, value in rows)


def test_numbers_are_in_the_lifters_unit(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach, name="Rosa", unit="lb")
    world = World(client.store, client.coach, lifter, make_exercise(client.store, coach=client.coach))
    train(world)
    analysed(world, [])
    html = page(client, world)
    assert "e1RM, lb" in html
    assert re.search(r"Squat now \d{3} lb", html)
    assert "244.71 lb × 5" in text(html)  # 111 kg, the recent best.


def test_the_ledger_shows_what_comes_next_and_what_is_new_in_it(client: Client, world: World) -> None:
    block = add_block(world, TODAY - 9, weeks=5)
    step = [{"load_grams": 113_500, "reps": 5, "rpe": 8.0}] * 3
    plan(world, block, TODAY + 2, step, text="3 x 5 @ RPE 8")
    plan(world, block, TODAY + 4, [{"load_grams": 130_000, "reps": 2, "rpe": 8.0}], text="1 x 2 @ RPE 8")
    analysed(world, [])
    said = text(page(client, world))
    assert "113.5 kg × 5 @ 8, 11 Mar step, +2.5 kg, 2.3 %" in said
    assert "130 kg × 2 @ 8, 13 Mar first on record" in said


def test_a_leap_is_called_one(client: Client, world: World) -> None:
    block = add_block(world, TODAY - 9, weeks=5)
    plan(world, block, TODAY + 2, [{"load_grams": 125_000, "reps": 5, "rpe": 9.0}], text="1 x 5")
    analysed(world, [])
    assert re.search(r'class="small act">leap, \+14 kg, 12.6 %', page(client, world))


def test_room_left_speaks_of_the_planned_loads(client: Client, world: World) -> None:
    block = add_block(world, TODAY - 9, weeks=5)
    for week in range(3):
        sets = [{"load_grams": 112_500 + 2_500 * week, "reps": 5, "rpe": None}] * 3
        plan(world, block, TODAY + 2 + 7 * week, sets, text="3 x 5")
    analysed(world, [])
    said = text(page(client, world))
    assert "The planned sets of 5, 112.5 kg to 117.5 kg, are predicted to" in said
    assert "The largest step that lasts all 3 exposures is" in said
    assert re.search(r"The smallest step at this load, 2.5 kg, is being earned every \d+ (days|weeks)", said)
    assert "The plan has this lift every 7 days." in said


def test_pain_stops_the_advice_to_add_load(client: Client, world: World) -> None:
    report_pain(world, TODAY - 1, 5)
    analysed(world)
    said = text(page(client, world))
    assert "Advice to add load is stopped until the report is marked as resolved." in said
    assert "The largest step" not in said


def test_a_pain_report_is_resolved_with_a_reason(client: Client, other_client: Client, world: World) -> None:
    number = report_pain(world, TODAY - 1, 5)
    analysed(world)
    assert "Knee, 5 of 10 , squat" in text(page(client, world))
    address = f"/lifters/{world.lifter.id}/pain/{number}/resolve"
    assert other_client.post(address, data={"resolved": "x"}).status_code == 404
    assert client.post(address, data={"resolved": ""}).status_code == 422
    assert (
        client.post(f"/lifters/{world.lifter.id}/pain/999/resolve", data={"resolved": "x"}).status_code == 404
    )
    assert client.post(address, data={"resolved": "Physiotherapist: tendon, load again"}).status_code == 303
    run_pending(client.store, now=NOW)
    said = text(page(client, world))
    assert "Open pain reports" not in said
    assert "Advice to add load is stopped" not in said


def test_who_may_only_read_sees_no_way_to_write(client: Client, world: World) -> None:
    report_pain(world, TODAY - 1, 5)
    log_sets(client.store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    analysed(world)
    reader = make_coach(client.store, name="Reader", login="reader@example.org", club="Elsewhere")
    with client.store.transaction() as db:
        db.add(CoachMember(coach_id=world.coach.id, member_id=reader.id, role="read", created_at=NOW))
    sign_in(client, reader)
    client.cookies.set("terrace_roster", str(world.coach.id))
    html = page(client, world).split("<main", 1)[1]
    assert "Squat" in html
    assert "<form" not in html


def test_too_little_data_is_said_and_not_guessed(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach, name="New")
    world = World(client.store, client.coach, lifter, make_exercise(client.store, coach=client.coach))
    log_sets(client.store, lifter, world.squat, TODAY - 2, [(60, 5, 8.0)])
    analysed(world, [])
    html = page(client, world)
    assert "Squat: no trend yet: needs 3 more sessions." in html
    assert "Nothing can be predicted for this lift yet" in html


# Sessions ------------------------------------------------------------------------------------------


def test_done_is_shown_against_the_plan(client: Client, world: World) -> None:
    block = add_block(world, TODAY - 9, weeks=5)
    sets = [{"load_grams": 110_000, "reps": 5, "rpe": 8.0}] * 3
    session, work = plan(world, block, TODAY, sets, text="3 x 5 @ RPE 8", status="done")
    with world.store.transaction() as db:
        logged = logs.add_session(
            db, world.lifter.id, TODAY, planned_session_id=session, session_rpe_tenths=75, minutes=61
        )
        rows = [(110_000, 5, 80), (112_500, 4, 100)]
        logs.add_sets(db, [
            {"lifter_id": world.lifter.id, "day": TODAY, "position": i, "session_id": logged.id,
             "exercise_id": world.squat.id, "set_number": i + 1, "load_grams": grams, "reps": reps,
             "rpe_tenths": rpe, "prescription_id": work, "planned_set": i}
            for i, (grams, reps, rpe) in enumerate(rows)
        ])  # fmt: skip
    analysed(world, [])
    said = text(page(client, world))
    assert "Mon 9 Mar 2026, Heavy session RPE 7.5, 61 min" in said
    assert "3 x 5 @ RPE 8: 110 kg 110 kg × 5 @ 8, 112.5 kg × 4 @ 10" in said
    assert "1 set fewer, +2.5 kg, 1 rep fewer, RPE +1.0" in said


def test_a_session_that_was_not_done_stands_among_the_others(client: Client, world: World) -> None:
    block = add_block(world, TODAY - 9, weeks=5)
    plan(world, block, TODAY - 3, [{"load_grams": 100_000, "reps": 5, "rpe": None}], text="1 x 5")
    analysed(world, [])
    assert "Fri 6 Mar 2026, Heavy not done" in text(page(client, world))


def test_amendments_are_visible(client: Client, world: World) -> None:
    with world.store.transaction() as db:
        before = logs.sets_between(db, world.lifter.id, TODAY - 1, TODAY - 1)
        entered = int((NOW - timedelta(days=1)).replace(hour=18, minute=2).timestamp())
        logs.amend_set(db, world.lifter.id, before[0], {"lifted_at": entered}, by="Maren Oduya", at=NOW)
        first = logs.one_set(db, world.lifter.id, TODAY - 1, before[0].position)
        assert first is not None
        at = (NOW - timedelta(days=1)).replace(hour=19, minute=10)
        logs.amend_set(db, world.lifter.id, first, {"load_grams": 112_500}, by="Maren Oduya", at=at)
        logs.remove_set(db, world.lifter.id, before[2], by="Ines Marto", why="logged twice", at=at)
    analysed(world, [])
    said = text(page(client, world))
    assert "Set 1: entered 18:02, amended 19:10, was 111 kg × 5 @ 8." in said
    assert "Set 3: taken out 19:10 by Ines Marto, was 111 kg × 5 @ 8 (logged twice)." in said


# Odd sets ------------------------------------------------------------------------------------------


@pytest.fixture
def odd(client: Client, world: World) -> World:
    """One session of the twelve weeks was typed in pounds into a kilogram log."""
    log_sets(client.store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    analysed(world)
    return world


def picks(html: str) -> list[str]:
    return re.findall(r'name="set" value="([\d-]+)"', html)


def test_odd_sets_are_corrected_in_one_click_and_keep_their_history(client: Client, odd: World) -> None:
    html = page(client, odd)
    assert "Squat: 3 sets, pounds logged as kilograms" in html
    assert "245 kg × 5 @ 8" in text(html)
    chosen = picks(html)
    assert len(chosen) == 3
    answer = client.post(f"/lifters/{odd.lifter.id}/odd-sets", data={"set": chosen, "fix": "correct"})
    assert answer.status_code == 303
    with client.store.reading() as db:
        sets = logs.sets_between(db, odd.lifter.id, TODAY, TODAY)
        assert [one.load_grams for one in sets] == [111_130] * 3  # 245 lb to the gram.
        assert [one.typed for one in sets] == ["245 lb"] * 3
        assert not any(one.marks & SetMark.HELD_OUT for one in sets)
        assert logs.revisions(db, odd.lifter.id, TODAY)[0].before["load_grams"] == 245_000
    assert 'id="odd-sets"' not in page(client, odd)
    run_pending(client.store, now=NOW)
    assert "pounds logged as kilograms" not in page(client, odd)


def test_odd_sets_may_be_right_or_left_out(client: Client, odd: World) -> None:
    first, *rest = picks(page(client, odd))
    address = f"/lifters/{odd.lifter.id}/odd-sets"
    assert client.post(address, data={"set": [first], "fix": "right"}).status_code == 303
    assert client.post(address, data={"set": rest, "fix": "out"}).status_code == 303
    with client.store.reading() as db:
        (left,) = logs.sets_between(db, odd.lifter.id, TODAY, TODAY)
    assert left.marks & SetMark.ACCEPTED
    said = text(page(client, odd))
    assert "Set 1: confirmed" in said
    assert "taken out" in said


def test_a_set_changed_meanwhile_is_not_decided_about(client: Client, odd: World) -> None:
    chosen = picks(page(client, odd))
    with client.store.transaction() as db:
        one = logs.sets_between(db, odd.lifter.id, TODAY, TODAY)[2]
        logs.amend_set(db, odd.lifter.id, one, {"reps": 4}, by="Maren Oduya", at=NOW)
    answer = client.post(f"/lifters/{odd.lifter.id}/odd-sets", data={"set": chosen, "fix": "out"})
    assert answer.status_code == 422
    assert "A set was changed meanwhile, so nothing was decided." in answer.text
    with client.store.reading() as db:
        assert len(logs.sets_between(db, odd.lifter.id, TODAY, TODAY)) == 3  # All or none.


@pytest.mark.parametrize(
    "data", [{"fix": "correct"}, {"set": ["1-2"], "fix": "correct"}, {"set": ["1-2-3"], "fix": "x"}]
)
def test_nothing_ticked_or_nonsense_is_refused(client: Client, odd: World, data: dict[str, Any]) -> None:
    assert client.post(f"/lifters/{odd.lifter.id}/odd-sets", data=data).status_code == 422


def test_another_coach_fixes_nothing(client: Client, other_client: Client, odd: World) -> None:
    chosen = picks(page(client, odd))
    answer = other_client.post(f"/lifters/{odd.lifter.id}/odd-sets", data={"set": chosen, "fix": "out"})
    assert answer.status_code == 404


# Note and decisions --------------------------------------------------------------------------------


def test_the_note_is_kept_and_escaped(client: Client, world: World) -> None:
    address = f"/lifters/{world.lifter.id}/note"
    assert client.post(address, data={"note": "Sleeps badly <b>before</b> exams"}).status_code == 303
    assert "Sleeps badly &lt;b&gt;before&lt;/b&gt; exams" in page(client, world)
    with client.store.reading() as db:
        assert lifters.of_coach(db, client.coach, world.lifter.id).note.startswith("Sleeps")


def test_a_note_too_long_is_kept_as_typed(client: Client, world: World) -> None:
    answer = client.post(f"/lifters/{world.lifter.id}/note", data={"note": "x" * 4001})
    assert answer.status_code == 422
    assert "must be 4000 characters or fewer" in answer.text
    assert "x" * 4001 in answer.text
    assert "<title>Error: " in answer.text


def test_decisions_are_listed(client: Client, world: World) -> None:
    with client.store.transaction() as db:
        db.add(
            Decision(
                lifter_id=world.lifter.id,
                coach_id=client.coach.id,
                exercise_id=world.squat.id,
                action="step_back",
                detail={},
                evidence={},
                note="Two easy weeks",
                day=TODAY - 3,
                made_at=NOW,
                look_again_day=TODAY + 18,
            )
        )
    analysed(world, [])
    said = text(page(client, world))
    assert re.search(
        r"Step back, squat Fri, Ines Marto, look again 27 Mar take it back .{,40}Two easy weeks", said
    )


# Methods -------------------------------------------------------------------------------------------


def test_the_methods_page_has_every_anchor_that_pages_point_to(client: Client) -> None:
    html = client.get("/methods").text
    for anchor in (
        "cautions",
        "trend",
        "forecast",
        "exposure",
        "novelty",
        "headroom",
        "load",
        "flags",
        "strip",
    ):
        assert f'id="{anchor}"' in html
    for anchor in re.findall(r'href="#([^"]+)"', html):
        assert f'id="{anchor}"' in html, anchor
    said = text(html)
    for caution in (
        "Warm up",
        "spotters or safeties",
        "medical clearance",
        "Minors train only",
        "federation",
    ):
        assert caution in said
    assert "It does not predict injury" in said
    assert "not a medical device" in said


@pytest.mark.published
def test_the_methods_page_prints_the_published_equations(client: Client) -> None:
    # shared/repetition_equation_checks.csv: 100 kg x 5 by Epley 116.667, Brzycki 112.5, Lombardi 117.462.
    said = text(client.get("/methods").text)
    assert "Epley 116.7 kg 133.3 kg" in said
    assert "Brzycki 112.5 kg 133.3 kg" in said
    assert "Lombardi 117.5 kg 125.9 kg" in said


def test_the_methods_page_needs_a_coach(nobody: Client) -> None:
    assert nobody.get("/methods").status_code == 303


def test_what_was_decided_about_odd_sets_is_shown_and_brought_back(client: Client, odd: World) -> None:
    address = f"/lifters/{odd.lifter.id}/odd-sets"
    assert "Nothing has been decided yet" in client.get(address).text
    client.post(address, data={"set": picks(page(client, odd)), "fix": "correct"})
    assert f"{address}#decision-" in page(client, odd)
    html = client.get(address).text
    assert "Squat: put right as proposed" in text(html)
    assert "245 kg × 5 @ 8 → , decided: 245 lb × 5 @ 8" in text(html)
    chosen = picks(html)
    back = re.search(r'action="([^"]+/back)"', html)
    assert back is not None
    assert "Tick at least one set" in client.post(back[1]).text
    with client.store.transaction() as db:
        one = logs.sets_between(db, odd.lifter.id, TODAY, TODAY)[2]
        logs.amend_set(db, odd.lifter.id, one, {"reps": 4}, by="Maren Oduya", at=NOW)
    answer = client.post(back[1], data={"set": chosen})
    assert answer.status_code == 422
    assert "so nothing was done" in answer.text
    left = picks(answer.text)
    assert len(left) == 2  # The one that was changed cannot be ticked any more.
    assert client.post(back[1], data={"set": left}).status_code == 303
    assert "as logged again" in text(client.get(address).text)
    with client.store.reading() as db:
        sets = logs.sets_between(db, odd.lifter.id, TODAY, TODAY)
    assert [one.load_grams for one in sets] == [245_000, 245_000, 111_130]
    assert client.post(f"/lifters/{odd.lifter.id}/odd-sets/987654/back").status_code == 404


def test_a_set_is_quoted_in_the_unit_it_was_typed_in(client: Client, odd: World) -> None:
    with client.store.transaction() as db:
        lifter = db.get(Lifter, odd.lifter.id)
        assert lifter is not None
        lifter.unit = "lb"
    address = f"/lifters/{odd.lifter.id}/odd-sets"
    client.post(address, data={"set": picks(page(client, odd)), "fix": "correct"})
    # In pounds it would be 540.13, which nobody typed.
    assert "245 kg × 5 @ 8 → , decided: 245 lb × 5 @ 8" in text(client.get(address).text)
