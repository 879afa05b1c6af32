"""What programs send and get, strictly: no unknown field, no number of another kind or without bounds."""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

MOST = 2**31 - 1
# No control characters but tab and line ends in a text; none at all in a name, which also is not blank.
TEXT = r"^[^\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f]*$"
NAME = r"^[^\u0000-\u001f\u007f]*[^\s\u0000-\u001f\u007f][^\u0000-\u001f\u007f]*$"
KEY = r"^[A-Za-z0-9_-]{16,64}$"


def _day(value: object) -> date:
    if isinstance(value, date):
        return value
    if not isinstance(value, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value, re.ASCII):
        raise ValueError("a date is written like 2026-03-09")
    found = date.fromisoformat(value)
    if not 1950 <= found.year <= 2199:
        raise ValueError("a date lies between 1950 and 2199")
    return found


Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
Number = Annotated[int, Field(ge=1, le=MOST)]
Name = Annotated[str, Field(min_length=1, max_length=120, pattern=NAME)]
Unit = Literal["kg", "lb"]


def _left_out() -> Any:
    """The value of a field that a program did not name; whether it did is told by `model_fields_set`."""


def one_line(text: str) -> str:
    """A name with its spaces put right."""
    return " ".join(text.split())


class In(BaseModel):
    """A body that a program sends."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class Out(BaseModel):
    """A part of an answer."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


# Lifters --------------------------------------------------------------------------------------------


class LifterIn(In):
    """A new lifter."""

    name: Name
    time_zone: Annotated[str, Field(max_length=64, examples=["Europe/Lisbon"])]
    unit: Unit = "kg"
    goal: Annotated[str, Field(max_length=200, pattern=TEXT)] = ""
    goal_day: Day | None = None
    body_mass_kg: Annotated[float, Field(ge=20, le=400)] | None = None
    note: Annotated[str, Field(max_length=5_000, pattern=TEXT)] = ""


Stress = Literal["relative_volume_load", "volume_load", "working_sets", "hard_sets", "session_rpe_load"]


class PlateIn(In):
    mass: Annotated[float, Field(ge=0.1, le=100, description="In the lifter's unit, as it stands on it")]
    pairs: Annotated[int, Field(ge=1, le=20)]


class LifterChange(In):
    """What is to be changed about a lifter; what is not named stays.

    Null empties goal day and body mass, and leaves everything else as it is.
    """

    name: Name | None = None
    status: Literal["active", "paused", "archived"] | None = None
    time_zone: Annotated[str, Field(max_length=64)] | None = None
    unit: Unit | None = None
    goal: Annotated[str, Field(max_length=200, pattern=TEXT)] | None = None
    goal_day: Day | None = None
    body_mass_kg: Annotated[float, Field(ge=20, le=400)] | None = None
    recent_window_weeks: Annotated[int, Field(ge=4, le=16, description="What counts as recent")] | None = None
    rir_floor: Annotated[float, Field(ge=0, le=5, description="The least reps in reserve")] | None = None
    sensitivity: Annotated[float, Field(ge=0.3, le=3, description="1 is usual; more flags sooner")] | None = (
        None
    )
    stress_measure: Stress | None = None
    bar_kg: Annotated[float, Field(ge=1, le=60)] | None = None
    collar_kg: Annotated[float, Field(ge=0, le=5, description="One collar")] | None = None
    plates: Annotated[list[PlateIn], Field(min_length=1, max_length=20)] | None = None
    note: Annotated[str, Field(max_length=5_000, pattern=TEXT)] | None = None


class PlateOut(Out):
    mass_kg: float
    pairs: int


class LifterOut(Out):
    id: int
    name: str
    status: Literal["active", "paused", "archived"]
    time_zone: str
    unit: Unit
    goal: str
    goal_day: Day | None
    body_mass_kg: float | None
    recent_window_weeks: int
    rir_floor: float
    sensitivity: float
    stress_measure: str
    bar_kg: float
    collar_kg: float
    plates: Annotated[list[PlateOut], Field(description="Largest first")]
    note: str
    created_at: datetime


class ExerciseOut(Out):
    id: int
    name: str
    main_lift: str | None
    measure: Literal["load", "time", "distance"]
    body_mass_share: Annotated[float, Field(description="Share of body mass that moves with the load")]
    archived: bool


# Logs -----------------------------------------------------------------------------------------------


class SetIn(In):
    """One set. The exercise is found by name, other spellings included, and made if it is new."""

    date: Day
    exercise: Name
    load: Annotated[float, Field(ge=0, le=10_000, description="In the unit named; 0 for body weight alone")]
    unit: Unit
    reps: Annotated[int, Field(ge=0, le=200)]
    rpe: Annotated[float, Field(ge=1, le=10, description="Kept to one decimal")] | None = None
    set_number: Annotated[int, Field(ge=1, le=99)] | None = None
    seconds: Annotated[int, Field(ge=1, le=7_200)] | None = None
    metres: Annotated[int, Field(ge=1, le=10_000)] | None = None
    warm_up: bool = False
    failed: bool = False
    note: Annotated[str, Field(max_length=500, pattern=TEXT)] = ""


class SetsIn(In):
    sets: Annotated[list[SetIn], Field(min_length=1, max_length=500)]


class SetsAdded(Out):
    """Where the sets now stand, in the order they were sent."""

    added: list[str]


class SetChange(In):
    """What is to be put right about a set; what is not named stays, null empties what may be empty."""

    version: Annotated[Number, Field(description="The set's version as it was read")]
    exercise: Annotated[Name, Field(default_factory=_left_out)]
    load: Annotated[float, Field(ge=0, le=10_000, default_factory=_left_out)]
    unit: Annotated[Unit, Field(default_factory=_left_out, description="Comes with a load, and only then")]
    reps: Annotated[int, Field(ge=0, le=200, default_factory=_left_out)]
    rpe: Annotated[float, Field(ge=1, le=10)] | None = None
    seconds: Annotated[int, Field(ge=1, le=7_200)] | None = None
    metres: Annotated[int, Field(ge=1, le=10_000)] | None = None
    warm_up: Annotated[bool, Field(default_factory=_left_out)]
    failed: Annotated[bool, Field(default_factory=_left_out)]
    note: Annotated[str, Field(max_length=500, pattern=TEXT, default_factory=_left_out)]

    model_config = ConfigDict(json_schema_extra={"dependentRequired": {"load": ["unit"], "unit": ["load"]}})

    @model_validator(mode="after")
    def _load_has_its_unit(self) -> SetChange:
        if len({"load", "unit"} & self.model_fields_set) == 1:
            raise ValueError("a load comes with its unit, kg or lb")
        return self


class SetTakenOut(Out):
    """The change that took the set out; by its number the set can be put back."""

    change: int


class SetOut(Out):
    id: Annotated[str, Field(description="Its place in the lifter's log; also where a next page begins")]
    date: Day
    exercise: str
    exercise_id: int
    session_id: int
    set_number: int
    load: Annotated[str, Field(description="The number as typed")]
    unit: Unit
    load_kg: float
    reps: int
    rpe: float | None
    seconds: int | None
    metres: int | None
    warm_up: bool
    failed: bool
    held_out: Annotated[bool, Field(description="Left out of the estimates as a likely error")]
    note: str
    version: int


class SetChanged(Out):
    """A change of a log, with the set as it was before; put back, as it is since."""

    id: int
    at: datetime
    by: str
    change: Literal["amended", "removed", "restored"]
    why: str
    before: SetOut


class SessionOut(Out):
    id: int
    date: Day
    planned_session_id: Annotated[int | None, Field(description="The session of a block that it answers")]
    started_at: datetime | None
    finished_at: datetime | None
    session_rpe: float | None
    minutes: int | None
    note: str
    version: int


class SessionChange(In):
    """What is to be set about a session; what is not named stays, null empties."""

    version: Annotated[Number, Field(description="The session's version as it was read")]
    session_rpe: Annotated[float, Field(ge=0, le=10, description="Kept to one decimal")] | None = None
    minutes: Annotated[int, Field(ge=1, le=600)] | None = None
    note: Annotated[str, Field(max_length=1_000, pattern=TEXT, default_factory=_left_out)]


# Blocks ---------------------------------------------------------------------------------------------


class BlockOut(Out):
    id: int
    lifter_id: int
    name: str
    kind: str
    purpose: str
    start: Day
    end: Day
    status: Literal["draft", "planned", "assigned", "ended"]
    version: int


class PlannedExercise(Out):
    exercise: str
    text: Annotated[str, Field(description="The prescription as the coach reads it")]
    sets: list[dict[str, Any]]


class PlannedSessionOut(Out):
    id: int
    week: int
    date: Day
    name: str
    status: Literal["planned", "done", "missed", "skipped"]
    exercises: list[PlannedExercise]


class BaselineOut(Out):
    exercise: str
    rep_range: str
    load_kg: float
    reps: int
    rpe: float | None
    date: Day
    e1rm_kg: float


class BlockDetail(BlockOut):
    sessions: list[PlannedSessionOut]
    baseline: Annotated[list[BaselineOut], Field(description="Recent bests frozen at the assignment")]


# Analysis -------------------------------------------------------------------------------------------


class LoadOut(Out):
    measure: str
    last_7_days: float | None
    last_28_days: float | None
    monotony: float | None
    strain: float | None


class TrendOut(Out):
    e1rm_kg: float | None
    low_kg: Annotated[float | None, Field(description="Lower end of the 90 % interval")]
    high_kg: float | None
    slope_pct_per_week: float | None
    probability_rising: float | None


class MarkOut(Out):
    load_kg: float | None
    reps: int
    rpe: float | None
    date: Day


class ExposureOut(Out):
    rep_range: str
    last_date: Day | None
    working_sets: int
    status: str
    recent_best: MarkOut | None
    all_time_best: MarkOut | None


class ExerciseAnalysisOut(Out):
    exercise_id: int
    exercise: str
    trend: TrendOut | None
    exposures: list[ExposureOut]


class AnalysisOut(Out):
    """The last analysis; as_of is empty before the first, is_stale says that something came in since."""

    lifter_id: int
    as_of: Day | None
    is_stale: bool
    loads: list[LoadOut]
    exercises: list[ExerciseAnalysisOut]


# Flags and decisions --------------------------------------------------------------------------------


class FlagOut(Out):
    id: int
    lifter_id: int
    exercise: str | None
    kind: str
    severity: Literal["act", "watch", "notice"]
    probability: float | None
    since: Day
    evidence: dict[str, Any]
    advice: str
    clears_when: str
    state: Literal["open", "snoozed", "dismissed", "cleared"]
    snoozed_until: Day | None
    reason: str
    opened_at: datetime
    cleared_at: datetime | None


class FlagAnswer(In):
    """Not now, not at all, or open again."""

    state: Literal["open", "snoozed", "dismissed"]
    until: Annotated[Day | None, Field(description="For a snooze: the day it ends")] = None
    reason: Annotated[str, Field(max_length=200, pattern=TEXT)] = ""


class DecisionIn(In):
    """What to do about a flag. Numbers count only for the actions that use them."""

    action: Literal[
        "hold_course",
        "step_back",
        "spread_out",
        "change_range",
        "change_exercise",
        "end_block",
        "extend_block",
        "re_baseline",
        "correct_data",
        "write",
        "refer_out",
    ]
    percent: Annotated[float, Field(ge=1, le=50)] = 10.0
    weeks: Annotated[int, Field(ge=1, le=4)] = 1
    reps: Annotated[int, Field(ge=1, le=30)] = 8
    exercise: Annotated[str, Field(max_length=120, pattern=TEXT)] = ""
    message: Annotated[str, Field(max_length=4_000, pattern=TEXT)] = ""
    note: Annotated[str, Field(max_length=2_000, pattern=TEXT)] = ""
    look_again: Day | None = None


class DecisionMade(DecisionIn):
    """What to do about a flag, sent to be done."""

    seen_version: Annotated[
        Number | None,
        Field(description="`block_version` of the proposal that was looked at; another by now is refused"),
    ] = None


class CellChangeOut(Out):
    """What changes in one exercise of one session; `week` counts from 1."""

    week: int
    session: str
    exercise: str
    before: str
    after: str


class ProposalOut(Out):
    """What a decision would do, before it is made."""

    action: str
    label: str
    sentence: str
    changes: list[CellChangeOut]
    next_before: Annotated[str, Field(description="The next exposure and its predicted reserve as planned")]
    next_after: str
    look_again: Day
    block_version: Annotated[int | None, Field(description="Null where the plan is not changed")]


class TakingBackOut(Out):
    """What taking a decision back would do; `refusal` says why it cannot be, where it cannot."""

    label: str
    changes: list[CellChangeOut]
    flag: Annotated[str, Field(description="What becomes of the flag, in words")]
    was_sent: Annotated[bool, Field(description="A message went out; it stays sent")]
    refusal: str
    seen: Annotated[str, Field(description="A mark of exactly this; send it along to take the decision back")]


class TakeBackIn(In):
    seen: Annotated[str, Field(pattern=r"^[0-9a-f]{16}$", description="As the proposal gave it")]


class DecisionOut(Out):
    id: int
    lifter_id: int
    flag_id: int | None
    exercise: str | None
    action: str
    note: str
    date: Day
    look_again: Day
    detail: dict[str, Any]
    evidence: dict[str, Any]
    outcome: dict[str, Any] | None
    undone: bool
    made_at: datetime


# Odd sets -------------------------------------------------------------------------------------------


class Corrected(Out):
    load_kg: float
    reps: int


class OddSetOut(Out):
    """A set held out of the estimates; `proposed` is null where it should be left out."""

    set: SetOut
    reason: str
    proposed: Corrected | None


class OddSetList(Out):
    items: list[OddSetOut]


class PickIn(In):
    id: Annotated[str, Field(pattern=r"^[0-9]{1,7}-[0-9]{1,4}$", max_length=12)]
    version: Number


class OddSetsIn(In):
    """Put right as proposed, kept as logged, or left out of the log: all of them or none."""

    how: Literal["correct", "right", "out"]
    sets: Annotated[list[PickIn], Field(min_length=1, max_length=200)]


class OddSetsDecided(Out):
    decided: int


# Messages, check-ins, pain ----------------------------------------------------------------------------


class MessageIn(In):
    body: Annotated[str, Field(min_length=1, max_length=4_000, pattern=TEXT)]


class MessageOut(Out):
    id: int
    lifter_id: int
    author: Literal["coach", "lifter"]
    body: str
    about: dict[str, Any]
    sent_at: datetime
    read_at: datetime | None


class CheckInOut(Out):
    """What a lifter answered; each from 1 (good) to 7 (bad)."""

    id: int
    date: Day
    at: datetime
    sleep: int | None
    soreness: int | None
    stress: int | None
    motivation: int | None
    body_mass_kg: float | None
    note: str


class PainOut(Out):
    id: int
    date: Day
    at: datetime
    place: str
    severity: Annotated[int, Field(description="From 0 to 10")]
    during: str
    exercise: str | None
    note: str
    resolved_at: datetime | None
    resolved_note: str


class PainResolved(In):
    note: Annotated[str, Field(max_length=500, pattern=TEXT)] = ""


# Pages ----------------------------------------------------------------------------------------------


class LifterPage(Out):
    items: list[LifterOut]
    next: Annotated[int | None, Field(description="Pass as `after` for the next page; null on the last")]


class ExercisePage(Out):
    items: list[ExerciseOut]
    next: int | None


class SetPage(Out):
    items: list[SetOut]
    next: str | None


class BlockPage(Out):
    items: list[BlockOut]
    next: int | None


class SetChangePage(Out):
    items: list[SetChanged]
    next: int | None


class SessionPage(Out):
    items: list[SessionOut]
    next: int | None


class FlagPage(Out):
    items: list[FlagOut]
    next: int | None


class DecisionPage(Out):
    items: list[DecisionOut]
    next: int | None


class MessagePage(Out):
    items: list[MessageOut]
    next: int | None


class CheckInPage(Out):
    items: list[CheckInOut]
    next: int | None


class PainPage(Out):
    items: list[PainOut]
    next: int | None
