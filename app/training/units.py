"""Pounds and kilograms: what is typed is kept to the gram and shown as it was typed.

A mass is stored as a whole number of grams beside the text and unit it was typed in. Half a gram is
0.0011 lb, so a load typed with two decimals or fewer, in either unit, comes back from its grams alone.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

Unit = Literal["kg", "lb"]
Number = TypeVar("Number", float, NDArray[np.float64])

KG_PER_LB = 0.45359237
"""[kg/lb] exact: the international yard and pound agreement of 1959. [1]"""

GRAMS_PER_KG = 1000
MAX_MASS_KG = 1000  # [kg] above every load ever lifted for repetitions; larger numbers are slips.

_GRAMS_PER: dict[str, Decimal] = {"kg": Decimal(1000), "lb": Decimal("453.59237")}
_UNIT_WORDS: dict[str, Unit] = {
    "kg": "kg",
    "kgs": "kg",
    "kilo": "kg",
    "kilos": "kg",
    "kilogram": "kg",
    "kilograms": "kg",
    "lb": "lb",
    "lbs": "lb",
    "pound": "lb",
    "pounds": "lb",
}
_MASS = re.compile(r"(?P<number>[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)\s*(?P<unit>[A-Za-z]*)\.?")


@dataclass(frozen=True, slots=True)
class TypedMass:
    """A mass with the number and unit it was typed in.

    ``text`` is the number alone, as typed: ``"82,5"``.
    """

    grams: int  # [g]
    text: str
    unit: Unit

    @property
    def kg(self) -> float:
        return self.grams / GRAMS_PER_KG


def kg_from_lb(mass_lb: Number) -> Number:
    """Kilograms of a mass in pounds. [kg]"""
    return mass_lb * KG_PER_LB


def lb_from_kg(mass_kg: Number) -> Number:
    """Pounds of a mass in kilograms. [lb]"""
    return mass_kg / KG_PER_LB


def parse_mass(text: str, default_unit: Unit, *, most_kg: int = MAX_MASS_KG) -> TypedMass:
    """Read a mass a person typed.

    Parameters
    ----------
    text : str
        ``"82,5"``, ``"82.5 kg"``, ``"225lb"``. A comma or a point is the decimal sign.
    default_unit : {"kg", "lb"}
        Unit when the text names none.
    most_kg : int
        Largest mass taken. [kg]

    Returns
    -------
    TypedMass
        The mass in whole grams, with the number and unit as typed.

    Raises
    ------
    ValueError
        With a sentence for the person who typed it.
    """
    stripped = text.strip()
    if not stripped:
        raise ValueError("Enter a mass, for example 82.5")
    match = _MASS.fullmatch(stripped)
    if match is None:
        if re.fullmatch(r"[-−–]\s*[0-9].*", stripped):
            raise ValueError(f"A mass must be zero or more, and {stripped!r} is negative")
        raise ValueError(f"{stripped!r} is not a mass: enter a number such as 82.5, 82,5 or 180 lb")
    word = match["unit"].lower()
    if word and word not in _UNIT_WORDS:
        raise ValueError(f"{match['unit']!r} is not a unit of mass here: use kg or lb")
    unit = _UNIT_WORDS[word] if word else default_unit
    number = match["number"]
    if re.fullmatch(r"[1-9][0-9]{0,2},000", number):
        # One person's thousand is another's one with three decimals; both are plausible loads in pounds.
        raise ValueError(
            f"{number!r} can be read two ways: enter {number.replace(',', '')} without the comma"
        )
    grams = (Decimal(number.replace(",", ".")) * _GRAMS_PER[unit]).to_integral_value(ROUND_HALF_EVEN)
    if grams > most_kg * GRAMS_PER_KG:
        limit = f"{most_kg:,} kg" if unit == "kg" else f"{int(most_kg / KG_PER_LB):,} lb"
        raise ValueError(f"{stripped!r} is more than {limit}: check the number and its unit")
    return TypedMass(grams=int(grams), text=number, unit=unit)


def mass_number(grams: int, unit: Unit, typed: TypedMass | None = None) -> str:
    """The number of :func:`format_mass` without its unit, for a form field or a table cell."""
    if typed is not None and typed.unit == unit and typed.grams == grams:
        return typed.text
    hundredths = (Decimal(int(grams)) / _GRAMS_PER[unit]).quantize(Decimal("0.01"), ROUND_HALF_EVEN)
    text = format(hundredths, "f")
    return text.rstrip("0").rstrip(".")


def format_mass(grams: int, unit: Unit, typed: TypedMass | None = None) -> str:
    """Print a stored mass.

    Parameters
    ----------
    grams : int
        [g]
    unit : {"kg", "lb"}
        Unit the reader wants.
    typed : TypedMass, optional
        How it was entered: shown unchanged if the reader wants the unit it was typed in.

    Returns
    -------
    str
        For example ``"102.5 kg"``. At most two decimals, no trailing zeros.
    """
    return f"{mass_number(grams, unit, typed)} {unit}"
