"""Ways to progress, as small rules that combine on one row of a plan.

A rule never edits the plan. It says how a cell that the coach left empty follows from the last cell that
the coach typed: so much load more, so many sets more, lighter this week. Typed cells stay as typed, and
the rules go on from them. Rules on one row add up; what each of them asks for is a :class:`Change`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields
from decimal import Decimal, InvalidOperation
from typing import Any, Literal, get_args

from app.training.prescription import (
    GRAMS_PER,
    MOST,
    MOST_SETS,
    Amount,
    Effort,
    LoadTarget,
    Mass,
    Prescription,
    SetGroup,
    map_groups,
    plain,
)
from app.training.records import BLOCK_KINDS, BlockKind

Count = Literal["row", "lift"]
DayKind = Literal["heavy", "light", "volume"]
TaperShape = Literal["step", "even", "exponential"]
HUNDREDTH = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Percent:
    """A step in percent of whatever the cell refers to (75 % of e1RM and a step of 5 % give 80 %)."""

    value: Decimal

    def __str__(self) -> str:
        return f"{plain(self.value)} %"


Step = Mass | Percent


@dataclass(frozen=True, slots=True)
class AddLoad:
    """Add ``step`` every so many exposures: of this row, or of the lift wherever it stands in the week."""

    step: Step
    every: int = 1
    count: Count = "row"

    def sentence(self) -> str:
        each = "each exposure" if self.every == 1 else f"every {self.every} exposures"
        return f"Add {self.step} {each}" + (" of the lift" if self.count == "lift" else "")


@dataclass(frozen=True, slots=True)
class RepsThenLoad:
    """Climb from ``low`` to ``high`` repetitions at one load, then add ``step`` and begin again."""

    low: int
    high: int
    step: Step
    rep_step: int = 1

    def sentence(self) -> str:
        return f"Repetitions from {self.low} to {self.high} by {self.rep_step}, then add {self.step}"


@dataclass(frozen=True, slots=True)
class AddSets:
    """Add sets every so many exposures, up to ``most`` in the cell."""

    step: int = 1
    every: int = 1
    most: int = 8

    def sentence(self) -> str:
        each = "each exposure" if self.every == 1 else f"every {self.every} exposures"
        return f"Add {self.step} set{'s' if self.step != 1 else ''} {each}, up to {self.most}"


@dataclass(frozen=True, slots=True)
class AddEffort:
    """Let the target effort rise by ``step`` RPE every so many exposures, up to ``most``."""

    step: Decimal = Decimal("0.5")
    every: int = 1
    most: Decimal = Decimal(9)

    def sentence(self) -> str:
        each = "each exposure" if self.every == 1 else f"every {self.every} exposures"
        return f"Raise the effort by {plain(self.step)} RPE {each}, up to RPE {plain(self.most)}"


@dataclass(frozen=True, slots=True)
class Hold:
    """Repeat the last typed cell."""

    def sentence(self) -> str:
        return "Hold"


@dataclass(frozen=True, slots=True)
class Wave:
    """Climb ``step`` a week for ``weeks`` weeks, then begin again ``between`` higher than the last time."""

    weeks: int
    step: Step
    between: Step
    rep_step: int = 0

    def sentence(self) -> str:
        reps = f" and {self.rep_step:+d} repetitions" if self.rep_step else ""
        return f"Waves of {self.weeks} weeks: {self.step}{reps} a week, {self.between} between waves"


@dataclass(frozen=True, slots=True)
class DayOf:
    """This row follows another row of the same week: a light or a volume day beside the heavy one."""

    kind: DayKind
    row: str
    load_percent: Decimal = Decimal(90)
    sets: int = 0
    reps: int = 0

    def sentence(self) -> str:
        parts = [f"{plain(self.load_percent)} % of its load"]
        parts += [f"{self.sets:+d} sets"] if self.sets else []
        parts += [f"{self.reps:+d} repetitions"] if self.reps else []
        return f"{self.kind.capitalize()} day: {', '.join(parts)}"


@dataclass(frozen=True, slots=True)
class EveryNthWeek:
    """Train this row in one week of every ``weeks``."""

    weeks: int

    def sentence(self) -> str:
        return "Every second week" if self.weeks == 2 else f"Once in {self.weeks} weeks"


@dataclass(frozen=True, slots=True)
class Emphasis:
    """Some weeks of one kind of work: sets x reps leaving ``rir``."""

    kind: BlockKind
    weeks: int
    sets: int
    reps: int
    rir: Decimal


@dataclass(frozen=True, slots=True)
class Emphases:
    """One emphasis after another; other rules of the row begin anew with each."""

    parts: tuple[Emphasis, ...]

    def sentence(self) -> str:
        return "In sequence: " + ", ".join(
            f"{part.kind} {part.weeks} weeks of {part.sets} x {part.reps} leaving {plain(part.rir)}"
            for part in self.parts
        )


@dataclass(frozen=True, slots=True)
class StepBack:
    """Drop load and sets for some weeks, then climb again ``again`` exposures lower than before.

    After ``every`` weeks of climbing, or when the predicted reserve would fall under ``floor``, whichever
    comes first; either may be left out.
    """

    every: int | None = 5
    floor: Decimal | None = None
    load_percent: Decimal = Decimal(10)
    sets_percent: Decimal = Decimal(40)
    weeks: int = 1
    again: int = 1

    def sentence(self) -> str:
        when = [f"after {self.every} weeks"] if self.every is not None else []
        when += [f"when the reserve would fall under {plain(self.floor)}"] if self.floor is not None else []
        return (
            f"Step back {' or '.join(when)}: {plain(self.load_percent)} % less load, "
            f"{plain(self.sets_percent)} % fewer sets, {self.weeks} week{'s' if self.weeks != 1 else ''}"
        )


@dataclass(frozen=True, slots=True)
class Taper:
    """Cut sets by ``sets_percent`` over the ``days`` before the goal date, keeping the load.

    ``shape`` is at once (``step``), in even stages, or falling fast and then slowly (``exponential``). In the
    last ``last_heavy`` days no load goes above ``heavy_percent`` of the predicted e1RM.
    """

    days: int = 14
    sets_percent: Decimal = Decimal(50)
    shape: TaperShape = "exponential"
    last_heavy: int = 7
    heavy_percent: Decimal = Decimal(85)

    def sentence(self) -> str:
        return (
            f"Taper over the last {self.days} days: {plain(self.sets_percent)} % fewer sets, load kept, "
            f"nothing above {plain(self.heavy_percent)} % in the last {self.last_heavy} days"
        )

    def kept(self, days_left: int) -> float:
        """Share of the sets still done so many days before the goal. [1]"""
        if days_left > self.days:
            return 1.0
        into = 1 - max(days_left, 0) / self.days
        cut = float(self.sets_percent) / 100
        if self.shape == "step":
            return 1 - cut
        if self.shape == "even":
            return 1 - cut * into
        # Three quarters of the cut are reached a third of the way in; the rest follows slowly.
        return float(1 - cut * (1 - 0.25 ** (3 * into)) / (1 - 0.25**3))


Rule = (
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
    | Taper
)


# --- what rules ask for -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """What a cell differs by from the typed cell it follows."""

    masses: tuple[tuple[Mass, int], ...] = ()
    percent: Decimal = Decimal(0)
    reps: int = 0
    reps_exactly: int | None = None
    sets: int = 0
    most_sets: int = MOST_SETS
    effort: Decimal = Decimal(0)
    most_effort: Decimal = Decimal(10)
    load_factor: Decimal = Decimal(1)
    sets_factor: float = 1.0
    fixes_load: bool = False  # a load that came from an effort stays what it was at the typed cell

    @property
    def moves_load(self) -> bool:
        return bool(self.masses) or self.percent != 0 or self.load_factor != 1 or self.fixes_load


def change_at(rules: tuple[Rule, ...], exposure: int, lift_exposure: int) -> Change:
    """What the rules of a row ask for at an exposure.

    Parameters
    ----------
    rules : tuple of Rule
    exposure : int
        Exposures of the row since the typed cell, which is number 0.
    lift_exposure : int
        The same count over all rows that train the lift.
    """
    masses: list[tuple[Mass, int]] = []
    percent, effort = Decimal(0), Decimal(0)
    reps = sets = 0
    reps_exactly: int | None = None
    most_sets, most_effort = MOST_SETS, Decimal(10)
    steps: list[tuple[Step, int]] = []
    for rule in rules:
        match rule:
            case AddLoad(step, every, count):
                steps.append((step, (lift_exposure if count == "lift" else exposure) // every))
            case RepsThenLoad(low, high, step, rep_step):
                stages = (high - low) // rep_step + 1
                reps_exactly = low + exposure % stages * rep_step
                steps.append((step, exposure // stages))
            case AddSets(more, every, most_sets):
                sets += more * (exposure // every)
            case AddEffort(rpe, every, most_effort):
                effort = rpe * (exposure // every)
            case Wave(weeks, step, between, rep_step):
                steps += [(step, exposure % weeks), (between, exposure // weeks)]
                reps += rep_step * (exposure % weeks)
            case _:
                pass  # The others decide when and from which cell, not by how much: see preview.
    for one, times in steps:
        if isinstance(one, Percent):
            percent += times * one.value
        elif times:
            masses.append((one, times))
    return Change(
        tuple(masses),
        percent,
        reps,
        reps_exactly,
        sets,
        most_sets,
        effort,
        most_effort,
        fixes_load=bool(steps),
    )


def advance(
    prescription: Prescription, change: Change, dose: Callable[[int], Mass | None] | None = None
) -> Prescription:
    """The prescription that follows from a typed one.

    Parameters
    ----------
    prescription : Prescription
    change : Change
    dose : callable, optional
        Load of a group, by its position, that the typed cell gave only as an effort: a step of load needs
        a load to start from. Without it such a group keeps its effort.

    Returns
    -------
    Prescription
        Groups that refer to the top set follow it and are not changed twice.
    """
    last = len(prescription.groups) - 1

    def one(position: int, group: SetGroup) -> SetGroup:
        follows = group.load is not None and group.load.base == "top set"
        sets = group.sets
        if not follows or change.sets_factor != 1:
            sets = _resize(sets, change, add=change.sets if position == last else 0)
        elif position == last and change.sets:
            sets = _resize(sets, change, add=change.sets)
        if not follows:
            sets = tuple(_more_reps(amount, change) for amount in sets)
        load, effort = group.load, group.effort
        if effort is not None and change.effort:
            effort = _more_effort(effort, change)
        if change.moves_load and not follows:
            if load is None:
                first = dose(position) if dose is not None else None
                if first is not None:
                    load, effort = LoadTarget("load", plus=first), None
            if load is not None:
                load = _more_load(load, change)
        return SetGroup(sets, load, effort, group.each_side)

    return map_groups(prescription, one)


def _resize(sets: tuple[Amount, ...], change: Change, add: int) -> tuple[Amount, ...]:
    wanted = len(sets)
    if add:
        wanted = max(1, min(wanted + add, max(change.most_sets, wanted)))
    if change.sets_factor != 1:
        wanted = max(1, round(wanted * change.sets_factor + 1e-9))
    if wanted <= len(sets):
        # An open last set is the point of the cell, so it is the others that go.
        return sets[len(sets) - wanted :]
    return sets[:1] * (wanted - len(sets)) + sets


def _more_reps(amount: Amount, change: Change) -> Amount:
    if amount.kind != "reps":
        return amount
    if change.reps_exactly is not None:
        return Amount(change.reps_exactly, change.reps_exactly, "reps", amount.at_least)
    if not change.reps:
        return amount
    low = min(max(1, amount.low + change.reps), MOST["reps"])
    high = min(max(low, amount.high + change.reps), MOST["reps"])
    return Amount(low, high, "reps", amount.at_least)


def _more_effort(effort: Effort, change: Change) -> Effort:
    step = change.effort if effort.scale == "RPE" else -change.effort
    limit = change.most_effort if effort.scale == "RPE" else 10 - change.most_effort

    def moved(value: Decimal) -> Decimal:
        if effort.scale == "RPE":
            return max(value, min(value + step, limit))
        return min(value, max(value + step, limit))

    return Effort(effort.scale, moved(effort.low), moved(effort.high))


def _more_load(load: LoadTarget, change: Change) -> LoadTarget:
    percent, high, plus = load.percent, load.percent_high, load.plus
    factor = change.load_factor
    if load.base in ("load", "bodyweight"):
        if plus is None and load.base == "bodyweight":
            plus = Mass(Decimal(0), _unit(change) or "kg")
        assert plus is not None
        value = plus.value * (1 + change.percent / 100)
        for mass, times in change.masses:
            value += times * _in_unit(mass, plus)
        value = max((value * factor).quantize(HUNDREDTH), Decimal(0))
        if load.base == "load" and value == 0:
            value = HUNDREDTH  # A step back may not end in no load at all; rounding lifts it to the bar.
        return LoadTarget(load.base, plus=Mass(value, plus.unit) if value else None)
    percent = ((percent + change.percent) * factor).quantize(HUNDREDTH)
    percent = min(max(percent, Decimal(1)), Decimal(200))
    if high is not None:
        high = min(((high + change.percent) * factor).quantize(HUNDREDTH), Decimal(200))
        if high <= percent:
            high = None
    if change.masses or plus is not None:
        unit = plus or change.masses[0][0]
        value = plus.value if plus is not None else Decimal(0)
        for mass, times in change.masses:
            value += times * _in_unit(mass, unit)
        value = (value * factor).quantize(HUNDREDTH)
        if high is not None:
            percent, high = ((percent + high) / 2).quantize(HUNDREDTH), None
        plus = Mass(value, unit.unit) if value else None
    return LoadTarget(load.base, percent, high, plus)


def _unit(change: Change) -> Literal["kg", "lb"] | None:
    return change.masses[0][0].unit if change.masses else None


def _in_unit(mass: Mass, like: Mass) -> Decimal:
    if mass.unit == like.unit:
        return mass.value
    return (mass.value * GRAMS_PER[mass.unit] / GRAMS_PER[like.unit]).quantize(HUNDREDTH)


# --- plain dictionaries -----------------------------------------------------------------------------


class RuleError(ValueError):
    """A stored or submitted rule that cannot be; the message is a sentence."""


RULES: Mapping[str, type[Any]] = {
    "add load": AddLoad,
    "reps then load": RepsThenLoad,
    "add sets": AddSets,
    "add effort": AddEffort,
    "hold": Hold,
    "wave": Wave,
    "day": DayOf,
    "every nth week": EveryNthWeek,
    "emphases": Emphases,
    "step back": StepBack,
    "taper": Taper,
}
_NAMES = {cls: name for name, cls in RULES.items()}
# Lowest and highest value a field may take; the same name means the same thing in every rule.
_BOUNDS: Mapping[str, tuple[float, float]] = {
    "every": (1, 52), "low": (1, 100), "high": (1, 100), "rep_step": (-10, 10), "most": (1, 30),
    "weeks": (1, 52), "load_percent": (0, 150), "sets": (-10, 20), "reps": (-20, 100), "rir": (0, 10),
    "floor": (0, 9), "sets_percent": (0, 90), "again": (0, 20), "days": (1, 42), "last_heavy": (0, 42),
    "heavy_percent": (30, 100), "step": (-30, 30),
}  # fmt: skip


def step_text(step: Step) -> str:
    return str(step)


def read_step(value: object, where: str) -> Step:
    """Read ``2.5 kg``, ``5 lb`` or ``2 %``.

    Raises
    ------
    RuleError
        If it is none of these, or larger than a step can be.
    """
    if isinstance(value, str):
        number, _, unit = value.strip().replace("%", " %").partition(" ")
        try:
            parsed = Decimal(number.replace(",", ".").replace("−", "-"))
        except InvalidOperation:
            parsed = Decimal("NaN")
        unit = unit.strip()
        if parsed.is_finite() and -100 <= parsed <= 100 and parsed == parsed.quantize(Decimal("0.001")):
            if unit == "%" and abs(parsed) <= 50:
                return Percent(parsed)
            if unit == "kg":
                return Mass(parsed, "kg")
            if unit == "lb":
                return Mass(parsed, "lb")
    raise RuleError(f"{where} needs a step such as “2.5 kg”, “5 lb” or “2 %”, not {value!r}.")


def rule_to_dict(rule: Rule) -> dict[str, Any]:
    """A rule as plain JSON values."""
    found: dict[str, Any] = {"rule": _NAMES[type(rule)]}
    for item in fields(rule):
        value = getattr(rule, item.name)
        if isinstance(rule, Emphases):
            value = [
                {"kind": p.kind, "weeks": p.weeks, "sets": p.sets, "reps": p.reps, "rir": plain(p.rir)}
                for p in rule.parts
            ]
        elif isinstance(value, Mass | Percent):
            value = step_text(value)
        elif isinstance(value, Decimal):
            value = plain(value)
        found[item.name] = value
    return found


def rule_from_dict(data: object) -> Rule:
    """Read a rule back.

    Raises
    ------
    RuleError
        With a sentence naming the rule and what cannot be.
    """
    name = data.get("rule") if isinstance(data, dict) else None
    if not isinstance(data, dict) or not isinstance(name, str) or name not in RULES:
        raise RuleError(f"A rule is one of: {', '.join(RULES)}.")
    cls = RULES[name]
    known = {item.name: item for item in fields(cls)}
    unknown = set(data) - set(known) - {"rule"}
    if unknown:
        raise RuleError(f"The rule “{name}” has no setting “{min(map(str, unknown))}”.")
    values: dict[str, Any] = {}
    for key, item in known.items():
        if key not in data:
            if item.default is MISSING:
                raise RuleError(f"The rule “{name}” needs “{key}”.")
            continue
        values[key] = _read_field(name, key, str(item.type), data[key])
    rule: Rule = cls(**values)
    _check(name, rule)
    return rule


def _read_field(name: str, key: str, kind: str, value: object) -> Any:
    where = f"“{key}” of the rule “{name}”"
    if kind == "Step":
        return read_step(value, where)
    if kind.startswith("tuple"):
        return _read_parts(value)
    if kind.endswith("| None") and value is None:
        return None
    if kind in ("Count", "DayKind", "TaperShape"):
        allowed = get_args({"Count": Count, "DayKind": DayKind, "TaperShape": TaperShape}[kind])
        if value not in allowed:
            raise RuleError(f"{where} is one of: {', '.join(allowed)}.")
        return value
    if kind == "str":
        if not isinstance(value, str) or not 0 < len(value) <= 40:
            raise RuleError(f"{where} names a row.")
        return value
    low, high = _BOUNDS[key]
    if kind.startswith("int"):
        if type(value) is not int or not low <= value <= high:
            raise RuleError(f"{where} is a whole number from {low:g} to {high:g}.")
        return value
    return _read_decimal(where, value, low, high)


def _read_decimal(where: str, value: object, low: float, high: float) -> Decimal:
    try:
        parsed = Decimal(str(value).replace(",", ".")) if isinstance(value, str | int | float) else None
    except InvalidOperation:
        parsed = None
    if parsed is None or isinstance(value, bool) or not parsed.is_finite() or not low <= parsed <= high:
        raise RuleError(f"{where} is a number from {low:g} to {high:g}.")
    return parsed.quantize(Decimal("0.001")).normalize() + 0


def _read_parts(value: object) -> tuple[Emphasis, ...]:
    keys = {"kind", "weeks", "sets", "reps", "rir"}
    if not isinstance(value, list | tuple) or not 0 < len(value) <= 12:
        raise RuleError("A sequence of emphases has 1 to 12 parts.")
    parts = []
    for part in value:
        if not isinstance(part, dict) or set(part) != keys or part["kind"] not in BLOCK_KINDS:
            raise RuleError(
                f"Each emphasis has a kind ({', '.join(BLOCK_KINDS)}), weeks, sets, reps and rir."
            )
        for key, most in (("weeks", 52), ("sets", MOST_SETS), ("reps", 100)):
            if type(part[key]) is not int or not 1 <= part[key] <= most:
                raise RuleError(f"“{key}” of an emphasis is a whole number from 1 to {most}.")
        rir = _read_decimal("“rir” of an emphasis", part["rir"], 0, 10)
        parts.append(Emphasis(part["kind"], part["weeks"], part["sets"], part["reps"], rir))
    return tuple(parts)


def _check(name: str, rule: Rule) -> None:
    match rule:
        case RepsThenLoad(low, high, _, rep_step) if high < low or rep_step < 1:
            raise RuleError(
                f"“{name}” climbs from a lower to a higher number of repetitions, at least 1 at a time."
            )
        case StepBack(None, None):
            raise RuleError("“step back” needs a number of weeks, a floor for the reserve, or both.")
        case StepBack(load_percent=percent) if percent > 60:
            raise RuleError("“step back” takes off at most 60 % of the load.")
        case AddSets(step=step) if step < 1:
            raise RuleError("“add sets” adds at least one set.")
        case AddEffort(most=most) if not 5 <= most <= 10:
            raise RuleError("“add effort” stops at an RPE from 5 to 10.")
        case AddEffort(step=step) if step <= 0 or step % Decimal("0.5"):
            raise RuleError("“add effort” goes up in halves of RPE.")
        case DayOf(load_percent=percent) if percent < 20:
            raise RuleError("A day follows another at 20 % of its load or more.")
        case _:
            pass
