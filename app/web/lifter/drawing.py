"""Plates on one side of the bar, as a picture that never stands without its words."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from functools import cache

from markupsafe import Markup, escape

from app.training.loading import BarKit, Kit, NotLoadable, per_side
from app.training.prescription import Mass, plain
from app.training.reference import usable
from app.training.units import Unit, format_mass
from app.web.svg import drawn

WIDTH, HEIGHT = 132, 64


@cache
def colours() -> dict[str, str]:
    """Kilograms on a disc -> its colour where federations agree or only one says; see the table's sources."""
    found: dict[str, str] = {}
    for row in usable("federation_equipment"):
        if row["item"] == "disc" and row["colour"] not in ("", "any"):
            found.setdefault(plain(Decimal(row["kg_or_value"])), row["colour"])
    return found


def plates(grams: int, kit: Kit | None, unit: Unit) -> Markup:
    """The picture and the words for a load; only words where the plates do not make it."""
    if not isinstance(kit, BarKit):
        return Markup("")
    found = per_side(grams, kit)
    bar = f"{kit.bar} bar" + (f", collars {kit.collar} each" if kit.collar.value else ", no collars")
    if isinstance(found, NotLoadable):
        near = " or ".join(format_mass(one, unit) for one in (found.below, found.above) if one is not None)
        words = f"{found.reason} Nearest: {near}." if near else found.reason
        return Markup('<p class="no-plates">{}</p>').format(words)
    if not found:
        return Markup('<p class="no-plates">{}, nothing on it</p>').format(bar)
    words = "each side " + " ".join(plain(one.value) for one in found) + _units(found)
    return drawn(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" aria-hidden="true">'
        f'<path class="sleeve" d="M0 32H{WIDTH}"/>{_discs(found)}</svg>'
        f'<p><span class="sides">{escape(words)}</span><br><span class="quiet">{escape(bar)}</span></p>'
    )


def _units(found: Sequence[Mass]) -> str:
    units = {one.unit for one in found}
    return f" {units.pop()}" if len(units) == 1 else " (kg and lb)"


def _discs(found: Sequence[Mass]) -> str:
    step = min(16.0, (WIDTH - 14) / len(found))
    parts = []
    for place, one in enumerate(found):
        height = 58 if one.kg >= 9.9 else 20 + 3.4 * one.kg
        name = f"disc-{colour_of(one)}"
        x, y = 8 + place * step, (HEIGHT - height) / 2
        parts.append(
            f'<rect class="disc {name}" x="{x:.1f}" y="{y:.1f}" width="{step - 2:.1f}" '
            f'height="{height:.1f}" rx="2"/>'
        )
    return "".join(parts)


def colour_of(mass: Mass) -> str:
    """The trade's colour of a disc, "plain" where there is none."""
    return colours().get(plain(mass.value), "plain") if mass.unit == "kg" else "plain"
