"""Days stay where the lifter lived them, and a clock that jumps neither opens a session nor keeps it open."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from app.planning import access as signing
from app.planning import logging
from app.planning.days import monday_of, today_in
from app.storage import access, lifters
from app.storage.engine import Store
from tests.factories import NOW, make_coach, make_exercise, make_lifter
from tests.phone_factories import make_world, phone_token

# Half-hour shifts, Ramadan shifts, no shifts, offsets of 45 minutes, both sides of the date line.
ZONES = (
    "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Kolkata", "Pacific/Apia", "America/Sao_Paulo",
    "Europe/Lisbon", "America/New_York", "Pacific/Auckland", "Pacific/Chatham", "Asia/Kathmandu",
    "Africa/Cairo", "America/Santiago", "Asia/Beirut", "Pacific/Kiritimati", "Pacific/Pago_Pago",
    "America/St_Johns", "Antarctica/Troll", "Asia/Jerusalem",
)  # fmt: skip
FIRST, LAST = datetime(2024, 1, 1, tzinfo=UTC), datetime(2030, 12, 31, tzinfo=UTC)
DAY = timedelta(days=1)
IDLE, ABSOLUTE, ALWAYS = timedelta(hours=12), timedelta(days=30), timedelta(days=9000)


def changes(zone: ZoneInfo) -> list[datetime]:
    """The instants at which a zone's offset changes, found by halving each day over which it does."""
    found = []
    at = FIRST
    while at < LAST:
        if at.astimezone(zone).utcoffset() != (at + DAY).astimezone(zone).utcoffset():
            low, high = at, at + DAY
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) / 2
                same = middle.astimezone(zone).utcoffset() == low.astimezone(zone).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            found.append(high)
        at += DAY
    return found


def test_no_set_changes_its_training_day_over_any_change_of_clocks(store: Store) -> None:
    tried = changed = 0
    for place, name in enumerate(ZONES):
        zone = ZoneInfo(name)
        coach = make_coach(store, login=f"{place}@example.org")
        lifter, squat = make_lifter(store, coach=coach, time_zone=name), make_exercise(store, coach=coach)
        instants = [
            at + shift for at in changes(zone) for shift in (-DAY / 2, timedelta(0), timedelta(hours=3))
        ]
        changed += len(instants) // 3
        # 29 February, the turn of the year, ISO week 53 (2026), each just before and after local midnight.
        for day in (date(2024, 2, 29), date(2028, 2, 29), date(2026, 12, 31), date(2027, 1, 3)):
            midnight = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
            instants += [
                midnight - timedelta(seconds=1),
                midnight,
                midnight + timedelta(hours=23, minutes=30),
            ]
        expected = {}
        with store.transaction() as db:
            link = access.issue_link(db, lifter, at=FIRST - 2 * DAY, valid=ALWAYS)
        token = signing.open_link(store, link, device="phone", address="x", now=FIRST - 2 * DAY)
        for number, at in enumerate(sorted(set(instants))):
            local = at.astimezone(zone)
            offset = local.utcoffset()
            assert offset is not None
            key = f"time-{place:04d}-{number:06d}"
            write = {
                "id": key, "kind": "set", "exercise": squat.id, "number": 1, "load": "100",
                "unit": "kg", "reps": 5, "session": f"n{key:x>20}", "note": key,
                "at": int(at.timestamp() * 1000), "offset": round(offset / timedelta(minutes=1)),
            }  # fmt: skip
            answer = logging.take(store, token, [write], idle=ALWAYS, now=at).answers[0]
            assert answer["status"] == 201, (name, at, answer)
            # The local date as a wall calendar shows it, from the database of zones alone.
            expected[key] = date(local.year, local.month, local.day).toordinal()
            assert today_in(name, at) == expected[key], (name, at)
            tried += 1
        with store.reading() as db:
            rows = db.connection().exec_driver_sql(
                "SELECT note, day, lifted_at FROM logged_sets WHERE lifter_id = ? AND note LIKE 'time-%%'",
                (lifter.id,),
            )
            stored = {note: (day, lifted) for note, day, lifted in rows}
        assert {note: day for note, (day, _) in stored.items()} == expected, name
        # Moving house changes what today is, and no day on which something was lifted.
        with store.transaction() as db:
            lifters.of_coach(db, coach, lifter.id).time_zone = "Pacific/Kiritimati"
        with store.reading() as db:
            rows = db.connection().exec_driver_sql(
                "SELECT note, day FROM logged_sets WHERE lifter_id = ? AND note LIKE 'time-%%'",
                (lifter.id,),
            )
            assert dict(map(tuple, rows)) == expected, name
    print(f"{len(ZONES)} zones, {changed} changes of clocks, {tried} sets")
    assert changed > 100


def test_a_week_begins_on_monday_in_years_of_53_weeks_too() -> None:
    # ISO 8601: the week of a date is that of its Thursday; 2026 has 53, 2024 and 2030 have 52.
    for ordinal in range(date(2024, 1, 1).toordinal(), date(2031, 1, 15).toordinal()):
        day = date.fromordinal(ordinal)
        year, week, _ = day.isocalendar()
        assert monday_of(ordinal) == date.fromisocalendar(year, week, 1).toordinal()
    assert date(2026, 12, 31).isocalendar().week == 53


JUMPS = {"a day back": -DAY, "an hour on": timedelta(hours=1), "ten years on": timedelta(days=3653)}


@pytest.mark.parametrize("jump", JUMPS)
def test_a_session_opened_under_a_wrong_clock_ends_when_it_is_put_right(store: Store, jump: str) -> None:
    world, wrong = make_world(store), NOW + JUMPS[jump]
    with store.transaction() as db:
        token = access.open_coach_session(db, world.coach, device="browser", at=wrong)
    held = (
        signing.desk(store, token, roster=None, idle=IDLE, absolute=ABSOLUTE, now=NOW + later) is not None
        for later in (timedelta(0), 2 * DAY)
    )
    # Never longer than a session lives; an hour's error is not noticed.
    assert list(held) == [jump == "an hour on", False]


@pytest.mark.parametrize("jump", JUMPS)
def test_a_jump_and_back_ends_nothing_that_was_in_use(store: Store, jump: str) -> None:
    world = make_world(store)
    phone = phone_token(store, world.lifter, NOW)
    with store.transaction() as db:
        token = access.open_coach_session(db, world.coach, device="browser", at=NOW)
    given = {"idle": IDLE, "absolute": ABSOLUTE, "roster": None}
    during = signing.desk(store, token, now=NOW + JUMPS[jump], **given)  # type: ignore[arg-type]
    assert (during is not None) == (jump == "an hour on")
    signing.lifter_of(store, phone, idle=timedelta(days=60), now=NOW + JUMPS[jump])
    after = NOW + timedelta(minutes=5)
    assert signing.desk(store, token, now=after, **given) is not None  # type: ignore[arg-type]
    assert signing.lifter_of(store, phone, idle=timedelta(days=60), now=after) is not None


@pytest.mark.parametrize("jump", JUMPS)
def test_limits_on_tries_neither_stick_nor_open(store: Store, jump: str) -> None:
    limit = {"burst": 10, "every": timedelta(minutes=5)}

    def takes(times: int, now: datetime) -> int:
        with store.transaction() as db:
            return sum(access.take_attempt(db, "account:x", at=now, **limit) for _ in range(times))  # type: ignore[arg-type]

    assert takes(12, NOW) == 10
    wrong = NOW + JUMPS[jump]
    assert takes(50, wrong) <= 10
    # Back again: not locked for the length of the jump, and no more than a burst either.
    assert takes(50, NOW + timedelta(minutes=6)) <= 10
    assert takes(50, NOW + timedelta(minutes=12)) >= 1


@pytest.mark.parametrize("jump", JUMPS)
def test_a_set_is_taken_under_a_clock_that_jumped_and_keeps_its_day(store: Store, jump: str) -> None:
    world = make_world(store)
    token = phone_token(store, world.lifter, NOW)
    at = NOW + JUMPS[jump]
    write = {
        "id": "jump-000000000001", "kind": "set", "exercise": world.deadlift.id, "number": 1, "load": "100",
        "unit": "kg", "reps": 5, "session": "njjjjjjjjjjjjjjjjj", "at": int(NOW.timestamp() * 1000),
        "offset": 0, "day": (NOW - 2 * DAY).date().isoformat(),
    }  # fmt: skip
    try:
        taken = logging.take(store, token, [write], idle=timedelta(days=60), now=at, sent_at=NOW)
    except logging.LinkEnded:
        assert jump == "ten years on"  # nothing is stored, the phone keeps what it has
        taken = logging.take(store, token, [write], idle=timedelta(days=60), now=NOW, sent_at=NOW)
    assert taken.answers[0]["status"] == 201
    assert taken.answers[0]["set"].startswith(f"{(NOW - 2 * DAY).date().toordinal()}-")
