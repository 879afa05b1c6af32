"""The plan document of a block as programs send it, read so that a refusal names the very place.

The shapes bound what a field may hold; what only the whole document can tell (a week too few, a row that
follows itself, a setting that a rule refuses) is found by reading it part by part.
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema

from app.training import plan as plans
from app.training.plan import PlanDocument, PlanError, plan_from_dict
from app.training.records import BlockKind
from app.training.rules import RuleError, read_step, rule_from_dict
from app.web.api.door import Told, Wrong
from app.web.api.shapes import MOST, NAME, TEXT, BlockOut, Day, In, Out, Unit

MOST_CELLS = 6_000
"""A year of a hundred rows. A larger plan would hold up others while it is computed."""
NUMBER = r"^-?[0-9]{1,4}([.,][0-9]{1,3})?$"
STEP = r"^[-−]?[0-9]{1,3}([.,][0-9]{1,3})? ?(kg|lb|%)$"


def _between(low: float, high: float) -> Any:
    """A number between bounds, or the same written as text: so decimals come back as they were sent."""

    def read(value: object) -> object:
        if type(value) in (int, float) or (
            isinstance(value, str) and re.fullmatch(NUMBER, value, re.ASCII) is not None
        ):
            number = Decimal(str(value).replace(",", "."))
            if number.is_finite() and Decimal(str(low)) <= number <= Decimal(str(high)):
                return value
        raise ValueError(f"a number from {low:g} to {high:g}")

    schema = {
        "anyOf": [
            {"type": "number", "minimum": low, "maximum": high},
            {"type": "string", "pattern": NUMBER, "description": f"The same as text, {low:g} to {high:g}"},
        ]
    }
    return Annotated[Any, BeforeValidator(read), WithJsonSchema(schema)]


def _whole(low: int, high: int) -> Any:
    return Annotated[int, Field(ge=low, le=high)]


StepText = Annotated[
    str, Field(pattern=STEP, max_length=16, description="A load or a share of it: 2.5 kg, 5 lb, 2 %")
]
RowId = Annotated[str, Field(pattern=r"^r[1-9][0-9]{0,8}$", description="r and a number, once in the plan")]


class Setting(In):
    """One way in which the empty cells of a row follow from the last typed one."""


class AddLoad(Setting):
    """Add a step every so many exposures of the row, or of the lift wherever it stands in the week."""

    rule: Literal["add load"]
    step: StepText
    every: _whole(1, 52) = 1  # type: ignore[valid-type]
    count: Literal["row", "lift"] = "row"


class RepsThenLoad(Setting):
    """Climb in repetitions at one load, then add a step and begin again."""

    rule: Literal["reps then load"]
    low: _whole(1, 100)  # type: ignore[valid-type]
    high: _whole(1, 100)  # type: ignore[valid-type]
    step: StepText
    rep_step: _whole(1, 10) = 1  # type: ignore[valid-type]


class AddSets(Setting):
    """Add sets every so many exposures, up to most."""

    rule: Literal["add sets"]
    step: _whole(1, 30) = 1  # type: ignore[valid-type]
    every: _whole(1, 52) = 1  # type: ignore[valid-type]
    most: _whole(1, 30) = 8  # type: ignore[valid-type]


class AddEffort(Setting):
    """Let the target effort rise by a step of RPE every so many exposures, up to most."""

    rule: Literal["add effort"]
    step: _between(0.5, 30) = "0.5"  # type: ignore[valid-type]
    every: _whole(1, 52) = 1  # type: ignore[valid-type]
    most: _between(5, 10) = "9"  # type: ignore[valid-type]


class Hold(Setting):
    """Repeat the last typed cell."""

    rule: Literal["hold"]


class Wave(Setting):
    """Climb a step a week for some weeks, then begin again higher than the last time."""

    rule: Literal["wave"]
    weeks: _whole(1, 52)  # type: ignore[valid-type]
    step: StepText
    between: StepText
    rep_step: _whole(-10, 10) = 0  # type: ignore[valid-type]


class DayOf(Setting):
    """Follow another row of the same week: a light or a volume day beside the heavy one."""

    rule: Literal["day"]
    kind: Literal["heavy", "light", "volume"]
    row: RowId
    load_percent: _between(20, 150) = "90"  # type: ignore[valid-type]
    sets: _whole(-10, 20) = 0  # type: ignore[valid-type]
    reps: _whole(-20, 100) = 0  # type: ignore[valid-type]


class EveryNthWeek(Setting):
    """Train this row in one week of every so many."""

    rule: Literal["every nth week"]
    weeks: _whole(1, 52)  # type: ignore[valid-type]


class EmphasisPart(In):
    """Some weeks of one kind of work: sets of reps leaving a reserve."""

    kind: BlockKind
    weeks: _whole(1, 52)  # type: ignore[valid-type]
    sets: _whole(1, 20)  # type: ignore[valid-type]
    reps: _whole(1, 100)  # type: ignore[valid-type]
    rir: _between(0, 10)  # type: ignore[valid-type]


class Emphases(Setting):
    """One emphasis after another; other rules of the row begin anew with each."""

    rule: Literal["emphases"]
    parts: Annotated[list[EmphasisPart], Field(min_length=1, max_length=12)]


class StepBack(Setting):
    """Drop load and sets for some weeks: after so many, or when the reserve would fall under a floor."""

    rule: Literal["step back"]
    every: _whole(1, 52) | None = 5  # type: ignore[valid-type]
    floor: _between(0, 9) | None = None  # type: ignore[valid-type]
    load_percent: _between(0, 60) = "10"  # type: ignore[valid-type]
    sets_percent: _between(0, 90) = "40"  # type: ignore[valid-type]
    weeks: _whole(1, 52) = 1  # type: ignore[valid-type]
    again: _whole(0, 20) = 1  # type: ignore[valid-type]


class Taper(Setting):
    """Cut sets over the days before the goal day, keeping the load."""

    rule: Literal["taper"]
    days: _whole(1, 42) = 14  # type: ignore[valid-type]
    sets_percent: _between(0, 90) = "50"  # type: ignore[valid-type]
    shape: Literal["step", "even", "exponential"] = "exponential"
    last_heavy: _whole(0, 42) = 7  # type: ignore[valid-type]
    heavy_percent: _between(30, 100) = "85"  # type: ignore[valid-type]


Rule = Annotated[
    AddLoad
    | RepsThenLoad
    | AddSets
    | AddEffort
    | Hold
    | Wave
    | DayOf
    | EveryNthWeek
    | Emphases
    | StepBack
    | Taper,
    Field(discriminator="rule"),
]


class PlanRow(In):
    """An exercise of a session: one cell a week, and the rules by which empty cells follow."""

    id: RowId | None = None
    exercise: Annotated[str, Field(min_length=1, max_length=plans.MOST_NAME, pattern=NAME)]
    note: Annotated[str, Field(max_length=500, pattern=TEXT)] = ""
    rules: Annotated[list[Rule], Field(max_length=12, default_factory=list)]
    cells: Annotated[
        list[Annotated[str, Field(max_length=plans.MOST_TYPED)]],
        Field(
            max_length=plans.MOST_WEEKS,
            description="One prescription a week, such as 3 x 5 @ RPE 8; empty follows the rules, off is not "
            "trained. One that is not understood stays as it is and is named under problems",
        ),
    ]


class PlanSession(In):
    """A session of the week; day counts from the block's first day of the week, 0 to 6."""

    id: Annotated[str, Field(pattern=r"^s[1-9][0-9]{0,8}$")] | None = None
    name: Annotated[str, Field(min_length=1, max_length=plans.MOST_NAME, pattern=NAME)]
    day: _whole(0, 6)  # type: ignore[valid-type]
    rows: Annotated[list[PlanRow], Field(max_length=plans.MOST_ROWS)]


class PlanLiving(In):
    """What the block does by itself when training does not go as written."""

    missed: Literal["repeat", "continue"] = "continue"
    effort: Literal["keep", "adjust"] = "keep"
    tolerance: _between(0.5, 4) = "1"  # type: ignore[valid-type]
    most_percent: _between(1, 20) = "5"  # type: ignore[valid-type]


class Plan(In):
    """A block as written, before any lifter. What is read back can be sent as it came."""

    format: Literal[1] = 1
    name: Annotated[str, Field(min_length=1, max_length=plans.MOST_NAME, pattern=NAME)]
    kind: BlockKind
    weeks: _whole(1, plans.MOST_WEEKS)  # type: ignore[valid-type]
    purpose: Annotated[str, Field(max_length=1_000, pattern=TEXT)] = ""
    unit: Annotated[Unit, Field(description="In which the cells' loads are written")] = "kg"
    goal_day: Annotated[
        int | None, Field(ge=0, le=7 * plans.MOST_WEEKS + 28, description="Day of the meet or test, from 0")
    ] = None
    most_step: StepText | None = None
    living: PlanLiving = PlanLiving()
    next_id: Annotated[int, Field(ge=1, le=10**9, description="Kept by the grid; may be left out")] = 1
    sessions: Annotated[
        list[PlanSession],
        Field(
            max_length=plans.MOST_SESSIONS,
            description=f"Rows of all of them times weeks make at most {MOST_CELLS:,} cells",
        ),
    ]


# A plan on its way out was read when it came in; the document describes it as a Plan.
KeptPlan = Annotated[dict[str, Any] | None, Field(description="A Plan, or nothing")]

EXAMPLE: dict[str, Any] = {
    "start": "2026-03-16",
    "plan": {
        "name": "Spring fives",
        "kind": "strength",
        "weeks": 4,
        "sessions": [
            {
                "name": "Heavy",
                "day": 0,
                "rows": [
                    {
                        "id": "r1",
                        "exercise": "Squat",
                        "cells": ["3 x 5 @ RPE 8", "", "", "2 x 5 @ RPE 6"],
                        "rules": [{"rule": "add load", "step": "2.5 kg"}],
                    }
                ],
            },
            {
                "name": "Light",
                "day": 3,
                "rows": [
                    {
                        "exercise": "Squat",
                        "cells": ["", "", "", "off"],
                        "rules": [{"rule": "day", "kind": "light", "row": "r1", "load_percent": 85}],
                    }
                ],
            },
        ],
    },
}
"""The body of the worked example on the page."""

# Bodies and answers about blocks -------------------------------------------------------------------


class DraftIn(In):
    """A plan and the day it would start on."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    start: Day
    plan: Plan


class PlanWritten(In):
    """A plan in the place of the one a block has. Without a start the first day stays."""

    version: Annotated[int, Field(ge=1, le=MOST)]
    plan: Plan
    start: Annotated[Day | None, Field(description="For a draft; an assigned block is moved by weeks")] = None
    why: Annotated[
        str, Field(max_length=500, pattern=TEXT, description="Kept with the version, and told to the lifter")
    ] = ""


class Assignment(In):
    """The version of the draft that is to be given out."""

    version: Annotated[int, Field(ge=1, le=MOST)]


class Weeks(In):
    """How many weeks later or longer; negative for earlier or shorter.

    Longer repeats the last week. Weeks at the end that ask for less stay the end; the one before is repeated.
    """

    version: Annotated[int, Field(ge=1, le=MOST)]
    weeks: Annotated[int, Field(ge=-52, le=52)]


class CellTrouble(Out):
    """A prescription that is not understood."""

    row: str
    week: Annotated[int, Field(description="From 1")]
    text: str
    expected: str


class BlockPlan(BlockOut):
    """A block as it is written. A plan is null where the block was brought in without one."""

    plan: KeptPlan
    problems: Annotated[list[str], Field(description="What keeps it from being assigned")]
    not_understood: list[CellTrouble]


class SeasonChanged(Out):
    """What a block became, and what moved with it."""

    block: BlockOut
    said: str
    along: Annotated[list[str], Field(description="Names of blocks that moved with it")]


class VersionOut(Out):
    version: int
    at: datetime
    by: str
    why: str


class VersionDetail(VersionOut):
    plan: KeptPlan


class VersionList(Out):
    items: list[VersionOut]


class TemplateOut(Out):
    """A plan that the coach keeps under a name."""

    id: int
    name: str
    kind: str
    weeks: int
    updated_at: datetime


class TemplateDetail(TemplateOut):
    plan: KeptPlan


class TemplateList(Out):
    items: list[TemplateOut]


class Span(Out):
    """A number with its 90 % interval."""

    mean: float | None
    low: float | None
    high: float | None


class PreviewSet(Out):
    load_kg: Annotated[float | None, Field(description="Null where the lifter chooses")]
    reps: int
    reps_high: int
    amrap: bool
    rpe: float | None
    seconds: int | None
    metres: int | None


class Novelty(Out):
    """The newest thing in a cell against the recent best of its rep range."""

    kind: Literal["below", "repeats", "step", "leap", "first"]
    step_pct: float | None
    load_step_kg: float | None
    rep_range: str
    weeks_since: float | None
    beyond_baseline_kg: float | None
    sentence: str


class PreviewCell(Out):
    """One exercise of one session, computed for the lifter."""

    row: str
    week: Annotated[int, Field(description="From 1")]
    date: Day
    session: str
    exercise: str
    text: Annotated[str, Field(description="The prescription after the rules")]
    source: Literal["typed", "rule", "step back", "taper", "day"]
    sets: list[PreviewSet]
    basis: str
    reps_in_reserve: Annotated[Span | None, Field(description="Predicted for the hardest set")]
    novelty: Novelty | None
    notes: list[str]


class PreviewWeek(Out):
    week: int
    emphasis: str
    stress: Annotated[dict[str, float | None], Field(description="By measure")]
    against_usual: Annotated[
        dict[str, Literal["below", "usual", "above", "unknown"]],
        Field(description="Against the lifter's own recent weeks"),
    ]


class Outlook(Out):
    """How long a row can go on."""

    row: str
    exercise: str
    exposures: int
    headroom: Annotated[Span | None, Field(description="Exposures until the reserve falls under the floor")]
    runs_out_week: Annotated[int | None, Field(description="From 1")]
    step_kg: float | None
    largest_step_kg: Span | None


class Warned(Out):
    """Something a coach should look at; week is null where it concerns a whole row."""

    kind: str
    row: str
    week: int | None
    sentence: str
    remedy: Annotated[str | None, Field(description="What would put it right, in words")]


class Preview(Out):
    """What a plan means for a lifter. Nothing of it is stored."""

    lifter_id: int
    start: Day
    end: Day
    cells: list[PreviewCell]
    weeks: list[PreviewWeek]
    rows: list[Outlook]
    warnings: list[Warned]
    problems: list[str]


# Reading a plan -------------------------------------------------------------------------------------

Place = tuple[str | int, ...]


def read(plan: Plan) -> PlanDocument:
    """The plan as the planner knows it; sessions and rows without an id get one.

    Raises
    ------
    Told
        With every place where something is wrong.
    """
    given: dict[str, Any] = plan.model_dump()
    for name in ("tolerance", "most_percent"):
        given["living"][name] = str(given["living"][name])
    errors: list[Wrong] = []
    _printable(given["name"], ("name",), errors)
    if plan.most_step is not None and not _is_rise(plan.most_step):
        errors.append(_wrong(("most_step",), "more than nothing, such as “2.5 kg”, “5 lb” or “2 %”"))
    if sum(len(one.rows) for one in plan.sessions) * plan.weeks > MOST_CELLS:
        errors.append(_wrong(("sessions",), f"at most {MOST_CELLS:,} cells, rows times weeks"))
    _number(given)
    seen: dict[str, Place] = {}
    for s, session in enumerate(given["sessions"]):
        _once(session["id"], ("sessions", s, "id"), seen, errors)
        _printable(session["name"], ("sessions", s, "name"), errors)
        for r, row in enumerate(session["rows"]):
            place: Place = ("sessions", s, "rows", r)
            _once(row["id"], (*place, "id"), seen, errors)
            row["exercise"] = " ".join(row["exercise"].split())
            _printable(row["exercise"], (*place, "exercise"), errors)
            if len(row["cells"]) != plan.weeks:
                words = f"{len(row['cells'])} cells, and the plan has {plan.weeks} weeks"
                errors.append(_wrong((*place, "cells"), words))
            for n, rule in enumerate(row["rules"]):
                _read_rule(rule, (*place, "rules", n), errors)
    rows = {row["id"]: row for session in given["sessions"] for row in session["rows"]}
    for s, session in enumerate(given["sessions"]):
        for r, row in enumerate(session["rows"]):
            for n, rule in enumerate(row["rules"]):
                if rule["rule"] == "day" and _goes_round(row["id"], rule["row"], rows):
                    where = ("sessions", s, "rows", r, "rules", n, "row")
                    words = "follows itself" if rule["row"] in rows else "a row that is in the plan"
                    errors.append(_wrong(where, words))
    if not errors:
        try:
            return plan_from_dict(given)
        except PlanError as error:
            errors.append(_wrong((), str(error)))
    raise Told(422, "The plan cannot be taken; each place that is wrong is named.", errors=errors)


def misread(plan: PlanDocument, at: Place) -> list[Wrong]:
    """Each cell that is not understood, by its place in a plan that stands at a place."""
    return [
        Wrong((*at, "sessions", s, "rows", r, "cells", week), cell.error)
        for s, session in enumerate(plan.sessions)
        for r, row in enumerate(session.rows)
        for week, cell in enumerate(row.cells)
        if cell.error
    ]


def _printable(name: str, where: Place, errors: list[Wrong]) -> None:
    if not name.strip() or not name.isprintable():
        errors.append(_wrong(where, "letters, digits and signs that can be printed"))


def _is_rise(step: str) -> bool:
    try:
        return read_step(step, "The largest step").value > 0
    except RuleError:
        return False


def _number(given: dict[str, Any]) -> None:
    """Give an id to what has none, after the largest there is."""
    parts = [*given["sessions"], *(row for one in given["sessions"] for row in one["rows"])]
    free = max([given["next_id"], *(int(one["id"][1:]) + 1 for one in parts if one["id"])])
    for session in given["sessions"]:
        for letter, one in (("s", session), *(("r", row) for row in session["rows"])):
            if one["id"] is None:
                one["id"], free = f"{letter}{free}", free + 1
    given["next_id"] = min(free, 10**9)


def _once(
    identity: str,
    where: Place,
    seen: dict[str, Place],
    errors: list[Wrong],
) -> None:
    if identity in seen:
        errors.append(_wrong(where, f"an id of its own; {identity} stands at {_path(seen[identity])} too"))
    seen.setdefault(identity, where)


def _wrong(where: Place, expected: str) -> Wrong:
    return Wrong(("body", "plan", *where), expected)


def _path(where: Place) -> str:
    return "/".join(map(str, where))


def _read_rule(rule: dict[str, Any], where: Place, errors: list[Wrong]) -> None:
    try:
        rule_from_dict(rule)
    except RuleError as error:
        errors.append(_wrong(where, str(error)))


def _goes_round(row_id: str, follows: str, rows: dict[str, Any]) -> bool:
    """Whether a row that follows another follows nothing that is there, or in the end itself."""
    passed = {row_id}
    at: str | None = follows
    while at is not None:
        if at not in rows or at in passed:
            return True
        passed.add(at)
        at = next((one["row"] for one in rows[at]["rules"] if one["rule"] == "day"), None)
    return False
