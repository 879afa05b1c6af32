"""Adding a lifter, changing what is known of one, and the lifter's private link."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.exchange import qr
from app.planning import lifters
from app.planning.lifters import SENSITIVITIES, STATUSES, STRESS_MEASURES, Facts, NameTaken
from app.storage.lifters import KG_PLATES, LB_PLATES
from app.storage.models import Coach, Lifter
from app.training.units import Unit, format_mass, parse_mass
from app.web.dependencies import AppSettings, AppStore, CurrentCoach, Desk, FormData, Now
from app.web.devices import device_words
from app.web.forms import Form
from app.web.pages import page, see_other
from app.web.svg import drawn

router = APIRouter()
UNITS = {"kg": "Kilograms", "lb": "Pounds"}
MOST_PAIRS = 20
MOST_SIZES = 20
LEAST_BAR_G, MOST_BAR_G = 1_000, 60_000


@router.get("/lifters/new")
def new_page(request: Request, coach: CurrentCoach) -> Response:
    return _form_page(request, Form(_usual(coach)), coach=coach, lifter=None)


@router.post("/lifters/new")
def add(request: Request, desk: Desk, store: AppStore, data: FormData, now: Now) -> Response:
    coach = desk.owner
    form = Form.of(data)
    facts = read_facts(form, is_new=True)
    if facts is not None:
        try:
            number = lifters.add(store, coach, facts, by=desk.actor.name, now=now)
        except NameTaken:
            form.errors["name"] = "You coach somebody of this name already. Add what tells them apart"
        else:
            return see_other(request, f"/lifters/{number}/link")
    return _form_page(request, form, coach=coach, lifter=None, status=422)


@router.get("/lifters/{lifter_id}/settings")
def settings_page(request: Request, lifter_id: int, coach: CurrentCoach, store: AppStore) -> Response:
    lifter = lifters.find(store, coach, lifter_id)
    return _form_page(request, Form(_known(lifter)), coach=coach, lifter=lifter)


@router.post("/lifters/{lifter_id}/settings")
def change(
    request: Request, lifter_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    coach = desk.owner
    lifter = lifters.find(store, coach, lifter_id)
    form = Form.of(data)
    facts = read_facts(form, is_new=False)
    if facts is not None:
        try:
            lifters.change(store, coach, lifter_id, facts, by=desk.actor.name, now=now)
        except NameTaken:
            form.errors["name"] = "You coach somebody else of this name. Add what tells them apart"
        else:
            return see_other(request, f"/lifters/{lifter_id}")
    return _form_page(request, form, coach=coach, lifter=lifter, status=422)


@router.get("/lifters/{lifter_id}/settings/expected")
def expected(
    request: Request, lifter_id: int, coach: CurrentCoach, store: AppStore, now: Now, sensitivity: str = "1.0"
) -> Response:
    lifter = lifters.find(store, coach, lifter_id)
    known = sensitivity if sensitivity in SENSITIVITIES else "1.0"
    raised, weeks = lifters.expected_flags(store, coach, lifter_id, float(known), now=now)
    return page(
        request,
        "lifter_settings/expected.html",
        block="expected",
        lifter=lifter,
        words=SENSITIVITIES[known],
        raised=raised,
        weeks=weeks,
    )


@router.get("/lifters/{lifter_id}/link")
def link_page(request: Request, lifter_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return _link_page(request, store, coach, lifter_id, now=now)


@router.post("/lifters/{lifter_id}/link")
def new_link(
    request: Request,
    lifter_id: int,
    desk: Desk,
    store: AppStore,
    settings: AppSettings,
    now: Now,
) -> Response:
    coach, valid = desk.owner, timedelta(days=settings.link_days)
    token = lifters.issue_link(store, coach, lifter_id, valid=valid, by=desk.actor.name, now=now)
    # Shown in this answer and never again: only the token's hash is kept.
    return _link_page(request, store, coach, lifter_id, now=now, address=f"{settings.address}/open/{token}")


@router.post("/lifters/{lifter_id}/link/end")
def end_link(request: Request, lifter_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    lifters.revoke_link(store, desk.owner, lifter_id, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}/link")


def _link_page(
    request: Request, store: AppStore, coach: Coach, lifter_id: int, *, now: Now, address: str = ""
) -> Response:
    found = lifters.links(store, coach, lifter_id, now=now)
    return page(
        request,
        "lifter_settings/link.html",
        found=found,
        lifter=found.lifter,
        zone=coach.time_zone,
        address=address,
        qr=drawn(qr.svg(address, title=f"QR code of the private link of {found.lifter.name}"))
        if address
        else "",
        devices=[(device_words(one.device), one.last_used_at) for one in found.devices],
    )


# The form -----------------------------------------------------------------------------------------


def _form_page(
    request: Request, form: Form, *, coach: Coach, lifter: Lifter | None, status: int = 200
) -> Response:
    sensitivities = dict(SENSITIVITIES)
    asked = form.get("sensitivity", "1.0")
    if asked not in sensitivities and lifter is not None and asked == f"{lifter.sensitivity:g}":
        sensitivities[asked] = f"As set elsewhere: {asked}"
    return page(
        request,
        "lifter_settings/form.html",
        block="form",
        status=status,
        form=form,
        errors=form.errors,
        lifter=lifter,
        units=UNITS,
        statuses=STATUSES,
        sensitivities=sensitivities,
        measures=STRESS_MEASURES,
    )


def _usual(coach: Coach) -> dict[str, str]:
    unit: Unit = "lb" if coach.unit == "lb" else "kg"
    bar = 20_000 if unit == "kg" else 20_412
    return {
        "time_zone": coach.time_zone,
        "unit": unit,
        "bar": format_mass(bar, unit),
        "collar": format_mass(0, unit),
        "plates": plates_text(KG_PLATES if unit == "kg" else LB_PLATES, unit),
        "recent_window_weeks": "8",
        "rir_floor": "0",
        "sensitivity": "1.0",
        "stress_measure": "relative_volume_load",
        "status": "active",
    }


def _known(lifter: Lifter) -> dict[str, str]:
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    return {
        "name": lifter.name,
        "time_zone": lifter.time_zone,
        "unit": unit,
        "status": lifter.status,
        "bar": format_mass(lifter.bar_grams, unit),
        "collar": format_mass(lifter.collar_grams, unit),
        "plates": plates_text(lifter.plates, unit),
        "recent_window_weeks": str(lifter.recent_window_weeks),
        "rir_floor": f"{lifter.rir_floor:g}",
        "sensitivity": next(
            (one for one in SENSITIVITIES if float(one) == lifter.sensitivity), f"{lifter.sensitivity:g}"
        ),
        "stress_measure": lifter.stress_measure,
        "body_mass": "" if lifter.body_mass_grams is None else format_mass(lifter.body_mass_grams, unit),
        "goal": lifter.goal,
        "goal_day": "" if lifter.goal_day is None else date.fromordinal(lifter.goal_day).isoformat(),
        "note": lifter.note,
    }


def read_facts(form: Form, *, is_new: bool) -> Facts | None:
    """What the form says, or None with each answer that cannot be taken explained."""
    name = " ".join(form.text("name", "the lifter's name", longest=120).split())
    zone = form.zone("time_zone", "the time zone")
    unit: Unit = "lb" if form.one_of("unit", "kilograms or pounds", UNITS) == "lb" else "kg"
    status = "active" if is_new else form.one_of("status", "whether you coach them now", STATUSES)
    bar = _mass(form, "bar", "the bar", unit, low=LEAST_BAR_G, high=MOST_BAR_G)
    collar = _mass(form, "collar", "one collar", unit, low=0, high=5_000, default=0)
    plates = _plates(form, unit)
    weeks = form.whole("recent_window_weeks", "the recent window in weeks", low=4, high=16)
    floor = form.decimal("rir_floor", "the least reps in reserve", low=0, high=5)
    sensitivity = form.decimal("sensitivity", "how early to flag", low=0.3, high=3)
    measure = form.one_of("stress_measure", "a measure of stress", STRESS_MEASURES)
    body_mass = _mass(form, "body_mass", "body mass", unit, low=20_000, high=400_000, needed=False)
    goal = form.text("goal", "the goal", longest=200, needed=False)
    goal_day = _day(form, "goal_day", "The day of the goal")
    note = form.text("note", "the note", longest=5_000, needed=False)
    if form.errors or bar is None or collar is None or weeks is None or floor is None or sensitivity is None:
        return None
    return Facts(
        name=name,
        time_zone=zone,
        unit=unit,
        status=status,
        bar_grams=bar,
        collar_grams=collar,
        plates=plates,
        recent_window_weeks=weeks,
        rir_floor=floor,
        sensitivity=sensitivity,
        stress_measure=measure,
        body_mass_grams=body_mass,
        goal=goal,
        goal_day=goal_day,
        note=note,
    )


def _mass(
    form: Form,
    name: str,
    label: str,
    unit: Unit,
    *,
    low: int,
    high: int,
    default: int | None = None,
    needed: bool = True,
) -> int | None:
    text = form.get(name)
    if not text and (default is not None or not needed):
        return default
    try:
        grams = parse_mass(text, unit).grams
    except ValueError as error:
        form.errors[name] = f"Enter the mass of {label}, like 20 {unit}" if not text else str(error)
        return None
    if not low <= grams <= high:
        form.errors[name] = (
            f"The mass of {label} must be from {format_mass(low, unit)} to {format_mass(high, unit)}"
        )
        return None
    return grams


_PLATE = re.compile(r"(?P<mass>[0-9]+(?:\.[0-9]+)?\s*[a-zA-Z]*?)\s*(?:[x×*]\s*(?P<pairs>[0-9]{1,3}))?")


def _plates(form: Form, unit: Unit) -> tuple[tuple[int, int], ...]:
    """Plates as typed, like "25 x 4, 20, 15": sizes, each with how many pairs (one if not said)."""
    found: dict[int, int] = {}
    for part in re.split(r"[,;\n]", form.get("plates")):
        text = part.strip()
        if not text:
            continue
        match = _PLATE.fullmatch(text)
        if match is None:
            form.errors["plates"] = (
                f"“{text[:20]}” is not a plate. Write sizes and pairs, like 25 x 4, 20, 2.5"
            )
            return ()
        try:
            grams = parse_mass(match["mass"], unit).grams
        except ValueError as error:
            form.errors["plates"] = str(error)
            return ()
        pairs = int(match["pairs"] or 1)
        if not 100 <= grams <= 60_000 or not 1 <= pairs <= MOST_PAIRS:
            form.errors["plates"] = (
                f"“{text[:20]}” cannot be: a plate is up to 60 kg, and {MOST_PAIRS} pairs at most"
            )
            return ()
        found[grams] = found.get(grams, 0) + pairs
    if not found:
        form.errors["plates"] = "Enter the plates at hand, like 25 x 4, 20, 15, 10, 5, 2.5, 1.25"
    elif len(found) > MOST_SIZES:
        form.errors["plates"] = f"Plates may have {MOST_SIZES} sizes at most"
    return tuple(sorted(found.items(), reverse=True))


def plates_text(plates: list[list[int]], unit: Unit) -> str:
    """Plates as they are typed, in the unit that is stamped on each."""
    words = []
    for grams, pairs in plates:
        stamped: Unit = unit
        if unit == "lb" and grams % 250 == 0 and not _is_round_in_pounds(grams):
            stamped = "kg"
        words.append(format_mass(grams, stamped) + (f" x {pairs}" if pairs != 1 else ""))
    return ", ".join(words)


def _is_round_in_pounds(grams: int) -> bool:
    quarters = Decimal(grams) / Decimal("453.59237") * 4
    return abs(quarters - quarters.to_integral_value()) < Decimal("0.005")


def _day(form: Form, name: str, label: str) -> int | None:
    text = form.get(name)
    if not text:
        return None
    try:
        found = date.fromisoformat(text)
    except ValueError:
        form.errors[name] = f"{label} must be a date like 2026-06-20"
        return None
    if not 2000 <= found.year <= 2100:
        form.errors[name] = f"{label} must be between 2000 and 2100"
        return None
    return found.toordinal()
