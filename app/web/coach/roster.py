"""The roster page: who needs the coach today, and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, cast
from urllib.parse import urlencode

import jinja2
import orjson
from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup

from app.planning import roster
from app.planning.days import today_in
from app.planning.roster import ORDERS, SHOWS, Counts, RosterQuery, RosterView
from app.storage.roster import RowRead
from app.training.records import BLOCK_KINDS, BlockKind
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import WEEKDAYS, ago, page, see_other
from app.web.svg import StripBlock, block_strip, drawn, hatch_defs, hatch_key, range_dot

router = APIRouter()
LONGEST_FIND = 80
LONGEST_VIEW = 60

GROUPS = (
    ("act", "Asks for a decision"),
    ("watch", "To watch"),
    ("notice", "Worth knowing"),
    ("", "Needs nothing this week"),
)


@dataclass(frozen=True, slots=True)
class Group:
    """Rows under one heading; the heading is empty when the order is not by need."""

    level: str
    title: str
    rows: tuple[Markup, ...]


@router.get("/")
def roster_page(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    show: str = "all",
    find: str = "",
    order: str = "worth",
) -> Response:
    query = RosterQuery(
        show=show if show in SHOWS else "all",
        find=" ".join(find[:LONGEST_FIND].split()),
        order=order if order in ORDERS else "worth",
    )
    return _page(request, roster.roster_view(store, coach, query, now=now), now=now, form=Form())


@router.post("/roster/views")
def save_view(request: Request, coach: CurrentCoach, store: AppStore, data: FormData, now: Now) -> Response:
    form = Form.of(data)
    query = RosterQuery(
        show=form.get("show") if form.get("show") in SHOWS else "all",
        find=form.get("find")[:LONGEST_FIND],
        order=form.get("order") if form.get("order") in ORDERS else "worth",
    )
    name = form.text("view", "a name for this view", longest=LONGEST_VIEW)
    if form.errors:
        view = roster.roster_view(store, coach, query, now=now)
        return _page(request, view, now=now, form=form, status=422)
    roster.save_view(store, coach, name, query_text(query))
    return see_other(request, address(query))


@router.post("/roster/views/{view_id}/remove")
def remove_view(request: Request, coach: CurrentCoach, store: AppStore, view_id: int) -> Response:
    roster.drop_view(store, coach, view_id)
    return see_other(request, "/")


def query_text(query: RosterQuery, **changes: str) -> str:
    """The query as it stands in an address, what is usual left out."""
    asked = {"show": query.show, "find": query.find, "order": query.order} | changes
    usual = {"show": "all", "find": "", "order": "worth"}
    return urlencode({name: value for name, value in asked.items() if value != usual[name]})


def address(query: RosterQuery, **changes: str) -> str:
    text = query_text(query, **changes)
    return f"/?{text}" if text else "/"


def _page(request: Request, view: RosterView, *, now: datetime, form: Form, status: int = 200) -> Response:
    template = request.app.state.templates.get_template("roster/row.html")
    todays: dict[str, int] = {}
    drawn_rows: list[tuple[str, Markup]] = []
    for row in view.rows:
        if row.time_zone not in todays:
            todays[row.time_zone] = today_in(row.time_zone, now)
        drawn_rows.append((row.level, _row(template, row, todays[row.time_zone])))
    by_need = view.query.order == "worth" and view.query.show == "all" and not view.query.find
    groups = (
        [
            Group(level, title, tuple(made for its, made in drawn_rows if its == level))
            for level, title in GROUPS
        ]
        if by_need
        else [Group("", "", tuple(made for _, made in drawn_rows))]
    )
    return page(
        request,
        "roster/roster.html",
        block="rows",
        status=status,
        form=form,
        errors=form.errors,
        groups=[group for group in groups if group.rows],
        shown=len(view.rows),
        counts=view.counts,
        summary=summary(view.counts),
        query=view.query,
        here=address(view.query),
        writing=f"/messages/new?{query_text(view.query)}",
        address=address,
        shows=SHOWS,
        orders=ORDERS,
        views=[(one.id, one.name, f"/?{one.query}" if one.query else "/") for one in view.views],
        waiting=any(row.waiting or row.body is None for row in view.rows if row.status == "active"),
        hatching=hatch_defs(),
        key=hatch_key(BLOCK_KINDS),
    )


def summary(counts: Counts) -> list[tuple[str, str, str]]:
    """The whole roster in a sentence, as (words, level, what to show when they are followed)."""
    parts = (
        (counts.act, f"{counts.act} ask{'s' * (counts.act == 1)} for a decision", "act", "act"),
        (counts.watch, f"{counts.watch} to watch", "watch", "watch"),
        (counts.notice, f"{counts.notice} worth knowing", "", "notice"),
    )
    return [(words, level, show) for number, words, level, show in parts if number]


def _row(template: jinja2.Template, row: RowRead, today: int) -> Markup:
    return _drawn_row(
        template,
        row.lifter_id,
        row.name,
        row.status,
        row.level,
        row.body,
        row.waiting,
        row.unread,
        today,
    )


@lru_cache(maxsize=4096)
def _drawn_row(
    template: jinja2.Template,
    lifter_id: int,
    name: str,
    status: str,
    level: str,
    body: str | None,
    waiting: bool,
    unread: int,
    today: int,
) -> Markup:
    """A row's HTML: a pure function of its arguments, so made once an analysis and day, not once a look."""
    facts: dict[str, Any] = {} if body is None else orjson.loads(body)
    return drawn(
        template.render(
            lifter_id=lifter_id,
            name=name,
            status=status,
            level=level,
            facts=facts,
            waiting=waiting,
            unread=unread,
            today=today,
            next_words=_coming(facts["next"]["day"], today) if facts.get("next") else "",
            strip=_strip(facts["strip"], today) if facts else Markup(""),
            dot=_dot(facts["stress"]) if facts else Markup(""),
        )
    )


def _coming(day: int, today: int) -> str:
    """A day to come as people say it: today, tomorrow, a weekday within the week, else a date."""
    if day == today:
        return "today"
    return WEEKDAYS[(day - 1) % 7] if 1 < day - today < 7 else ago(day, today)


def _strip(strip: dict[str, Any], today: int) -> Markup:
    blocks = [
        StripBlock(
            cast(BlockKind, kind),
            name,
            tuple((day, float("nan") if stress is None else stress) for day, stress in weeks),
        )
        for kind, name, weeks in strip["blocks"]
    ]
    trend = [(day, level) for day, level in strip["trend"] if level is not None]
    return block_strip(blocks, trend, today=today, first_day=strip["first"], last_day=strip["last"])


def _dot(stress: dict[str, Any]) -> Markup:
    low, high, value = (
        float("nan") if stress[name] is None else stress[name] for name in ("low", "high", "value")
    )
    return range_dot(low, high, value, label=f"Stress of the last seven days: {stress['words']}")
