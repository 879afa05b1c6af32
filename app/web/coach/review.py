"""A block's review: on the page, on paper, and as a text for the lifter to be changed before it is sent."""

from __future__ import annotations

import re
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup

from app.exchange import pdf
from app.planning import review
from app.planning.messages import LONGEST
from app.planning.review import Gain, LiftChange, Review
from app.planning.wording import odds
from app.storage.models import Coach
from app.training.units import KG_PER_LB, Unit
from app.web.coach.decisions import Shown, shown
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.figure import MEASURE_WORDS
from app.web.forms import Form
from app.web.pages import day, num, page, see_other, short_day, signed
from app.web.svg import drawn

router = APIRouter()
SUGGESTIONS_SHOWN = 5
BAR_WIDTH, BAR_HEIGHT = 34, 90  # [px] of the drawing of stress by week


@router.get("/blocks/{block_id}/review")
def show(request: Request, block_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return _page(request, coach, store, block_id, Form(), now)


@router.post("/blocks/{block_id}/review")
def save(request: Request, block_id: int, desk: Desk, store: AppStore, data: FormData, now: Now) -> Response:
    form = Form.of(data)
    body = form.text("body", "the text", longest=LONGEST)
    if form.errors:
        return _page(request, desk.owner, store, block_id, form, now, status=422)
    send = form.get("do") == "send"
    review.save_text(store, desk.owner, block_id, body, send=send, by=desk.actor.name, now=now)
    return see_other(request, f"/blocks/{block_id}/review?said={'sent' if send else 'kept'}#for-lifter")


def _page(
    request: Request,
    coach: Coach,
    store: AppStore,
    block_id: int,
    form: Form,
    now: datetime,
    status: int = 200,
) -> Response:
    try:
        found = review.of_block(store, coach, block_id, now=now)
    except review.NotBegun:
        return page(request, "review/not_begun.html", block_id=block_id)
    text, sent = review.text_of(store, coach, found)
    form.values.setdefault("body", text)
    unit: Unit = "lb" if found.lifter.unit == "lb" else "kg"
    return page(
        request,
        "review/review.html",
        status=status,
        errors=form.errors,
        form=form,
        review=found,
        lifter=found.lifter,
        its=found.block,
        summary=summary(found),
        gains=[(one, *gain_cells(one, unit)) for one in found.trained],
        lifts=[(one, *change_cells(one, unit)) for one in found.lifts],
        stress=stress_drawing(found),
        stress_name=MEASURE_WORDS[found.measure][0],
        decisions=[shown(one, coach) for one in found.decisions],
        suggestions=found.suggestion.suggestions[:SUGGESTIONS_SHOWN],
        sent=sent,
        said=request.query_params.get("said", ""),
        zone=coach.time_zone,
    )


@router.get("/blocks/{block_id}/review.pdf")
def on_paper(
    request: Request,
    block_id: int,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    paper: str = "a4",
    reader: str = "coach",
) -> Response:
    try:
        found = review.of_block(store, coach, block_id, now=now)
    except review.NotBegun:
        return page(request, "review/not_begun.html", block_id=block_id)
    document = (
        lifter_document(found, review.text_of(store, coach, found)[0], now)
        if reader == "lifter"
        else coach_document(found, [shown(one, coach) for one in found.decisions], now)
    )
    body = pdf.document_pdf(document, paper="Letter" if paper.lower() == "letter" else "A4")
    name = re.sub(r"[^a-z0-9]+", "-", f"{found.lifter.name} {found.block.name}".lower()).strip("-") or "block"
    return Response(
        body,
        media_type="application/pdf",
        headers={
            "Content-Disposition": f'inline; filename="{name}-review.pdf"',
            "Cache-Control": "no-store",
        },
    )


# In words -----------------------------------------------------------------------------------------


def summary(found: Review) -> str:
    """The block in a sentence or two: sessions, marks, levels."""
    s = found.sessions
    said = [f"{s['done']} of {s['planned']} sessions done"] if s["planned"] else []
    if s["missed"]:
        said.append(f"{s['missed']} missed")
    if s["skipped"]:
        said.append(f"{s['skipped']} skipped")
    if s["to come"]:
        said.append(f"{s['to come']} to come")
    new = sum(one.kind == "new" for one in found.gains)
    more = sum(one.kind == "more" for one in found.gains)
    compared = sum(one.before is not None and one.best is not None for one in found.gains)
    if compared:
        said.append(f"{more} of {compared} baseline marks raised")
    if new:
        said.append(f"{new} range{'s' * (new != 1)} trained that had no recent mark")
    words = ", ".join(said)
    return f"{words[:1].upper()}{words[1:]}." if words else "Nothing was planned and nothing logged."


def gain_cells(one: Gain, unit: Unit) -> tuple[str, str, str]:
    return (
        "none" if one.before is None else review.mark_words(one.before, unit),
        "none" if one.best is None else f"{review.mark_words(one.best, unit)}, {short_day(one.best.day)}",
        review.gain_words(one, unit),
    )


def change_cells(one: LiftChange, unit: Unit) -> tuple[str, str, str, str]:
    """Level, change, its interval, and the chance in words."""
    level = one.end_kg if unit == "kg" else one.end_kg / KG_PER_LB
    way = "rose" if one.rose >= 0.5 else "fell"
    return (
        f"{num(level, 0)} {unit}",
        f"{signed(one.change_pct)} %",
        f"{signed(one.low_pct)} to {signed(one.high_pct)}",
        f"{odds(max(one.rose, 1 - one.rose))} that it {way}",
    )


def stress_drawing(found: Review) -> Markup:
    """Planned as an outline, done as a filled column, a pair a week; the numbers stand in the table."""
    known = [value for one in found.weeks for value in (one.planned, one.done) if value]
    top = max(known, default=1.0)
    width = BAR_WIDTH * len(found.weeks) + 8
    parts = []
    for at, one in enumerate(found.weeks):
        x = 4 + at * BAR_WIDTH
        if one.done:
            tall = BAR_HEIGHT * one.done / top
            parts.append(
                f'<rect class="bar-done" x="{x + 9}" y="{4 + BAR_HEIGHT - tall:.1f}" '
                f'width="{BAR_WIDTH - 18}" height="{tall:.1f}"/>'
            )
        if one.planned:
            tall = BAR_HEIGHT * one.planned / top
            parts.append(
                f'<rect class="bar-planned" x="{x + 5}" y="{4 + BAR_HEIGHT - tall:.1f}" '
                f'width="{BAR_WIDTH - 10}" height="{tall:.1f}"/>'
            )
        parts.append(f'<text x="{x + BAR_WIDTH / 2:.0f}" y="{BAR_HEIGHT + 20}">{one.number}</text>')
    return drawn(
        f'<svg class="weeks-drawn" viewBox="0 0 {width} {BAR_HEIGHT + 26}" width="{width}" '
        f'height="{BAR_HEIGHT + 26}" aria-hidden="true" focusable="false">'
        f'<line class="base" x1="0" x2="{width}" y1="{BAR_HEIGHT + 4}" y2="{BAR_HEIGHT + 4}"/>'
        f"{''.join(parts)}</svg>"
    )


# On paper -----------------------------------------------------------------------------------------


def _head(found: Review) -> str:
    block = found.block
    return f"{block.name}, {block.kind}, {day(block.start_day)} to {day(block.end_day)}"


def _weeks_chart(found: Review) -> pdf.Columns:
    name, unit = MEASURE_WORDS[found.measure]
    return pdf.Columns(
        f"Stress by week: {name}",
        unit or found.lifter.unit,
        [f"week {one.number}" for one in found.weeks],
        [one.planned for one in found.weeks],
        [one.done for one in found.weeks],
    )


def _course(found: Review, one: LiftChange, unit: Unit) -> pdf.Course:
    scale = 1.0 if unit == "kg" else 1 / KG_PER_LB
    spread = 1.645 * one.sd_kg
    return pdf.Course(
        f"{one.exercise}, e1RM",
        unit,
        one.day.tolist(),
        (scale * one.level_kg).tolist(),
        (scale * (one.level_kg - spread)).tolist(),
        (scale * (one.level_kg + spread)).tolist(),
        [
            (at, words)
            for at, words in (
                (found.block.start_day, f"begin, {short_day(found.block.start_day)}"),
                (found.last_day, f"{'end' if found.is_over else 'today'}, {short_day(found.last_day)}"),
            )
        ],
        list(zip(one.point_day.tolist(), (scale * one.point_kg).tolist(), strict=True)),
    )


def _gains_grid(found: Review, unit: Unit) -> pdf.Grid:
    rows = []
    for one in found.trained:
        before, best, step = gain_cells(one, unit)
        rows.append([one.exercise, one.rep_range, before, best, step])
    return pdf.Grid(
        ["Exercise", "Reps", "Baseline", "Best in the block", "Change"], rows, [0.26, 0.09, 0.19, 0.25, 0.21]
    )


def coach_document(found: Review, decided: list[Shown], now: datetime) -> pdf.Document:
    unit: Unit = "lb" if found.lifter.unit == "lb" else "kg"
    parts: list[pdf.Part] = [pdf.Paragraph(summary(found))]
    if found.block.purpose:
        parts.append(pdf.Paragraph(found.block.purpose, quiet=True))
    parts.append(pdf.Heading("Gained over the baseline"))
    parts.append(_gains_grid(found, unit) if found.gains else pdf.Paragraph("Nothing was logged."))
    if found.left_out:
        parts.append(pdf.Paragraph(f"Not trained in this block: {found.left_out}.", quiet=True))
    if found.gains and not found.frozen:
        parts.append(
            pdf.Paragraph(
                "No baseline was frozen for this block; the recent bests of the day before it stand in.",
                quiet=True,
            )
        )
    if found.lifts:
        parts.append(pdf.Heading("Trend over the block"))
        parts.append(
            pdf.Grid(
                ["Lift", "Level", "Change", "90 % interval", "Chance"],
                [[one.exercise, *change_cells(one, unit)] for one in found.lifts],
                [0.28, 0.14, 0.13, 0.2, 0.25],
                ["left", "right", "right", "right", "left"],
            )
        )
        parts.append(_course(found, found.lifts[0], unit))
    parts += [pdf.Heading("Stress planned and done"), _weeks_chart(found)]
    parts.append(pdf.Heading("Decided on the way"))
    if not decided:
        parts.append(pdf.Paragraph("Nothing was decided about a flag in this block."))
    for one in decided:
        then = f" {one.verdict}: {one.level}." if one.level else ""
        parts.append(
            pdf.Paragraph(f"{short_day(one.decision.day)}: {one.title}. {one.decision.note}{then}".strip())
        )
    parts.append(pdf.Heading("What could come next"))
    parts.append(
        pdf.Paragraph(
            f"From {day(found.next_start)}: a {found.suggestion.kind} block. {found.suggestion.reason}"
        )
    )
    parts += [pdf.Paragraph(one.sentence) for one in found.suggestion.suggestions[:SUGGESTIONS_SHOWN]]
    parts.append(
        pdf.Paragraph(
            "Numbers as analysed on the block's last day. Before and after on one lifter show what followed, "
            "not what caused it.",
            quiet=True,
        )
    )
    return pdf.Document(f"{found.lifter.name}: block review", _head(found), parts, now)


def lifter_document(found: Review, text: str, now: datetime) -> pdf.Document:
    """The text as it was edited, the marks and one picture, without probabilities."""
    unit: Unit = "lb" if found.lifter.unit == "lb" else "kg"
    parts: list[pdf.Part] = [pdf.Paragraph(one) for one in text.split("\n\n") if one.strip()]
    gained = [[one.exercise, one.rep_range, *gain_cells(one, unit)] for one in found.gained]
    if gained:
        parts.append(pdf.Heading("Your marks"))
        parts.append(
            pdf.Grid(
                ["Exercise", "Reps", "Where you began", "Best of the block", "Change"],
                gained,
                [0.26, 0.09, 0.19, 0.25, 0.21],
            )
        )
    if found.lifts:
        parts.append(_course(found, found.lifts[0], unit))
    parts.append(_weeks_chart(found))
    return pdf.Document(f"{found.block.name}: looking back", _head(found), parts, now)
