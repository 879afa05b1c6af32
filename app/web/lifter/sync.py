"""What a phone's queue sends: JSON in, an answer to each write out. The way of a set, so it is kept short."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import orjson
from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.routing import Route

from app.config import Settings
from app.planning import logging
from app.web.dependencies import CurrentLifter, LinkNeeded, check
from app.web.pages import LIFTER_COOKIE, cookie_name, csrf_token, json_answer, problem

router = APIRouter()
ENVELOPE = {"lifter", "sent_at", "writes"}
# Phones that wait for the write lock have hands of their own, and take none from the pages that only read.
HANDS = ThreadPoolExecutor(40, "phone")


@router.get("/sync")
def whose(request: Request, lifter: CurrentLifter) -> Response:
    """Whose phone this is, and the form token of its session: an old kept page may carry another one."""
    settings: Settings = request.app.state.settings
    secret = request.cookies[cookie_name(LIFTER_COOKIE, https=settings.https)]
    return json_answer({"lifter": lifter.id, "csrf": csrf_token(secret)})


async def sync(request: Request) -> Response:
    """Take queued writes in order and answer each: 200, or the status of the one that was refused.

    A plain route without declared dependencies: each of those would cost a hop to another thread.
    """
    await check(request)
    settings: Settings = request.app.state.settings
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > logging.MOST_BYTES:
            return problem(413, "Too large", f"A request may hold {logging.MOST_BYTES // 1000} kB.")
    envelope = _envelope(bytes(body))
    if isinstance(envelope, str):
        return problem(422, "Not understood", envelope)
    lifter, sent_at, writes = envelope
    if len(writes) > logging.MOST_WRITES:
        return problem(
            413, "Too large", f"A request may bring {logging.MOST_WRITES} entries. Send fewer at a time."
        )
    token = request.cookies.get(cookie_name(LIFTER_COOKIE, https=settings.https))
    if token is None:
        raise LinkNeeded
    now: datetime = request.app.state.clock()
    take = partial(
        logging.take,
        request.app.state.store,
        token,
        writes,
        idle=timedelta(days=settings.lifter_idle_days),
        now=now,
        lifter_id=lifter,
        sent_at=sent_at,
    )
    try:
        taken = await asyncio.get_running_loop().run_in_executor(HANDS, take)
    except logging.LinkEnded:
        raise LinkNeeded from None
    except logging.NotYours:
        return problem(
            409, "Not stored", "These entries belong to another lifter's link. They stay on this phone."
        )
    except logging.TooMuch:
        return problem(
            409, "Not stored", "That day holds as many sets as a day can. Look through what was logged."
        )
    wake(request)
    statuses = {answer["status"] for answer in taken.answers}
    status = 200 if statuses <= {201} else statuses.pop() if len(statuses) == 1 else 207
    return json_answer({"answers": taken.answers, "at": int(now.timestamp() * 1000)}, status)


def wake(request: Request) -> None:
    """Tell the worker that there is something to analyse, without waiting for it."""
    worker = getattr(request.app.state, "worker", None)
    if worker is not None:
        worker.wake()


def _envelope(body: bytes) -> tuple[int, datetime, list[Any]] | str:
    """The parts of a request, or what is wrong with it."""
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        return "The request is not JSON."
    if not isinstance(found, dict) or set(found) != ENVELOPE:
        return "A request has just these fields: lifter, sent_at, writes."
    lifter, sent_at, writes = found["lifter"], found["sent_at"], found["writes"]
    if type(lifter) is not int or type(sent_at) is not int or not 0 <= sent_at < 4_102_444_800_000:
        return "lifter is a number, sent_at is milliseconds since 1970."
    if not isinstance(writes, list) or not writes:
        return "writes is a list of at least one entry."
    return lifter, datetime.fromtimestamp(sent_at / 1000, UTC), writes


WAY = Route("/sync", sync, methods=["POST"])
router.routes.append(WAY)
