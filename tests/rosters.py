"""Rosters made up from a seed, in the plain form of a whole file: every table, and odd values in each."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from app.planning import library
from app.training.plan import plan_to_dict
from app.training.records import BLOCK_KINDS

Tables = dict[str, list[dict[str, Any]]]
BEGIN = date(2026, 1, 5)
WORDS = [
    "Vilde Aas",
    "Otto Hale",
    "=SUM(A1)",
    "'quoted",
    "Żaneta",
    "力",
    "a\nb",
    "x" * 60,
    "-5",
    "@home",
    " 1",
    "→ long text 1",
]
PLANS = [plan_to_dict(one.plan) for one in library.templates()]


class Maker:
    """Draws values; each method is one kind of value."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def below(self, n: int) -> int:
        return int(self.rng.integers(n))

    def one_of(self, values: Any) -> Any:
        return values[self.below(len(values))]

    def maybe(self, value: Any) -> Any:
        return value if self.rng.random() < 0.6 else None

    def words(self) -> str:
        return str(self.one_of([*WORDS, ""])) + str(self.one_of(["", " ü", "\t", "  two  spaces "]))

    def long_words(self) -> str:
        return self.words() * int(self.one_of([1, 1, 1, 40]))

    def day(self) -> date:
        return BEGIN + timedelta(days=self.below(200))

    def at(self) -> datetime:
        return datetime(2026, 1, 5, tzinfo=UTC) + timedelta(
            seconds=self.below(10_000_000), microseconds=self.below(1_000_000)
        )

    def number(self) -> float:
        return float(self.one_of([0.1, 1.0, 1 / 3, 2.5, 1e-9, 123456.789]))

    def document(self) -> dict[str, Any]:
        return {"a": self.number(), "b": [1, None, self.words()], self.words(): {"c": True}}

    def facts(self) -> dict[str, Any]:
        """What a flag rests on: numbers, texts and names, under any word."""
        return {"weeks": self.number(), "until": None, self.words(): self.words(), "sure": True} | {
            "also": [self.words()],
            "last_day": self.day().toordinal(),
        }

    def evidence(self) -> dict[str, Any]:
        seen = {"day": self.day().toordinal(), "measure": "hard_sets", "stress": self.number()}
        lift = {"e1rm": [self.number()] * 3, "slope": [-self.number()] * 3, "rising": 0.4}
        flag = {"flag": {"kind": "stall", "severity": "watch", "probability": self.maybe(0.7)}}
        block = {"block": {"name": self.words(), "week": 2}}
        return self.document() | self.one_of([{}, seen, seen | lift, seen | lift | flag | block])

    def outcome(self) -> dict[str, Any]:
        told = {"level_pct": [self.number()] * 3, "better": 0.7, "slope": [self.number()] * 2}
        plain = {
            "verdict": "cannot be told",
            "day": self.day().toordinal(),
            "done": [3, 4],
            "flag": "no flag",
        }
        return self.document() | plain | self.one_of([{}, told, {"stress_pct": -self.number()}])


def _some(make: Maker, most: int) -> range:
    return range(1, 1 + make.below(most + 1))


def tables(seed: int) -> Tables:
    """A whole roster. Same seed, same roster."""
    make = Maker(seed)
    found: Tables = {
        "coaches": [
            {
                "name": f"Coach {seed}",
                "club": make.words()[:120],
                "unit": make.one_of(["kg", "lb"]),
                "time_zone": make.one_of(["UTC", "Europe/Lisbon", "Australia/Lord_Howe"]),
                "settings": make.document(),
            }
        ]
    }
    exercises = range(1, 2 + make.below(4))
    found["exercises"] = [
        {
            "id": n,
            "name": f"Exercise {n}",
            "main_lift": make.maybe(f"Exercise {1 + make.below(n)}"),
            "body_mass_share": make.one_of([0.0, 0.65, 1.0]),
            "measure": make.one_of(["load", "time", "distance"]),
            "implement": "barbell",
            "video_url": "",
            "cue": make.long_words(),
            "archived_at": make.maybe(make.at()),
        }
        for n in exercises
    ]
    found["exercise_aliases"] = sorted(
        (
            {
                "key": f"spelling {n} {make.one_of(WORDS).casefold().strip()}",
                "exercise_id": make.one_of(exercises),
            }
            for n in _some(make, 3)
        ),
        key=lambda one: one["key"],
    )
    lifters = range(1, 2 + make.below(3))
    found["lifters"] = [_lifter(make, n) for n in lifters]
    found["block_templates"] = [
        {
            "id": n,
            "name": f"Template {n}",
            "kind": make.one_of(BLOCK_KINDS),
            "weeks": 1 + make.below(12),
            "plan": make.one_of(PLANS),
            "version": 1 + make.below(4),
            "updated_at": make.at(),
            "archived_at": make.maybe(make.at()),
        }
        for n in _some(make, 2)
    ]
    found["saved_views"] = [{"name": f"View {n}", "query": "show=act&find=%27"} for n in _some(make, 2)]
    found["column_mappings"] = sorted(
        (
            {"shape": f"{make.below(2**60):064x}", "mapping": make.document(), "used_at": make.at()}
            for _ in _some(make, 2)
        ),
        key=lambda one: one["shape"],
    )
    batches = _some(make, 2)
    _plans(make, found, exercises, lifters)
    _logs(make, found, exercises, lifters, batches)
    found["import_batches"] = [
        {
            "id": n,
            "at": make.at(),
            "file_name": make.words()[:200],
            "sha256": f"{make.below(2**60):064x}",
            "counts": {
                "new": make.below(9),
                "changed": make.below(9),
                "same": 0,
                "refused": make.below(2),
                "lifters": [make.one_of(lifters)],
                "made_lifters": [],
                "made_exercises": [make.one_of(exercises)],
            },
            "changed": [_set_body(make, one) for one in found["logged_sets"][: make.below(2)]],
            "undone_at": make.maybe(make.at()),
        }
        for n in batches
    ]
    _said(make, found, exercises, lifters)
    return found


def _lifter(make: Maker, n: int) -> dict[str, Any]:
    return {
        "id": n,
        "name": f"{n} {make.one_of(WORDS).strip()}"[:120],
        "status": make.one_of(["active", "paused", "archived"]),
        "time_zone": make.one_of(["UTC", "Asia/Kolkata", "America/Sao_Paulo"]),
        "unit": make.one_of(["kg", "lb"]),
        "bar_grams": 20_000,
        "collar_grams": make.below(3_000),
        "plates": [[25_000, 4], [1_134, 1]][: 1 + make.below(2)],
        "increments": make.one_of([{}, {"dumbbell": 2_000}]),
        "recent_window_weeks": 4 + make.below(12),
        "sensitivity": make.one_of([0.7, 1.0, 1.4]),
        "stress_measure": "hard_sets",
        "rir_floor": make.one_of([0.0, 1.5]),
        "body_mass_grams": make.maybe(82_300),
        "goal": make.words()[:200],
        "goal_day": make.maybe(make.day()),
        "note": make.long_words(),
        "created_at": make.at(),
    }


def _plans(make: Maker, found: Tables, exercises: range, lifters: range) -> None:
    blocks = _some(make, 3)
    owner = {n: make.one_of(lifters) for n in blocks}
    planned = [(block, week) for block in blocks for week in _some(make, 3)]
    starts = {n: make.day() for n in blocks}
    answered = [n for n, (block, _) in enumerate(planned, 1) if make.below(2)]
    found["blocks"] = [
        {
            "id": n,
            "lifter_id": owner[n],
            "name": make.one_of(WORDS)[:120],
            "kind": make.one_of(BLOCK_KINDS),
            "purpose": make.long_words(),
            "start_day": starts[n],
            "end_day": starts[n] + timedelta(days=make.below(80)),
            "status": make.one_of(["draft", "planned", "assigned", "ended"]),
            "plan": make.one_of([{}, *PLANS]),
            "rules": make.one_of([{}, {"answered": answered}]),
            "version": 1 + make.below(9),
            "assigned_at": make.maybe(make.at()),
            "created_at": make.at(),
            "updated_at": make.at(),
        }
        for n in blocks
    ]
    found["block_weeks"] = [
        {
            "block_id": block,
            "number": week,
            "start_day": make.day(),
            "emphasis": make.one_of(BLOCK_KINDS),
            "planned_stress": {"hard_sets": make.number()},
        }
        for block in blocks
        for week in _some(make, 2)
    ]
    found["block_versions"] = [
        {
            "block_id": block,
            "version": version,
            "at": make.at(),
            "by": make.words()[:160],
            "why": make.long_words(),
            "plan": make.one_of(PLANS),
        }
        for block in blocks
        for version in _some(make, 2)
    ]
    found["plan_changes"] = [
        {
            "id": n,
            "block_id": block,
            "lifter_id": owner[block],
            "at": make.at(),
            "why": make.words(),
            **make.one_of([_by_itself, _by_coach])(make),
            "undone_at": make.maybe(make.at()),
            "seen_by_lifter_at": make.maybe(make.at()),
        }
        for n, block in enumerate((block for block in blocks if make.below(2)), 1)
    ]
    found["planned_sessions"] = [
        {
            "id": n,
            "block_id": block,
            "lifter_id": owner[block],
            "week": week,
            "position": make.below(4),
            "name": make.words()[:120],
            "day": make.day(),
            "status": make.one_of(["planned", "done", "missed", "skipped"]),
            "note": make.words(),
            "version": 1 + make.below(3),
        }
        for n, (block, week) in enumerate(planned, 1)
    ]
    found["prescriptions"] = [
        {
            "id": n,
            "planned_session_id": session,
            "lifter_id": owner[block],
            "exercise_id": make.one_of(exercises),
            "position": make.below(5),
            "text": "3 x 5 @ RPE 8",
            "sets": [{"load_grams": 102_500, "reps": 5, "rpe": 8.0, "amrap": False}] * make.below(3),
            "novelty": make.one_of([{}, make.document()]),
            "predicted": make.one_of([{}, {"rir": 2.1, "low": 1.0, "high": 3.2}]),
            "note": make.words(),
        }
        for n, (session, block) in enumerate(
            ((s, block) for s, (block, _) in enumerate(planned, 1) if make.below(2)), 1
        )
    ]
    found["baselines"] = [
        {
            "block_id": block,
            "exercise_id": exercise,
            "rep_range": "5-6",
            "load_grams": make.below(300_000),
            "reps": 5,
            "rpe_tenths": make.maybe(85),
            "day": make.day(),
            "e1rm_grams": 200_000,
        }
        for block in blocks
        for exercise in exercises
        if make.below(2)
    ]


def _by_itself(make: Maker) -> dict[str, Any]:
    edit = {"edit": "set cells", "cells": [["r1", 2, make.words()]]}
    return {"rule": "missed", "before": [edit], "after": make.one_of([[], [edit]])}


def _by_coach(make: Maker) -> dict[str, Any]:
    asked = {"exercise": "Exercise 1", "text": "3 x 5", "sets": [{"load_grams": None, "reps": 5}]}
    asked |= {"novelty": make.document(), "predicted": {}, "note": make.words()}
    session = {"week": 1, "position": 0, "day": make.day().toordinal(), "name": make.words(), "note": ""}
    weeks = [{"number": 1, "start_day": make.day().toordinal(), "emphasis": "peak", "planned_stress": {}}]
    before = [session | {"exercises": [asked]}, {"weeks": weeks}]
    return {"rule": "edit", "before": before, "after": [{"week": 1, "position": 0}]}


def _logs(make: Maker, found: Tables, exercises: range, lifters: range, batches: range) -> None:
    free = [one for one in found["planned_sessions"] if make.below(2)]
    found["logged_sessions"] = []
    for n in _some(make, 5):
        planned = free.pop() if free and make.below(2) else None
        lifter = make.one_of(lifters) if planned is None else planned["lifter_id"]
        usual = make.maybe(f"n{make.below(2**50):020d}")
        found["logged_sessions"].append(
            {
                "id": n,
                "lifter_id": lifter,
                "day": make.day(),
                "planned_session_id": None if planned is None else planned["id"],
                "client_id": usual if planned is None else f"p{planned['id']}{make.one_of(['', ':739000'])}",
                "started_at": make.maybe(make.at()),
                "finished_at": make.maybe(make.at()),
                "offset_minutes": make.maybe(-630),
                "time_zone": make.maybe("Asia/Kolkata"),
                "session_rpe_tenths": make.maybe(75),
                "minutes": make.maybe(61),
                "note": make.long_words(),
                "import_batch_id": make.maybe(make.one_of(batches)) if len(batches) else None,
                "version": 1 + make.below(3),
            }
        )
    places: dict[tuple[int, date], int] = {}
    found["logged_sets"] = []
    for session in found["logged_sessions"]:
        mine = [one for one in found["prescriptions"] if one["lifter_id"] == session["lifter_id"]]
        for number in _some(make, 4):
            day = session["day"]
            position = places.get((session["lifter_id"], day), 0)
            places[session["lifter_id"], day] = position + 1
            asked = make.one_of(mine) if mine and make.below(2) else None
            found["logged_sets"].append(
                {
                    "lifter_id": session["lifter_id"],
                    "day": day,
                    "position": position,
                    "session_id": session["id"],
                    "exercise_id": make.one_of(exercises),
                    "set_number": number,
                    "load_grams": make.below(300_000),
                    "reps": make.below(20),
                    "rpe_tenths": make.maybe(85),
                    "marks": make.below(16),
                    "typed": make.maybe(make.one_of(["225 lb", "82,5 kg", "100.0 kg"])),
                    "prescription_id": None if asked is None else asked["id"],
                    "planned_set": None if asked is None else make.below(3),
                    "lifted_at": make.maybe(1_770_000_000 + make.below(10**6)),
                    "seconds": make.maybe(45),
                    "metres": make.maybe(20),
                    "note": make.maybe(make.words()),
                    "version": 1 + make.below(3),
                    "import_batch_id": session["import_batch_id"],
                }
            )
    found["logged_sets"].sort(key=lambda one: (one["lifter_id"], one["day"], one["position"]))
    found["set_revisions"] = [
        {
            "lifter_id": one["lifter_id"],
            "day": one["day"],
            "position": one["position"],
            "at": make.at(),
            "by": make.words()[:160],
            "change": make.one_of(["amended", "removed", "restored"]),
            "why": make.words(),
            "before": _set_body(make, one),
        }
        for one in found["logged_sets"]
        if make.below(4) == 0
    ]


def _set_body(make: Maker, one: dict[str, Any]) -> dict[str, Any]:
    return one | {"day": one["day"].toordinal(), "note": make.words()}


def _said(make: Maker, found: Tables, exercises: range, lifters: range) -> None:
    found["check_ins"] = [
        {
            "lifter_id": make.one_of(lifters),
            "day": make.day(),
            "at": make.at(),
            "sleep": make.maybe(1 + make.below(7)),
            "soreness": make.maybe(4),
            "stress": None,
            "motivation": make.maybe(7),
            "body_mass_grams": make.maybe(81_000),
            "note": make.words(),
            "client_id": make.maybe(f"{make.below(2**50):020d}"),
        }
        for _ in _some(make, 3)
    ]
    found["pain_reports"] = [
        {
            "lifter_id": make.one_of(lifters),
            "day": make.day(),
            "at": make.at(),
            "place": "knee",
            "severity": make.below(11),
            "during": make.words(),
            "exercise_id": make.maybe(make.one_of(exercises)),
            "note": make.words(),
            "client_id": make.maybe(f"{make.below(2**50):020d}"),
            "resolved_at": make.maybe(make.at()),
            "resolved_note": make.words(),
        }
        for _ in _some(make, 2)
    ]
    found["flags"] = []
    for n in _some(make, 4):
        exercise = make.maybe(make.one_of(exercises))
        found["flags"].append(
            {
                "id": n,
                "lifter_id": make.one_of(lifters),
                "exercise_id": exercise,
                "kind": "stall",
                "cause": f"pain:{exercise}" if exercise and make.below(2) else f"progress:lift {n}",
                "severity": make.one_of(["act", "watch", "notice"]),
                "probability": make.maybe(0.7),
                "since_day": make.day(),
                "evidence": make.facts(),
                "advice": make.words(),
                "clears_when": make.words(),
                "state": make.one_of(["open", "snoozed", "dismissed", "cleared"]),
                "snoozed_until": make.maybe(make.day()),
                "reason": make.words(),
                "opened_at": make.at(),
                "updated_at": make.at(),
                "cleared_at": make.at(),
                "last_true_day": make.day(),
            }
        )
    found["decisions"] = [
        {
            "id": n,
            "lifter_id": flag["lifter_id"],
            "flag_id": make.maybe(flag["id"]),
            "exercise_id": flag["exercise_id"],
            "action": "step_back",
            "detail": make.document()
            | {"by": "x", "sentence": make.words(), "changes": [], "next_before": "", "next_after": ""},
            "evidence": make.evidence(),
            "note": make.long_words(),
            "day": make.day(),
            "made_at": make.at(),
            "look_again_day": make.day(),
            "outcome": make.maybe(make.outcome()),
            "looked_at": make.maybe(make.at()),
            "undone_at": make.maybe(make.at()),
        }
        for n, flag in enumerate((one for one in found["flags"] if make.below(2)), 1)
    ]
    abouts: list[dict[str, Any]] = [{}, {"set": "739000-1"}, {"exercise": make.one_of(exercises)}]
    abouts += [{"decision": one["id"]} for one in found["decisions"]]
    abouts += [{"review": one["id"]} for one in found["blocks"]]
    abouts += [{"session": f"p{one['id']}"} for one in found["planned_sessions"]]
    abouts += [
        {"session": one["planned_session_id"], "skipped": one["id"], "set": None}
        for one in found["prescriptions"]
    ]
    found["messages"] = [
        {
            "lifter_id": make.one_of(lifters),
            "author": make.one_of(["coach", "lifter"]),
            "body": make.long_words(),
            "about": make.one_of(abouts),
            "created_at": make.at(),
            "sent_at": make.maybe(make.at()),
            "read_at": make.maybe(make.at()),
            "client_id": make.maybe(f"{make.below(2**50):020d}"),
        }
        for _ in _some(make, 4)
    ]
