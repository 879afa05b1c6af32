"""Adding and changing a lifter, and the private link: shown once, rotated, ended."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
import zxingcpp
from PIL import Image

from app.exchange import qr
from app.planning import lifters as service
from app.planning.lifters import Facts, NameTaken
from app.planning.worker import run_pending, stale_lifters
from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import AuditEvent, Lifter
from app.web.coach.lifter_settings import plates_text, read_facts
from app.web.devices import device_words
from app.web.forms import Form
from tests.factories import NOW, make_coach, make_lifter
from tests.planning.world import make_world, train
from tests.web.conftest import Client, open_client

NEW = {
    "name": "Maren Oduya",
    "time_zone": "Europe/Lisbon",
    "unit": "kg",
    "bar": "20 kg",
    "collar": "0 kg",
    "plates": "25 x 4, 20, 15, 10, 5, 2.5",
    "recent_window_weeks": "8",
    "rir_floor": "0",
    "sensitivity": "1.0",
    "stress_measure": "relative_volume_load",
}


def _stored(client: Client, number: int) -> Lifter:
    with client.store.reading() as db:
        return lifters.of_coach(db, client.coach, number)


def _add(client: Client, **changes: str) -> int:
    answer = client.post("/lifters/new", data=NEW | changes)
    assert answer.status_code == 303, re.findall(r'class="error"[^>]*>(.*?)</p>', answer.text)
    return int(answer.headers["location"].split("/")[2])


# The form -----------------------------------------------------------------------------------------


def test_a_lifter_is_added_and_the_link_is_next(client: Client) -> None:
    page = client.get("/lifters/new").text
    assert 'value="20 kg"' in page
    assert "25 kg x 4, 20 kg" in page
    answer = client.post("/lifters/new", data=NEW)
    number = int(answer.headers["location"].split("/")[2])
    assert answer.headers["location"] == f"/lifters/{number}/link"
    lifter = _stored(client, number)
    assert lifter.plates == [[25_000, 4], [20_000, 1], [15_000, 1], [10_000, 1], [5_000, 1], [2_500, 1]]
    assert lifter.bar_grams == 20_000
    assert stale_lifters(client.store) == [number]


def test_pounds_are_kept_as_stamped(client: Client) -> None:
    number = _add(client, unit="lb", bar="45", collar="", plates="45 x 5, 35, 25, 10 x 2, 5, 2.5, 1.25 kg")
    lifter = _stored(client, number)
    assert lifter.bar_grams == 20_412
    assert lifter.plates[0] == [20_412, 5]
    assert [1_250, 1] in lifter.plates
    page = client.get(f"/lifters/{number}/settings").text
    assert "45 lb x 5, 35 lb, 25 lb, 10 lb x 2, 5 lb, 1.25 kg, 2.5 lb" in page


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": ""}, "Enter the lifter"),
        ({"name": "x" * 121}, "must be 120 characters or fewer"),
        ({"time_zone": "Lisbon"}, "as an area and a city"),
        ({"unit": "stone"}, "Choose kilograms or pounds"),
        ({"bar": "heavy"}, "is not a mass"),
        ({"bar": ""}, "Enter the mass of the bar, like 20 kg"),
        ({"bar": "200"}, "The mass of the bar must be from 1 kg to 60 kg"),
        ({"plates": ""}, "Enter the plates at hand"),
        ({"plates": "25 x 4, biscuits"}, "“biscuits” is not a plate"),
        ({"plates": "25 x 400"}, "cannot be"),
        ({"recent_window_weeks": "3"}, "must be from 4 to 16"),
        ({"recent_window_weeks": "nan"}, "must be a whole number"),
        ({"sensitivity": "nan"}, "must be a number"),
        ({"stress_measure": "guess"}, "Choose a measure of stress"),
        ({"body_mass": "5"}, "must be from 20 kg to 400 kg"),
        ({"goal_day": "20 June"}, "must be a date like 2026-06-20"),
        ({"note": "a\x00b"}, "must not contain control characters"),
    ],
)
def test_an_answer_that_cannot_be_taken_is_explained_and_kept(
    client: Client, change: dict[str, str], words: str
) -> None:
    answer = client.post("/lifters/new", data=NEW | {"goal": "club meet"} | change)
    assert answer.status_code == 422
    assert words in answer.text.replace("&#39;", "'")
    assert "<title>Error: " in answer.text
    assert 'value="club meet"' in answer.text
    with client.store.reading() as db:
        assert lifters.roster(db, client.coach) == []


def test_a_name_belongs_to_one_lifter_of_a_coach(client: Client, other_client: Client) -> None:
    _add(client)
    answer = client.post("/lifters/new", data=NEW | {"name": " maren  ODUYA "})
    assert answer.status_code == 422
    assert "somebody of this name already" in answer.text
    _add(other_client)


def test_settings_are_changed_and_the_analysis_made_anew(client: Client) -> None:
    number = _add(client)
    run_pending(client.store, NOW)
    changed = NEW | {
        "status": "paused",
        "recent_window_weeks": "12",
        "goal": "club meet",
        "goal_day": "2026-06-20",
        "body_mass": "71,4",
        "rir_floor": "1,5",
    }
    answer = client.post(f"/lifters/{number}/settings", data=changed)
    assert answer.headers["location"] == f"/lifters/{number}"
    lifter = _stored(client, number)
    assert (lifter.status, lifter.recent_window_weeks, lifter.body_mass_grams) == ("paused", 12, 71_400)
    assert lifter.rir_floor == 1.5
    assert stale_lifters(client.store) == [number]
    page = client.get(f"/lifters/{number}/settings").text
    assert 'value="2026-06-20"' in page
    assert '<option value="paused" selected>' in page


def test_saving_without_a_change_leaves_the_analysis_alone(client: Client) -> None:
    number = _add(client)
    run_pending(client.store, NOW)
    client.post(f"/lifters/{number}/settings", data=NEW | {"status": "active"})
    assert stale_lifters(client.store) == []


def test_the_form_sends_back_what_it_showed(client: Client) -> None:
    number = make_lifter(client.store, coach=client.coach, sensitivity=1.2, note="Café\nline").id
    before = _stored(client, number)
    page = client.get(f"/lifters/{number}/settings").text
    shown = dict(re.findall(r'<input id="(\w+)"[^>]*value="([^"]*)"', page))
    shown |= {
        name: re.findall(r'<option value="([^"]*)" selected', body)[0]
        for name, body in re.findall(r'<select id="(\w+)".*?>(.*?)</select>', page, re.DOTALL)
    }
    shown["note"] = before.note
    assert client.post(f"/lifters/{number}/settings", data=shown).status_code == 303
    after = _stored(client, number)
    for name in Facts.__slots__:
        assert getattr(after, name) == getattr(before, name), name


def test_an_assistant_who_only_reads_cannot_change(client: Client, other_client: Client) -> None:
    number = _add(client)
    for method, path in (
        ("GET", f"/lifters/{number}/settings"),
        ("POST", f"/lifters/{number}/settings"),
        ("GET", f"/lifters/{number}/settings/expected"),
        ("GET", f"/lifters/{number}/link"),
        ("POST", f"/lifters/{number}/link"),
        ("POST", f"/lifters/{number}/link/end"),
    ):
        answer = other_client.request(method, path, data=NEW if method == "POST" else None)
        missing = other_client.request(
            method, path.replace(str(number), "99999"), data=NEW if method == "POST" else None
        )
        assert answer.status_code == missing.status_code == 404, path
        assert "Maren" not in answer.text


def test_what_a_sensitivity_would_have_raised_is_counted(client: Client) -> None:
    world = make_world(client.store, coach=client.coach)
    train(world, weeks=16)
    part = client.get(
        f"/lifters/{world.lifter.id}/settings/expected",
        params={"sensitivity": "1.4"},
        headers={"HX-Request": "true"},
    ).text
    assert "would have raised nothing in the last 12 weeks" in part
    new = make_lifter(client.store, coach=client.coach, name="New")
    assert "not a week of log" in client.get(f"/lifters/{new.id}/settings/expected").text


def test_names_are_refused_by_planning_too(store: Store) -> None:
    coach = make_coach(store)
    service.add(store, coach, Facts("Maren", "UTC"), now=NOW)
    other = service.add(store, coach, Facts("Ilse", "UTC"), now=NOW)
    with pytest.raises(NameTaken):
        service.change(store, coach, other, Facts("MAREN", "UTC"), now=NOW)
    service.change(store, coach, other, Facts("ilse", "UTC"), now=NOW)


def test_plates_survive_the_form() -> None:
    for plates in ([[25_000, 4], [1_250, 1], [500, 1]], [[20_412, 5], [1_134, 1]]):
        unit: Any = "kg" if plates[0][0] == 25_000 else "lb"
        form = Form(NEW | {"unit": unit, "plates": plates_text(plates, unit)})
        facts = read_facts(form, is_new=True)
        assert facts is not None, form.errors
        assert [list(one) for one in facts.plates] == plates


# The link -----------------------------------------------------------------------------------------


def _link(text: str) -> str:
    return re.findall(r'id="address" value="([^"]+)"', text)[0]


def test_a_link_is_shown_once_with_a_code_that_a_camera_reads(client: Client) -> None:
    number = _add(client)
    assert "has no link yet" in client.get(f"/lifters/{number}/link").text
    answer = client.post(f"/lifters/{number}/link")
    link = _link(answer.text)
    assert link.startswith("http://127.0.0.1:8000/open/")
    assert "<svg" in answer.text
    cells = qr.modules(link)
    size = len(cells)
    picture = Image.new("1", (size + 8, size + 8), 1)
    for y, row in enumerate(cells):
        for x, dark in enumerate(row):
            picture.putpixel((x + 4, y + 4), 0 if dark else 1)
    large = picture.resize(((size + 8) * 6, (size + 8) * 6)).convert("L")
    (read,) = zxingcpp.read_barcodes(large)
    assert read.text == link
    again = client.get(f"/lifters/{number}/link").text
    assert link.rsplit("/", 1)[1] not in again
    assert "A link is open since" in again


def test_the_link_opens_the_phone_and_its_use_is_shown(client: Client, store: Store, now: list[Any]) -> None:
    number = _add(client)
    link = _link(client.post(f"/lifters/{number}/link").text)
    with open_client(store, now) as phone:
        phone.get(link)
        phone.secret = phone.cookies["terrace_visit"]
        agent = "Mozilla/5.0 (Linux; Android 14) Chrome/128.0 Mobile Safari/537.36"
        opened = phone.post(link, headers={"User-Agent": agent})
        assert opened.status_code == 303
    page = client.get(f"/lifters/{number}/link").text
    assert "It was last opened" in page
    assert "Chrome on Android" in page


def test_a_new_link_ends_the_old_one_and_its_phones(client: Client, store: Store, now: list[Any]) -> None:
    number = _add(client)
    first = _link(client.post(f"/lifters/{number}/link").text)
    second = _link(client.post(f"/lifters/{number}/link").text)
    assert first != second
    for link, status in ((first, 404), (second, 303)):
        with open_client(store, now) as phone:
            phone.get(link)
            phone.secret = phone.cookies["terrace_visit"]
            assert phone.post(link).status_code == status


def test_an_ended_link_opens_nothing(client: Client, store: Store, now: list[Any]) -> None:
    number = _add(client)
    link = _link(client.post(f"/lifters/{number}/link").text)
    assert client.post(f"/lifters/{number}/link/end").headers["location"] == f"/lifters/{number}/link"
    assert "The last link was ended" in client.get(f"/lifters/{number}/link").text
    with open_client(store, now) as phone:
        phone.get(link)
        phone.secret = phone.cookies["terrace_visit"]
        assert phone.post(link).status_code == 404
    with store.reading() as db:
        kinds = [one.kind for one in db.query(AuditEvent).order_by(AuditEvent.id)]
    assert kinds[-2:] == ["link issued", "link revoked"]


def test_a_link_runs_out(client: Client) -> None:
    number = _add(client)
    token = service.issue_link(client.store, client.coach, number, valid=timedelta(hours=1), now=NOW)
    assert token
    client.now[0] = NOW + timedelta(hours=2)
    assert "The last link ran out" in client.get(f"/lifters/{number}/link").text


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_1 like Mac OS X) Version/18.1 Safari/604.1",
            "Safari on iPhone",
        ),
        ("Mozilla/5.0 (X11; Linux x86_64; rv:132.0) Gecko/20100101 Firefox/132.0", "Firefox on Linux"),
        ("", "unknown device"),
        ("curl/8", "curl/8"),
    ],
)
def test_a_device_is_named_shortly(agent: str, words: str) -> None:
    assert device_words(agent) == words
