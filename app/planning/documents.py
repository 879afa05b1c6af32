"""What the JSON fields of a whole file have to hold, so that every page that reads them can.

A column knows only that a document stands in it. Here each document has its shape: what must be there, and of
which kind what is there has to be. Keys that nobody reads may be anything: a later version may know them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from app.planning.lifters import STRESS_MEASURES
from app.storage.plan_changes import BY_COACH

Shape = Callable[[Any], None]
"""Raises `Misfit` for a value that is not of it."""
Row = Mapping[str, Any]

VERDICTS = ("better", "much the same", "worse", "cannot be told")
MOST = 10**12  # what a number in a document may come to; nobody lifts, waits or scores more


class Misfit(ValueError):
    """A value is not what its place is for. ``place`` leads to it from the outside."""

    def __init__(self, expected: str, place: tuple[str, ...] = ()) -> None:
        super().__init__(f"expected {expected}")
        self.expected, self.place = expected, place

    def within(self, place: str) -> Misfit:
        return Misfit(self.expected, (place, *self.place))


# Kinds of values ------------------------------------------------------------------------------------


def whole(low: int = 0, high: int = 2**31 - 1) -> Shape:
    def check(value: Any) -> None:
        if type(value) is not int or not low <= value <= high:
            raise Misfit(f"a whole number from {low} to {high}")

    return check


def real(low: float = -MOST, high: float = MOST) -> Shape:
    def check(value: Any) -> None:
        if type(value) not in (int, float) or not low <= value <= high:
            raise Misfit(f"a number from {low:g} to {high:g}")

    return check


def text(value: Any) -> None:
    if not isinstance(value, str):
        raise Misfit("a text")


def yes_no(value: Any) -> None:
    if not isinstance(value, bool):
        raise Misfit("true or false")


def one_of(*choices: str) -> Shape:
    def check(value: Any) -> None:
        if not isinstance(value, str) or value not in choices:
            raise Misfit(f"one of {', '.join(choices)}")

    return check


def or_null(shape: Shape) -> Shape:
    def check(value: Any) -> None:
        if value is not None:
            shape(value)

    return check


def list_of(shape: Shape) -> Shape:
    def check(value: Any) -> None:
        if not isinstance(value, list):
            raise Misfit("a list")
        at = 0
        try:
            for at, one in enumerate(value, 1):  # noqa: B007 - the place is told where one does not fit.
                shape(one)
        except Misfit as error:
            raise error.within(f"item {at}") from None

    return check


def items(*shapes: Shape) -> Shape:
    """A list of just these."""

    def check(value: Any) -> None:
        if not isinstance(value, list) or len(value) != len(shapes):
            raise Misfit(f"a list of {len(shapes)}")
        at = 0
        try:
            for at, (shape, one) in enumerate(zip(shapes, value, strict=True), 1):  # noqa: B007
                shape(one)
        except Misfit as error:
            raise error.within(f"item {at}") from None

    return check


def object_of(needed: Mapping[str, Shape], usual: Mapping[str, Shape] | None = None) -> Shape:
    """An object with these keys; those of ``usual`` may be missing, others are left alone."""
    known = {**needed, **(usual or {})}

    def check(value: Any) -> None:
        if not isinstance(value, dict):
            raise Misfit("a JSON object")
        key = ""
        try:
            for key, shape in known.items():
                if key in value:
                    shape(value[key])
                elif key in needed:
                    raise Misfit("a value")
        except Misfit as error:
            raise error.within(key) from None

    return check


def each_value(shape: Shape) -> Shape:
    """An object whose every value is of a shape, whatever its keys."""

    def check(value: Any) -> None:
        if not isinstance(value, dict):
            raise Misfit("a JSON object")
        key = ""
        try:
            for key, one in value.items():  # noqa: B007
                shape(one)
        except Misfit as error:
            raise error.within(key) from None

    return check


def all_of(*shapes: Shape) -> Shape:
    def check(value: Any) -> None:
        for shape in shapes:
            shape(value)

    return check


def _plain_fact(value: Any) -> None:
    """What a flag's evidence holds under any name: a number, a text, or names."""
    names = isinstance(value, list) and all(isinstance(one, str) for one in value)
    if value is not None and not names and not isinstance(value, str | bool):
        try:
            NUMBER(value)
        except Misfit:
            raise Misfit("a number, a text or a list of names") from None


# The documents --------------------------------------------------------------------------------------

NUMBER = real()
DAY = whole(1, date.max.toordinal())
GRAMS = whole(0, 10**7)
COUNT = whole(0, 32_767)
ROW = or_null(whole())  # the number of a row, nothing where that row is gone
PLACE = {"week": whole(1, 520), "position": COUNT}

ASKED_SETS = list_of(
    object_of(
        {},
        {
            "load_grams": or_null(GRAMS),
            "reps": or_null(COUNT),
            "reps_high": or_null(COUNT),
            "amrap": yes_no,
            "rpe": or_null(real(0, 10)),
            "seconds": or_null(whole()),
            "metres": or_null(whole()),
            "rest_s": or_null(whole()),
        },
    )
)
NOVELTY = object_of(
    {},
    {
        "kind": text,
        "sentence": text,
        "rep_range": text,
        "step_pct": or_null(NUMBER),
        "step_kg": or_null(NUMBER),
        "weeks_since": or_null(NUMBER),
        "beyond_baseline_kg": or_null(NUMBER),
    },
)
PREDICTED = object_of({}, dict.fromkeys(("rir", "low", "high"), NUMBER))
PLANNED_STRESS = each_value(or_null(NUMBER))
STORED_SET = object_of(
    {
        "day": DAY,
        "position": COUNT,
        "session_id": ROW,
        "exercise_id": ROW,
        "set_number": COUNT,
        "load_grams": GRAMS,
        "reps": COUNT,
        "rpe_tenths": or_null(whole(0, 100)),
        "marks": whole(0, 255),
        "typed": or_null(text),
        "lifted_at": or_null(whole(0, 4_102_444_800)),
        "version": whole(1, 32_767),
    },
    {
        "lifter_id": ROW,
        "prescription_id": ROW,
        "planned_set": or_null(COUNT),
        "seconds": or_null(whole()),
        "metres": or_null(whole()),
        "note": or_null(text),
        "import_batch_id": ROW,
    },
)
GIVEN_SESSION = object_of(
    {
        **PLACE,
        "day": DAY,
        "name": text,
        "note": text,
        "exercises": list_of(
            object_of(
                {
                    "exercise": text,
                    "text": text,
                    "sets": ASKED_SETS,
                    "novelty": NOVELTY,
                    "predicted": PREDICTED,
                    "note": text,
                }
            )
        ),
    }
)
WEEKS = object_of(
    {
        "weeks": list_of(
            object_of(
                {
                    "number": whole(1, 520),
                    "start_day": DAY,
                    "emphasis": text,
                    "planned_stress": PLANNED_STRESS,
                }
            )
        )
    }
)
EDITS = list_of(object_of({"edit": text}))


def _given_or_weeks(value: Any) -> None:
    (WEEKS if isinstance(value, dict) and "weeks" in value else GIVEN_SESSION)(value)


EVIDENCE = object_of(
    {},
    {
        "day": DAY,
        "measure": one_of(*STRESS_MEASURES),
        "stress": or_null(NUMBER),
        "e1rm": items(NUMBER, NUMBER, NUMBER),
        "slope": items(NUMBER, NUMBER, NUMBER),
        "rising": NUMBER,
        "block": object_of({"name": text, "week": whole(-520, 520)}),
        "flag": object_of({"kind": text, "severity": text}, {"probability": or_null(real(0, 1))}),
    },
)
OUTCOME = object_of(
    {"verdict": one_of(*VERDICTS)},
    {
        "level_pct": items(NUMBER, NUMBER, NUMBER),
        "better": real(0, 1),
        "slope": items(NUMBER, NUMBER),
        "stress_pct": NUMBER,
        "day": DAY,
        "done": items(COUNT, COUNT),
        "flag": text,
    },
)
SETS_BY_PLACE = list_of(items(DAY, COUNT))
DETAIL = object_of(
    {
        "by": text,
        "sentence": text,
        "changes": list_of(items(whole(), text, text, text, text)),
        "next_before": text,
        "next_after": text,
    },
    {
        "flag_was": object_of({}, {"state": text, "until": or_null(DAY), "reason": text}),
        "taken_back_by": text,
        "how": text,
        "sets": SETS_BY_PLACE,
        "back": SETS_BY_PLACE,
    },
)


def _outcome(value: Any) -> None:
    OUTCOME(value)
    if "level_pct" in value and "better" not in value:
        raise Misfit("a value", ("better",))


def _evidence(value: Any) -> None:
    EVIDENCE(value)
    if value.get("stress") is not None and "measure" not in value:
        raise Misfit("a value", ("measure",))


def _session_of_message(value: Any) -> None:
    if type(value) is not int and not isinstance(value, str):
        raise Misfit("a number or a text")


def _set_of_message(value: Any) -> None:
    if value is not None:
        _session_of_message(value)


SHAPES: Mapping[tuple[str, str], Shape] = {
    ("lifters", "increments"): each_value(GRAMS),
    ("column_mappings", "mapping"): object_of({}, {"columns": each_value(text), "dates": text}),
    ("import_batches", "counts"): object_of(
        {
            **dict.fromkeys(("new", "changed", "same", "refused"), whole()),
            **dict.fromkeys(("lifters", "made_lifters", "made_exercises"), list_of(whole())),
        }
    ),
    ("import_batches", "changed"): list_of(STORED_SET),
    ("blocks", "rules"): object_of({}, {"answered": list_of(whole())}),
    ("block_weeks", "planned_stress"): PLANNED_STRESS,
    ("prescriptions", "sets"): ASKED_SETS,
    ("prescriptions", "novelty"): NOVELTY,
    ("prescriptions", "predicted"): PREDICTED,
    ("set_revisions", "before"): STORED_SET,
    ("flags", "evidence"): all_of(
        each_value(_plain_fact), object_of({}, {"also": list_of(text), "last_day": DAY})
    ),
    ("decisions", "detail"): DETAIL,
    ("decisions", "evidence"): _evidence,
    ("decisions", "outcome"): or_null(_outcome),
    ("messages", "about"): object_of(
        {},
        {
            **dict.fromkeys(
                ("exercise", "flag", "block", "decision", "review", "plan_change", "skipped"), whole()
            ),
            "session": _session_of_message,
            "set": _set_of_message,
        },
    ),
}
FREE = {
    ("coaches", "settings"): "nothing reads it yet",
    ("blocks", "plan"): "read as a plan",
    ("block_templates", "plan"): "read as a plan",
    ("block_versions", "plan"): "read as a plan",
    ("lifters", "plates"): "read as pairs",
    ("plan_changes", "before"): "by who made the change",
    ("plan_changes", "after"): "by who made the change",
}
"""Documents without a shape of their own, and why."""


def misfits(tables: Mapping[str, Sequence[Row]]) -> Iterator[str]:
    """What does not fit, each with its place, as it is found."""
    for (table, column), shape in SHAPES.items():
        for number, row in enumerate(tables.get(table, ()), 1):
            yield from _misfit(table, number, column, shape, row[column])
    for number, row in enumerate(tables.get("plan_changes", ()), 1):
        # A change that a coach made keeps what stood on the calendar, one of the block itself its edits.
        coach = row["rule"] == BY_COACH
        before, after = (list_of(_given_or_weeks), list_of(object_of(PLACE))) if coach else (EDITS, EDITS)
        yield from _misfit("plan_changes", number, "before", before, row["before"])
        yield from _misfit("plan_changes", number, "after", after, row["after"])


def _misfit(table: str, row: int, column: str, shape: Shape, value: Any) -> Iterator[str]:
    try:
        shape(value)
    except Misfit as error:
        yield f"{', '.join((table, f'row {row}', column, *error.place))}: {error}"
