"""A block looked back on: what was gained over where it began, what it cost, what was decided, what is next.

The numbers are those of an analysis of the block's last day (or of today, while it runs), with the block
itself as the recent window, so that they stay the same however often the review is opened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import NormalDist

import numpy as np

from app.planning import analysis, builder, messages, yardstick
from app.planning import decisions as deciding
from app.planning.days import short, today_in
from app.planning.decisions import JournalLine
from app.storage import blocks, decisions, exercises, lifters, logs, seasons
from app.storage import messages as kept
from app.storage.engine import Store
from app.storage.models import Baseline, Block, Coach, Lifter, Message
from app.training import dose, exposure
from app.training.analysis import analyse_lifter
from app.training.progression import NextBlock
from app.training.records import (
    AnalysisSettings,
    BlockKind,
    ExerciseAnalysis,
    Exposure,
    Floats,
    Ints,
    Mark,
    SetLog,
    Trend,
)
from app.training.units import Unit, format_mass

NEXT_IS_NEWS_DAYS = 21  # after a block's end, in which the next one is still to be spoken of


class NotBegun(Exception):
    """The block has not begun, so there is nothing to look back on."""


@dataclass(frozen=True, slots=True)
class Gain:
    """The best of one rep range inside the block against its frozen baseline."""

    exercise: str
    rep_range: str
    before: Mark | None
    best: Mark | None
    kind: str  # more, same, less, new, not trained
    step_pct: float  # [%] of the 1RM both stand for, NaN where they cannot be compared
    load_step_kg: float  # [kg] at the same repetitions, NaN otherwise


@dataclass(frozen=True, slots=True)
class LiftChange:
    """The level of one lift at the block's end against its begin."""

    exercise: str
    is_main: bool
    end_kg: float
    change_pct: float
    low_pct: float
    high_pct: float
    rose: float  # probability
    day: Ints
    level_kg: Floats
    sd_kg: Floats
    point_day: Ints
    point_kg: Floats


@dataclass(frozen=True, slots=True)
class WeekDone:
    """Stress of one week of the block; planned is None where nothing was."""

    number: int
    start_day: int
    planned: float | None
    done: float | None


@dataclass(frozen=True, slots=True)
class Review:
    """A block looked back on."""

    lifter: Lifter
    block: Block
    today: int
    last_day: int
    measure: str
    frozen: bool  # False: brought in with a log; the recent bests of the day before stand in
    gains: tuple[Gain, ...]
    lifts: tuple[LiftChange, ...]
    weeks: tuple[WeekDone, ...]
    sessions: Mapping[str, int]  # done, missed, skipped, planned (due), and to come
    decisions: tuple[JournalLine, ...]
    next_start: int
    suggestion: NextBlock

    @property
    def is_over(self) -> bool:
        return self.block.end_day < self.today

    @property
    def weeks_long(self) -> int:
        return max(1, -(-(self.block.end_day - self.block.start_day + 1) // 7))

    @property
    def trained(self) -> tuple[Gain, ...]:
        return tuple(one for one in self.gains if one.kind != "not trained")

    @property
    def left_out(self) -> str:
        """Ranges that had a recent best and were not trained, by exercise."""
        ranges: dict[str, list[str]] = {}
        for one in self.gains:
            if one.kind == "not trained":
                ranges.setdefault(one.exercise, []).append(one.rep_range)
        return "; ".join(f"{name} {', '.join(found)}" for name, found in ranges.items())

    @property
    def gained(self) -> tuple[Gain, ...]:
        return tuple(one for one in self.gains if one.kind in ("more", "new"))


def of_block(store: Store, coach: Coach, block_id: int, *, now: datetime) -> Review:
    """Look back on a block.

    Raises
    ------
    BlockNotFound, NotBegun
        If it is not a block of one of this coach's lifters, or its first day is still to come.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        today = today_in(lifter.time_zone, now)
        if block.status == "draft" or block.start_day > today:
            raise NotBegun
        last = min(block.end_day, today)
        log, _ = logs.set_log(db, lifter, last_day=last, held_out=False)
        season = seasons.blocks(db, lifter.id)
        due = [
            one
            for one in seasons.planned_between(db, lifter.id, block.start_day, block.end_day)
            if one.block_id == block.id
        ]
        names = {one.id: one.name for one in exercises.all_of(db, coach)}
        frozen = blocks.baselines(db, block.id)
        made = decisions.journal(db, coach, lifter_id=lifter.id)
    begin = builder.beginning(store, coach, lifter.id, now=now)
    settings = replace(
        analysis.settings_of(lifter), recent_window_days=last - block.start_day + 1, accepted_rows=frozenset()
    )
    found = analyse_lifter(log, [one.span() for one in season], as_of=last, settings=settings)
    baseline = _baseline(frozen, names) or _before(log, block.start_day, analysis.settings_of(lifter))
    this = next((one for one in season if one.id == block.id), None)
    planned = {} if this is None else {one.number: one.planned_stress for one in this.weeks}
    total = dose.daily_stress(log, block.start_day, last)[lifter.stress_measure]
    count = {status: sum(one.status == status for one in due) for status in ("done", "missed", "skipped")}
    return Review(
        lifter=lifter,
        block=block,
        today=today,
        last_day=last,
        measure=lifter.stress_measure,
        frozen=bool(frozen),
        gains=tuple(_gains(found.exercises, baseline, settings)),
        lifts=tuple(
            sorted(
                (
                    change
                    for one in found.exercises
                    if one.trend is not None and any(e.working_sets for e in one.exposures)
                    for change in [_change(one.exercise, one.main_lift, one.trend, block.start_day)]
                    if change is not None
                ),
                key=lambda one: (not one.is_main, one.exercise),
            )
        ),
        weeks=tuple(_weeks(block, last, planned, total, lifter.stress_measure)),
        sessions=count
        | {
            "planned": sum(one.day <= last for one in due),
            "to come": sum(one.status == "planned" and one.day > last for one in due),
        },
        decisions=tuple(
            JournalLine(one, who, lift, kind, deciding.LABELS.get(one.action, one.action))
            for one, who, lift, kind in reversed(made)
            if block.start_day <= one.day <= block.end_day
        ),
        next_start=begin.start_day,
        suggestion=begin.suggestion,
    )


def _baseline(frozen: Sequence[Baseline], names: Mapping[int, str]) -> dict[str, dict[str, Mark]]:
    found: dict[str, dict[str, Mark]] = {}
    for one in frozen:
        rpe = float("nan") if one.rpe_tenths is None else one.rpe_tenths / 10
        found.setdefault(names[one.exercise_id], {})[one.rep_range] = Mark(
            one.load_grams / 1000, one.reps, rpe, one.day, one.e1rm_grams / 1000
        )
    return found


def _before(log: SetLog, start_day: int, settings: AnalysisSettings) -> dict[str, dict[str, Mark]]:
    """The recent bests on the day before a block that nobody assigned."""
    if not (log.day < start_day).any():
        return {}
    return {
        log.exercises[number].name: {
            one.rep_range: one.recent_best for one in lines if one.recent_best is not None
        }
        for number, lines in exposure.ledgers(log, as_of=start_day - 1, settings=settings).items()
    }


def _gains(
    lifts: Sequence[ExerciseAnalysis],
    baseline: Mapping[str, Mapping[str, Mark]],
    settings: AnalysisSettings,
) -> list[Gain]:
    """One line for each exercise and range that was trained in the block or had a baseline."""
    found = []
    for lift in lifts:
        frozen = baseline.get(lift.exercise, {})
        trained = [one for one in lift.exposures if one.working_sets]
        if not trained:
            continue
        for line in lift.exposures:
            before, best = frozen.get(line.rep_range), line.recent_best if line.working_sets else None
            if before is not None or best is not None:
                found.append(_gain(lift.exercise, line, before, best, settings))
    return found


def _gain(
    exercise: str, line: Exposure, before: Mark | None, best: Mark | None, settings: AnalysisSettings
) -> Gain:
    nothing = float("nan")
    if best is None:
        return Gain(exercise, line.rep_range, before, None, "not trained", nothing, nothing)
    if before is None:
        return Gain(exercise, line.rep_range, None, best, "new", nothing, nothing)
    judged = exposure.novelty(
        best.load_kg, best.reps, nothing, (replace(line, recent_best=before),), settings=settings
    )
    kind = {"below": "less", "repeats": "same"}.get(judged.kind, "more")
    step = judged.load_step_kg if best.reps == before.reps else nothing
    return Gain(exercise, line.rep_range, before, best, kind, judged.step_pct, step)


def _change(exercise: str, main_lift: str | None, trend: Trend, start_day: int) -> LiftChange | None:
    """The level's change since the block's first day, with the error of a change."""
    size = trend.change_sd_pct.size
    if not size:
        return None
    day, level = trend.day[-size:], trend.level_kg[-size:]
    if day[0] > start_day:  # First trained inside the block: there is no level to compare with.
        return None
    before = float(np.interp(start_day, day, level))
    sd = float(np.interp(start_day, day, trend.change_sd_pct))
    change = 100 * (float(level[-1]) / before - 1)
    spread = deciding.Z90 * sd
    near, points = trend.day >= start_day - 28, trend.point_day >= start_day - 28
    return LiftChange(
        exercise,
        (main_lift or "").casefold() == exercise.casefold(),
        float(level[-1]),
        change,
        change - spread,
        change + spread,
        NormalDist().cdf(change / sd) if sd > 0 else float(change > 0),
        trend.day[near],
        trend.level_kg[near],
        trend.sd_kg[near],
        trend.point_day[points],
        trend.point_kg[points],
    )


def _weeks(
    block: Block, last: int, planned: Mapping[int, Mapping[str, float]], total: Floats, measure: str
) -> list[WeekDone]:
    found = []
    for number, start in enumerate(range(block.start_day, block.end_day + 1, 7), 1):
        wanted = planned.get(number, {}).get(measure)
        at = start - block.start_day
        done = float(total[at : at + 7].sum()) if start <= last else None
        found.append(WeekDone(number, start, wanted, done))
    return found


# For the lifter -----------------------------------------------------------------------------------


def for_lifter(review: Review) -> str:
    """The review in plain and kind words, to be changed before it is sent."""
    lifter, block = review.lifter, review.block
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    done, planned = review.sessions["done"], review.sessions["planned"]
    parts = [f"Hi {lifter.name.split()[0]},"]
    when = f"{short(block.start_day)} to {short(block.end_day)}"
    opening = f"“{block.name}” {'is behind you' if review.is_over else 'is under way'} ({when})."
    if planned:
        opening += f" You did {done} of {planned} sessions."
        if done >= 0.85 * planned:
            opening += " That is steady work, and it is what everything else rests on."
        elif done < 0.6 * planned:
            opening += (
                " Some did not happen; that is life, and the next block is planned with the time you have."
            )
    parts.append(opening)
    gained = sorted(review.gained, key=lambda one: -(one.step_pct if one.step_pct == one.step_pct else 0.0))
    if gained:
        parts.append(
            "What you gained over where you began:\n"
            + "\n".join(f"- {_plain(one, unit)}" for one in gained[:6])
        )
    else:
        kind: BlockKind = block.kind  # type: ignore[assignment]
        parts.append(
            f"No mark moved this time. {yardstick.PURPOSES[kind]} "
            "The work counts all the same; marks follow later."
        )
    moved = [_said(one) for one in review.lifts if one.is_main and not 0.2 < one.rose < 0.8][:4]
    held = [one.exercise.lower() for one in review.lifts if one.is_main and 0.2 < one.rose < 0.8][:4]
    if held:
        named = " and ".join([", ".join(held[:-1]), held[-1]] if len(held) > 1 else held)
        moved.append(f"Your {named} held {'their' if len(held) > 1 else 'its'} level.")
    if moved:
        parts.append(" ".join(moved))
    if review.is_over and review.today - review.block.end_day <= NEXT_IS_NEWS_DAYS:
        parts.append(
            f"Next, from {short(review.next_start)}, I have a {review.suggestion.kind} block in mind. "
            f"{yardstick.PURPOSES[review.suggestion.kind]}"
        )
    parts.append("Is there anything you would like to be different? Write to me.")
    return "\n\n".join(parts)


def mark_words(mark: Mark, unit: Unit) -> str:
    return yardstick.mark_text(mark, unit).replace(" x ", " × ")


def gain_words(one: Gain, unit: Unit) -> str:
    """How far a range came, in a few words."""
    match one.kind:
        case "new":
            return "first in the window"
        case "not trained":
            return "not trained"
        case "same":
            return "held"
    if one.load_step_kg == one.load_step_kg and one.load_step_kg:
        sign = "+" if one.load_step_kg > 0 else "\u2212"
        return f"{sign}{format_mass(round(abs(one.load_step_kg) * 1000), unit)}"
    sign = "+" if one.step_pct > 0 else "\u2212"
    return f"{sign}{abs(one.step_pct):.1f} % by the 1RM it stands for"


def _plain(one: Gain, unit: Unit) -> str:
    assert one.best is not None
    best = mark_words(one.best, unit)
    if one.before is None:
        return f"{one.exercise}: {best}, your first {one.rep_range} reps in a while"
    if one.load_step_kg == one.load_step_kg and one.load_step_kg > 0:
        more = f", {format_mass(round(one.load_step_kg * 1000), unit)} more"
    else:
        more = ""
    return f"{one.exercise}: {mark_words(one.before, unit)} became {best}{more}"


def _said(one: LiftChange) -> str:
    """One lift's change, kind and without false precision."""
    lift = one.exercise.lower()
    if one.rose >= 0.8:
        low = max(one.low_pct, 0.0)
        return (
            f"Your {lift} went up by about {one.change_pct:.0f} % (between {low:.0f} and {one.high_pct:.0f})."
        )
    return f"Your {lift} went down a little, about {-one.change_pct:.0f} %; we look at why together."


def text_of(store: Store, coach: Coach, review: Review) -> tuple[str, Message | None]:
    """The lifter's text as it was last saved or, before that, as drafted; and what was sent of it last."""
    with store.reading() as db:
        found = kept.about_block(db, review.lifter.id, review.block.id)
    draft = next((one for one in found if one.sent_at is None), None)
    sent = next((one for one in found if one.sent_at is not None), None)
    last = draft or sent
    return for_lifter(review) if last is None else last.body, sent


def save_text(
    store: Store, coach: Coach, block_id: int, body: str, *, send: bool, by: str, now: datetime
) -> None:
    """Keep the lifter's text, or send it to the phone.

    Raises
    ------
    BlockNotFound, NothingWritten
        If it is not this coach's, or there are no words.
    """
    if not body.strip():
        raise messages.NothingWritten
    with store.transaction() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        lifter = lifters.of_coach(db, coach, lifter.id)
        about = {"review": block.id}
        text = body.strip()[: messages.LONGEST]
        if send:
            kept.drop_drafts(db, lifter.id, about)
            messages.post(db, coach, lifter, text, about, by=by, now=now)
        else:
            kept.keep_draft(db, lifter.id, text, about, now)
