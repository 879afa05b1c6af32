"""Everything out and back, one person's data, lifters removed or handed over, backups."""

from __future__ import annotations

import io
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import IO

from fastapi import APIRouter, Request
from fastapi.responses import Response, StreamingResponse
from starlette.datastructures import UploadFile

from app import __version__
from app.exchange import coach_file, weekly, writers
from app.exchange.tables import Refused as FileRefused
from app.planning import access, accounts, exports, housekeeping, lifters
from app.storage.models import Coach
from app.web.access import TOO_MANY
from app.web.coach.data import show_data
from app.web.dependencies import Address, AppSettings, AppStore, Desk, FormData, Now, OwnDesk
from app.web.forms import Form
from app.web.pages import page, see_other

router = APIRouter()
FORMS = {"json": "JSON", "xlsx": "workbook (XLSX)", "zip": "CSV tables in a ZIP archive"}
IN_MEMORY = 2**22  # bytes of a file that is not put on the disk
PIECE = 2**18
NOT_YOURS = "This is not your password"


# Everything -----------------------------------------------------------------------------------------


@router.post("/data/export")
def export_all(
    request: Request, coach: OwnDesk, store: AppStore, data: FormData, address: Address, now: Now
) -> Response:
    """Everything the coach owns, after the password was asked for once more."""
    form = Form.of(data)
    chosen = form.one_of("form", "the form of the file", FORMS)
    wrong = confirmed(store, coach, form, "password", now)
    if form.errors:
        return show_data(request, coach, store, form.errors, wrong or 422, {"form": chosen})
    write, media = coach_file.WRITERS[chosen]
    try:
        with exports.opened(store, coach, by=coach.name, address=address, now=now) as found:
            body = spooled(lambda to: write(as_file(found, now), to))
    except ValueError as error:
        return show_data(request, coach, store, {"form": f"{error}."}, 422)
    return send_file(body, f"terrace-{now:%Y-%m-%d}.{chosen}", media)


@router.post("/data/whole")
def take_whole(request: Request, coach: OwnDesk, store: AppStore, data: FormData, now: Now) -> Response:
    """Take a whole file into an empty account."""
    sent = data.get("whole")
    if not isinstance(sent, UploadFile) or not sent.filename:
        return show_data(request, coach, store, {"whole": "Choose a file that was taken out of Terrace"}, 422)
    name = sent.filename[-120:]
    try:
        read = coach_file.read(sent.file.read(), name)
    except FileRefused as refused:
        return show_data(request, coach, store, {"whole": str(refused)}, 422)
    errors = [str(one) for one in read.errors[:20]]
    if not errors:
        tables = {shape.name: list(read.file.records(shape.name)) for shape in read.file.shapes}
        try:
            counts = exports.load(store, coach, tables, by=coach.name, now=now)
        except exports.NotEmpty:
            words = "There is data in this account already. A whole file is taken into an empty one only"
            return show_data(request, coach, store, {"whole": words}, 409)
        except exports.CannotLoad as refused:
            errors = list(refused.errors[:20])
        else:
            return see_other(request, f"/data?said=whole-{counts['lifters']}-{counts['logged_sets']}")
    return show_data(request, coach, store, {"whole": " ".join(f"{one}." for one in errors)}, 422)


@router.post("/data/backups")
def back_up(request: Request, desk: Desk, store: AppStore, settings: AppSettings, now: Now) -> Response:
    try:
        housekeeping.back_up(store, settings, desk.owner, by=desk.actor.name, now=now)
    except housekeeping.TooSoon:
        words = "A backup was made a moment ago. It holds what you see"
        return show_data(request, desk.owner, store, {"": words}, 429)
    except (OSError, housekeeping.BackupRefused) as error:
        return show_data(request, desk.owner, store, {"": f"No backup was made: {error}"}, 507)
    return see_other(request, "/data?said=backup")


@router.post("/data/removed/{lifter_id}/bring-back")
def bring_back(request: Request, lifter_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    housekeeping.bring_back(store, desk.owner, lifter_id, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}")


# One person -----------------------------------------------------------------------------------------


@router.get("/lifters/{lifter_id}/data")
def lifter_data(request: Request, lifter_id: int, desk: Desk, store: AppStore) -> Response:
    return _show(request, desk.owner, store, lifter_id, Form())


@router.get("/lifters/{lifter_id}/log.csv")
def log_out(request: Request, lifter_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    name, rows, _ = exports.log_of(store, desk.owner, lifter_id, by=desk.actor.name, now=now)
    return download(_csv(rows), f"{_file_name(name)}-log.csv", "text/csv; charset=utf-8")


@router.get("/lifters/{lifter_id}/weeks.xlsx")
def weeks_out(request: Request, lifter_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    name, rows, _ = exports.log_of(store, desk.owner, lifter_id, by=desk.actor.name, now=now)
    return download(
        weekly.weekly_xlsx(_lines(rows)), f"{_file_name(name)}-weeks.xlsx", coach_file.WRITERS["xlsx"][1]
    )


@router.post("/lifters/{lifter_id}/export")
def export_one(
    request: Request, lifter_id: int, desk: Desk, store: AppStore, address: Address, now: Now
) -> Response:
    """All there is about one lifter, to be handed to them: tables, the same as JSON, and the log."""
    by = desk.actor.name
    with exports.opened(store, desk.owner, lifter_id=lifter_id, by=by, address=address, now=now) as found:
        name, rows = found.log
        body = spooled(lambda to: _hand_over(as_file(found, now), rows, to))
    return send_file(body, f"{_file_name(name)}.zip", "application/zip")


def _hand_over(file: coach_file.CoachFile, log: Sequence[exports.LogRow], to: IO[bytes]) -> None:
    coach_file.write_csv_archive(file, to)
    with zipfile.ZipFile(to, "a", zipfile.ZIP_DEFLATED) as archive:
        with coach_file.member(archive, "everything.json") as part:
            coach_file.write_json(file, part)
        with coach_file.member(archive, "LOG.csv") as part:
            part.write(_csv(log))


@router.post("/lifters/{lifter_id}/remove")
def remove(
    request: Request, lifter_id: int, coach: OwnDesk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    lifters.find(store, coach, lifter_id)
    wrong = confirmed(store, coach, form, "password", now)
    if form.errors:
        return _show(request, coach, store, lifter_id, form, wrong or 422)
    housekeeping.remove(store, coach, lifter_id, by=coach.name, now=now)
    return see_other(request, "/data?said=removed#put-away")


@router.post("/lifters/{lifter_id}/handover")
def offer(
    request: Request, lifter_id: int, coach: OwnDesk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    lifters.find(store, coach, lifter_id)
    login = form.text("login", "the login of the other coach", longest=254)
    status = 422
    if not form.errors:
        try:
            accounts.offer(store, coach, lifter_id, login, now=now)
        except accounts.NoSuchCoach:
            form.errors["login"] = "Nobody on this server has this login. Invite them on the account page"
        except accounts.IsYourself:
            form.errors["login"] = "This is your own login"
        except accounts.TooMany:
            form.errors["login"], status = TOO_MANY, 429
        except accounts.AlreadyOffered:
            form.errors["login"], status = "This lifter is offered already", 409
        else:
            return see_other(request, f"/lifters/{lifter_id}/data")
    return _show(request, coach, store, lifter_id, form, status)


@router.post("/lifters/{lifter_id}/handover/withdraw")
def withdraw(request: Request, lifter_id: int, coach: OwnDesk, store: AppStore, now: Now) -> Response:
    accounts.withdraw(store, coach, lifter_id, now=now)
    return see_other(request, f"/lifters/{lifter_id}/data")


@router.post("/lifters/{lifter_id}/handover/consent")
def consent(
    request: Request, lifter_id: int, coach: OwnDesk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    lifters.find(store, coach, lifter_id)
    how = form.text("how", "how and when the lifter agreed", longest=200)
    if form.errors:
        return _show(request, coach, store, lifter_id, form, 422)
    accounts.record_consent(store, coach, lifter_id, how, now=now)
    return see_other(request, f"/lifters/{lifter_id}/data")


def _show(
    request: Request, coach: Coach, store: AppStore, lifter_id: int, form: Form, status: int = 200
) -> Response:
    lifter = lifters.find(store, coach, lifter_id)
    form.values.pop("password", None)
    return page(
        request,
        "lifter_settings/data.html",
        status=status,
        lifter=lifter,
        coach=coach,
        offer=accounts.offer_of(store, lifter),
        form=form,
        errors=form.errors,
        undo_days=housekeeping.UNDO_FOR.days,
    )


# Shared ---------------------------------------------------------------------------------------------


def confirmed(store: AppStore, coach: Coach, form: Form, field: str, now: datetime) -> int | None:
    """Ask for the password again; what is wrong is left in the form, with the status to answer."""
    password = form.values.pop(field, "")
    if not password:
        form.errors[field] = "Enter your password"
        return None
    try:
        access.confirm(store, coach, password, now=now)
    except access.TooManyTries:
        form.errors[field] = TOO_MANY
        return 429
    except access.WrongCredentials:
        form.errors[field] = NOT_YOURS
    return None


def as_file(found: exports.Opened, now: datetime) -> coach_file.CoachFile:
    return coach_file.file_of(found.described, found.tables, program_version=__version__, made_at=now)


def spooled(write: Callable[[IO[bytes]], None]) -> IO[bytes]:
    """What is written, from its start: in memory while it is small, else in a file without a name."""
    body = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115 - it is closed when it was sent
    try:
        write(body)
    except BaseException:
        body.close()
        raise
    return body


def send_file(body: IO[bytes], name: str, media: str) -> Response:
    """A download of known length, sent in pieces."""
    size = body.seek(0, io.SEEK_END)
    body.seek(0)

    def pieces() -> Iterator[bytes]:
        with body:
            while piece := body.read(PIECE):
                yield piece

    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return StreamingResponse(pieces(), media_type=media, headers=headers | {"Content-Length": str(size)})


def download(body: bytes, name: str, media: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(body, media_type=media, headers=headers)


def _csv(rows: Sequence[exports.LogRow]) -> bytes:
    return writers.log_csv(_lines(rows))


def _lines(rows: Sequence[exports.LogRow]) -> Iterator[writers.LogLine]:
    names = exports.LogRow.__slots__
    return (writers.LogLine(**{name: getattr(one, name) for name in names}) for one in rows)


def _file_name(name: str) -> str:
    """A lifter's name as part of a file's name, whatever the system it is saved on."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower()[:60] or "lifter"
