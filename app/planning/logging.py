"""What comes in from a phone. Each write carries an id made on the phone; a repeat gets the same answer.

A request may bring many writes. They are taken in order inside one transaction: what is refused stores
nothing and keeps nobody else out, and nothing is answered before the commit. A write names the day or the
instant by the phone's clock; the request says what that clock shows now, so a wrong clock is put right.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from app.planning.access import TOUCH_AFTER
from app.planning.days import today_in
from app.storage import access, audit, logs, phone
from app.storage.engine import Store, Transaction
from app.storage.logs import StoredSet
from app.storage.models import CheckIn, Message, PainReport, SetMark, SetRevision
from app.training.units import TypedMass, mass_number, parse_mass

MOST_WRITES = 100
MOST_BYTES = 256_000
EARLIEST = timedelta(days=1100)  # older work is brought in as a file
CLOCK_TOLERANCE = timedelta(minutes=2)
ID = re.compile(r"[A-Za-z0-9_-]{16,36}")
SESSION = re.compile(r"p[1-9][0-9]{0,8}|l[1-9][0-9]{0,8}|n[A-Za-z0-9_-]{15,35}")

LIMITS: Mapping[str, tuple[float, float, str]] = {
    "number": (1, 99, "The number of the set"),
    "reps": (0, 200, "Reps"),
    "rpe": (1, 10, "RPE"),
    "seconds": (1, 7200, "Seconds"),
    "metres": (1, 10_000, "Metres"),
    "session_rpe": (0, 10, "Session RPE"),
    "minutes": (1, 600, "Minutes"),
    "severity": (0, 10, "How bad it is"),
    "answer": (1, 7, "Each answer of a check-in"),
}
"""Name -> lowest, highest, what it is called: what a phone may send, here and nowhere else."""


class LinkEnded(Exception):
    """The phone's session is over: its private link was revoked or has expired."""


class NotTaken(Exception):
    """A write that cannot be stored; the words say what is wrong and what to do."""

    def __init__(self, words: str, status: int = 422, **more: Any) -> None:
        super().__init__(words)
        self.words, self.status, self.more = words, status, more


class NotYours(Exception):
    """The writes were made on another lifter's link."""


class RevisionNotFound(LookupError):
    """No change of this lifter's log took that set out."""


class BackAlready(Exception):
    """The set that was taken out is in the log again."""


class TooMuch(Exception):
    """More sets on one day than a day can hold; nobody lifts that many, so something is wrong."""


class Repeated(Exception):
    """A write that has been here before, and what was answered then."""

    def __init__(self, fingerprint: bytes, answer: dict[str, Any]) -> None:
        super().__init__()
        self.fingerprint, self.answer = fingerprint, answer


@dataclass(frozen=True, slots=True)
class Taken:
    """Answers in the order of the writes, and the lifter they are about."""

    lifter_id: int
    answers: list[dict[str, Any]]


# A lifter's loads are few and come again and again; reading one takes as long as storing it.
_short_mass = lru_cache(1024)(parse_mass)


class Fields:
    """The fields of one write, each asked for by name; what nobody asks for is refused."""

    def __init__(self, raw: Mapping[str, Any]) -> None:
        self._raw = {name: value for name, value in raw.items() if name not in ("id", "kind", "order")}

    def take(self, name: str) -> Any:
        return self._raw.pop(name, None)

    def end(self) -> None:
        if self._raw:
            raise NotTaken(
                f"{', '.join(sorted(map(str, self._raw)))[:80]} is not known here. Load the page again."
            )

    def has(self, name: str) -> bool:
        """True if there is an answer; an empty one is taken off."""
        if self._raw.get(name) in (None, ""):
            self._raw.pop(name, None)
            return False
        return True

    def whole(self, name: str, limit: str, *, needed: bool = False) -> int | None:
        low, high, label = LIMITS[limit]
        value = self.take(name)
        if value is None or value == "":
            if needed:
                raise NotTaken(f"{label} is missing. Enter a number from {low:g} to {high:g}.")
            return None
        if isinstance(value, str) and re.fullmatch(r"[0-9]{1,6}", value.strip()):
            value = int(value)
        if type(value) is not int or not low <= value <= high:
            raise NotTaken(f"{label} must be a whole number from {low:g} to {high:g}.")
        return value

    def tenths(self, name: str, limit: str, *, needed: bool = False) -> int | None:
        low, high, label = LIMITS[limit]
        value = self.take(name)
        if value is None or value == "":
            if needed:
                raise NotTaken(f"{label} is missing. Enter a number from {low:g} to {high:g}.")
            return None
        try:
            number = (
                Decimal(str(value).strip().replace(",", ".")) if type(value) in (int, float, str) else None
            )
        except InvalidOperation:
            number = None
        if number is None or not number.is_finite() or not low <= number <= high or number * 10 % 1:
            raise NotTaken(f"{label} must be a number from {low:g} to {high:g}, such as 8 or 8.5.")
        return int(number * 10)

    def text(self, name: str, label: str, longest: int, *, needed: bool = False) -> str:
        value = self.take(name)
        if value is None:
            value = ""
        if not isinstance(value, str) or any(ord(one) < 32 and one not in "\r\n\t" for one in value):
            raise NotTaken(f"{label} must be text without control characters.")
        value = value.strip()
        if len(value) > longest:
            raise NotTaken(f"{label} must be {longest} characters or fewer; these are {len(value)}.")
        if needed and not value:
            raise NotTaken(f"{label} is empty. Write something first.")
        return value

    def yes(self, name: str) -> bool:
        value = self.take(name)
        if value not in (None, True, False, "yes", ""):
            raise NotTaken(f"{name} must be yes or no.")
        return value in (True, "yes")

    def number_of(self, name: str) -> int | None:
        """The number by which a thing is stored."""
        value = self.take(name)
        if value is None or value == "":
            return None
        if isinstance(value, str) and re.fullmatch(r"[0-9]{1,9}", value):
            value = int(value)
        if type(value) is not int or not 0 <= value < 2**31:
            raise NotTaken(f"{name} does not name anything. Load the page again.")
        return value

    def mass(self, name: str, unit: object) -> TypedMass:
        value = self.take(name)
        if unit not in ("kg", "lb"):
            raise NotTaken("A load needs its unit, kg or lb.")
        if type(value) not in (str, int, float):
            raise NotTaken("Enter a load, for example 82.5.")
        text = str(value)
        try:
            return _short_mass(text, unit) if len(text) < 12 else parse_mass(text, unit)
        except ValueError as error:
            raise NotTaken(f"{error}.") from None

    def place(self) -> tuple[int, int] | None:
        """A stored set by its day and position, written "738953-4"."""
        value = self.take("set")
        if value is None or value == "":
            return None
        if not isinstance(value, str) or not re.fullmatch(r"[0-9]{1,7}-[0-9]{1,4}", value):
            raise NotTaken("There is no such set. Load the page again.", 404)
        day, _, position = value.partition("-")
        return int(day), int(position)


@dataclass(frozen=True, slots=True)
class Instant:
    """When something happened by the phone: its clock, its offset from UTC, its zone if it said."""

    at: datetime
    offset: int
    zone: str | None

    @property
    def day(self) -> int:
        return self.at.astimezone(timezone(timedelta(minutes=self.offset))).date().toordinal()


class Counter:
    """One request at work: whose it is, on which transaction, by which clock."""

    def __init__(
        self,
        connection: phone.Channel,
        token: str,
        *,
        lifter_id: int | None,
        idle: timedelta,
        now: datetime,
        skew: timedelta,
    ) -> None:
        self.connection, self.token_hash = connection, access.digest(token)
        self.idle, self.now, self.skew = idle, now, skew
        self.stale = False
        self._expected = lifter_id
        self._holder: phone.Holder | None = None
        self._db: Transaction | None = None

    @property
    def db(self) -> Transaction:
        """A session on the same transaction, made when something rarer than a set needs it."""
        if self._db is None:
            self._db = Transaction(self.connection, expire_on_commit=False)
        return self._db

    def close(self) -> None:
        if self._db is not None:
            self._db.flush()

    @property
    def holder(self) -> phone.Holder:
        """Whose phone this is.

        Raises
        ------
        LinkEnded, NotYours
            If the phone may not write, or the writes are another lifter's.
        """
        if self._holder is None:
            return self.admit(phone.holder(self.connection, self.token_hash, self.now))
        return self._holder

    def admit(self, holder: phone.Holder | None) -> phone.Holder:
        if holder is None or abs(self.now - holder.last_used_at) > self.idle:
            raise LinkEnded
        if self._expected is not None and self._expected != holder.lifter_id:
            raise NotYours
        self._holder = holder
        return holder

    @property
    def lifter_id(self) -> int:
        return self.holder.lifter_id

    def instant(self, fields: Fields) -> Instant:
        raw, offset, zone = fields.take("at"), fields.take("offset"), fields.take("zone")
        if raw is None:
            # A form without JavaScript says no time: it is now, where the lifter lives.
            home = self.now.astimezone(ZoneInfo(self.holder.time_zone)).utcoffset() or timedelta(0)
            return Instant(self.now, int(home.total_seconds() // 60), None)
        if type(raw) is not int or not 0 <= raw < 4_102_444_800_000:
            raise NotTaken("The phone sent a time that cannot be. Check its clock.")
        if type(offset) is not int or not -840 <= offset <= 840:
            raise NotTaken("The phone sent an offset from UTC that cannot be. Check its clock.")
        if zone is not None and (
            not isinstance(zone, str) or not re.fullmatch(r"[A-Za-z0-9_+/-]{1,64}", zone)
        ):
            zone = None
        at = datetime.fromtimestamp(raw / 1000, UTC) + self.skew
        return Instant(min(at, self.now), offset, zone)

    def day(self, fields: Fields, instant: Instant) -> int:
        """The lifter's training day: the one chosen, else the date on the phone."""
        raw = fields.take("day")
        if raw is None or raw == "":
            day = instant.day
        else:
            try:
                day = date.fromisoformat(raw if isinstance(raw, str) else "").toordinal()
            except ValueError:
                raise NotTaken("A day is written like 2026-03-09.") from None
        latest = max(instant.day, today_in(self.holder.time_zone, self.now))
        if day > latest:
            raise NotTaken("That day has not begun. Choose today or an earlier day.")
        if day < latest - EARLIEST.days:
            raise NotTaken(
                "That day is more than three years ago. Ask your coach to bring old logs in as a file."
            )
        return day


def take(
    store: Store,
    token: str,
    writes: list[Any],
    *,
    idle: timedelta,
    now: datetime,
    lifter_id: int | None = None,
    sent_at: datetime | None = None,
) -> Taken:
    """Store what a phone sends; the answers may be given to the phone once this returns.

    ``lifter_id`` is whose phone the sender believes this is; ``sent_at`` what its clock shows.

    Raises
    ------
    LinkEnded
        If the phone's link was revoked or has expired: nothing is stored, the phone keeps its writes.
    NotYours, TooMuch
        If the writes are another lifter's, or more sets than a day can hold: nothing is stored.
    """
    skew = timedelta(0)
    if sent_at is not None and abs(now - sent_at) > CLOCK_TOLERANCE:
        skew = now - sent_at
    with store.writing() as connection:
        counter = Counter(connection, token, lifter_id=lifter_id, idle=idle, now=now, skew=skew)
        if not store.is_sqlite:  # where only one writer is let in at all
            phone.hold(connection, counter.token_hash, now)
        answers = [_one(counter, raw) for raw in writes]
        holder = counter.holder
        counter.close()
        if counter.stale:
            phone.mark_stale(connection, holder.lifter_id, now)
        if abs(now - holder.last_used_at) > TOUCH_AFTER:
            phone.touch(connection, holder.token_hash, now)
    return Taken(holder.lifter_id, answers)


def _one(counter: Counter, raw: Any) -> dict[str, Any]:
    identity = raw.get("id") if isinstance(raw, dict) else None
    if not isinstance(identity, str) or not ID.fullmatch(identity):
        return {
            "id": None,
            "status": 422,
            "state": "refused",
            "why": "An entry needs an id made on the phone.",
        }
    fingerprint = hashlib.blake2b(orjson.dumps(raw, option=orjson.OPT_SORT_KEYS), digest_size=16).digest()
    kind = raw.get("kind")
    try:
        handler = HANDLERS.get(kind) if isinstance(kind, str) else None
        if handler is None:
            raise NotTaken("This kind of entry is not known here. Load the page again.")
        if handler is not _log_set:  # Which asks for this together with all else it has to know.
            known = phone.set_known_as(counter.db, counter.lifter_id, identity)
            if known is not None:
                raise Repeated(known.fingerprint, known.answer)
        answer = {"id": identity, "status": 201, "state": "saved"}
        answer |= handler(counter, identity, Fields(raw))
    except Repeated as before:
        if before.fingerprint == fingerprint:
            return before.answer
        answer = {
            "status": 422,
            "state": "refused",
            "why": "This id was used for another entry. Enter it again.",
        }
        return {"id": identity} | answer
    except NotTaken as refusal:
        state = "later" if refusal.status == 425 else "refused"
        answer = {"id": identity, "status": refusal.status, "state": state, "why": refusal.words}
        return answer | refusal.more
    phone.remember(
        counter.connection,
        counter.lifter_id,
        identity,
        fingerprint=fingerprint,
        answer=answer,
        at=counter.now,
    )
    return answer


# A set --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Work:
    """What was done in one set."""

    load: TypedMass
    reps: int
    rpe_tenths: int | None
    seconds: int | None
    metres: int | None
    marks: int
    note: str | None

    def values(self) -> dict[str, Any]:
        """Columns of the set."""
        return {
            "load_grams": self.load.grams,
            "typed": typed_text(self.load),
            "reps": self.reps,
            "rpe_tenths": self.rpe_tenths,
            "seconds": self.seconds,
            "metres": self.metres,
            "note": self.note,
        }


def typed_text(load: TypedMass) -> str | None:
    """Number and unit as typed; None where the grams print to just that."""
    plain = load.unit == "kg" and load.text == mass_number(load.grams, "kg")
    return None if plain else f"{load.text} {load.unit}"[:16]


def _work(fields: Fields) -> Work:
    load = fields.mass("load", fields.take("unit"))
    reps = fields.whole("reps", "reps") or 0
    failed, warm_up = fields.yes("failed"), fields.yes("warm_up")
    seconds, metres = fields.whole("seconds", "seconds"), fields.whole("metres", "metres")
    if reps == 0 and seconds is None and metres is None and not failed:
        raise NotTaken("Enter the reps you did. If none went up, mark the set as failed.")
    return Work(
        load=load,
        reps=reps,
        rpe_tenths=fields.tenths("rpe", "rpe"),
        seconds=seconds,
        metres=metres,
        marks=(SetMark.FAILED if failed else 0) | (SetMark.WARM_UP if warm_up else 0),
        note=fields.text("note", "The note", 500) or None,
    )


def _session(fields: Fields) -> str:
    value = fields.take("session")
    if not isinstance(value, str) or not SESSION.fullmatch(value):
        raise NotTaken("There is no such session. Load the page again.", 404)
    return value


def _look(
    counter: Counter,
    identity: str,
    session: str,
    *,
    prescription: int | None = None,
    exercise: int | None = None,
) -> phone.Place:
    number = int(session[1:].partition(":")[0]) if session[0] in "pl" else None
    found = phone.place(
        counter.connection,
        counter.token_hash,
        counter.now,
        key=identity,
        session=number if session[0] == "l" and number is not None else session,
        planned=number if session[0] == "p" else None,
        prescription=prescription,
        exercise=exercise,
    )
    counter.admit(None if found is None else found[0])
    assert found is not None
    return found[1]


def _log_set(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    session, exercise = _session(fields), fields.number_of("exercise")
    prescription, planned_set = fields.number_of("prescription"), fields.number_of("planned_set")
    number = fields.whole("number", "number", needed=True)
    seen = fields.number_of("seen")
    work = _work(fields)
    place = _look(counter, identity, session, prescription=prescription, exercise=exercise)
    if place.fingerprint is not None and place.answer is not None:
        raise Repeated(place.fingerprint, place.answer)
    instant = counter.instant(fields)
    day = counter.day(fields, instant)
    fields.end()
    if place.session_day is not None and session[0] == "p" and abs(place.session_day - day) > 1:
        # The rest of a planned session on another day is a session of that day.
        session = f"{session}:{day}"
        place = _look(counter, identity, session, prescription=prescription, exercise=exercise)
    if place.exercise_id is None:
        raise NotTaken("Your coach has no such exercise any more. Choose another one.", 404)
    if place.measure != "load" and work.seconds is None and work.metres is None and not work.reps:
        raise NotTaken("Enter the time or the distance you did.")
    session_id, on_day = _open_session(counter, place, session, day, instant)
    position = phone.add_set(
        counter.connection,
        counter.lifter_id,
        on_day,
        session_id=session_id,
        exercise_id=place.exercise_id,
        set_number=number,
        marks=work.marks,
        prescription_id=place.prescription_id,
        planned_set=planned_set if place.prescription_id is not None else None,
        lifted_at=int(instant.at.timestamp()),
        **work.values(),
    )
    if position >= logs.ROW_BASE:
        raise TooMuch
    if (seen is not None and seen != place.planned_version) or prescription != place.prescription_id:
        _note_old_plan(counter, session_id, on_day, place, seen)
    counter.stale = True
    return {"set": f"{on_day}-{position}", "version": 1, "session": session_id}


def _open_session(
    counter: Counter, place: phone.Place, session: str, day: int, instant: Instant
) -> tuple[int, int]:
    """The logged session a write belongs to, made if this is the first of it."""
    if place.session_id is not None and place.session_day is not None:
        return place.session_id, place.session_day
    if session[0] == "l":
        raise NotTaken("There is no such session. Load the page again.", 404)
    made = logs.add_session(
        counter.db,
        counter.lifter_id,
        day,
        planned_session_id=place.planned_session_id,
        client_id=session,
        started_at=instant.at,
        finished_at=None,
        offset_minutes=instant.offset,
        time_zone=instant.zone,
    )
    if place.planned_session_id is not None and place.planned_status != "done":
        phone.set_planned_status(counter.db, place.planned_session_id, "done")
    return made.id, day


def _note_old_plan(counter: Counter, session_id: int, day: int, place: phone.Place, seen: int | None) -> None:
    """The coach changed the plan while the phone was away: both are kept, and the coach can see it."""
    kind = "logged by an older plan"
    if any(
        one.detail.get("session") == session_id for one in phone.events(counter.db, counter.lifter_id, kind)
    ):
        return
    audit.record(
        counter.db,
        kind=kind,
        actor=counter.holder.name,
        at=counter.now,
        coach_id=counter.holder.coach_id,
        lifter_id=counter.lifter_id,
        session=session_id,
        day=day,
        seen=seen,
        current=place.planned_version,
    )


# Changing what is stored --------------------------------------------------------------------------


def _stored(counter: Counter, fields: Fields) -> tuple[StoredSet, int, str | None]:
    """The set a change speaks of, the version the phone knows, and the phone's last write about it."""
    where, of, version = fields.place(), fields.take("of"), fields.number_of("version")
    if of is not None:
        known = phone.set_known_as(counter.db, counter.lifter_id, of) if isinstance(of, str) else None
        if known is None:
            raise NotTaken("The set this changes has not arrived yet.", 425)
        if "set" not in known.answer:
            raise NotTaken("There is no such set. Load the page again.", 404)
        day, _, position = str(known.answer["set"]).partition("-")
        where, version = (int(day), int(position)), int(known.answer["version"])
    if where is None or version is None:
        raise NotTaken("There is no such set. Load the page again.", 404)
    found = logs.one_set(counter.db, counter.lifter_id, *where)
    if found is None:
        raise NotTaken(
            "This set was taken out meanwhile, on another phone or by your coach.", 409, theirs=None
        )
    return found, version, of if isinstance(of, str) else None


def _same_version(found: StoredSet, version: int) -> None:
    if found.version != version:
        raise NotTaken(
            "This set was changed meanwhile, on another phone or by your coach.",
            409,
            theirs=plain_set(found),
            set=f"{found.day}-{found.position}",
            version=found.version,
        )


def plain_set(one: StoredSet) -> dict[str, Any]:
    """A stored set as the phone shows it."""
    number, _, unit = (
        one.typed.rpartition(" ") if one.typed else (mass_number(one.load_grams, "kg"), "", "kg")
    )
    return {
        "load": number,
        "unit": unit,
        "reps": one.reps,
        "rpe": None if one.rpe_tenths is None else one.rpe_tenths / 10,
        "failed": bool(one.marks & SetMark.FAILED),
        "seconds": one.seconds,
        "metres": one.metres,
        "note": one.note or "",
    }


def _amend(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    work = _work(fields)
    counter.instant(fields)
    found, version, _of = _stored(counter, fields)
    fields.end()
    _same_version(found, version)
    amend(counter.db, counter.lifter_id, found, work, by=counter.holder.name, at=counter.now)
    counter.stale = True
    return {"set": f"{found.day}-{found.position}", "version": found.version + 1, "session": found.session_id}


def _remove(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    counter.instant(fields)
    found, version, _of = _stored(counter, fields)
    fields.end()
    _same_version(found, version)
    take_out(counter.db, counter.lifter_id, found, by=counter.holder.name, at=counter.now)
    counter.stale = True
    return {"state": "removed"}


def _restore(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    counter.instant(fields)
    number = fields.number_of("revision")
    fields.end()
    try:
        found = bring_back(
            counter.db,
            counter.lifter_id,
            number or 0,
            client_id=f"r{identity}"[:36],
            by=counter.holder.name,
            at=counter.now,
        )
    except RevisionNotFound:
        raise NotTaken("There is no such set to put back. Load the page again.", 404) from None
    except BackAlready:
        raise NotTaken("This set is in the log again already. Load the page again.", 404) from None
    counter.stale = True
    return {"set": f"{found.day}-{found.position}", "version": found.version, "session": found.session_id}


# The same for whoever may change a log -------------------------------------------------------------


def amend(
    db: Transaction,
    lifter_id: int,
    found: StoredSet,
    work: Work,
    *,
    exercise_id: int | None = None,
    by: str,
    at: datetime,
) -> None:
    """Put other work in the place of a set; the analysis judges it anew, whatever was said of it before."""
    kept = found.marks & ~(SetMark.FAILED | SetMark.WARM_UP | SetMark.HELD_OUT | SetMark.ACCEPTED)
    values = work.values() | {"marks": kept | work.marks}
    if exercise_id is not None:
        values["exercise_id"] = exercise_id
    logs.amend_set(db, lifter_id, found, values, by=by, at=at)


def take_out(db: Transaction, lifter_id: int, found: StoredSet, *, by: str, at: datetime) -> int:
    """Take a set out of the log; the number of the change.

    Its session goes too if nothing else is said there: it was begun by mistake.
    """
    change = logs.remove_set(db, lifter_id, found, by=by, at=at)
    db.flush()
    session = logs.session_of_lifter(db, lifter_id, found.session_id)
    if session is None or session.finished_at is not None or session.import_batch_id is not None:
        return change.id
    says = session.session_rpe_tenths is not None or session.minutes is not None or session.note
    if not says and not phone.has_sets(db, lifter_id, session):
        phone.drop_session(db, session.id)
        if session.planned_session_id is not None:
            phone.set_planned_status(db, session.planned_session_id, "planned")
    return change.id


def bring_back(
    db: Transaction, lifter_id: int, revision_id: int, *, client_id: str, by: str, at: datetime
) -> StoredSet:
    """Put a set back that was taken out; a session of its own is made if its session is gone.

    Raises
    ------
    RevisionNotFound, BackAlready
        If no set of this lifter was taken out by that change or its exercise is gone, or if it is in the log
        again.
    """
    revision = phone.revision(db, lifter_id, revision_id)
    if (
        revision is None
        or revision.change != "removed"
        or not phone.exercise_names(db, [revision.before["exercise_id"] or 0])
    ):
        raise RevisionNotFound(revision_id)
    # Sets that are alike in all but their place stand for each other: as many come back as went.
    alike = [one for one in logs.revisions(db, lifter_id, revision.day) if _same_work(one, revision)]
    if sum((one.change == "removed") - (one.change == "restored") for one in alike) <= 0:
        raise BackAlready
    body = dict(revision.before)
    if logs.session_of_lifter(db, lifter_id, body["session_id"]) is None:
        made = logs.add_session(
            db, lifter_id, body["day"], client_id=client_id, started_at=None, finished_at=None,
            planned_session_id=None, offset_minutes=None, time_zone=None,
        )  # fmt: skip
        body["session_id"] = made.id
    return phone.put_back(db, lifter_id, body, by=by, at=at)


def _same_work(one: SetRevision, other: SetRevision) -> bool:
    place = ("position", "session_id", "version")
    return all(one.before.get(name) == value for name, value in other.before.items() if name not in place)


# The session as a whole ---------------------------------------------------------------------------


def _finish(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    session = _session(fields)
    rpe = fields.tenths("rpe", "session_rpe")
    minutes = fields.whole("minutes", "minutes")
    note = fields.text("note", "The note", 1000)
    version = fields.number_of("version")
    instant = counter.instant(fields)
    day = counter.day(fields, instant)
    fields.end()
    place = _look(counter, identity, session)
    session_id, _day = _open_session(counter, place, session, day, instant)
    found = logs.session_of_lifter(counter.db, counter.lifter_id, session_id)
    assert found is not None
    values = (rpe, minutes, note)
    stored = (found.session_rpe_tenths, found.minutes, found.note)
    if found.finished_at is not None and version != found.version and values != stored:
        raise NotTaken(
            "This session was rated meanwhile, on another phone.",
            409,
            theirs={
                "rpe": None if found.session_rpe_tenths is None else found.session_rpe_tenths / 10,
                "minutes": found.minutes,
                "note": found.note,
            },
            session=found.id,
            version=found.version,
        )
    if values != stored or found.finished_at is None:
        found.session_rpe_tenths, found.minutes, found.note = values
        found.finished_at = found.finished_at or instant.at
        found.version += 1
        counter.stale = True
    return {"session": found.id, "version": found.version}


def _skip(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    """Say that a session, an exercise or a set will not be done; with ``undo``, that it will."""
    session = _session(fields)
    prescription, planned_set = fields.number_of("prescription"), fields.number_of("planned_set")
    reason, undo = fields.text("reason", "The reason", 200), fields.yes("undo")
    counter.instant(fields)
    fields.end()
    place = _look(counter, identity, session, prescription=prescription)
    if place.planned_session_id is None:
        raise NotTaken("Your coach has changed the plan: this session is no longer in it.", 404)
    about = {"session": place.planned_session_id, "skipped": prescription or 0, "set": planned_set}
    said = [one for one in phone.skips(counter.db, counter.lifter_id) if one.about == about]
    if undo:
        for one in said:
            phone.drop_message(counter.db, one.id)
    elif not said:
        words = "Skipped" + (f": {reason}" if reason else ".")
        _write(counter, identity, words, about)
    if prescription is None and place.planned_status in ("planned", "missed", "skipped"):
        phone.set_planned_status(counter.db, place.planned_session_id, "planned" if undo else "skipped")
    counter.stale = True
    return {}


# Check-in, pain, words ----------------------------------------------------------------------------


def _check_in(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    answers = {name: fields.whole(name, "answer") for name in ("sleep", "soreness", "stress", "motivation")}
    unit = fields.take("unit")
    body_mass = fields.mass("body_mass", unit).grams if fields.has("body_mass") else None
    note = fields.text("note", "The note", 500)
    instant = counter.instant(fields)
    day = counter.day(fields, instant)
    fields.end()
    if body_mass is not None and not 20_000 <= body_mass <= 400_000:
        raise NotTaken("Body mass must be from 20 to 400 kg (44 to 882 lb). Check the number and its unit.")
    if not any(answers.values()) and body_mass is None and not note:
        raise NotTaken("Answer at least one question, or leave the check-in out.")
    counter.db.add(
        CheckIn(
            lifter_id=counter.lifter_id,
            day=day,
            at=instant.at,
            body_mass_grams=body_mass,
            note=note,
            client_id=identity,
            **answers,
        )
    )
    if body_mass is not None:
        phone.set_body_mass(counter.db, counter.lifter_id, body_mass)
    counter.stale = True
    return {}


def _pain(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    place = fields.text("place", "Where it hurts", 80, needed=True)
    severity = fields.whole("severity", "severity", needed=True)
    during = fields.text("during", "What you were doing", 160)
    exercise = fields.number_of("exercise") or None
    note = fields.text("note", "The note", 500)
    instant = counter.instant(fields)
    day = counter.day(fields, instant)
    fields.end()
    if exercise is not None and not phone.is_exercise(counter.db, counter.holder.coach_id, exercise):
        raise NotTaken("Your coach has no such exercise any more. Choose another one.", 404)
    report = PainReport(
        lifter_id=counter.lifter_id,
        day=day,
        at=instant.at,
        place=place,
        severity=severity,
        during=during,
        exercise_id=exercise,
        note=note,
        client_id=identity,
        resolved_at=None,
    )
    counter.db.add(report)
    counter.db.flush()
    counter.stale = True
    return {"pain": report.id}


def _pain_over(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    """The lifter says that a pain is gone; the report stays in the record."""
    number = fields.number_of("pain")
    note = fields.text("note", "The note", 500)
    counter.instant(fields)
    fields.end()
    report = None if number is None else phone.pain_report(counter.db, counter.lifter_id, number)
    if report is None:
        raise NotTaken("There is no such report. Load the page again.", 404)
    if report.resolved_at is None:
        report.resolved_at, report.resolved_note = counter.now, note or "The lifter says it is gone."
    counter.stale = True
    return {}


def _message(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    body = fields.text("body", "The message", 2000, needed=True)
    of, where = fields.take("of"), fields.place()
    exercise, session = fields.number_of("exercise"), fields.take("session")
    counter.instant(fields)
    fields.end()
    about: dict[str, Any] = {}
    if of is not None:
        known = phone.set_known_as(counter.db, counter.lifter_id, of) if isinstance(of, str) else None
        if known is None:
            raise NotTaken("The set this speaks of has not arrived yet.", 425)
        about["set"] = known.answer.get("set")
    elif where is not None:
        if logs.one_set(counter.db, counter.lifter_id, *where) is None:
            raise NotTaken("The set this speaks of was taken out.", 404)
        about["set"] = f"{where[0]}-{where[1]}"
    if exercise is not None and phone.is_exercise(counter.db, counter.holder.coach_id, exercise):
        about["exercise"] = exercise
    if isinstance(session, str) and SESSION.fullmatch(session):
        about["session"] = session
    _write(counter, identity, body, about)
    return {}


def _write(counter: Counter, identity: str, body: str, about: dict[str, Any]) -> None:
    counter.db.add(
        Message(
            lifter_id=counter.lifter_id,
            author="lifter",
            body=body,
            about=about,
            created_at=counter.now,
            sent_at=counter.now,
            read_at=None,
            client_id=identity,
        )
    )


def _read(counter: Counter, identity: str, fields: Fields) -> dict[str, Any]:
    counter.instant(fields)
    until = fields.number_of("until")
    fields.end()
    phone.read_until(counter.db, counter.lifter_id, until or 0, at=counter.now)
    return {}


Handler = Callable[[Counter, str, Fields], dict[str, Any]]
HANDLERS: Mapping[str, Handler] = {
    "set": _log_set,
    "amend": _amend,
    "remove": _remove,
    "restore": _restore,
    "finish": _finish,
    "skip": _skip,
    "check_in": _check_in,
    "pain": _pain,
    "pain_over": _pain_over,
    "message": _message,
    "read": _read,
}
