"""What people write is shown as written: on every page of a real browser, and in every file that leaves."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import httpx
import openpyxl
import pytest

from app.storage.engine import Store
from app.web.pages import COACH_COOKIE, csrf_token
from tests.browser.conftest import LiveServer, Visit
from tests.factories import NOW
from tests.web.test_policy import PASSWORD, PERSON, ROSTER, Tenants, tenants, those  # noqa: F401

pytestmark = pytest.mark.browser
HIT = "window.hit=1"
# Out of text, attributes, scripts, comments, styles and drawings; by events, addresses, templates, formulas.
# A plan's name may have 120 characters, so none is longer than will fit.
PAYLOADS = (
    f'=HYPERLINK("//x.org")"><x-hit><img src=x onerror={HIT}>',
    f"@SUM(1)</script><script>{HIT}</script><x-hit>",
    f"-1+1' onfocus={HIT} autofocus x='</textarea></title></option><x-hit>",
    f"+cmd|' /C x'!A1</style></svg><x-hit><svg/onload={HIT}>",
    f"--><!--><x-hit><a href=javascript:{HIT}>x</a><base href=//x.org>",
    "{{7*7}}${7*7}<x-hit><iframe srcdoc='<script>parent.hit=1</script>'></iframe>",
    f"\\u003cx-hit\\u003e&lt;x-hit&gt;<details open ontoggle={HIT}><math>",
    "<form action=//x.org><input name=csrf><x-hit hx-get=/sign-in hx-trigger=load>",
)
RUNS = 2


def plant(store: Store, run: int) -> int:
    """Put payloads where a tenant's own word stands, in columns and inside documents; in how many rows."""
    placed = 0
    with store.engine.begin() as connection:
        names = (
            connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars().all()
        )
        for table in names:
            columns = connection.exec_driver_sql(f'SELECT * FROM "{table}" LIMIT 0').keys()
            for place, column in enumerate(columns):
                payload = PAYLOADS[(len(table) + place + 3 * run) % len(PAYLOADS)]
                for word in (PERSON, ROSTER):
                    # Inside a JSON document the payload has to be written as JSON writes it.
                    inside = f"\"{column}\" LIKE '{{%' OR \"{column}\" LIKE '[%'"
                    for where, text in (
                        (f"({inside})", json.dumps(payload)[1:-1]),
                        (f"NOT ({inside})", payload),
                    ):
                        # The formula has to come first to be one.
                        front = (
                            f"? || replace(\"{column}\", ?, '')"
                            if text is payload
                            else f'replace("{column}", ?, ?)'
                        )
                        given: Any = (text, word) if text is payload else (word, text)
                        placed += connection.exec_driver_sql(
                            f'UPDATE "{table}" SET "{column}" = {front} '
                            f'WHERE typeof("{column}") = \'text\' AND "{column}" LIKE ? AND {where}',
                            (*given, f"%{word}%"),
                        ).rowcount
    return placed


@pytest.mark.parametrize("run", range(RUNS))
def test_nothing_anybody_wrote_runs_anywhere(
    live_server: LiveServer,
    tenants: Tenants,  # noqa: F811
    visit: Callable[..., Visit],
    run: int,
) -> None:
    live_server.clock[0] = NOW - datetime.now(UTC)
    placed = plant(live_server.store, run)
    assert placed > 25
    pages = files = shown = 0
    for who, routes in (("coach", those("coach", "owner", "account")), ("lifter", those("lifter"))):
        opened = visit()
        opened.context.add_init_script("window.hit = 0")
        if who == "coach":
            opened.sign_in(tenants.coach)
        else:
            opened.open_link(tenants.lifter)
        cookies = {str(one["name"]): str(one["value"]) for one in opened.context.cookies()}
        with httpx.Client(base_url=live_server.url, cookies=cookies) as client:
            paths = [tenants.path(path) for method, path in routes if method == "GET"]
            if who == "coach":
                paths += [
                    f"/lifters/{tenants.lifter.id}/messages?flag={tenants.numbers['flag_id']}",
                    "/?find=Vilde",
                ]
            for path in paths:
                answer = client.get(path)
                if "text/html" not in answer.headers.get("content-type", ""):
                    files += 1
                    check_file(path, answer)
                    continue
                opened.goto(path)
                opened.page.wait_for_timeout(60)
                pages += 1
                assert opened.page.evaluate("window.hit") == 0, path
                assert opened.page.locator("x-hit, iframe, base, math").count() == 0, path
                assert opened.page.locator("a[href^='javascript:'], form[action^='//']").count() == 0, path
                shown += "x-hit" in opened.page.content()
            if who == "coach":
                files += check_exports(client, cookies[COACH_COOKIE], tenants)
        assert opened.problems == []
    print(f"run {run}: {placed} rows, {pages} pages of which {shown} show it, {files} files, none ran")
    assert shown > 20
    assert files >= 5


def check_exports(client: httpx.Client, secret: str, tenants: Tenants) -> int:  # noqa: F811
    headers = {"X-CSRF": csrf_token(secret)}
    for form in ("json", "xlsx", "zip"):
        body = {"form": form, "password": PASSWORD}
        answer = client.post("/data/export", data=body, headers=headers)
        assert answer.status_code == 200
        check_file(f"everything.{form}", answer)
    return 3


def check_file(path: str, answer: httpx.Response) -> None:
    kind, body = answer.headers.get("content-type", ""), answer.content
    if answer.status_code != 200:
        assert b"x-hit>" not in body
    elif "csv" in kind:
        live_cells([cell for row in csv.reader(io.StringIO(body.decode("utf-8-sig"))) for cell in row])
    elif "spreadsheet" in kind:
        book = openpyxl.load_workbook(io.BytesIO(body))
        kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
        assert "f" not in kinds, f"{path} has a live formula"
        assert not any(cell.hyperlink for sheet in book for row in sheet.iter_rows() for cell in row)
    elif "pdf" in kind:
        assert b"/JavaScript" not in body
        assert b"/URI" not in body
    elif "calendar" in kind:
        assert not re.search(rb"^X-HIT", body, re.MULTILINE)
    elif "json" in kind:
        json.loads(body)
    if "html" not in kind:
        assert answer.headers["x-content-type-options"] == "nosniff"


def live_cells(cells: list[str]) -> None:
    # OWASP, "CSV Injection": a text cell must not begin with = + - @ tab or return; a number may be negative.
    live = [
        one
        for one in cells
        if one[:1] in ("=", "+", "-", "@", "\t", "\r") and not re.fullmatch(r"-?[\d.]+", one)
    ]
    assert live == []
