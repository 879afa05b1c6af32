"""A simulated desk: 50 lifters for 12 weeks, analysed daily, flags kept as the app keeps them.

`python -m benchmarks.desk_flags` prints the figures and the week-by-week course.

The coach of this desk looks on weekdays. Impossible sets are put right, which ends their flag; every other
open act or watch flag is answered with "hold course": it rests for 14 days unless it gets clearly worse. A
week's share counts lifters with such a flag open on any of its days. Repeats and flicker are counted from the
outside, from what a coach would see day by day.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

from benchmarks.figures import Figure, between, line, most
from benchmarks.simulate import SimulatedLifter, roster

LIFTERS, WEEKS = 50, 12
LOOK_AGAIN_DAYS = 14
REPEAT_DAYS, FLICKER_DAYS = 7, 3
RANK = {"notice": 0, "watch": 1, "act": 2}
SPAN_SEED = "held-out"


@dataclass(frozen=True, slots=True)
class Seen:
    """One flag as a coach would see it on one day."""

    severity: str
    probability: float | None
    size: float
    event: int  # day of the last report or mistyped set, 0 for kinds that are states


@dataclass(slots=True)
class Course:
    """What the desk saw. Weeks count from 0."""

    flagged: list[set[str]] = field(default_factory=lambda: [set() for _ in range(WEEKS)])
    raised: list[int] = field(default_factory=lambda: [0] * WEEKS)
    standing: list[set[str]] = field(default_factory=lambda: [set() for _ in range(WEEKS)])
    kinds: dict[str, int] = field(default_factory=dict)
    by_kind: dict[str, set[tuple[int, str]]] = field(default_factory=dict)  # kind -> weeks and lifters
    repeats: list[str] = field(default_factory=list)
    flickers: list[str] = field(default_factory=list)

    def share(self) -> float:
        return median(len(one) / LIFTERS for one in self.flagged)


def _days(simulated: SimulatedLifter) -> range:
    last = simulated.truth.first_day + simulated.truth.days()
    return range(last - 7 * WEEKS, last)


def _findings(index: int) -> list[list[Any]]:
    """What is true of one lifter on each day of the twelve weeks, as the app would find it."""
    from app.planning import attention
    from app.storage.seasons import Lift
    from app.training.analysis import analyse_lifter

    simulated = next(iter(roster(SPAN_SEED, 1, first=index)))
    lifts = {
        one.name: Lift(number + 1, one.name, one.main_lift)
        for number, one in enumerate(simulated.log.exercises)
    }
    found = []
    for day in _days(simulated):
        analysis = analyse_lifter(simulated.log, list(simulated.blocks), as_of=day)
        found.append(attention.findings(analysis, lifts))
    return found


def _worse(before: Seen, after: Seen) -> bool:
    """A higher level, a clearly higher probability, half as large again, or another event of its kind."""
    if after.event > before.event:
        return True
    if RANK[after.severity] > RANK[before.severity]:
        return True
    if before.probability is not None and after.probability is not None:
        return after.probability >= before.probability + 0.1
    return after.size >= 1.5 * before.size > 0 or after.size > before.size == 0


@cache
def course() -> Course:
    """Run the desk once."""
    from app.planning import answers, flags
    from app.planning.attention import size_of
    from app.storage import flags as stored
    from app.storage.engine import Store
    from tests.factories import make_coach, make_exercise, make_lifter

    seen = Course()
    with ProcessPoolExecutor() as pool:
        everything = list(pool.map(_findings, range(LIFTERS)))
    first = date(2026, 3, 2).toordinal()  # A Monday; every lifter's twelve weeks are laid on the same ones.
    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{Path(folder) / 'desk.db'}")
        store.migrate()
        coach = make_coach(store)
        most_lifts = 8
        for number in range(most_lifts):
            make_exercise(store, coach=coach, name=f"Lift {number + 1}")
        people = [make_lifter(store, coach=coach, name=f"Lifter {k:02d}") for k in range(LIFTERS)]
        shown: dict[tuple[int, str], tuple[int, Seen, str]] = {}
        put_right: dict[str, int] = {}  # lifter -> day of the last impossible set that was seen to
        for offset in range(7 * WEEKS):
            now = datetime.combine(date.fromordinal(first + offset), datetime.min.time(), UTC)
            now += timedelta(hours=12)
            with store.transaction() as db:
                for person, days in zip(people, everything, strict=True):
                    left = [
                        one
                        for one in days[offset]
                        if one.kind != "data_error"
                        or int(one.evidence["last_day"]) > put_right.get(person.name, 0)
                    ]
                    flags.sync(db, person.id, left, today=first + offset, now=now)
                    for flag in stored.not_cleared(db, person.id):
                        if flag.severity == "notice":
                            continue
                        seen.standing[offset // 7].add(person.name)
                        _note(seen, shown, person.name, flag, offset, size_of(flag.kind, flag.evidence))
                        if flag.state != "open" or offset % 7 >= 5:
                            continue
                        if flag.kind == "data_error":
                            put_right[person.name] = int(flag.evidence["last_day"])
                        else:
                            until = first + offset + LOOK_AGAIN_DAYS
                            answers.answer(db, flag, state="snoozed", until=until, reason="", now=now)
        store.close()
    return seen


def _note(
    seen: Course,
    shown: dict[tuple[int, str], tuple[int, Seen, str]],
    name: str,
    flag: Any,
    offset: int,
    size: float,
) -> None:
    """Count an open flag into its week; say if it came back too soon."""
    if flag.state != "open":
        return
    week = offset // 7
    seen.flagged[week].add(name)
    seen.by_kind.setdefault(flag.kind, set()).add((week, name))
    key = (flag.lifter_id, flag.cause)
    now = Seen(flag.severity, flag.probability, size, int(flag.evidence.get("last_day", 0)))
    last = shown.get(key)
    if last is None or last[0] < offset - 1 or last[2] != f"{flag.id}":
        seen.raised[week] += 1
        seen.kinds[flag.kind] = seen.kinds.get(flag.kind, 0) + 1
    if last is not None and last[0] < offset - 1 and not _worse(last[1], now):
        away = offset - last[0]
        words = f"{name}, {flag.kind}, day {offset}, {away} days after it was last shown"
        if away <= REPEAT_DAYS:
            seen.repeats.append(words)
    anew = last is not None and now.event > last[1].event  # another mistyped set is no flicker
    if last is not None and last[2] != f"{flag.id}" and offset - last[0] <= FLICKER_DAYS and not anew:
        seen.flickers.append(f"{name}, {flag.kind}, day {offset}")
    shown[key] = (offset, now, f"{flag.id}")


FIGURES = [
    Figure(
        "desk.flagged_share",
        "1",
        between(0.05, 0.15),
        lambda: course().share(),
        "median over 12 weeks of the share of 50 simulated lifters with an open act or watch flag; each is "
        "answered with hold course for 14 days, impossible sets are put right",
    ),
    Figure(
        "desk.repeated_flags",
        "count",
        most(0),
        lambda: len(course().repeats),
        "flags shown again for the same cause within 7 days without being worse, in those 12 weeks",
    ),
    Figure(
        "desk.flicker",
        "count",
        most(0),
        lambda: len(course().flickers),
        "flags raised, cleared and raised again within 3 days, in those 12 weeks",
    ),
]


def truly() -> float:
    """Median over the weeks of the share of lifters about whom something planted was true that week."""
    weeks: list[set[int]] = [set() for _ in range(WEEKS)]
    for number, one in enumerate(roster(SPAN_SEED, LIFTERS)):
        first = _days(one)[0]
        day_of = dict(zip(one.log.row.tolist(), one.log.day.tolist(), strict=True))
        spans = [(e.start, e.end) for e in one.truth.episodes if e.kind != "expected_dip"]
        spans += [(day_of[row], day_of[row]) for row in one.truth.error_rows]
        for low, high in spans:
            for week in range(max((low - first) // 7, 0), min((high - first) // 7, WEEKS - 1) + 1):
                weeks[week].add(number)
    return median(len(one) / LIFTERS for one in weeks)


def main(arguments: Sequence[str] = ()) -> int:
    found = course()
    for figure in FIGURES:
        print(line(figure, figure.measure()))
    print(f"lifters about whom something planted was true, median over the weeks: {truly():.0%}")
    print("week  open  share  raised  standing, answered or not")
    for week in range(WEEKS):
        flagged, standing = len(found.flagged[week]), len(found.standing[week])
        print(
            f"{week + 1:4d}  {flagged:4d}  {flagged / LIFTERS:5.0%}  {found.raised[week]:6d}  "
            f"{standing / LIFTERS:.0%}"
        )
    print("kind, raised, lifter-weeks with one open, share of lifters flagged without this kind:")
    for kind, count in sorted(found.kinds.items()):
        others = {one for other, those in found.by_kind.items() if other != kind for one in those}
        without = median(sum(week == one[0] for one in others) / LIFTERS for week in range(WEEKS))
        print(f"  {kind} {count} {len(found.by_kind[kind])} {without:.0%}")
    for words in (*found.repeats, *found.flickers):
        print("again:", words)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
