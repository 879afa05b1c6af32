"""What a coach types into a cell of a plan, as lifters write it: ``4 x 6 @ RPE 7``.

A prescription is one or more groups of sets, each with an optional load and an optional effort, then
an optional rest and an optional note::

    prescription = group { ", then" group } [ ", rest" time ] [ ", note" text ]
    group        = work [ "each side" ] [ "at" load ] [ "@ RPE" n | "leaving" n ]
    work         = sets "x" amount | amount { "," amount }
    amount       = n | n "-" m | n "+" | "AMRAP" | n "s" | n "min" | n "m"
    load         = mass | [ percent "of" ] base [ "+" mass | "+" percent ]
    base         = "e1RM" | "recent best" | "baseline" | "bodyweight" | "top set" (after "then")

One meaning has one printed form, so ``parse(print_prescription(p)) == p`` for every prescription.
Numbers are kept as they were written (a decimal and its unit): 225 lb stays 225 lb.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Literal, NoReturn

from app.training.units import MAX_MASS_KG, Unit

AmountKind = Literal["reps", "seconds", "metres"]
EffortScale = Literal["RPE", "RIR"]
Base = Literal["load", "e1RM", "recent best", "baseline", "top set", "bodyweight"]

GRAMS_PER: dict[Unit, Decimal] = {"kg": Decimal(1000), "lb": Decimal("453.59237")}
"""Grams in one kilogram and in one international avoirdupois pound (exact by definition, 1959)."""

MOST_SETS = 30
MOST = {"reps": 200, "seconds": 7200, "metres": 10_000}
MOST_PERCENT = Decimal(200)
MOST_TEXT = 200  # [characters] a cell, note and all, has to stay readable on a phone

UNDERSTOOD = (
    "Understood are, for example: 4 x 6 @ RPE 7; 3 x 5 at 82.5 %; 5, 5, 5+ at 140 kg; 3 x 8-10 leaving 2; "
    "1 x 3 @ RPE 8, then 3 x 5 at 90 %; 3 x 5 at recent best + 2.5 kg; 3 x 30 s; 4 x 20 m at 60 kg."
)


class PrescriptionError(ValueError):
    """Text that is not a prescription: where it stops making sense, and what would.

    Attributes
    ----------
    position : int
        Index of the first character that was not understood.
    sentence : str
        What is wrong there and what to write instead.
    """

    def __init__(self, position: int, sentence: str) -> None:
        super().__init__(f"Character {position + 1}: {sentence}")
        self.position = position
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class Mass:
    """A mass as it was written."""

    value: Decimal
    unit: Unit

    @property
    def grams(self) -> float:
        """The mass, unrounded. [g]"""
        return float(self.value * GRAMS_PER[self.unit])

    @property
    def kg(self) -> float:
        """The mass. [kg]"""
        return self.grams / 1000

    def __str__(self) -> str:
        return f"{plain(self.value)} {self.unit}"


@dataclass(frozen=True, slots=True)
class Amount:
    """How much one set is: repetitions, seconds or metres, low to high; ``at_least`` prints as a plus."""

    low: int
    high: int
    kind: AmountKind = "reps"
    at_least: bool = False


@dataclass(frozen=True, slots=True)
class Effort:
    """A target for the end of each set, on the scale it was written in."""

    scale: EffortScale
    low: Decimal
    high: Decimal

    @property
    def rir(self) -> float:
        """Repetitions in reserve at the middle of the target. [reps]"""
        middle = (self.low + self.high) / 2
        return float(10 - middle if self.scale == "RPE" else middle)


@dataclass(frozen=True, slots=True)
class LoadTarget:
    """A load: ``percent`` of ``base``, and ``plus`` on top of it.

    With base ``load`` the load is ``plus`` itself and ``percent`` is 100; with base ``bodyweight`` it is what
    hangs on the belt. ``percent_high`` closes a range such as 70-75 %.
    """

    base: Base
    percent: Decimal = Decimal(100)
    percent_high: Decimal | None = None
    plus: Mass | None = None


@dataclass(frozen=True, slots=True)
class SetGroup:
    """Sets that share one load and one effort target."""

    sets: tuple[Amount, ...]
    load: LoadTarget | None = None
    effort: Effort | None = None
    each_side: bool = False


@dataclass(frozen=True, slots=True)
class Prescription:
    """One cell of a plan. The first group is the top set that later groups may refer to."""

    groups: tuple[SetGroup, ...]
    rest_s: int | None = None
    note: str = ""

    def __str__(self) -> str:
        return print_prescription(self)


def plain(value: Decimal) -> str:
    """A decimal without exponent or trailing zeros: ``82.5``, ``140``."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


# --- printing ---------------------------------------------------------------------------------------


def print_prescription(prescription: Prescription) -> str:
    """The canonical text of a prescription.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    str
        Text that ``parse`` reads back as the same prescription, whatever unit it is given.
    """
    parts = [_print_group(group, follows=i > 0) for i, group in enumerate(prescription.groups)]
    text = ", then ".join(parts)
    if prescription.rest_s is not None:
        text += f", rest {_print_seconds(prescription.rest_s)}"
    if prescription.note:
        text += f", note {prescription.note}"
    return text


def _print_seconds(seconds: int) -> str:
    return f"{seconds // 60} min" if seconds >= 120 and seconds % 60 == 0 else f"{seconds} s"


def print_amount(amount: Amount) -> str:
    """One set's amount: ``5``, ``8-10``, ``5+``, ``30 s``."""
    if amount.kind == "reps" and amount.at_least and amount.low == amount.high == 1:
        return "AMRAP"
    number = str(amount.low) if amount.low == amount.high else f"{amount.low}-{amount.high}"
    if amount.at_least:
        number += "+"
    return number + {"reps": "", "seconds": " s", "metres": " m"}[amount.kind]


def _print_group(group: SetGroup, *, follows: bool) -> str:
    if len(set(group.sets)) == 1:
        text = f"{len(group.sets)} x {print_amount(group.sets[0])}"
    else:
        text = ", ".join(print_amount(amount) for amount in group.sets)
    if group.each_side:
        text += " each side"
    if group.load is not None:
        text += f" at {print_load(group.load, follows=follows)}"
    if group.effort is not None:
        low, high = plain(group.effort.low), plain(group.effort.high)
        span = low if low == high else f"{low}-{high}"
        text += f" @ RPE {span}" if group.effort.scale == "RPE" else f" leaving {span}"
    return text


def print_load(load: LoadTarget, *, follows: bool = False) -> str:
    """The load alone: ``140 kg``, ``82.5 %``, ``recent best + 2.5 kg``, ``90 % of top set``.

    After ``then`` a bare percentage is of the top set, so there the e1RM is named.
    """
    if load.base == "load":
        assert load.plus is not None
        return str(load.plus)
    percent = plain(load.percent)
    if load.percent_high is not None:
        bare = load.base == "e1RM" and not follows
        text = f"{percent}-{plain(load.percent_high)} %" + ("" if bare else f" of {load.base}")
    elif load.base == "e1RM" and load.plus is None and not follows:
        text = f"{percent} %"
    elif load.percent == 100:
        text = load.base
    elif load.percent > 100 and load.plus is None:
        text = f"{load.base} + {plain(load.percent - 100)} %"
    else:
        text = f"{percent} % of {load.base}"
    if load.plus is not None and load.plus.value != 0:
        sign = "-" if load.plus.value < 0 else "+"
        text += f" {sign} {Mass(abs(load.plus.value), load.plus.unit)}"
    return text


# --- parsing ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str  # lower case
    start: int
    end: int


_TOKEN = re.compile(
    r"""(?P<space>\s+)
      | (?P<rm>e?1rm\b)
      | (?P<number>\d+(?:[.,]\d+)*)
      | (?P<times>[x×*](?=\s*(?:\d|amrap\b|max\b)))
      | (?P<word>[^\W\d_]+)
      | (?P<dash>[-–—−])
      | (?P<sign>[+@%,;:])""",
    re.VERBOSE | re.IGNORECASE,
)
_MASS: dict[str, Unit] = {
    **dict.fromkeys(("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"), "kg"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "lb"),
}
_SECONDS = dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1) | dict.fromkeys(
    ("min", "mins", "minute", "minutes"), 60
)
_METRES = ("m", "metre", "metres", "meter", "meters")
_HALVES = frozenset(Decimal(n) / 2 for n in range(21))


def _tokens(text: str) -> list[_Token]:
    found: list[_Token] = []
    at = 0
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise PrescriptionError(at, f"“{text[at]}” has no meaning here. {UNDERSTOOD}")
        kind = match.lastgroup or ""
        if kind != "space":
            lowered = match.group().lower()
            found.append(_Token(kind if kind != "sign" else lowered, lowered, at, match.end()))
            if kind == "word" and lowered in ("note", "notes"):
                break  # A note is free text; whatever stands in it is not for this grammar.
        at = match.end()
    found.append(_Token("end", "", len(text), len(text)))
    return found


@lru_cache(maxsize=8192)
def parse(text: str, unit: Unit = "kg") -> Prescription:
    """Read a cell.

    Parameters
    ----------
    text : str
        What was typed, for example ``5, 5, 5+ at 140 kg``.
    unit : {"kg", "lb"}
        Unit of a load written without one.

    Returns
    -------
    Prescription

    Raises
    ------
    PrescriptionError
        With the position of the first character that was not understood and a sentence saying what is.
    """
    return _Parser(text, unit).prescription()


class _Parser:
    def __init__(self, text: str, unit: Unit) -> None:
        self.text = text
        self.unit = unit
        self.tokens = _tokens(text)
        self.at = 0

    # Small tools -----------------------------------------------------------------------------------

    @property
    def token(self) -> _Token:
        return self.tokens[self.at]

    def ahead(self, n: int = 1) -> _Token:
        return self.tokens[min(self.at + n, len(self.tokens) - 1)]

    def take(self, *kinds: str) -> _Token | None:
        if self.token.kind in kinds:
            self.at += 1
            return self.tokens[self.at - 1]
        return None

    def word(self, *words: str) -> bool:
        if self.token.kind in ("word", "rm") and self.token.text in words:
            self.at += 1
            return True
        return False

    def fail(self, sentence: str, token: _Token | None = None) -> NoReturn:
        raise PrescriptionError((token or self.token).start, sentence)

    def decimal(self, token: _Token) -> Decimal:
        if len(re.findall("[.,]", token.text)) > 1:
            self.fail(f"“{token.text}” is not a number. Write 82.5 or 82,5.", token)
        value = Decimal(token.text.replace(",", "."))
        exponent = value.as_tuple().exponent
        if len(token.text) > 9 or (isinstance(exponent, int) and exponent < -3):
            self.fail(f"“{token.text}” is more exact than a load can be. Use at most three decimals.", token)
        return value

    def number(self, what: str) -> Decimal:
        token = self.take("number")
        if token is None:
            self.fail(f"Expected {what} here. {UNDERSTOOD}")
        return self.decimal(token)

    # Grammar ---------------------------------------------------------------------------------------

    def prescription(self) -> Prescription:
        if self.token.kind == "end":
            self.fail(f"The cell is empty. {UNDERSTOOD}")
        groups = [self.group(follows=False)]
        rest_s: int | None = None
        note = ""
        while self.token.kind != "end":
            comma = self.take(",", ";")
            if self.word("then"):
                groups.append(self.group(follows=True))
            elif self.word("note", "notes"):
                note = self.note()
            elif self.word("rest"):
                rest_s = self.rest()
            elif comma is not None and self.token.kind == "number":
                groups.append(self.group(follows=True))
            elif comma is not None and self.token.kind == "end":
                self.fail("Something is missing after the comma: more sets, rest 3 min, or note …", comma)
            else:
                self.fail(
                    f"“{self.token.text}” is not understood after “{self.text[: self.token.start].strip()}”. "
                    "What may follow is a load (at 140 kg, at 82.5 %, at recent best + 2.5 kg), an effort "
                    "(@ RPE 8, leaving 2), then more sets (then 3 x 5 at 90 %), rest 3 min, or note …"
                )
            if sum(len(group.sets) for group in groups) > MOST_SETS:
                self.fail(f"More than {MOST_SETS} sets in one cell. Divide them over several rows.")
        prescription = Prescription(tuple(groups), rest_s, note)
        longer = len(print_prescription(prescription)) - MOST_TEXT
        if longer > 0:
            self.fail(
                f"The cell is {longer} characters too long. Shorten the note, or divide it over two rows."
            )
        return prescription

    def group(self, *, follows: bool) -> SetGroup:
        load: LoadTarget | None = None
        if self.token.kind == "number" and self.ahead().text in _MASS and self.ahead(2).kind == "times":
            load = LoadTarget("load", plus=self.mass())
            self.take("times")
            if self.ahead().kind == "times":
                self.fail(
                    "With the load first, give one set: 100 kg x 5. For more sets write 3 x 5 at 100 kg."
                )
            sets = tuple(self.amounts())
        else:
            sets = self.work()
        each_side = False
        if self.word("each", "per"):
            if not self.word("side", "leg", "arm"):
                self.fail("Expected “side”: 3 x 8 each side.")
            each_side = True
        effort: Effort | None = None
        while True:
            start = self.token
            marked = self.take("@") or (self.token if self.word("at", "with") else None)
            if effort is None and self.effort_ahead(after_at=marked is not None and marked.kind == "@"):
                effort = self.effort()
            elif load is None and self.load_ahead(marked is not None, follows):
                load = self.load(follows=follows)
            elif marked is not None:
                if self.token.kind == "number" and (load is not None or effort is not None):
                    self.fail("One load and one effort at most: 3 x 5 at 140 kg @ RPE 8.", start)
                self.fail(
                    "Expected a load or an effort after this: 140 kg, 82.5 %, recent best + 2.5 kg, RPE 8."
                )
            else:
                return SetGroup(sets, load, effort, each_side)

    def work(self) -> tuple[Amount, ...]:
        sets: list[Amount] = []
        bare: list[bool] = []
        start = self.token
        while True:
            count = 1
            if self.token.kind == "number" and self.ahead().kind == "times":
                token = self.token
                self.at += 2
                if not token.text.isdigit() or not 1 <= int(token.text) <= MOST_SETS:
                    self.fail(f"“{token.text}” is not a number of sets. Use 1 to {MOST_SETS}.", token)
                count = int(token.text)
                if self.ahead().kind == "times":
                    self.at += 1
                    self.third_factor()
            first = self.token
            amounts = self.amounts()
            if count * len(amounts) + len(sets) > MOST_SETS:
                self.fail(f"More than {MOST_SETS} sets in one cell. Divide them over several rows.", first)
            for amount in amounts[:1] * count + amounts[1:]:
                sets.append(amount)
                bare.append(amount.kind == "reps")
            if self.token.kind == "times":
                self.third_factor()
            # A comma goes on with this list only if another amount, and no load, comes behind it.
            if self.token.kind == "," and (
                (self.ahead().kind == "number" and not self.starts_load(1))
                or self.ahead().text in ("amrap", "max")
            ):
                self.at += 1
                continue
            break
        kind = sets[-1].kind
        if kind != "reps":  # 30, 30, 45 s: the unit stands once, behind the last.
            sets = [Amount(a.low, a.high, kind, a.at_least) if a.kind == "reps" else a for a in sets]
        if any(amount.kind != kind for amount in sets):
            self.fail(
                "Repetitions, seconds and metres do not mix in one list. Use “then” between them.", start
            )
        return tuple(sets)

    def starts_load(self, n: int) -> bool:
        return self.ahead(n).kind == "number" and self.ahead(n + 1).text in _MASS

    def third_factor(self) -> NoReturn:
        # 3 x 5 x 100 and 100 x 5 x 3 are both in use, so neither is guessed at.
        self.fail("Three numbers joined by x leave open which is the load. Write 3 x 5 at 140 kg.")

    def amounts(self) -> list[Amount]:
        """One amount, or several written without spaces: 5,5,5."""
        token = self.token
        if self.word("amrap", "max"):
            self.word("reps")
            return [Amount(1, 1, "reps", True)]
        if self.take("number") is None:
            self.fail(f"Expected sets and repetitions here, such as 3 x 5. {UNDERSTOOD}")
        unit_word = self.ahead(2).text if self.token.kind == "dash" else self.token.text
        if unit_word in _SECONDS and _SECONDS[unit_word] == 60:
            parts = [self.decimal(token)]
        else:
            parts = [Decimal(part) for part in token.text.split(",")] if "." not in token.text else []
            if not parts:
                self.fail(f"“{token.text}” is not a whole number of repetitions, seconds or metres.", token)
        high = parts[-1]
        if self.token.kind == "dash" and self.ahead().kind == "number":
            self.at += 1
            high = self.number("the upper end of the range")
        at_least = self.take("+") is not None
        kind: AmountKind = "reps"
        factor = 1
        if self.token.kind == "word" and self.token.text in _SECONDS:
            kind, factor = "seconds", _SECONDS[self.token.text]
            self.at += 1
        elif self.token.kind == "word" and self.token.text in _METRES:
            kind = "metres"
            self.at += 1
        else:
            self.word("reps", "rep")
        found = [Amount(*self.whole(part, part, factor, kind, token), kind) for part in parts[:-1]]
        low, top = self.whole(parts[-1], high, factor, kind, token)
        return [*found, Amount(low, top, kind, at_least)]

    def whole(
        self, low: Decimal, high: Decimal, factor: int, kind: AmountKind, token: _Token
    ) -> tuple[int, int]:
        for value in (low * factor, high * factor):
            if value != int(value) or not 1 <= value <= MOST[kind]:
                self.fail(f"“{plain(value)}” is not a whole number of {kind} from 1 to {MOST[kind]}.", token)
        if high < low:
            self.fail(f"The range runs backwards. Write {plain(high)}-{plain(low)}.", token)
        return int(low * factor), int(high * factor)

    # Effort ----------------------------------------------------------------------------------------

    def effort_ahead(self, *, after_at: bool) -> bool:
        if self.token.text in ("rpe", "rir", "leaving", "to"):
            return True
        if self.token.kind != "number":
            return False
        n = 3 if self.ahead().kind == "dash" and self.ahead(2).kind == "number" else 1
        following = self.ahead(n)
        if following.text == "rir" or (following.text in ("in", "reps") and n == 1):
            return True
        bare = following.kind != "%" and following.text not in _MASS
        return after_at and bare and self.decimal(self.token) <= 10

    def effort(self) -> Effort:
        scale: EffortScale = "RPE"
        start = self.token
        if self.word("to"):
            if not self.word("failure"):
                self.fail("Expected “failure”: 3 x 8 to failure.")
            return Effort("RIR", Decimal(0), Decimal(0))
        if self.word("leaving", "rir"):
            scale = "RIR"
        else:
            self.word("rpe")
        low = high = self.number("a number such as 8")
        if self.token.kind == "dash" and self.ahead().kind == "number":
            self.at += 1
            high = self.number("the upper end of the range")
        if self.word("rir"):
            scale = "RIR"
        else:
            reps = self.word("reps", "rep")
            if self.word("in"):
                if not self.word("reserve"):
                    self.fail("Expected “reserve”: 2 in reserve.")
                scale = "RIR"
            elif reps and scale == "RPE":
                self.fail("Expected “in reserve”: 2 reps in reserve.")
        least = Decimal(5) if scale == "RPE" else Decimal(0)
        most = Decimal(10)
        if low not in _HALVES or high not in _HALVES or not least <= low <= high <= most:
            self.fail(
                "RPE runs from 5 to 10 in halves, the lower number first: @ RPE 7.5, @ RPE 7-8."
                if scale == "RPE"
                else "Repetitions in reserve run from 0 to 10, lower number first: leaving 2, leaving 2-3.",
                start,
            )
        return Effort(scale, low, high)

    # Load ------------------------------------------------------------------------------------------

    def load_ahead(self, marked: bool, follows: bool) -> bool:
        token = self.token
        if token.kind == "rm" or token.text in ("recent", "baseline", "bodyweight", "body", "top", "bw"):
            return True
        if token.kind == "number":
            following = self.ahead()
            return marked or following.kind in ("%", "dash") or following.text in _MASS
        return token.kind in ("dash", "+") and self.ahead().kind == "number" and (marked or follows)

    def load(self, *, follows: bool) -> LoadTarget:
        start = self.token
        implied: Base = "top set" if follows else "e1RM"
        if self.token.kind in ("dash", "+"):
            if not follows:
                self.fail(
                    "A load that only adds or takes away needs something to start from: recent best + 2.5 kg."
                )
            return self.change(LoadTarget("top set"), start)
        if self.token.kind == "number":
            following = self.ahead()
            if following.kind not in ("%", "dash"):
                return LoadTarget("load", plus=self.mass())
            percent, percent_high = self.percents()
            base = implied
            if self.word("of") or self.base_ahead():
                base = self.base(follows=follows)
            if base == "bodyweight":
                self.fail("A share of body mass is not a load here. Write bodyweight + 10 kg.", start)
            target = LoadTarget(base, percent, percent_high)
        else:
            target = LoadTarget(self.base(follows=follows))
        return self.change(target, start)

    def percents(self) -> tuple[Decimal, Decimal | None]:
        start = self.token
        low = self.number("a percentage")
        high: Decimal | None = None
        self.take("%")
        if self.token.kind == "dash" and self.ahead().kind == "number" and self.ahead(2).kind == "%":
            self.at += 1
            high = self.number("the upper end of the range")
            self.take("%")
        elif self.tokens[self.at - 1].kind != "%":
            self.fail("Give one load: 140 kg. A range is possible in percent: 70-75 %.", start)
        for value in (low, high):
            if value is not None and not 1 <= value <= MOST_PERCENT:
                self.fail(f"{plain(value)} % is out of range. Use 1 to {MOST_PERCENT} %.", start)
        if high is not None and high <= low:
            self.fail(f"The range runs backwards. Write {plain(high)}-{plain(low)} %.", start)
        return low, high

    def base_ahead(self) -> bool:
        return self.token.kind == "rm" or self.token.text in ("recent", "baseline", "top")

    def base(self, *, follows: bool) -> Base:
        token = self.token
        self.word("the")
        if self.take("rm"):
            return "e1RM"
        if self.word("baseline"):
            return "baseline"
        if self.word("bodyweight", "bw"):
            return "bodyweight"
        pairs: tuple[tuple[str, str, Base], ...] = (
            ("recent", "best", "recent best"),
            ("top", "set", "top set"),
            ("body", "weight", "bodyweight"),
        )
        for first, second, base in pairs:
            if self.word(first):
                if not self.word(second):
                    self.fail(f"Expected “{second}” after “{first}”.")
                if base == "top set" and not follows:
                    self.fail(
                        "The top set is the first group of the cell; only sets after “then” refer to it.",
                        token,
                    )
                return base
        return self.fail(
            "Expected what the load refers to: e1RM, recent best, baseline, or after “then” the top set."
        )

    def change(self, target: LoadTarget, start: _Token) -> LoadTarget:
        """A mass or a percentage added to the base, or taken away from it."""
        sign = self.take("dash", "+")
        if sign is None:
            return target
        if target.percent_high is not None:
            self.fail("Nothing can be added to a range. Give one percentage.", sign)
        factor = Decimal(-1) if sign.kind == "dash" else Decimal(1)
        if self.ahead().kind == "%":
            amount, _ = self.percents()
            if target.base == "bodyweight":
                self.fail("A share of body mass is not a load here. Write bodyweight + 10 kg.", start)
            percent = target.percent + factor * amount
            if not 1 <= percent <= MOST_PERCENT:
                self.fail(f"{plain(percent)} % is out of range. Use 1 to {MOST_PERCENT} %.", start)
            return LoadTarget(target.base, percent)
        if self.token.kind == "number" and self.ahead().text not in _MASS and self.decimal(self.token) > 100:
            self.fail(f"Say whether this is {self.unit} or %: + 2.5 {self.unit}, + 2 %.")
        mass = self.mass(zero=True)
        if target.base == "bodyweight" and factor < 0 and mass.value != 0:
            self.fail("Assistance is not a load. Write bodyweight, and the assistance in a note.", start)
        plus = Mass(factor * mass.value, mass.unit) if mass.value else None
        return LoadTarget(target.base, target.percent, None, plus)

    def mass(self, *, zero: bool = False) -> Mass:
        token = self.token
        value = self.number("a load such as 140 kg")
        unit = self.unit
        if self.token.kind == "word" and self.token.text in _MASS:
            unit = _MASS[self.token.text]
            self.at += 1
        elif not zero and value <= 10:
            self.fail(
                f"“{token.text}” may be an effort or a load. Write RPE {token.text} or {token.text} {unit}.",
                token,
            )
        mass = Mass(value, unit)
        if (value == 0 and not zero) or mass.kg > MAX_MASS_KG:
            self.fail(f"{mass} is not a load that can be lifted. Use up to {MAX_MASS_KG} kg.", token)
        return mass

    # Rest and note ---------------------------------------------------------------------------------

    def rest(self) -> int:
        start = self.token
        seconds = Decimal(0)
        value = self.number("a time such as 3 min or 90 s")
        if self.take(":"):
            seconds = value * 60 + self.number("seconds")
            self.word("min")
        else:
            seconds = value * self.time_unit()
            if self.token.kind == "number":
                seconds += self.number("seconds") * self.time_unit()
        if seconds != int(seconds) or not 0 <= seconds <= 3600:
            self.fail("Rest is a whole number of seconds up to an hour: rest 3 min, rest 90 s.", start)
        return int(seconds)

    def time_unit(self) -> int:
        if self.token.kind == "word" and self.token.text in _SECONDS:
            self.at += 1
            return _SECONDS[self.tokens[self.at - 1].text]
        return self.fail("Expected min or s here: rest 3 min, rest 90 s.")

    def note(self) -> str:
        word = self.tokens[self.at - 1]
        text = " ".join(self.text[word.end :].removeprefix(":").split())
        if not text:
            self.fail("The note is empty. Write what the lifter should read, or leave “note” out.", word)
        if any(not character.isprintable() for character in text):
            self.fail("The note holds a character that cannot be printed. Type it again.", word)
        return text


def map_groups(prescription: Prescription, change: Callable[[int, SetGroup], SetGroup]) -> Prescription:
    """The same prescription with every group replaced by ``change(position, group)``."""
    groups = tuple(change(i, group) for i, group in enumerate(prescription.groups))
    return Prescription(groups, prescription.rest_s, prescription.note)
