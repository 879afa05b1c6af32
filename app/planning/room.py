"""How much room a block leaves: for how long its loads can go on, and how often a step is being earned."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise
from statistics import mean

import numpy as np

from app.planning import blocks
from app.planning.days import today_in
from app.planning.history import PlannedSet
from app.planning.yardstick import sets_of
from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import Coach
from app.storage.seasons import SeasonBlock
from app.training import repmax
from app.training.exposure import Novelty, label, novelty, rep_range_index
from app.training.loading import smallest_increment
from app.training.progression import (
    ExerciseState,
    LifterState,
    headroom_of,
    largest_sustainable_step,
    loadable_step,
    reserve,
    spacing,
)
from app.training.records import Estimate
from app.training.units import KG_PER_LB, Unit, format_mass


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence with the number it is about set apart."""

    before: str
    number: str
    after: str

    def __str__(self) -> str:
        return f"{self.before}{self.number}{self.after}"


@dataclass(frozen=True, slots=True)
class NextDose:
    """The first planned set of a rep range, and what it is against the recent best."""

    planned: PlannedSet
    novelty: Novelty | None  # None where the lifter is to find the load


@dataclass(frozen=True, slots=True)
class TopSet:
    """The heaviest planned work of one day: ``sets`` sets of ``reps`` at ``load_kg``."""

    day: int
    load_kg: float
    reps: int
    sets: int


def state_now(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> LifterState:
    """A lifter as a plan sees them, by the last analysis; what came in since is not waited for.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return blocks.state_of(db, coach, lifter, today=today_in(lifter.time_zone, now))


def room_left(
    state: ExerciseState | None,
    planned: Sequence[PlannedSet],
    block: SeasonBlock | None,
    *,
    today: int,
    floor_rir: float,
    missing_because: str = "",
) -> tuple[Said, ...]:
    """What the rest of a block allows, as sentences.

    Parameters
    ----------
    state : ExerciseState or None
        The lifter's level, slope and kit for the exercise.
    planned : sequence of PlannedSet
        Sets of this exercise still to be done, of any block.
    block : SeasonBlock or None
        The block that today lies in.
    floor_rir : float
        Reserve that the plan must leave. [reps]
    """
    if state is None or state.e1rm is None:
        reason = missing_because or "too little is logged"
        return (Said("Nothing can be predicted for this lift yet: ", reason, "."),)
    if state.painful:
        return (
            Said(
                "",
                "Pain is reported here.",
                " Advice to add load is stopped until the report is marked as resolved.",
            ),
        )
    tops = top_sets([one for one in planned if block is None or one.block_id == block.id])
    said: list[Said] = []
    if tops:
        said.append(_headroom(state, tops, block, today=today, floor_rir=floor_rir))
        if len(tops) > 1:
            said.append(_largest_step(state, tops, today=today, floor_rir=floor_rir))
    elif block is not None:
        said.append(Said("", "No load is planned", " for this lift in what is left of the block."))
    said.extend(_spacing(state, tops))
    return tuple(said)


def top_sets(planned: Sequence[PlannedSet]) -> list[TopSet]:
    """The heaviest work of each day, by the 1RM it stands for on the population curve."""
    loaded = [one for one in planned if one.load_kg and one.reps > 0]
    found = []
    for day, group in groupby(sorted(loaded, key=lambda one: one.day), key=lambda one: one.day):
        sets = list(group)
        top = max(sets, key=lambda one: (one.load_kg or 0.0) / float(repmax.fraction_at(one.reps)))
        alike = sum(one.load_kg == top.load_kg and one.reps == top.reps for one in sets)
        found.append(TopSet(day, top.load_kg or 0.0, top.reps, alike))
    return found


def next_doses(state: LifterState, exercise: str, planned: Sequence[PlannedSet]) -> Mapping[str, NextDose]:
    """The first planned set of each rep range, judged against the recent best."""
    own = state.exercises.get(exercise)
    found: dict[str, NextDose] = {}
    ranges = state.settings.rep_ranges
    for one in planned:
        position = int(rep_range_index(np.array([one.reps]), ranges)[0]) if one.reps > 0 else -1
        if position < 0 or label(ranges[position]) in found:
            continue
        judged = None
        if own is not None and one.load_kg is not None:
            judged = novelty(
                one.load_kg,
                one.reps,
                math.nan if one.rpe is None else one.rpe,
                own.exposures,
                settings=state.settings,
                usual_step=own.usual_step_pct,
                smallest_increment_kg=smallest_increment(one.load_kg * 1000, own.kit) / 1000,
                body_mass_share_kg=own.body_mass_share_kg,
            )
        found[label(ranges[position])] = NextDose(one, judged)
    return found


def _headroom(
    state: ExerciseState, tops: Sequence[TopSet], block: SeasonBlock | None, *, today: int, floor_rir: float
) -> Said:
    course = [reserve(state, one.load_kg, one.reps, (one.day - today) / 7, one.sets - 1) for one in tops]
    left = headroom_of([m for m, _ in course], [sd for _, sd in course], floor_rir)
    what = _what(state, tops)
    floor = "no rep in reserve" if floor_rir <= 0 else f"less than {floor_rir:g} in reserve"
    if math.isinf(left.mean):
        last_mean, last_sd = course[-1]
        low, high = last_mean - 1.645 * last_sd, last_mean + 1.645 * last_sd
        after = f" in reserve (9 of 10 between {max(low, 0):.1f} and {max(high, 0):.1f})."
        if not math.isinf(left.low):
            after += f" At the unlucky end {floor} would come in {_when(tops, left.low, block)}."
        return Said(f"{what} are predicted to last: the final one leaves ", f"{last_mean:.1f}", after)
    early = _when(tops, left.low, block)
    if math.isinf(left.high):
        span = f" ({early} at the earliest, or not at all)"
    else:
        late = _when(tops, left.high, block)
        span = f" ({early} to {late})" if early != late else ""
    end = f" The block runs to week {block.weeks_long}." if block is not None else ""
    return Said(f"{what} are predicted to leave {floor} in ", _when(tops, left.mean, block), f"{span}.{end}")


def _what(state: ExerciseState, tops: Sequence[TopSet]) -> str:
    """The planned work in words: "At 2.5 kg a time the triples, 180 kg to 187.5 kg,"."""
    reps = {one.reps for one in tops}
    kind = sets_of(next(iter(reps))) if len(reps) == 1 else "heaviest sets"
    first, last = (format_mass(round(one.load_kg * 1000), state.unit) for one in (tops[0], tops[-1]))
    loads = f"at {first}" if first == last else f"{first} to {last}"
    return f"The planned {kind}, {loads},"


def _when(tops: Sequence[TopSet], exposures: float, block: SeasonBlock | None) -> str:
    """The week in which a number of exposures has been completed and the next is due."""
    day = tops[min(int(exposures), len(tops) - 1)].day
    if block is None:
        return f"{day - tops[0].day} days"
    return f"week {block.week_of(day)}"


def _largest_step(state: ExerciseState, tops: Sequence[TopSet], *, today: int, floor_rir: float) -> Said:
    first = tops[0]
    between = (tops[-1].day - first.day) / (len(tops) - 1)
    most: Estimate = largest_sustainable_step(
        state,
        reps=first.reps,
        first_load_kg=first.load_kg,
        exposures=len(tops),
        days_between=between,
        floor_rir=floor_rir,
        first_in_days=first.day - today,
        sets=first.sets,
    )
    shown = loadable_step(most.mean, first.load_kg, state.kit)
    low, high = (_about(max(v, 0.0), state.unit) for v in (most.low, most.high))
    between_words = f"9 of 10 between {low} and {high}"
    if shown <= 0:
        return Said(
            f"From {format_mass(round(first.load_kg * 1000), state.unit)}, ",
            "no step that the plates can show",
            f" would last all {len(tops)} exposures ({between_words}).",
        )
    return Said(
        f"The largest step that lasts all {len(tops)} exposures is ",
        f"{format_mass(shown, state.unit)} a time",
        f" ({between_words}).",
    )


def _spacing(state: ExerciseState, tops: Sequence[TopSet]) -> list[Said]:
    recent = [one.recent_best for one in state.exposures if one.recent_best is not None]
    if tops:
        load = tops[0].load_kg
    elif recent:
        load = max(recent, key=lambda one: one.load_kg).load_kg
    else:
        return []
    found = spacing(state, load_kg=load)
    planned = ""
    if len(tops) > 1:
        every = mean(b.day - a.day for a, b in pairwise(tops))
        planned = f" The plan has this lift every {_days(every)}."
    if found.increment_g <= 0 or math.isinf(found.days.mean):
        return [Said("", "", found.sentence + planned)]
    step = format_mass(found.increment_g, state.unit)
    high = f"to {_days(found.days.high)}" if not math.isinf(found.days.high) else "to never"
    return [
        Said(
            f"The smallest step at this load, {step}, is being earned every ",
            _days(found.days.mean),
            f" ({_days(found.days.low)} {high}).{planned}",
        )
    ]


def _days(days: float) -> str:
    """A length of time as exact as it deserves."""
    if days >= 60:
        return f"{days / 7:.0f} weeks"
    return "day" if round(days) == 1 else f"{days:.0f} days"


def _about(mass_kg: float, unit: Unit) -> str:
    """A mass that is an estimate: one decimal is more than is known."""
    value = mass_kg if unit == "kg" else mass_kg / KG_PER_LB
    return f"{value:.1f} {unit}"
