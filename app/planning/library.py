"""Block templates to start from, in kilograms or pounds.

The names say what the block does. Every number in them is common practice unless a comment names its source;
the coach changes what does not fit, and the loads come from each lifter's own baseline. A template is a plan
document like any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache

from app.training.plan import EMPTY, LivingRules, PlanDocument, Row, Session, read_cell
from app.training.prescription import Mass
from app.training.records import BlockKind
from app.training.rules import (
    AddEffort,
    AddLoad,
    AddSets,
    DayOf,
    Emphases,
    Emphasis,
    EveryNthWeek,
    Hold,
    Percent,
    RepsThenLoad,
    Rule,
    StepBack,
    Taper,
    Wave,
)
from app.training.units import Unit


@dataclass(frozen=True, slots=True)
class LibraryExercise:
    """An exercise that templates use: what it trains and what it is done with."""

    name: str
    main_lift: str
    implement: str = "barbell"
    measure: str = "load"


EXERCISES: tuple[LibraryExercise, ...] = (
    LibraryExercise("Squat", "Squat"),
    LibraryExercise("Front squat", "Squat"),
    LibraryExercise("Bench press", "Bench press"),
    LibraryExercise("Close-grip bench press", "Bench press"),
    LibraryExercise("Deadlift", "Deadlift"),
    LibraryExercise("Romanian deadlift", "Deadlift"),
    LibraryExercise("Overhead press", "Overhead press"),
    LibraryExercise("Row", "Bench press"),
    LibraryExercise("Snatch", "Snatch"),
    LibraryExercise("Power snatch", "Snatch"),
    LibraryExercise("Snatch pull", "Snatch"),
    LibraryExercise("Clean and jerk", "Clean and jerk"),
    LibraryExercise("Power clean", "Clean and jerk"),
    LibraryExercise("Clean pull", "Clean and jerk"),
    LibraryExercise("Log press", "Log press", "event"),
    LibraryExercise("Axle deadlift", "Axle deadlift", "event"),
    LibraryExercise("Farmer's walk", "Farmer's walk", "event", "distance"),
    LibraryExercise("Yoke walk", "Yoke walk", "event", "distance"),
    LibraryExercise("Sandbag carry", "Sandbag carry", "event", "distance"),
)


@dataclass(frozen=True, slots=True)
class Template:
    """A plan to start from. ``suits`` says for whom, in a phrase; ``lifts`` are the main lifts it trains."""

    key: str
    suits: str
    lifts: tuple[str, ...]
    plan: PlanDocument

    @property
    def name(self) -> str:
        return self.plan.name


@dataclass(frozen=True, slots=True)
class _Line:
    """A row to be: exercise, typed cells from the first week on, rules, or the labelled line it follows."""

    exercise: str
    cells: str | Sequence[str] = ""
    rules: tuple[Rule, ...] = ()
    label: str = ""
    light: tuple[str, int, int] | None = None  # label, percent of its load, sets more
    volume: tuple[str, int, int, int] | None = None  # label, percent, sets more, repetitions more


def _plan(
    name: str,
    kind: BlockKind,
    weeks: int,
    purpose: str,
    unit: Unit,
    *days: tuple[str, int, Sequence[_Line]],
    goal_day: int | None = None,
    living: LivingRules | None = None,
) -> PlanDocument:
    """A plan document from lines, rows and sessions numbered from 1."""
    ids: dict[str, str] = {}
    number = len(days)
    for _, _, lines in days:
        for line in lines:
            number += 1
            if line.label:
                ids[line.label] = f"r{number}"
    sessions = []
    number = len(days)
    for position, (title, day, lines) in enumerate(days):
        rows = []
        for line in lines:
            number += 1
            rules = line.rules
            if line.light is not None:
                label, percent, sets = line.light
                rules = (DayOf("light", ids[label], Decimal(percent), sets), *rules)
            if line.volume is not None:
                label, percent, sets, reps = line.volume
                rules = (DayOf("volume", ids[label], Decimal(percent), sets, reps), *rules)
            texts = [line.cells] if isinstance(line.cells, str) else list(line.cells)
            typed = [read_cell(text, unit) for text in texts]
            cells = (*typed, *(EMPTY,) * (weeks - len(typed)))
            rows.append(Row(f"r{number}", line.exercise, cells, rules))
        sessions.append(Session(f"s{position + 1}", title, day, tuple(rows)))
    return PlanDocument(
        name,
        kind,
        weeks,
        purpose,
        unit,
        tuple(sessions),
        living or LivingRules(),
        goal_day,
        next_id=number + 1,
    )


@cache
def templates(unit: Unit = "kg") -> tuple[Template, ...]:
    """Every template, with steps that plates of this unit can show."""
    small, large = ("2.5", "5") if unit == "kg" else ("5", "10")
    one, two = Mass(Decimal(small), unit), Mass(Decimal(large), unit)
    add, add_large = AddLoad(one), AddLoad(two)
    each = AddLoad(one, count="lift")
    # Rogerson et al. 2024: lifters ease off for 6.4 +- 1.7 days every 5.6 +- 2.3 weeks.
    back = StepBack(every=5)
    cut = Decimal(60)  # [%] Small numbers of sets round up, so the far end of 41-60 %.
    at_floor = StepBack(every=None, floor=Decimal(1), again=3)
    repeat = LivingRules("repeat", "adjust")

    def plus(text: str) -> str:
        return f"{text} at recent best + {one}"

    found = [
        # Common practice: novices add 2.5-5 kg (5-10 lb) each exposure, up to three days a week.
        Template(
            "novice-each-exposure",
            "Novices, three days",
            ("Squat", "Bench press", "Deadlift", "Overhead press"),
            _plan(
                "Three days, load added each exposure",
                "strength",
                8,
                "Add a little every time it is completed; step back when the reserve runs out.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line("Squat", "3 x 5 leaving 4", (each, at_floor)),
                        _Line("Bench press", "3 x 5 leaving 4", (each, at_floor)),
                        _Line("Row", "3 x 8 leaving 3", (each, at_floor)),
                    ],
                ),
                (
                    "Day 2",
                    2,
                    [
                        _Line("Squat", "", (each, at_floor)),
                        _Line("Overhead press", "3 x 5 leaving 3", (add, at_floor)),
                        _Line("Deadlift", "1 x 5 leaving 3", (add_large, at_floor)),
                    ],
                ),
                (
                    "Day 3",
                    4,
                    [
                        _Line("Squat", "", (each, at_floor)),
                        _Line("Bench press", "", (each, at_floor)),
                        _Line("Row", "", (each, at_floor)),
                    ],
                ),
                living=repeat,
            ),
        ),
        Template(
            "novice-two-days",
            "Novices with little time, two days",
            ("Squat", "Bench press", "Deadlift", "Overhead press"),
            _plan(
                "Two days, load added each exposure",
                "strength",
                8,
                "The same two sessions, a little heavier each time.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line("Squat", "3 x 5 leaving 4", (each, at_floor)),
                        _Line("Bench press", "3 x 5 leaving 4", (add, at_floor)),
                        _Line("Row", "3 x 8 leaving 3", (add, at_floor)),
                    ],
                ),
                (
                    "Day 2",
                    3,
                    [
                        _Line("Squat", "", (each, at_floor)),
                        _Line("Overhead press", "3 x 5 leaving 3", (add, at_floor)),
                        _Line("Deadlift", "2 x 5 leaving 3", (add_large, at_floor)),
                    ],
                ),
                living=repeat,
            ),
        ),
        Template(
            "weekly-four-days",
            "Past the novice stage, four days",
            ("Squat", "Bench press", "Deadlift", "Overhead press"),
            _plan(
                "Four days, one step a week",
                "strength",
                11,
                "One heavy day a lift that steps weekly, one light day that keeps it moving.",
                unit,
                (
                    "Squat",
                    0,
                    [
                        _Line("Squat", "1 x 5 leaving 3, then 3 x 5 at 92 %", (add, back), "squat"),
                        _Line("Romanian deadlift", "3 x 8 leaving 4", (RepsThenLoad(8, 10, one), at_floor)),
                    ],
                ),
                (
                    "Bench press",
                    1,
                    [
                        _Line("Bench press", "1 x 5 leaving 3, then 3 x 5 at 92 %", (add, back), "bench"),
                        _Line("Row", "3 x 8 leaving 4", (RepsThenLoad(8, 12, one), at_floor)),
                    ],
                ),
                (
                    "Deadlift",
                    3,
                    [
                        _Line("Deadlift", "1 x 5 leaving 3, then 2 x 5 at 90 %", (add, back)),
                        _Line("Squat", light=("squat", 80, -1)),
                    ],
                ),
                (
                    "Overhead press",
                    4,
                    [
                        _Line(
                            "Overhead press", "1 x 5 leaving 3, then 3 x 5 at 92 %", (AddLoad(one, 2), back)
                        ),
                        _Line("Bench press", light=("bench", 80, -1)),
                    ],
                ),
                living=LivingRules("continue", "adjust"),
            ),
        ),
        Template(
            "waves-of-three",
            "Intermediate and advanced, three days",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Three-week waves",
                "strength",
                9,
                "Three weeks up, then back down to begin a little higher than the last wave did.",
                unit,
                *(
                    (
                        lift,
                        day,
                        [
                            _Line(
                                lift,
                                "4 x 5 at 72.5 %",
                                (Wave(3, Percent(Decimal(5)), Percent(Decimal("1.5")), -1),),
                            ),
                            _Line(second, "3 x 8 leaving 4", (RepsThenLoad(8, 10, one), at_floor)),
                        ],
                    )
                    for lift, second, day in (
                        ("Squat", "Romanian deadlift", 0),
                        ("Bench press", "Row", 2),
                        ("Deadlift", "Front squat", 4),
                    )
                ),
            ),
        ),
        Template(
            "volume-four-weeks",
            "Anybody with time before a goal, four days",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Volume, sets added weekly",
                "volume",
                5,
                "More sets each week well short of failure, then an easy week; bests will dip, as expected.",
                unit,
                (
                    "Squat",
                    0,
                    [
                        _Line("Squat", "3 x 8 leaving 3", (AddSets(1, most=6), StepBack(4))),
                        _Line("Romanian deadlift", "3 x 10 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                    ],
                ),
                (
                    "Bench press",
                    1,
                    [
                        _Line("Bench press", "3 x 8 leaving 3", (AddSets(1, most=6), StepBack(4))),
                        _Line("Row", "3 x 10 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                    ],
                ),
                (
                    "Deadlift",
                    3,
                    [
                        _Line("Deadlift", "3 x 7 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                        _Line("Front squat", "3 x 8 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                    ],
                ),
                (
                    "Bench press and overhead press",
                    4,
                    [
                        _Line("Close-grip bench press", "3 x 10 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                        _Line("Overhead press", "3 x 8 leaving 3", (AddSets(1, 2, 5), StepBack(4))),
                    ],
                ),
            ),
        ),
        Template(
            "strength-five-weeks",
            "After a volume block, three days",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Strength, top set and back-offs",
                "strength",
                6,
                "A top set whose effort rises weekly, back-off sets for the work, an easy week to end on.",
                unit,
                *(
                    (
                        lift,
                        day,
                        [
                            _Line(
                                lift,
                                f"1 x {reps} @ RPE 7, then {sets} x {reps} at 90 %",
                                (AddEffort(Decimal("0.5"), most=Decimal("8.5")), StepBack(5)),
                                lift,
                            ),
                            _Line(
                                second, "3 x 6 leaving 4", (RepsThenLoad(6, 8, one), StepBack(5, Decimal(1)))
                            ),
                        ],
                    )
                    for lift, second, reps, sets, day in (
                        ("Squat", "Romanian deadlift", 4, 4, 0),
                        ("Bench press", "Row", 4, 5, 2),
                        ("Deadlift", "Front squat", 3, 3, 4),
                    )
                ),
            ),
        ),
        # Pritchard et al. 2016: intensity peaks 1.9 +- 0.8 weeks out, last session 3.7 +- 1.6 days out.
        # Bosquet et al. 2007: two weeks, 41-60 % less volume, load kept. Travis et al. 2021: last heavy squat
        # and deadlift (over 85 %) 7-10 days out, bench press under 7.
        Template(
            "peak-and-taper",
            "Before a meet or a test, three days",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Peak and taper to a date",
                "peak",
                4,
                "Heavy singles and triples early, then less and less work at the same load until the day.",
                unit,
                (
                    "Squat and bench press",
                    0,
                    [
                        _Line("Squat", "1 x 2 @ RPE 8, then 4 x 3 at 87.5 %", (add, Taper(sets_percent=cut))),
                        _Line(
                            "Bench press",
                            "1 x 2 @ RPE 8, then 4 x 3 at 87.5 %",
                            (add, Taper(sets_percent=cut, last_heavy=5)),
                        ),
                    ],
                ),
                (
                    "Deadlift",
                    2,
                    [
                        _Line(
                            "Deadlift",
                            "1 x 2 @ RPE 8, then 3 x 2 at 87.5 %",
                            (add, Taper(sets_percent=cut, last_heavy=9)),
                        ),
                        _Line("Row", "3 x 6 leaving 4", (Hold(), Taper(sets_percent=cut))),
                    ],
                ),
                (
                    "Bench press",
                    4,
                    [
                        _Line("Bench press", "4 x 3 leaving 4", (Hold(), Taper(sets_percent=cut))),
                        _Line("Squat", "3 x 3 leaving 5", (Hold(), Taper(sets_percent=cut))),
                    ],
                ),
                goal_day=26,
            ),
        ),
        Template(
            "volume-to-peak",
            "A season's run-up, three days",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Volume, strength and peak in a row",
                "strength",
                11,
                "Five weeks of volume, four of strength, two of peak: each emphasis prepares the next.",
                unit,
                *(
                    (
                        lift,
                        day,
                        [
                            _Line(
                                lift,
                                "",
                                (
                                    Emphases(
                                        (
                                            Emphasis("volume", 5, 4, 8, Decimal(3)),
                                            Emphasis("strength", 4, 4, 4, Decimal(3)),
                                            Emphasis("peak", 2, 3, 2, Decimal(2)),
                                        )
                                    ),
                                    AddLoad(one, every),
                                ),
                            )
                        ],
                    )
                    for lift, every, day in (("Squat", 2, 0), ("Bench press", 2, 2), ("Deadlift", 2, 4))
                ),
            ),
        ),
        Template(
            "low-stress",
            "After a hard block or a meet",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Low stress, two weeks",
                "low-stress",
                2,
                "Enough to keep the movements, little enough to recover from what came before.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line("Squat", "2 x 5 leaving 5", (Hold(),)),
                        _Line("Bench press", "2 x 5 leaving 5", (Hold(),)),
                    ],
                ),
                (
                    "Day 2",
                    3,
                    [
                        _Line("Deadlift", "2 x 4 leaving 5", (Hold(),)),
                        _Line("Overhead press", "2 x 6 leaving 5", (Hold(),)),
                        _Line("Row", "2 x 8 leaving 5", (Hold(),)),
                    ],
                ),
            ),
        ),
        Template(
            "re-entry",
            "After two weeks or more away",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Re-entry after a layoff",
                "re-entry",
                4,
                "Begin far from failure, add sets and effort week by week, and let loads find themselves.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line("Squat", "2 x 6 @ RPE 6", (AddSets(1, 2, 4), AddEffort(most=Decimal("7.5")))),
                        _Line(
                            "Bench press", "2 x 6 @ RPE 6", (AddSets(1, 2, 4), AddEffort(most=Decimal("7.5")))
                        ),
                    ],
                ),
                (
                    "Day 2",
                    3,
                    [
                        _Line(
                            "Deadlift", "2 x 5 @ RPE 6", (AddSets(1, 2, 4), AddEffort(most=Decimal("7.5")))
                        ),
                        _Line(
                            "Overhead press",
                            "2 x 6 @ RPE 6",
                            (AddSets(1, 2, 4), AddEffort(most=Decimal("7.5"))),
                        ),
                        _Line("Row", "2 x 8 @ RPE 6", (AddSets(1, 2, 4), AddEffort(most=Decimal("7.5")))),
                    ],
                ),
                living=LivingRules("repeat", "adjust"),
            ),
        ),
        Template(
            "maintenance-two-days",
            "Busy weeks, or another sport's season",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Maintenance, two days",
                "maintenance",
                6,
                "One heavy exposure a lift each week keeps what was built.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line("Squat", "1 x 3 leaving 2, then 2 x 5 at 85 %", (Hold(),)),
                        _Line("Bench press", "1 x 3 leaving 2, then 2 x 5 at 85 %", (Hold(),)),
                    ],
                ),
                (
                    "Day 2",
                    3,
                    [
                        _Line("Deadlift", "1 x 3 leaving 2, then 1 x 5 at 85 %", (Hold(),)),
                        _Line("Overhead press", "2 x 5 leaving 2", (Hold(),)),
                        _Line("Row", "2 x 8 leaving 2", (Hold(),)),
                    ],
                ),
            ),
        ),
        Template(
            "test-week",
            "Whenever a number is needed",
            ("Squat", "Bench press", "Deadlift"),
            _plan(
                "Test week",
                "test",
                1,
                "Three singles a lift, the last one to see where strength stands.",
                unit,
                *(
                    (
                        lift,
                        day,
                        [_Line(lift, "1 x 1 @ RPE 7, then 1 x 1 @ RPE 8, then 1 x 1 @ RPE 9, rest 5 min")],
                    )
                    for lift, day in (("Squat", 0), ("Bench press", 2), ("Deadlift", 4))
                ),
            ),
        ),
        # Common practice: advanced lifters may face a limit-level exposure only every two or three weeks.
        Template(
            "deadlift-every-second-week",
            "Advanced lifters",
            ("Squat", "Deadlift"),
            _plan(
                "Heavy squat and deadlift by turns",
                "strength",
                8,
                "A limit-level exposure of each lift every second week; the weeks between carry the work.",
                unit,
                (
                    "Heavy",
                    0,
                    [
                        _Line("Squat", "1 x 3 leaving 1, then 2 x 3 at 90 %", (add, EveryNthWeek(2))),
                        _Line(
                            "Deadlift", ("", "1 x 3 leaving 1, then 1 x 3 at 90 %"), (add, EveryNthWeek(2))
                        ),
                    ],
                ),
                (
                    "Work",
                    3,
                    [
                        _Line("Front squat", "4 x 5 leaving 3", (AddLoad(one, 2),)),
                        _Line("Romanian deadlift", "3 x 6 leaving 4", (RepsThenLoad(6, 8, one), at_floor)),
                    ],
                ),
            ),
        ),
        Template(
            "bench-three-days",
            "A bench press that wants frequency",
            ("Bench press",),
            _plan(
                "Bench press: heavy, light and volume days",
                "strength",
                6,
                "One heavy day sets the week; the light and the volume day follow it by themselves.",
                unit,
                ("Heavy", 0, [_Line("Bench press", "4 x 4 leaving 3", (add, back), "heavy")]),
                ("Light", 2, [_Line("Bench press", light=("heavy", 80, -1))]),
                (
                    "Volume",
                    4,
                    [
                        _Line("Bench press", volume=("heavy", 85, 1, 2)),
                        _Line("Row", "4 x 8 leaving 4", (RepsThenLoad(8, 12, one), at_floor)),
                    ],
                ),
            ),
        ),
        Template(
            "press-repetitions",
            "An overhead press whose plates are too coarse",
            ("Overhead press",),
            _plan(
                "Overhead press, repetitions before load",
                "volume",
                8,
                "Small muscles, large plates: climb in repetitions, then add load and begin again.",
                unit,
                (
                    "Day 1",
                    0,
                    [
                        _Line(
                            "Overhead press", "4 x 5 leaving 4", (RepsThenLoad(5, 8, one), at_floor), "press"
                        )
                    ],
                ),
                (
                    "Day 2",
                    3,
                    [
                        _Line("Overhead press", light=("press", 85, -1)),
                        _Line(
                            "Close-grip bench press", "3 x 8 leaving 4", (RepsThenLoad(8, 10, one), at_floor)
                        ),
                    ],
                ),
            ),
        ),
        # Lifts a session in each band of intensity stay inside Prilepin's table.
        Template(
            "weightlifting-three-days",
            "Weightlifters, three days",
            ("Snatch", "Clean and jerk", "Squat"),
            _plan(
                "Snatch and clean and jerk in waves",
                "strength",
                6,
                "Doubles that climb for three weeks and begin again higher; squats and pulls behind them.",
                unit,
                (
                    "Snatch",
                    0,
                    [
                        _Line(
                            "Snatch",
                            "8 x 2 at 75 %",
                            (Wave(3, Percent(Decimal(3)), Percent(Decimal("1.5"))),),
                        ),
                        _Line("Snatch pull", "4 x 3 leaving 4", (AddLoad(one, 2),)),
                        _Line("Front squat", "4 x 3 leaving 3", (add, back)),
                    ],
                ),
                (
                    "Clean and jerk",
                    2,
                    [
                        _Line(
                            "Clean and jerk",
                            "7 x 2 at 75 %",
                            (Wave(3, Percent(Decimal(3)), Percent(Decimal("1.5"))),),
                        ),
                        _Line("Clean pull", "4 x 3 leaving 4", (AddLoad(one, 2),)),
                    ],
                ),
                (
                    "Power variants and squat",
                    4,
                    [
                        _Line("Power snatch", "5 x 2 leaving 4", (Hold(),)),
                        _Line("Power clean", "5 x 2 leaving 4", (Hold(),)),
                        _Line("Squat", "4 x 4 leaving 3", (add, back)),
                    ],
                ),
            ),
        ),
        Template(
            "strongman-events",
            "Strongman, two gym days and an event day",
            ("Log press", "Axle deadlift", "Squat"),
            _plan(
                "Strongman: two gym days, one event day",
                "strength",
                6,
                "Press and pull in the gym, carries on the event day; loads of the carries are set by hand.",
                unit,
                (
                    "Press",
                    0,
                    [
                        _Line("Log press", "1 x 3 leaving 2, then 4 x 3 at 90 %", (add, back)),
                        _Line(
                            "Close-grip bench press", "3 x 6 leaving 4", (RepsThenLoad(6, 8, one), at_floor)
                        ),
                        _Line("Row", "3 x 8 leaving 4", (RepsThenLoad(8, 10, one), at_floor)),
                    ],
                ),
                (
                    "Pull and squat",
                    2,
                    [
                        _Line("Axle deadlift", "1 x 4 leaving 3, then 2 x 4 at 90 %", (add, back)),
                        _Line("Squat", "3 x 5 leaving 3", (add, back)),
                    ],
                ),
                (
                    "Events",
                    5,
                    [
                        _Line("Yoke walk", "4 x 15 m, rest 4 min", (AddSets(1, 2, 6),)),
                        _Line("Farmer's walk", "4 x 20 m, rest 4 min", (AddSets(1, 2, 6),)),
                        _Line("Sandbag carry", "3 x 40 m, rest 4 min", (AddSets(1, 2, 5),)),
                    ],
                ),
            ),
        ),
    ]
    return tuple(found)


def template(key: str, unit: Unit = "kg") -> Template:
    """One template by its key.

    Raises
    ------
    LookupError
        If there is none.
    """
    for one in templates(unit):
        if one.key == key:
            return one
    raise LookupError(f"there is no template {key!r}")
