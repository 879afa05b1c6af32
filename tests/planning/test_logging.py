"""What comes in from a phone is stored once, in order, whole, and by nobody but its lifter."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from app.planning import logging
from app.storage import access, audit, lifters, logs, phone, seasons
from app.storage.engine import Store
from app.storage.models import CheckIn, LoggedSession, Message, PlannedSession, SetMark
from tests.factories import NOW, TODAY, make_lifter
from tests.phone_factories import World, from_coach, make_world, phone_token, plan_session, set_of

IDLE = timedelta(days=60)
MS = int(NOW.timestamp() * 1000)


class Phone:
    """A phone with its cookie, sending what a test tells it to."""

    def __init__(self, store: Store, world: World) -> None:
        self.store, self.world = store, world
        self.token = phone_token(store, world.lifter)
        self.now = NOW
        self.count = 0

    def write(self, kind: str, **fields: Any) -> dict[str, Any]:
        self.count += 1
        made = {"id": f"write-{id(self):016x}-{self.count:06d}"[:36], "kind": kind, "order": self.count}
        return made | {"at": int(self.now.timestamp() * 1000), "offset": 0} | fields

    def a_set(self, place: int = 0, **changes: Any) -> dict[str, Any]:
        usual = {
            "session": f"p{self.world.session.id}",
            "exercise": self.world.deadlift.id,
            "prescription": self.world.prescriptions[0],
            "planned_set": place,
            "number": place + 1,
            "load": "177.5",
            "unit": "kg",
            "reps": 3,
            "rpe": 8,
            "seen": 1,
        }
        return self.write("set", **(usual | changes))

    def send(self, *writes: Any, **options: Any) -> list[dict[str, Any]]:
        taken = logging.take(self.store, self.token, list(writes), idle=IDLE, now=self.now, **options)
        return taken.answers

    def one(self, write: Any, **options: Any) -> dict[str, Any]:
        return self.send(write, **options)[0]

    def stored(self, first: int = TODAY - 2, last: int = TODAY + 3) -> list[logs.StoredSet]:
        with self.store.reading() as db:
            return logs.sets_between(db, self.world.lifter.id, first, last)


@pytest.fixture
def a_phone(any_store: Store) -> Phone:
    return Phone(any_store, make_world(any_store))


@pytest.fixture
def quick(store: Store) -> Phone:
    """The same on SQLite alone, where the engine cannot matter."""
    return Phone(store, make_world(store))


@contextmanager
def lifter_row(store: Store, world: World) -> Iterator[Any]:
    with store.reading() as db:
        yield lifters.of_coach(db, world.coach, world.lifter.id)


def test_a_set_is_stored_as_typed_on_its_day_and_marks_the_lifter_stale(a_phone: Phone) -> None:
    answer = a_phone.one(a_phone.a_set(load="177,5", note="fast"))
    assert (answer["status"], answer["state"], answer["set"]) == (201, "saved", f"{TODAY}-0")
    (one,) = a_phone.stored()
    assert (one.load_grams, one.typed, one.reps, one.rpe_tenths, one.note) == (
        177_500,
        "177,5 kg",
        3,
        80,
        "fast",
    )
    assert (one.prescription_id, one.planned_set, one.set_number) == (a_phone.world.prescriptions[0], 0, 1)
    assert one.lifted_at == int(NOW.timestamp())
    with lifter_row(a_phone.store, a_phone.world) as lifter:
        assert lifter.stale_at == NOW


def test_pounds_are_kept_as_typed(a_phone: Phone) -> None:
    a_phone.one(a_phone.a_set(load="225", unit="lb"))
    (one,) = a_phone.stored()
    # 225 lb of exactly 0.45359237 kg (international yard and pound agreement, 1959) is 102.05828 kg.
    assert (one.load_grams, one.typed) == (102_058, "225 lb")


def test_the_same_write_again_gets_the_same_answer_and_stores_nothing(a_phone: Phone) -> None:
    write = a_phone.a_set()
    first = a_phone.one(write)
    a_phone.now += timedelta(hours=5)
    assert a_phone.one(write) == first
    assert a_phone.send(write, write) == [first, first]
    assert len(a_phone.stored()) == 1


def test_the_same_id_with_another_body_is_refused(a_phone: Phone) -> None:
    write = a_phone.a_set()
    a_phone.one(write)
    answer = a_phone.one(write | {"reps": 4})
    assert (answer["status"], answer["state"]) == (422, "refused")
    assert "used for another entry" in answer["why"]
    assert [one.reps for one in a_phone.stored()] == [3]


def test_duplicates_sent_in_parallel_are_stored_once(a_phone: Phone) -> None:
    writes = [a_phone.a_set(place) for place in range(6)]
    answers: list[list[dict[str, Any]]] = []

    def send() -> None:
        answers.append(a_phone.send(*writes))

    threads = [threading.Thread(target=send) for _ in range(6)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(answers) == 6
    assert all(given == answers[0] for given in answers)
    assert [one.planned_set for one in a_phone.stored()] == list(range(6))
    assert [one.position for one in a_phone.stored()] == list(range(6))


def test_two_phones_at_once_do_not_take_each_others_place(a_phone: Phone) -> None:
    other = Phone(a_phone.store, a_phone.world)
    done: list[dict[str, Any]] = []

    def lift(phone_in_hand: Phone, first: int) -> None:
        for place in range(first, first + 4):
            done.append(phone_in_hand.one(phone_in_hand.a_set(place)))

    threads = [
        threading.Thread(target=lift, args=(a_phone, 0)),
        threading.Thread(target=lift, args=(other, 4)),
    ]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert {one["status"] for one in done} == {201}
    assert sorted(one.planned_set or 0 for one in a_phone.stored()) == list(range(8))
    with a_phone.store.reading() as db:
        assert len(logs.sessions_between(db, a_phone.world.lifter.id, TODAY, TODAY)) == 1


def test_one_bad_write_keeps_nobody_else_out(a_phone: Phone) -> None:
    answers = a_phone.send(a_phone.a_set(0), a_phone.a_set(1, reps=-3), a_phone.a_set(2))
    assert [one["status"] for one in answers] == [201, 422, 201]
    assert answers[1]["why"] == "Reps must be a whole number from 0 to 200."
    assert [one.planned_set for one in a_phone.stored()] == [0, 2]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"load": "nan"}, "is not a mass"),
        ({"load": "-5"}, "is negative"),
        ({"load": "1e3"}, "is not a mass"),
        ({"load": "2000"}, "is more than 1,000 kg"),
        ({"load": ""}, "Enter a mass"),
        ({"load": None}, "Enter a load"),
        ({"load": ["100"]}, "Enter a load"),
        ({"unit": "stone"}, "A load needs its unit, kg or lb."),
        ({"reps": 0}, "mark the set as failed"),
        ({"reps": 201}, "Reps must be a whole number from 0 to 200."),
        ({"reps": 2.5}, "Reps must be a whole number"),
        ({"reps": True}, "Reps must be a whole number"),
        ({"rpe": 11}, "RPE must be a number from 1 to 10"),
        ({"rpe": "8.25"}, "RPE must be a number from 1 to 10"),
        ({"rpe": "nan"}, "RPE must be a number from 1 to 10"),
        ({"number": 0}, "The number of the set must be"),
        ({"number": None}, "The number of the set is missing."),
        ({"note": "x" * 501}, "The note must be 500 characters or fewer; these are 501."),
        ({"note": "a\x00b"}, "without control characters"),
        ({"session": "p0"}, "There is no such session."),
        ({"session": 12}, "There is no such session."),
        ({"session": "l99999"}, "There is no such session."),
        ({"exercise": 99_999}, "Your coach has no such exercise"),
        ({"exercise": -1}, "exercise does not name anything."),
        ({"at": -1}, "a time that cannot be"),
        ({"at": "now"}, "a time that cannot be"),
        ({"offset": 900}, "an offset from UTC that cannot be"),
        ({"day": "9 March"}, "A day is written like 2026-03-09."),
        ({"day": "2026-03-12"}, "That day has not begun."),
        ({"day": "2019-03-09"}, "more than three years ago"),
        ({"failed": "maybe"}, "failed must be yes or no."),
        ({"colour": "red"}, "colour is not known here."),
        ({"kind": "rest"}, "This kind of entry is not known here."),
        ({"id": "short"}, "An entry needs an id made on the phone."),
        ({"id": None}, "An entry needs an id made on the phone."),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(quick: Phone, change: dict[str, Any], words: str) -> None:
    answer = quick.one(quick.a_set() | change)
    assert answer["state"] == "refused"
    assert 400 <= answer["status"] < 500
    assert words in answer["why"]
    assert quick.stored() == []


@pytest.mark.parametrize("raw", [None, 7, "set", [], {}])
def test_a_write_that_is_no_write_is_refused(quick: Phone, raw: Any) -> None:
    assert quick.one(raw)["status"] == 422


def test_a_set_of_time_is_stored_without_reps(quick: Phone) -> None:
    plank = next(one for one in _exercises(quick) if one.name == "Plank")
    quick.one(
        quick.a_set(exercise=plank.id, prescription=None, planned_set=None, reps=None, seconds=45, load="0")
    )
    (one,) = quick.stored()
    assert (one.seconds, one.reps, one.load_grams) == (45, 0, 0)


def _exercises(a_phone: Phone) -> list[Any]:
    with a_phone.store.reading() as db:
        return [one for one, _ in phone.exercises_of(db, a_phone.world.lifter, since_day=0)]


def test_a_failed_set_may_have_no_rep(quick: Phone) -> None:
    quick.one(quick.a_set(reps=0, failed=True))
    assert [(one.reps, one.marks) for one in quick.stored()] == [(0, SetMark.FAILED)]


# Whose --------------------------------------------------------------------------------------------


def test_a_revoked_link_stores_nothing(a_phone: Phone) -> None:
    with a_phone.store.transaction() as db:
        access.revoke_links(db, a_phone.world.lifter, at=NOW)
    with pytest.raises(logging.LinkEnded):
        a_phone.send(a_phone.a_set())
    with pytest.raises(logging.LinkEnded):
        a_phone.send({"id": "not even a write"})
    assert a_phone.stored() == []


def test_a_phone_unused_for_long_has_to_open_its_link_again(quick: Phone) -> None:
    quick.now += timedelta(days=61)
    with pytest.raises(logging.LinkEnded):
        quick.send(quick.a_set())


def test_writes_made_on_another_lifters_link_are_not_taken(quick: Phone) -> None:
    other = make_lifter(quick.store, coach=quick.world.coach, name="Bodil")
    with pytest.raises(logging.NotYours):
        quick.send(quick.a_set(), lifter_id=other.id)
    assert quick.stored() == []


def test_the_same_id_means_nothing_to_another_lifter(a_phone: Phone) -> None:
    other_world = make_world(a_phone.store, coach=_other_coach(a_phone.store))
    other = Phone(a_phone.store, other_world)
    write = a_phone.a_set()
    a_phone.one(write)
    theirs = other.a_set() | {"id": write["id"]}
    assert other.one(theirs)["status"] == 201
    assert len(other.stored()) == len(a_phone.stored()) == 1


def _other_coach(store: Store) -> Any:
    from tests.factories import make_coach

    return make_coach(store, login="second@example.org")


def test_another_lifters_plan_exercise_and_session_cannot_be_named(quick: Phone) -> None:
    theirs = make_world(quick.store, coach=_other_coach(quick.store))
    their_phone = Phone(quick.store, theirs)
    session = their_phone.one(their_phone.a_set())["session"]
    assert quick.one(quick.a_set(exercise=theirs.deadlift.id))["status"] == 404
    assert quick.one(quick.a_set(session=f"l{session}"))["status"] == 404
    quick.one(quick.a_set(session=f"p{theirs.session.id}", prescription=theirs.prescriptions[0]))
    (one,) = quick.stored()
    assert one.prescription_id is None
    with quick.store.reading() as db:
        logged = logs.session_of_lifter(db, quick.world.lifter.id, one.session_id)
        assert logged is not None
        assert logged.planned_session_id is None
    with their_phone.store.reading() as db:
        assert len(logs.sets_between(db, theirs.lifter.id, TODAY, TODAY)) == 1


# When ---------------------------------------------------------------------------------------------


def test_the_day_is_the_one_on_the_lifters_phone(quick: Phone) -> None:
    # 23:30 on the 8th in New York is 03:30 UTC on the 9th.
    quick.now = datetime(2026, 3, 9, 3, 30, tzinfo=UTC)
    quick.one(quick.a_set(offset=-240, zone="America/New_York"))
    assert [one.day for one in quick.stored()] == [TODAY - 1]


def test_a_session_past_midnight_stays_on_the_day_it_began(quick: Phone) -> None:
    quick.now = datetime(2026, 3, 9, 23, 40, tzinfo=UTC)
    quick.one(quick.a_set(0))
    quick.now += timedelta(minutes=40)
    quick.one(quick.a_set(1))
    assert [one.day for one in quick.stored()] == [TODAY, TODAY]


def test_the_rest_of_a_session_two_days_later_is_a_session_of_its_own(quick: Phone) -> None:
    quick.one(quick.a_set(0))
    quick.now += timedelta(days=2)
    quick.one(quick.a_set(1))
    quick.one(quick.a_set(2))
    assert [one.day for one in quick.stored()] == [TODAY, TODAY + 2, TODAY + 2]
    with quick.store.reading() as db:
        found = phone.logged_for(db, quick.world.lifter.id, quick.world.session.id)
    assert [one.day for one in found] == [TODAY + 2, TODAY]


@pytest.mark.parametrize("wrong_by", [timedelta(hours=48), timedelta(hours=-48), timedelta(minutes=7)])
def test_a_wrong_clock_is_put_right_by_what_it_shows_now(quick: Phone, wrong_by: timedelta) -> None:
    lifted = quick.now - timedelta(hours=3)
    write = quick.a_set(at=int((lifted + wrong_by).timestamp() * 1000))
    quick.one(write, sent_at=quick.now + wrong_by)
    (one,) = quick.stored()
    assert one.lifted_at == int(lifted.timestamp())
    assert one.day == TODAY


def test_an_earlier_day_can_be_logged_by_name(quick: Phone) -> None:
    quick.one(quick.a_set(session="n0123456789abcdef", prescription=None, planned_set=None, day="2026-02-14"))
    assert [one.day for one in quick.stored(TODAY - 23, TODAY - 23)] == [TODAY - 23]


# Plans that change meanwhile ----------------------------------------------------------------------


def test_a_set_by_an_older_plan_is_kept_and_the_coach_can_see_it(a_phone: Phone) -> None:
    with a_phone.store.transaction() as db:
        planned = db.get(PlannedSession, a_phone.world.session.id)
        assert planned is not None
        planned.version = 2
    a_phone.send(a_phone.a_set(0), a_phone.a_set(1))
    with a_phone.store.reading() as db:
        events = phone.events(db, a_phone.world.lifter.id, "logged by an older plan")
    assert [(one.detail["seen"], one.detail["current"]) for one in events] == [(1, 2)]
    assert len(a_phone.stored()) == 2


def test_a_set_whose_plan_is_gone_is_kept(a_phone: Phone) -> None:
    write = a_phone.a_set()
    with a_phone.store.transaction() as db:
        db.delete(db.get(PlannedSession, a_phone.world.session.id))
    assert a_phone.one(write)["status"] == 201
    (one,) = a_phone.stored()
    assert one.prescription_id is None


def test_logging_a_set_says_that_the_session_was_done_and_undoing_it_says_it_was_not(quick: Phone) -> None:
    first = quick.a_set()
    quick.one(first)
    assert _due(quick).status == "done"
    quick.one(quick.write("remove", of=first["id"]))
    assert _due(quick).status == "planned"
    with quick.store.reading() as db:
        assert logs.sessions_between(db, quick.world.lifter.id, TODAY, TODAY) == []


def _due(a_phone: Phone) -> seasons.Due:
    with a_phone.store.reading() as db:
        return seasons.planned_between(db, a_phone.world.lifter.id, TODAY, TODAY)[0]


# Changing -----------------------------------------------------------------------------------------


def test_a_set_is_amended_and_what_it_was_is_kept(a_phone: Phone) -> None:
    first = a_phone.one(a_phone.a_set())
    change = a_phone.write(
        "amend", set=first["set"], version=1, load="180", unit="kg", reps=2, rpe=9, failed=True
    )
    answer = a_phone.one(change)
    assert (answer["status"], answer["version"]) == (201, 2)
    assert a_phone.one(change) == answer
    (one,) = a_phone.stored()
    assert (one.load_grams, one.reps, one.rpe_tenths, one.marks, one.version) == (180_000, 2, 90, 2, 2)
    with a_phone.store.reading() as db:
        (before,) = logs.revisions(db, a_phone.world.lifter.id, TODAY)
    assert (before.change, before.by, before.before["load_grams"]) == ("amended", "Vilde Aas", 177_500)


def test_two_phones_that_change_the_same_set_see_both_versions(a_phone: Phone) -> None:
    other = Phone(a_phone.store, a_phone.world)
    first = a_phone.one(a_phone.a_set())
    a_phone.one(a_phone.write("amend", set=first["set"], version=1, load="180", unit="kg", reps=3, rpe=8.5))
    lost = other.one(other.write("amend", set=first["set"], version=1, load="175", unit="kg", reps=3))
    assert (lost["status"], lost["state"]) == (409, "refused")
    assert lost["theirs"] == {
        "load": "180",
        "unit": "kg",
        "reps": 3,
        "rpe": 8.5,
        "failed": False,
        "seconds": None,
        "metres": None,
        "note": "",
    }
    assert lost["version"] == 2
    again = other.one(other.write("amend", set=first["set"], version=2, load="175", unit="kg", reps=3))
    assert again["status"] == 201
    assert [one.load_grams for one in a_phone.stored()] == [175_000]


def test_changes_made_offline_follow_the_set_they_speak_of(a_phone: Phone) -> None:
    first = a_phone.a_set()
    second = a_phone.write("amend", of=first["id"], load="180", unit="kg", reps=3, rpe=8)
    third = a_phone.write("amend", of=second["id"], load="182.5", unit="kg", reps=3, rpe=9)
    assert [one["status"] for one in a_phone.send(first, second, third)] == [201, 201, 201]
    assert [one.load_grams for one in a_phone.stored()] == [182_500]


def test_a_change_that_comes_before_its_set_is_told_to_come_again(quick: Phone) -> None:
    first = quick.a_set()
    change = quick.write("amend", of=first["id"], load="180", unit="kg", reps=3)
    assert quick.one(change)["state"] == "later"
    assert [one["state"] for one in quick.send(first, change)] == ["saved", "saved"]


def test_a_removed_set_can_be_put_back(a_phone: Phone) -> None:
    a_phone.send(a_phone.a_set(0), a_phone.a_set(1))
    gone = a_phone.stored()[0]
    answer = a_phone.one(a_phone.write("remove", set=f"{gone.day}-{gone.position}", version=1))
    assert answer["state"] == "removed"
    with a_phone.store.reading() as db:
        (removed,) = logs.revisions(db, a_phone.world.lifter.id, TODAY)
    a_phone.one(a_phone.write("restore", revision=removed.id))
    assert [(one.planned_set, one.load_grams) for one in a_phone.stored()] == [(0, 177_500), (1, 177_500)]


def test_a_set_removed_elsewhere_is_said_to_be(quick: Phone) -> None:
    first = quick.one(quick.a_set(0))
    quick.one(quick.write("remove", set=first["set"], version=1))
    answer = quick.one(quick.write("amend", set=first["set"], version=1, load="180", unit="kg", reps=3))
    assert (answer["status"], answer["theirs"]) == (409, None)


# The session as a whole ---------------------------------------------------------------------------


def test_a_session_is_rated_once_and_a_second_rating_is_a_conflict(a_phone: Phone) -> None:
    session = a_phone.one(a_phone.a_set())["session"]
    finish = a_phone.write("finish", session=f"p{a_phone.world.session.id}", rpe=8, minutes=64, note="good")
    assert a_phone.one(finish)["status"] == 201
    with a_phone.store.reading() as db:
        logged = logs.session_of_lifter(db, a_phone.world.lifter.id, session)
    assert logged is not None
    assert (logged.session_rpe_tenths, logged.minutes, logged.note, logged.version) == (80, 64, "good", 2)
    other = Phone(a_phone.store, a_phone.world)
    lost = other.one(other.write("finish", session=f"p{a_phone.world.session.id}", rpe=6, minutes=64))
    assert (lost["status"], lost["theirs"]["rpe"]) == (409, 8.0)
    won = other.one(other.write("finish", session=f"l{session}", rpe=6, minutes=64, version=2))
    assert won["status"] == 201


def test_a_session_can_be_finished_without_any_set(quick: Phone) -> None:
    quick.one(quick.write("finish", session=f"p{quick.world.session.id}", rpe=None, minutes=None))
    with quick.store.reading() as db:
        (logged,) = logs.sessions_between(db, quick.world.lifter.id, TODAY, TODAY)
    assert logged.finished_at == NOW


def test_skipping_is_told_to_the_coach_and_can_be_taken_back(a_phone: Phone) -> None:
    key, prescription = f"p{a_phone.world.session.id}", a_phone.world.prescriptions[2]
    a_phone.one(a_phone.write("skip", session=key, prescription=prescription, reason="no bench free"))
    with a_phone.store.reading() as db:
        (said,) = phone.messages(db, a_phone.world.lifter.id)
    assert (said.body, said.about["skipped"]) == ("Skipped: no bench free", prescription)
    a_phone.one(a_phone.write("skip", session=key, prescription=prescription, undo=True))
    with a_phone.store.reading() as db:
        assert list(phone.messages(db, a_phone.world.lifter.id)) == []


def test_a_whole_session_can_be_skipped(quick: Phone) -> None:
    quick.one(quick.write("skip", session=f"p{quick.world.session.id}", reason="ill"))
    assert _due(quick).status == "skipped"
    quick.one(quick.write("skip", session=f"p{quick.world.session.id}", undo=True))
    assert _due(quick).status == "planned"


def test_another_lifters_session_cannot_be_skipped(quick: Phone) -> None:
    block = quick.world.block
    other = make_lifter(quick.store, coach=quick.world.coach, name="Bodil")
    theirs = plan_session(quick.store, other, block, [(quick.world.squat, "1 x 5", [set_of(100, 5)])])
    assert quick.one(quick.write("skip", session=f"p{theirs.id}"))["status"] == 404


# Check-in, pain, words ----------------------------------------------------------------------------


def test_a_check_in_is_stored_with_the_body_mass(a_phone: Phone) -> None:
    write = a_phone.write(
        "check_in", sleep=2, soreness=4, stress=1, motivation=2, body_mass="82,4", unit="kg"
    )
    a_phone.send(write, write)
    with a_phone.store.reading() as db:
        found = phone.check_in_on(db, a_phone.world.lifter.id, TODAY)
        assert isinstance(found, CheckIn)
        assert (found.sleep, found.soreness, found.body_mass_grams) == (2, 4, 82_400)
    with lifter_row(a_phone.store, a_phone.world) as lifter:
        assert lifter.body_mass_grams == 82_400


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, "Answer at least one question"),
        ({"sleep": 8}, "Each answer of a check-in must be a whole number from 1 to 7."),
        ({"body_mass": "8", "unit": "kg"}, "Body mass must be from 20 to 400 kg"),
    ],
)
def test_a_check_in_that_cannot_be(quick: Phone, fields: dict[str, Any], words: str) -> None:
    assert words in quick.one(quick.write("check_in", **fields))["why"]


def test_pain_is_reported_and_said_to_be_over(a_phone: Phone) -> None:
    answer = a_phone.one(
        a_phone.write(
            "pain", place="lower back", severity=4, exercise=a_phone.world.deadlift.id, during="set 3"
        )
    )
    with a_phone.store.reading() as db:
        (report,) = phone.open_pains(db, a_phone.world.lifter.id)
    assert (report.id, report.place, report.severity) == (answer["pain"], "lower back", 4)
    a_phone.one(a_phone.write("pain_over", pain=report.id))
    with a_phone.store.reading() as db:
        assert list(phone.open_pains(db, a_phone.world.lifter.id)) == []


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"severity": 4}, "Where it hurts is empty."),
        ({"place": "knee"}, "How bad it is is missing."),
        ({"place": "knee", "severity": 11}, "How bad it is must be a whole number from 0 to 10."),
        ({"place": "knee", "severity": 3, "exercise": 9999}, "Your coach has no such exercise"),
    ],
)
def test_a_pain_report_that_cannot_be(quick: Phone, fields: dict[str, Any], words: str) -> None:
    assert words in quick.one(quick.write("pain", **fields))["why"]


def test_a_comment_speaks_of_the_set_it_was_made_on(a_phone: Phone) -> None:
    first = a_phone.a_set()
    a_phone.send(first, a_phone.write("message", body="Belt slipped here.", of=first["id"]))
    with a_phone.store.reading() as db:
        (said,) = phone.messages(db, a_phone.world.lifter.id)
    assert isinstance(said, Message)
    assert (said.author, said.body, said.about) == ("lifter", "Belt slipped here.", {"set": f"{TODAY}-0"})


def test_reading_marks_only_what_was_seen(a_phone: Phone) -> None:
    from_coach(a_phone.store, a_phone.world.lifter, "Seen")
    with a_phone.store.reading() as db:
        newest = phone.messages(db, a_phone.world.lifter.id)[0].id
    from_coach(a_phone.store, a_phone.world.lifter, "Not seen yet")
    a_phone.one(a_phone.write("read", until=newest))
    with a_phone.store.reading() as db:
        assert phone.unread_from_coach(db, a_phone.world.lifter.id) == 1


def test_drafts_of_the_coach_are_not_shown(quick: Phone) -> None:
    from_coach(quick.store, quick.world.lifter, "Not ready", sent_at=None)
    with quick.store.reading() as db:
        assert list(phone.messages(db, quick.world.lifter.id)) == []


def test_a_day_holds_only_so_many_sets(quick: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logs, "ROW_BASE", 3)
    quick.send(*(quick.a_set(place) for place in range(3)))
    with pytest.raises(logging.TooMuch):
        quick.send(quick.a_set(3))
    assert len(quick.stored()) == 3


def test_a_failure_half_way_stores_nothing(quick: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_arguments: Any, **_named: Any) -> None:
        raise RuntimeError("the lights went out")

    monkeypatch.setattr(phone, "mark_stale", fail)
    with pytest.raises(RuntimeError):
        quick.send(quick.a_set(0), quick.a_set(1))
    assert quick.stored() == []
    with quick.store.reading() as db:
        assert logs.sessions_between(db, quick.world.lifter.id, TODAY, TODAY) == []
        assert audit.of_coach(db, quick.world.coach.id, limit=1)[0].kind == "link opened"


def test_the_session_is_told_where_the_phone_was(quick: Phone) -> None:
    answer = quick.one(quick.a_set(offset=60, zone="Europe/Berlin"))
    with quick.store.reading() as db:
        logged = logs.session_of_lifter(db, quick.world.lifter.id, answer["session"])
    assert isinstance(logged, LoggedSession)
    assert (logged.offset_minutes, logged.time_zone) == (60, "Europe/Berlin")
