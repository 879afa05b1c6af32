"""What an implement can show: bar, collars and plates, or a rack of fixed loads.

A load is a whole number of grams, the total on the bar (bar and collars included) or the mass of one
dumbbell or kettlebell. Plates keep the unit they are stamped with, so four 45 lb plates on a 45 lb bar
are 225 lb and not 224.996.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from app.training.prescription import Mass, plain
from app.training.records import Floats, Ints
from app.training.units import Unit

Rounding = Literal["nearest", "down", "up"]

MOST_PAIRS = 20
MOST_SIDE_G = 500_000  # [g] no sleeve holds more
SAME_G = 0.5  # [g] plates stamped in pounds add up to fractions of a gram


NOTHING = Mass(Decimal(0), "kg")


@dataclass(frozen=True, slots=True)
class Plate:
    """Plates of one size, counted in pairs: one for each side of the bar."""

    mass: Mass
    pairs: int


@dataclass(frozen=True, slots=True)
class BarKit:
    """A bar, what holds the plates on, and the plates. ``collar`` is one of the two."""

    bar: Mass
    plates: tuple[Plate, ...]
    collar: Mass = NOTHING
    implement: str = "barbell"


@dataclass(frozen=True, slots=True)
class Steps:
    """Loads from ``first`` to ``last``, ``step`` apart."""

    first: Mass
    last: Mass
    step: Mass


@dataclass(frozen=True, slots=True)
class RackKit:
    """Fixed loads: dumbbells, kettlebells, a weight stack, a belt. Finer steps lighter, coarser heavier."""

    implement: str
    steps: tuple[Steps, ...]


Kit = BarKit | RackKit


class KitError(ValueError):
    """A description of equipment that cannot be; the message is a sentence for the person who typed it."""


@dataclass(frozen=True, slots=True)
class NotLoadable:
    """Why a load cannot be shown, and its neighbours that can. [g] None where there is none."""

    reason: str
    below: int | None
    above: int | None


def _mass(value: str, unit: Unit) -> Mass:
    return Mass(Decimal(value), unit)


def _bar(unit: Unit, bar: str, many: str, few: str) -> BarKit:
    plates = [Plate(_mass(value, unit), 8) for value in many.split()]
    plates += [Plate(_mass(value, unit), 2) for value in few.split()]
    return BarKit(_mass(bar, unit), tuple(plates))


def _rack(implement: str, unit: Unit, *runs: str) -> RackKit:
    steps = []
    for run in runs:
        first, last, step = run.split()
        steps.append(Steps(_mass(first, unit), _mass(last, unit), _mass(step, unit)))
    return RackKit(implement, tuple(steps))


# Common practice, not from a standard: what an ordinary gym has. A lifter's own kit replaces it.
USUAL_KITS: Mapping[tuple[str, Unit], Kit] = {
    ("barbell", "kg"): _bar("kg", "20", "25 20", "15 10 5 2.5 1.25"),
    ("barbell", "lb"): _bar("lb", "45", "45", "35 25 10 5 2.5"),
    ("dumbbell", "kg"): _rack("dumbbell", "kg", "1 10 1", "12.5 60 2.5"),
    ("dumbbell", "lb"): _rack("dumbbell", "lb", "5 120 5"),
    ("kettlebell", "kg"): _rack("kettlebell", "kg", "4 48 4"),
    ("kettlebell", "lb"): _rack("kettlebell", "lb", "10 105 5"),
    ("stack", "kg"): _rack("stack", "kg", "5 150 5"),
    ("stack", "lb"): _rack("stack", "lb", "10 300 10"),
    ("belt", "kg"): _rack("belt", "kg", "0 100 1.25"),
    ("belt", "lb"): _rack("belt", "lb", "0 220 2.5"),
    ("event", "kg"): _rack("event", "kg", "0 500 2.5"),
    ("event", "lb"): _rack("event", "lb", "0 1100 5"),
}
"""(implement, unit) -> what an ordinary gym has of it."""


@lru_cache(maxsize=512)
def loadable_set(kit: Kit) -> Ints:
    """Every load the kit can show.

    Parameters
    ----------
    kit : BarKit or RackKit

    Returns
    -------
    ndarray, shape (n,)
        Increasing, no two alike. [g] Read-only, for it is shared by all callers.
    """
    if isinstance(kit, BarKit):
        sides = _side_sums(kit)[0]
        grams = kit.bar.grams + 2 * kit.collar.grams + 2 * np.asarray(sides)
    else:
        grams = np.concatenate([_steps(steps) for steps in kit.steps])
    loads: Ints = np.unique(np.rint(grams).astype(np.int64))
    loads.flags.writeable = False
    return loads


def _steps(steps: Steps) -> Floats:
    if steps.step.grams <= 0:
        return np.array([steps.first.grams])
    count = int((steps.last.grams - steps.first.grams) / steps.step.grams + 1e-9) + 1
    return np.asarray(steps.first.grams + steps.step.grams * np.arange(max(count, 1)))


@lru_cache(maxsize=512)
def _side_sums(kit: BarKit) -> tuple[tuple[float, ...], ...]:
    """What plates from position i on can put on one side, for every i, largest plate first. [g]"""
    sums: list[Floats] = [np.zeros(1)]
    for plate in reversed(_largest_first(kit)):
        more = sums[-1][:, None] + plate.mass.grams * np.arange(plate.pairs + 1)
        flat: Floats = np.unique(np.round(more.ravel(), 3)).astype(np.float64)
        sums.append(flat[flat <= MOST_SIDE_G])
    return tuple(tuple(side.tolist()) for side in reversed(sums))


def _largest_first(kit: BarKit) -> list[Plate]:
    return sorted(kit.plates, key=lambda plate: -plate.mass.grams)


def loadable(grams_target: float, kit: Kit, rounding: Rounding = "nearest") -> int:
    """The load to put on for a wanted one.

    Parameters
    ----------
    grams_target : float
        What was computed. [g]
    kit : BarKit or RackKit
    rounding : {"nearest", "down", "up"}
        Halfway goes down, the side that spares the lifter.

    Returns
    -------
    int
        [g] The lightest load of the kit if the target is below it, the heaviest if above.

    Raises
    ------
    ValueError
        If the target is not finite.
    """
    return int(round_to_loadable(np.array([grams_target]), kit, rounding)[0])


def round_to_loadable(grams_target: ArrayLike, kit: Kit, rounding: Rounding = "nearest") -> Ints:
    """:func:`loadable` for many targets at once, same shape. [g]"""
    loads = loadable_set(kit)
    target = np.asarray(grams_target, dtype=float)
    if not np.isfinite(target).all():
        raise ValueError("a load to round must be finite")
    # A load that was loadable before it was stored as a fraction must not fall to its neighbour.
    above = np.searchsorted(loads, target - SAME_G, side="left").clip(0, loads.size - 1)
    below = (np.searchsorted(loads, target + SAME_G, side="right") - 1).clip(0, loads.size - 1)
    if rounding == "up":
        return np.asarray(loads[above])
    if rounding == "down":
        return np.asarray(loads[below])
    return np.asarray(np.where(target - loads[below] <= loads[above] - target, loads[below], loads[above]))


def smallest_increment(grams: float, kit: Kit) -> int:
    """Distance from a load to the next heavier one the kit can show. [g] Zero at the top of the kit."""
    loads = loadable_set(kit)
    here = int(np.searchsorted(loads, grams + SAME_G, side="right"))
    if here >= loads.size:
        return 0
    return int(loads[here] - loads[max(here - 1, 0)]) if here else int(loads[0] - grams)


def per_side(grams: int, kit: BarKit) -> tuple[Mass, ...] | NotLoadable:
    """Plates for one side of the bar, in the order they go on.

    Parameters
    ----------
    grams : int
        Total load. [g]
    kit : BarKit

    Returns
    -------
    tuple of Mass or NotLoadable
        The fewest plates that make the load, the larger ones first; or why there are none.
    """
    side = (grams - kit.bar.grams - 2 * kit.collar.grams) / 2
    plates = _fewest(kit, round(side, 3))
    if plates is not None:
        return plates
    loads = loadable_set(kit)
    at = int(np.searchsorted(loads, grams))
    below = int(loads[at - 1]) if at > 0 else None
    above = int(loads[at]) if at < loads.size else None
    if below is None:
        reason = "It is lighter than the bar with its collars."
    elif above is None:
        reason = "There are not enough plates for it."
    else:
        reason = "No combination of the plates makes it."
    return NotLoadable(reason, below, above)


@lru_cache(maxsize=4096)
def _fewest(kit: BarKit, side: float) -> tuple[Mass, ...] | None:
    plates = _largest_first(kit)
    reachable = _side_sums(kit)
    known: dict[tuple[int, float], tuple[int, ...] | None] = {}

    def counts(i: int, rest: float) -> tuple[int, ...] | None:
        """How many of each plate from position i on, fewest in all; the first found wins a draw."""
        sums = reachable[i]
        at = bisect_left(sums, rest - SAME_G / 2)
        if at == len(sums) or sums[at] > rest + SAME_G / 2:
            return None
        if i == len(plates):
            return ()
        key = (i, round(rest, 2))
        if key not in known:
            best: tuple[int, ...] | None = None
            grams = plates[i].mass.grams
            most = min(plates[i].pairs, int((rest + SAME_G / 2) / grams))
            for count in range(most, -1, -1):
                others = counts(i + 1, rest - count * grams)
                if others is not None and (best is None or count + sum(others) < sum(best)):
                    best = (count, *others)
            known[key] = best
        return known[key]

    found = counts(0, side)
    if found is None:
        return None
    return tuple(plate.mass for plate, count in zip(plates, found, strict=True) for _ in range(count))


# --- plain dictionaries, as stored and as typed in a form -------------------------------------------


def _mass_text(mass: Mass) -> str:
    return f"{plain(mass.value)} {mass.unit}"


def _read_mass(value: object, where: str) -> Mass:
    if isinstance(value, str):
        number, _, unit = value.strip().partition(" ")
        try:
            parsed = Decimal(number.replace(",", "."))
        except InvalidOperation:
            parsed = Decimal("NaN")
        if parsed.is_finite() and 0 <= parsed <= 2000:
            if unit == "kg":
                return Mass(parsed, "kg")
            if unit == "lb":
                return Mass(parsed, "lb")
    raise KitError(f"{where} needs a mass with its unit, such as “20 kg”, not {value!r}.")


def kit_to_dict(kit: Kit) -> dict[str, Any]:
    """A kit as plain JSON values."""
    if isinstance(kit, BarKit):
        return {
            "implement": kit.implement,
            "bar": _mass_text(kit.bar),
            "collar": _mass_text(kit.collar),
            "plates": [[_mass_text(plate.mass), plate.pairs] for plate in kit.plates],
        }
    return {
        "implement": kit.implement,
        "steps": [[_mass_text(m) for m in (steps.first, steps.last, steps.step)] for steps in kit.steps],
    }


def kit_from_dict(data: object) -> Kit:
    """Read a kit back.

    Raises
    ------
    KitError
        With a sentence naming the part that cannot be.
    """
    if not isinstance(data, dict) or not isinstance(data.get("implement"), str):
        raise KitError("A kit names its implement, such as “barbell”.")
    implement = data["implement"]
    if not 0 < len(implement) <= 24:
        raise KitError("The name of an implement has 1 to 24 characters.")
    if set(data) == {"implement", "bar", "collar", "plates"} and isinstance(data["plates"], list):
        plates = []
        for entry in data["plates"]:
            if not isinstance(entry, list | tuple) or len(entry) != 2:
                raise KitError("Each plate is a mass and its number of pairs.")
            mass = _read_mass(entry[0], "A plate")
            if mass.value <= 0:
                raise KitError("A plate weighs more than nothing.")
            if type(entry[1]) is not int or not 0 <= entry[1] <= MOST_PAIRS:
                raise KitError(
                    f"The number of pairs of {mass} plates is a whole number from 0 to {MOST_PAIRS}."
                )
            plates.append(Plate(mass, entry[1]))
        if len({plate.mass.grams for plate in plates}) != len(plates) or len(plates) > 20:
            raise KitError("List each size of plate once, at most 20 sizes.")
        return BarKit(
            _read_mass(data["bar"], "The bar"),
            tuple(plates),
            _read_mass(data["collar"], "A collar"),
            implement,
        )
    if set(data) == {"implement", "steps"} and isinstance(data["steps"], list):
        found = []
        for entry in data["steps"]:
            if not isinstance(entry, list | tuple) or len(entry) != 3:
                raise KitError("Each run of loads is its first, its last and the step between them.")
            first, last, step = (_read_mass(value, "A run of loads") for value in entry)
            if last.grams < first.grams or (step.grams < 100 and last.grams > first.grams):
                raise KitError(f"Loads from {first} to {last} need a step of at least 0.1 kg, upwards.")
            found.append(Steps(first, last, step))
        if not 0 < len(found) <= 50:
            raise KitError("A rack has 1 to 50 runs of loads.")
        return RackKit(implement, tuple(found))
    raise KitError("A kit is a bar with a collar and plates, or a rack with runs of loads.")
