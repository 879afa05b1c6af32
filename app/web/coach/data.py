"""Logs in: a file or a pasted table is read, shown as it was understood, and only then stored."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.datastructures import UploadFile

from app.exchange import cells, exercise_names, log_file, tables
from app.planning import backups, exercises, exports, housekeeping, imports
from app.storage.models import Coach
from app.web import uploads
from app.web.dependencies import AppSettings, AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import page, see_other

router = APIRouter()
SHOWN_ERRORS = 50
UNITS = {"": "as the column says", "kg": "kilograms", "lb": "pounds"}
DELIMITERS = {"": "recognise", ",": "comma", ";": "semicolon", "\t": "tab"}


@router.get("/data")
def data_page(request: Request, coach: CurrentCoach, store: AppStore) -> Response:
    return show_data(request, coach, store, {})


@router.post("/data/import")
async def take_file(
    request: Request, coach: CurrentCoach, store: AppStore, settings: AppSettings, data: FormData
) -> Response:
    sent = data.get("file")
    pasted = data.get("pasted")
    if isinstance(sent, UploadFile) and sent.filename:
        content, name = await sent.read(), sent.filename[-120:]
    elif isinstance(pasted, str) and pasted.strip():
        content, name = pasted.encode(), "pasted table.txt"
    else:
        return show_data(request, coach, store, {"file": "Choose a file, or paste a table"}, 422)
    if len(content) > settings.upload_limit_mb * 1_000_000:
        words = f"The file is larger than {settings.upload_limit_mb} MB. Split it by year and send the parts"
        return show_data(request, coach, store, {"file": words}, 413)
    token = uploads.keep(settings, coach, content)
    return see_other(request, f"/data/import/{token}?name={_quoted(name)}")


@router.get("/data/import/{token}")
def look_at_import(
    request: Request, token: str, coach: CurrentCoach, store: AppStore, settings: AppSettings
) -> Response:
    asked = dict(request.query_params)
    data = uploads.read(settings, coach, token)
    return _show_import(request, coach, store, data, token, asked)


@router.post("/data/import/{token}")
def do_import(
    request: Request,
    token: str,
    desk: Desk,
    store: AppStore,
    settings: AppSettings,
    data: FormData,
    now: Now,
) -> Response:
    coach, asked = desk.owner, Form.of(data).values
    content = uploads.read(settings, coach, token)
    try:
        reading = _read(coach, store, content, asked)
    except tables.Refused as refused:
        return _refused(request, coach, store, token, asked, refused)
    if asked.get("again") == "yes":
        return _show_import(request, coach, store, content, token, asked)
    if reading.file.error_count and asked.get("good_rows") != "yes":
        return _show_import(request, coach, store, content, token, asked, status=422)
    choices = _choices(reading, asked)
    done = imports.apply(
        store,
        coach,
        reading.file.rows,
        file_name=asked.get("name", "upload"),
        sha256=hashlib.sha256(content).digest(),
        guess=exercise_names.guess,
        refused=reading.file.facts.rows - len(reading.file.rows),
        choices=imports.Choices(choices, reading.shape, {"columns": reading.mapping, "dates": reading.dates}),
        actor=desk.actor.name,
        now=now,
    )
    uploads.drop(settings, coach, token)
    return see_other(request, f"/data?imported={done.batch_id}")


@router.post("/data/batches/{batch_id}/undo")
def undo_import(request: Request, batch_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    coach = desk.owner
    try:
        imports.undo(store, coach, batch_id, by=desk.actor.name, now=now)
    except imports.AlreadyUndone:
        return show_data(request, coach, store, {"": "This import was taken back before"}, 409)
    return see_other(request, "/data")


class _Reading:
    """A file as understood with what the coach has said about it so far."""

    def __init__(self, table: tables.Table, remembered: Mapping[str, Any], asked: Mapping[str, str]) -> None:
        self.table = table
        self.shape = hashlib.sha256(log_file.shape_of(table.header).encode()).hexdigest()
        proposed = remembered.get("columns") or log_file.suggest_mapping(table.header)
        self.mapping = {
            field: asked.get(f"column_{field}", proposed.get(field, ""))
            for field in log_file.FIELDS
            if asked.get(f"column_{field}", proposed.get(field, "")) in table.header
        }
        self.dates: Any = asked.get("dates") or remembered.get("dates") or "iso"
        unit: Any = asked.get("unit") or None
        self.file = log_file.read_log(
            table,
            mapping=self.mapping,
            date_style=self.dates if self.dates in cells.DATE_STYLES else "iso",
            unit=unit if unit in ("kg", "lb") else None,
        )
        guess_of = self.file.dates
        if guess_of is not None and guess_of.certain is not None and "dates" not in asked:
            # Every date reads in one other style only: propose the file in that style, and say so.
            self.dates = guess_of.certain
            self.file = log_file.read_log(
                table, mapping=self.mapping, date_style=guess_of.certain, unit=unit or None
            )


def _read(coach: Coach, store: AppStore, content: bytes, asked: Mapping[str, str]) -> _Reading:
    table = tables.read_table(
        content,
        asked.get("name") or "upload",
        expected=log_file.FIELDS,
        sheet=asked.get("sheet", ""),
        delimiter=asked.get("delimiter", "") if asked.get("delimiter") in DELIMITERS else "",
    )
    shape = hashlib.sha256(log_file.shape_of(table.header).encode()).hexdigest()
    return _Reading(table, imports.remembered_mapping(store, coach, shape) or {}, asked)


def _choices(reading: _Reading, asked: Mapping[str, str]) -> dict[str, int | None]:
    """What was chosen for each exercise name of the file: an exercise's number, or None for a new one."""
    chosen: dict[str, int | None] = {}
    for number, name in enumerate(reading.file.rows.exercises):
        answer = asked.get(f"exercise_{number}")
        if answer is not None:
            chosen[name] = int(answer) if answer.isascii() and answer.isdigit() and len(answer) < 10 else None
    return chosen


def _show_import(
    request: Request,
    coach: Coach,
    store: AppStore,
    content: bytes,
    token: str,
    asked: Mapping[str, str],
    status: int = 200,
) -> Response:
    try:
        reading = _read(coach, store, content, asked)
    except tables.Refused as refused:
        return _refused(request, coach, store, token, asked, refused)
    choices = _choices(reading, asked)
    told = imports.dry_run(store, coach, reading.file.rows, imports.Choices(choices))
    known = {one.name: one.id for one in exercises.of_roster(store, coach)}
    names = reading.file.rows.exercises
    unknown = [
        (names.index(name), name, exercise_names.close_names(name, known))
        for name in names
        if name in told.new_exercises or name in choices
    ]
    return page(
        request,
        "data/import.html",
        block="reading",
        status=status,
        token=token,
        asked=asked,
        reading=reading,
        facts=reading.file.facts,
        told=told,
        unknown=unknown,
        known=known,
        chosen=choices,
        shown=reading.file.errors[:SHOWN_ERRORS],
        units=UNITS,
        delimiters=DELIMITERS,
        date_styles=cells.DATE_STYLES,
        fields=log_file.FIELDS,
        required=log_file.REQUIRED,
    )


def _refused(
    request: Request,
    coach: Coach,
    store: AppStore,
    token: str,
    asked: Mapping[str, str],
    refused: tables.Refused,
) -> Response:
    if "column" in refused.sentence:
        # The columns are not understood yet: show them, so that the coach can say which is which.
        try:
            table = tables.read_table(
                uploads.read(request.app.state.settings, coach, token),
                asked.get("name") or "upload",
                expected=log_file.FIELDS,
            )
        except tables.Refused as again:
            return show_data(request, coach, store, {"file": str(again)}, 422)
        return page(
            request,
            "data/columns.html",
            status=422,
            token=token,
            asked=asked,
            table=table,
            sample=[row for _, row in zip(range(5), (row for _, row in table.read()), strict=False)],
            mapping=log_file.suggest_mapping(table.header) | _asked_columns(asked),
            fields=log_file.FIELDS,
            required=log_file.REQUIRED,
            errors={"": str(refused)},
        )
    return show_data(request, coach, store, {"file": str(refused)}, 422)


def _asked_columns(asked: Mapping[str, str]) -> dict[str, str]:
    return {
        key.removeprefix("column_"): value
        for key, value in asked.items()
        if key.startswith("column_") and value
    }


def show_data(
    request: Request,
    coach: Coach,
    store: AppStore,
    errors: dict[str, str],
    status: int = 200,
    values: dict[str, str] | None = None,
) -> Response:
    return page(
        request,
        "data/data.html",
        status=status,
        errors=errors,
        form=Form(values or {}, errors),
        batches=imports.batches(store, coach),
        imported=request.query_params.get("imported", ""),
        said=request.query_params.get("said", ""),
        put_away=housekeeping.put_away(store, coach),
        kept=backups.kept(request.app.state.settings),
        worry_after=backups.WORRY_AFTER,
        is_empty=exports.is_empty(store, coach),
        now=request.app.state.clock(),
        coach=coach,
    )


def _quoted(name: str) -> str:
    from urllib.parse import quote

    return quote(name, safe="")
