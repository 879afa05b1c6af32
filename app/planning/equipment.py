"""What a lifter can load: their own bar and plates, or what an ordinary gym has of an implement."""

from __future__ import annotations

from decimal import Decimal

from app.storage.models import Lifter
from app.training.loading import USUAL_KITS, BarKit, Kit, Plate
from app.training.prescription import GRAMS_PER, Mass
from app.training.units import Unit


def stamped(grams: int) -> Mass:
    """A bar or plate with the number that stands on it: kilograms if those are round, else pounds."""
    if grams % 250 == 0:
        return Mass(Decimal(grams) / 1000, "kg")
    quarters = (Decimal(grams) / GRAMS_PER["lb"] * 4).to_integral_value()
    return Mass(quarters / 4, "lb")


def kit_of(lifter: Lifter, implement: str) -> Kit | None:
    """The kit for an exercise; None where nothing is loaded, or nothing is known of the implement."""
    if implement == "barbell" and lifter.plates:
        return BarKit(
            stamped(lifter.bar_grams),
            tuple(Plate(stamped(int(grams)), int(pairs)) for grams, pairs in lifter.plates),
            stamped(lifter.collar_grams),
        )
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    return USUAL_KITS.get((implement, unit))
