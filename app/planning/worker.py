"""The thread that keeps analyses up to date, beside the requests.

Whoever changes a log marks the lifter as stale in the same transaction; the mark is the queue. So nothing is
lost when the process dies, and ten changes of one lifter are one analysis.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

from app.log import logger
from app.planning.analysis import VERSION, recompute
from app.planning.days import today_in
from app.planning.decisions import compute_outcomes
from app.planning.living_plan import follow
from app.storage import lifters, snapshots
from app.storage.engine import Store

LOOK_EVERY_S = 1.0  # [s] between looks at the queue, an indexed read of a few rows
NEW_DAY_EVERY = timedelta(seconds=60)  # between looks at whose day has changed
BREATH_S = 0.005  # [s] between two lifters, so that waiting requests go first
HOUSE_AFTER, HOUSE_EVERY = timedelta(minutes=1), timedelta(hours=1)  # after the start, then between looks
RETRY_AFTER = (timedelta(minutes=1), timedelta(minutes=10), timedelta(hours=1))


def stale_lifters(store: Store) -> list[int]:
    """Lifters with news that no analysis has seen, longest waiting first."""
    with store.reading() as db:
        return [number for number, _ in lifters.stale(db)]


def lifters_of_another_day(store: Store, now: datetime) -> list[int]:
    """Lifters whose analysis speaks of another day than today where they live, or who have none."""
    with store.reading() as db:
        found = snapshots.days_analysed(db, VERSION)
    todays = {zone: today_in(zone, now) for zone in {zone for _, zone, _ in found}}
    return [number for number, zone, day in found if day != todays[zone]]


def run_pending(store: Store, now: datetime) -> int:
    """Analyse everything that waits, here and now; how many lifters that were.

    Raises
    ------
    Exception
        Whatever an analysis raises: who calls this wants to know.
    """
    waiting = dict.fromkeys([*stale_lifters(store), *lifters_of_another_day(store, now)])
    for lifter_id in waiting:
        recompute(store, lifter_id, now=now)
        if follow(store, lifter_id, now=now):
            recompute(store, lifter_id, now=now)
        compute_outcomes(store, lifter_id, now=now)
    return len(waiting)


class Worker:
    """Recomputes lifters in the background, one at a time.

    A lifter whose analysis fails is logged and left alone for a while: the others go on, and the page says
    that theirs is old.
    """

    def __init__(
        self,
        store: Store,
        clock: Callable[[], datetime],
        *,
        look_every_s: float = LOOK_EVERY_S,
        housekeeping: Callable[[datetime], object] | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._look_every_s = look_every_s
        self._stopping = threading.Event()
        self._woken = threading.Event()
        self._failures: dict[int, tuple[int, datetime]] = {}  # lifter -> how often, not again before
        self._next_new_day: datetime | None = None
        self._housekeeping = housekeeping
        self._next_house: datetime | None = None
        # A daemon: a process that ends without a stop must not hang on a thread that only recomputes.
        self._thread = threading.Thread(target=self._run, name="analysis", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> bool:
        """End after the lifter in hand; True if that was in time."""
        self._stopping.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def wake(self) -> None:
        """Look at once: something came in."""
        self._woken.set()

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._round()
            except Exception as error:
                # The database may be busy or gone for a moment; the next look is the retry.
                logger.exception("analysis round failed", error)
            self._keep_house()
            self._woken.wait(self._look_every_s)
            self._woken.clear()

    def _keep_house(self) -> None:
        """Backup and forgetting, in a quiet moment; what fails is tried again at the next look."""
        now = self._clock()
        if self._next_house is None:
            self._next_house = now + HOUSE_AFTER
        if self._housekeeping is None or now < self._next_house or self._stopping.is_set():
            return
        self._next_house = now + HOUSE_EVERY
        try:
            self._housekeeping(now)
        except Exception as error:
            logger.exception("housekeeping failed", error)

    def _round(self) -> None:
        now = self._clock()
        waiting = stale_lifters(self._store)
        if self._next_new_day is None or now >= self._next_new_day:
            waiting += lifters_of_another_day(self._store, now)
            self._next_new_day = now + NEW_DAY_EVERY
        for lifter_id in dict.fromkeys(waiting):
            if self._stopping.is_set():
                return
            if self._is_resting(lifter_id, now):
                continue
            self._analyse(lifter_id)
            self._stopping.wait(BREATH_S)

    def _is_resting(self, lifter_id: int, now: datetime) -> bool:
        return lifter_id in self._failures and now < self._failures[lifter_id][1]

    def _analyse(self, lifter_id: int) -> None:
        now = self._clock()
        try:
            recompute(self._store, lifter_id, now=now)
            # What a block changes by itself makes the lifter stale, so that the next look analyses it.
            follow(self._store, lifter_id, now=now)
            # Once a decision, on or after its day; every other time this is one indexed read.
            compute_outcomes(self._store, lifter_id, now=now)
        except Exception as error:
            times = self._failures.get(lifter_id, (0, now))[0] + 1
            rest = RETRY_AFTER[min(times, len(RETRY_AFTER)) - 1]
            self._failures[lifter_id] = (times, now + rest)
            logger.exception("analysis failed", error, lifter=lifter_id, times=times)
        else:
            self._failures.pop(lifter_id, None)
