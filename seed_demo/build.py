"""Builds the demo roster through the same calls a coach and a lifter would cause.

The coach moves over from a spreadsheet: a year of logs is imported, with the blocks that were trained.
The last weeks happen in Terrace: blocks are assigned, sessions are logged on phones, and the next block
stands on the calendar.
"""

from __future__ import annotations

import csv
import hashlib
import io
import secrets
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from app.config import Settings
from app.exchange import exercise_names, log_file, tables
from app.planning import access as accounts
from app.planning import blocks, imports, logging, past_blocks, worker
from app.planning.days import monday_of, today_in
from app.storage import access, exercises, lifters, seasons
from app.storage.blocks import prescriptions, sessions
from app.storage.engine import Store, Transaction
from app.storage.models import Coach, Lifter
from app.training import plan as plans
from app.training.plan import PlanDocument
from app.training.records import BlockSpan
from seed_demo import desk
from seed_demo.club import CLUB, COACH, LOGIN, PEOPLE, Person
from seed_demo.lives import HELPER_SHARE, HELPERS, ROWS, SPELLS, DoneSet, Life, Spell, plates, session, spells

HISTORY_WEEKS = 54
MOVED_WEEKS = 6  # how long ago the club moved over
SEED = 20
POUND = 0.45359237


def build(store: Store, settings: Settings, *, now: datetime) -> tuple[str, str, str]:
    """Fill an empty database; a sign-in code, a lifter's name and that lifter's link.

    A database that holds the demo already is left as it is and only gets fresh links.
    """
    with store.reading() as db:
        coach = access.coach_by_login(db, LOGIN)
    if coach is None:
        coach = _fill(store, now)
    code = accounts.issue_sign_in_link(store, LOGIN, now=now)
    with store.transaction() as db:
        lifter = _to_train_today(db, coach, now)
        link = access.issue_link(db, lifter, at=now, valid=timedelta(days=settings.link_days))
    return code, lifter.name, link


def _to_train_today(db: Transaction, coach: Coach, now: datetime) -> Lifter:
    """A lifter with a session still to be done today, so that the phone has something to show."""
    people = lifters.by_name(db, coach)
    ranked = sorted(PEOPLE, key=lambda one: (one.story != "dip", one.story != "steady"))
    for person in ranked:
        lifter = people[person.name.casefold()]
        today = today_in(lifter.time_zone, now)
        if any(one.status == "planned" for one in seasons.planned_between(db, lifter.id, today, today)):
            return lifter
    return people[ranked[0].name.casefold()]


def _fill(store: Store, now: datetime) -> Coach:
    rng = np.random.default_rng(SEED)
    setup = accounts.issue_setup_code(store, now=now)
    new = accounts.NewCoach(COACH, LOGIN, secrets.token_urlsafe(16), CLUB, "kg", "Europe/Lisbon")
    accounts.create_coach(store, setup, new, device="demo", address="demo", now=now)
    with store.reading() as db:
        coach = access.coach_by_login(db, LOGIN)
    assert coach is not None
    lives = _move_over(store, coach, rng, now)
    for life in lives:
        _last_weeks(store, coach, life.person, life, now)
    steady = [one.name for one in PEOPLE if one.story in ("steady", "stalled", "effort", "ready")]
    desk.sit_down(store, coach, steady[:10], now=now)
    desk.answer(store, coach, steady[:2], now=now)
    worker.run_pending(store, now)
    desk.look_again(store, coach, now=now)
    return coach


# The year before ----------------------------------------------------------------------------------


def _move_over(store: Store, coach: Coach, rng: np.random.Generator, now: datetime) -> list[Life]:
    """Register the lifters and import the spreadsheet of the year before."""
    lives: list[Life] = []
    text = io.StringIO()
    out = csv.writer(text)
    out.writerow((*log_file.FIELDS[:10], "failed"))
    seasons_of: dict[str, list[BlockSpan]] = {}
    for person, seed in zip(PEOPLE, rng.spawn(len(PEOPLE)), strict=True):
        today = today_in(person.zone, now)
        first = monday_of(today) - 7 * HISTORY_WEEKS
        life = Life(person, first=first, today=today, rng=seed)
        lives.append(life)
        until = monday_of(today) - 7 * _live_weeks(person)
        with store.transaction() as db:
            lifters.add(
                db,
                coach,
                at=now,
                name=person.name,
                time_zone=person.zone,
                unit=person.unit,
                body_mass_grams=round(person.body_mass * 1000),
                goal=person.goal,
                goal_day=None if person.goal_weeks is None else monday_of(today) + 7 * person.goal_weeks + 5,
            )
        found = seasons_of.setdefault(person.name, [])
        for start_week, spell in _year(person):
            start = first + 7 * start_week
            end = min(start + 7 * spell.weeks - 1, until - 1)
            found.append(BlockSpan(spell.name, spell.kind, start, end))  # type: ignore[arg-type]
            for week in range(-(-(end - start + 1) // 7)):
                for turn, weekday in enumerate(person.days):
                    day = start + 7 * week + weekday
                    if life.rng.random() > 0.06:  # Now and then a session is missed.
                        rated = _rating(life, spell)
                        for done in session(life, spell, week, turn, day):
                            out.writerow(_line(person, day, done, rated))
    data = text.getvalue().encode()
    rows = log_file.read_log(tables.read_table(data, "club log.csv", expected=log_file.FIELDS)).rows
    imports.apply(
        store,
        coach,
        rows,
        file_name="club log.csv",
        sha256=hashlib.sha256(data).digest(),
        guess=exercise_names.guess,
        now=now - timedelta(weeks=MOVED_WEEKS),
    )
    with store.reading() as db:
        names = {one.name: one.id for one in lifters.roster(db, coach)}
    for name, spans in seasons_of.items():
        past_blocks.add(store, coach, names[name], spans, now=now - timedelta(weeks=MOVED_WEEKS))
    return lives


def _live_weeks(person: Person) -> int:
    """Weeks ago that the block now running, or the one before it, was assigned in Terrace."""
    return {"dip": 4, "stalled": 6, "effort": 4, "holiday": 6, "silent": 4, "ready": 4}.get(
        person.story, 2 + PEOPLE.index(person) % 4
    )


def _live_spell(person: Person) -> Spell:
    if person.level == "novice":
        return SPELLS["novice"]
    kinds = ("strength", "volume") if person.level == "intermediate" else ("strength", "volume", "peak")
    return SPELLS[kinds[PEOPLE.index(person) % len(kinds)]]


def _year(person: Person) -> list[tuple[int, Spell]]:
    """Spells of the imported year, so turned that the story's last block comes at its end."""
    weeks = HISTORY_WEEKS - _live_weeks(person)
    found = spells(person, weeks, turn=PEOPLE.index(person))
    if person.story in ("dip",):
        # The last imported weeks are eights; the heavy block begins in Terrace.
        found = [one for one in found if one[0] + one[1].weeks <= weeks - 7]
        last = found[-1][0] + found[-1][1].weeks
        found.append((last, SPELLS["low-stress"]))
        found.append((last + 1, Spell("Volume eights", "volume", weeks - last - 1, 4, 8, 2.5, 10)))
    return found


def _rating(life: Life, spell: Spell) -> tuple[float, int] | None:
    if not life.person.rates_sessions or life.rng.random() < 0.1:
        return None
    hard = {"volume": 7.0, "strength": 7.5, "peak": 7.0, "low-stress": 4.0}[spell.kind]
    return (
        float(np.clip(np.round(hard + life.rng.normal(0, 0.8)), 2, 10)),
        int(life.rng.normal(75, 9)) if spell.kind != "low-stress" else int(life.rng.normal(50, 6)),
    )


def _line(person: Person, day: int, done: DoneSet, rated: tuple[float, int] | None) -> tuple[Any, ...]:
    kg, lb = (f"{done.load_kg:g}", "") if person.unit == "kg" else ("", f"{round(done.load_kg / POUND):d}")
    date = datetime.fromordinal(day).date().isoformat()
    effort = "" if done.rpe is None else f"{done.rpe:g}"
    session_rpe, minutes = ("", "") if rated is None else (f"{rated[0]:g}", str(rated[1]))
    failed = "yes" if done.failed else ""
    return (
        person.name,
        date,
        done.exercise,
        done.number,
        kg,
        lb,
        done.reps,
        effort,
        session_rpe,
        minutes,
        "",
        failed,
    )


# The last weeks, in Terrace -----------------------------------------------------------------------


def _last_weeks(store: Store, coach: Coach, person: Person, life: Life, now: datetime) -> None:
    with store.reading() as db:
        lifter = lifters.by_name(db, coach)[person.name.casefold()]
    monday = monday_of(life.today)
    start = monday - 7 * _live_weeks(person)
    if person.story == "dip":
        # Two more weeks of eights, then the first heavy weeks.
        _assign(store, coach, lifter, _plan(person, SPELLS["volume"], 2), start)
        _assign(store, coach, lifter, _plan(person, _heavy(), 4), start + 14)
    elif person.story == "stalled":
        _assign(store, coach, lifter, _plan(person, SPELLS["strength"], 8, extra_sets=1), start)
    else:
        spell = _live_spell(person)
        weeks = max(_live_weeks(person) + 1, spell.weeks)
        _assign(store, coach, lifter, _plan(person, spell, weeks), start)
    _train(store, coach, lifter, person, life, start, now)
    after = SPELLS["strength" if _live_spell(person).kind == "volume" else "volume"]
    _assign(store, coach, lifter, _plan(person, after, after.weeks), _next_start(store, lifter), now=now)


def _heavy() -> Spell:
    return Spell("Heavy triples", "strength", 4, 4, 3, 2.0, 6)


def _next_start(store: Store, lifter: Lifter) -> int:
    with store.reading() as db:
        return max(one.end_day for one in seasons.blocks(db, lifter.id)) + 1


def _plan(person: Person, spell: Spell, weeks: int, *, extra_sets: int = 0) -> PlanDocument:
    """A block as a coach would write it: main work, its helper, rows; a little more each week."""
    plan = PlanDocument(
        name=spell.name,
        kind=spell.kind,  # type: ignore[arg-type]
        weeks=weeks,
        purpose=_purpose(spell),
        unit="lb" if person.unit == "lb" else "kg",
    )
    for turn, weekday in enumerate(person.days):
        plan, _ = plans.apply_all(plan, plans.add_session(plan, f"Day {turn + 1}", weekday))
        lifts = [person.lifts[turn % len(person.lifts)], person.lifts[(turn + 1) % len(person.lifts)]]
        rows: list[tuple[str, str]] = []
        for place, lift in enumerate(lifts):
            sets = max(2, spell.sets - place) + extra_sets
            rows.append((lift, f"{sets} x {spell.reps} leaving {{left}}"))
            rows.append((HELPERS[lift], f"3 x {spell.helper_reps} leaving 3"))
        rows.append((ROWS[0], "3 x 10 leaving 3"))
        for exercise, text in rows:
            plan, _ = plans.apply_all(plan, plans.add_row(plan, plan.sessions[turn].id, exercise))
            row = plan.sessions[turn].rows[-1].id
            for week in range(weeks):
                left = max(1.0, spell.left + 1.0 - 0.5 * week)
                plan, _ = plans.apply_all(
                    plan, plans.set_cell(plan, row, week, text.format(left=f"{left:g}"))
                )
    return plan


def _purpose(spell: Spell) -> str:
    return {
        "volume": "More work than lately at loads you own: the heavy weeks after it stand on this.",
        "strength": "Heavier sets than lately, a little more each week, with repetitions left.",
    }.get(spell.kind, "")


def _assign(
    store: Store,
    coach: Coach,
    lifter: Lifter,
    plan: PlanDocument,
    start_day: int,
    now: datetime | None = None,
) -> None:
    at = now or _instant(lifter, start_day, 7)
    blocks.assign(store, coach, lifter.id, plan, start_day=start_day, now=at)


def _instant(lifter: Lifter, day: int, hour: int) -> datetime:
    local = datetime.combine(datetime.fromordinal(day).date(), time(hour), ZoneInfo(lifter.time_zone))
    return local.astimezone(UTC)


def _train(
    store: Store, coach: Coach, lifter: Lifter, person: Person, life: Life, start: int, now: datetime
) -> None:
    """Log every planned session up to now on the lifter's phone, as the person's story has it."""
    with store.transaction() as db:
        opened = _instant(lifter, start, 6)
        link = access.issue_link(db, lifter, at=opened, valid=timedelta(days=365))
    token = accounts.open_link(store, link, device="demo phone", address="demo", now=opened)
    with store.reading() as db:
        names = {one.id: one.name for one in exercises.all_of(db, coach)}
        planned = [
            (one.id, one.week, one.day)
            for block in seasons.blocks(db, lifter.id)
            for one in sessions(db, block.id)
            if one.day <= life.today
        ]
        held: dict[int, list[Any]] = {}
        for one in prescriptions(db, [number for number, _, _ in planned]):
            held.setdefault(one.planned_session_id, []).append(one)
    for number, week, day in planned:
        at = min(_instant(lifter, day, 18), now)
        if _stays_away(person, life, day) or day == life.today:
            continue  # Today's sessions are left for whoever tries the demo.
        writes = _session_writes(person, life, number, week, day, held.get(number, []), names, at)
        logging.take(store, token, writes, idle=timedelta(days=400), now=at + timedelta(hours=1, minutes=20))


def _stays_away(person: Person, life: Life, day: int) -> bool:
    back = life.today - day
    if person.story == "silent":
        return back < 12
    if person.story == "holiday":
        return 5 <= back < 27
    return bool(life.rng.random() < 0.04)


def _session_writes(
    person: Person,
    life: Life,
    number: int,
    week: int,
    day: int,
    held: list[Any],
    names: dict[int, str],
    at: datetime,
) -> list[dict[str, Any]]:
    form, writes, back = life.day_form(), [], life.today - day
    offset = int((at.astimezone(ZoneInfo(person.zone)).utcoffset() or timedelta(0)).total_seconds() // 60)
    stamp = {"offset": offset, "zone": person.zone}
    for prescription in held:
        exercise = names[prescription.exercise_id]
        lift, share = _lift_of(exercise)
        strength = life.strength(lift, day) * share * form
        if person.story == "effort" and back < 24:
            strength *= 0.965
        if person.story == "ready" and back < 15:
            strength *= 1.03
        again = 2 if person.story == "spike" and back < 6 else 1
        for turn, planned in enumerate(prescription.sets * again):
            load = (planned["load_grams"] or 0) / 1000 or plates(
                life.load_for(planned["reps"], 3, strength), person.unit
            )
            done = life.do(exercise, turn + 1, load, planned["reps"], strength * (1 - 0.006 * turn))
            at += timedelta(seconds=150)
            writes.append(
                {
                    "id": secrets.token_hex(16),
                    "kind": "set",
                    "session": f"p{number}",
                    "exercise": prescription.exercise_id,
                    "prescription": prescription.id,
                    "planned_set": turn if turn < len(prescription.sets) else None,
                    "number": turn + 1,
                    "reps": done.reps,
                    "rpe": None if done.rpe is None else f"{done.rpe:g}",
                    "failed": done.failed,
                    "at": int(at.timestamp() * 1000),
                    **stamp,
                    **_load(person, exercise, done.load_kg, back),
                }
            )
    if person.story == "pain" and lift_day(held, names, "Squat") and 0 < back <= 4:
        squat = next(one.exercise_id for one in held if names[one.exercise_id] == "Squat")
        writes.append(
            {
                "id": secrets.token_hex(16),
                "kind": "pain",
                "place": "left knee",
                "severity": 5,
                "during": "on the way down",
                "exercise": squat,
                "at": int(at.timestamp() * 1000),
                **stamp,
            }
        )
    rated = _rating(life, SPELLS["strength"])
    if rated is not None:
        writes.append(
            {
                "id": secrets.token_hex(16),
                "kind": "finish",
                "session": f"p{number}",
                "rpe": f"{rated[0]:g}",
                "minutes": rated[1],
                "at": int(at.timestamp() * 1000),
                **stamp,
            }
        )
    return writes


def lift_day(held: list[Any], names: dict[int, str], lift: str) -> bool:
    return any(names[one.exercise_id] == lift for one in held)


def _load(person: Person, exercise: str, load_kg: float, back: int) -> dict[str, Any]:
    if person.unit == "kg":
        return {"load": f"{load_kg:g}", "unit": "kg"}
    pounds = f"{round(load_kg / POUND):d}"
    if person.story == "pounds" and exercise == "Bench press" and back < 8:
        return {"load": pounds, "unit": "kg"}  # The slip that the story is about.
    return {"load": pounds, "unit": "lb"}


def _lift_of(exercise: str) -> tuple[str, float]:
    for lift, helper in HELPERS.items():
        if exercise == helper:
            return lift, HELPER_SHARE[lift]
    return ("Deadlift", ROWS[1]) if exercise == ROWS[0] else (exercise, 1.0)
