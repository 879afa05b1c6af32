"""What the coach of the demo club decided some weeks ago and wrote, so that decisions have outcomes to show.

Each decision is made on an analysis of its own day, and what it led to is computed by the app afterwards.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from app.planning import access as accounts
from app.planning import analysis, decisions, logging, messages
from app.planning.decisions import LOOK_AGAIN_DAYS, OPTIONS, Choice
from app.storage import access, lifters
from app.storage.engine import Store
from app.storage.models import Coach

WEEKS_AGO = (4, 5)  # when the coach sat down to it
LEFT_TO_SEE = 3
NOTES = {
    "hold_course": "The dates around it explain it. Wait.",
    "write": "Better asked than guessed.",
}
SAID = (
    (1, "Thanks. Work was mad, it should be calmer from now on."),
    (0, "Could I do the Friday session on Saturday this week?"),
)
"""What lifters answered: days ago and words."""


def sit_down(store: Store, coach: Coach, names: list[str], *, now: datetime) -> int:
    """Look at these lifters some weeks ago and decide about the first flag of each; how many decisions."""
    with store.reading() as db:
        known = lifters.by_name(db, coach)
        people = [known[name.casefold()] for name in names]
    made = 0
    for turn, lifter in enumerate(people):
        then = now - timedelta(weeks=WEEKS_AGO[turn % len(WEEKS_AGO)])
        analysis.recompute(store, lifter.id, now=then)
        view = analysis.lifter_view(store, coach, lifter.id, now=then)
        flag = next((one for one in view.open_flags if one.exercise_id is not None), None)
        if flag is None:
            continue
        # Sessions since have been trained as they were given out, so what is decided leaves the plan alone.
        ways = [one for one in OPTIONS[flag.kind] if one in NOTES]
        if not ways:
            continue
        action = ways[turn % len(ways)]
        choice = Choice(action)
        if action == "write":
            choice = Choice(action, message=decisions.draft_message(view, flag, choice))
        day = view.today + max(LOOK_AGAIN_DAYS[action], 21)
        decisions.decide(
            store,
            coach,
            lifter.id,
            flag.id,
            choice,
            note=NOTES[action],
            look_again_day=day,
            now=then,
        )
        made += 1
    return made


def answer(store: Store, coach: Coach, names: list[str], *, now: datetime) -> None:
    """Lifters write on their phones; the coach has written to them before."""
    with store.reading() as db:
        known = lifters.by_name(db, coach)
        people = [known[name.casefold()] for name in names]
    for lifter, (days, words) in zip(people, SAID, strict=False):
        at = now - timedelta(days=days, hours=2)
        messages.send(
            store, coach, [lifter.id], "How is it going, {name}?", by=coach.name, now=at - timedelta(hours=5)
        )
        with store.transaction() as db:
            link = access.issue_link(db, lifter, at=at, valid=timedelta(days=30))
        token = accounts.open_link(store, link, device="demo phone", address="demo", now=at)
        write = {
            "id": secrets.token_hex(16),
            "kind": "message",
            "body": words,
            "at": int(at.timestamp() * 1000),
            "offset": 0,
            "zone": lifter.time_zone,
        }
        logging.take(store, token, [write], idle=timedelta(days=400), now=at)


def look_again(store: Store, coach: Coach, *, now: datetime) -> None:
    """The coach has seen what the earlier decisions led to; the last few are still to be looked at."""
    for line in decisions.look_again_soon(store, coach, now=now)[LEFT_TO_SEE:]:
        decisions.looked(store, coach, line.decision.id, now=now)
