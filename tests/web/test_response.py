"""Stress and recovery over HTTP: a page of its own, a part of the lifter page, and its drawings."""

from __future__ import annotations

import re

import numpy as np
import pytest

from app.planning.analysis import recompute
from app.training.response import Constants
from app.web.response_svg import SIZES, course, influence
from tests.factories import NOW, TODAY, make_exercise, make_lifter
from tests.planning.test_response_view import follow, waves
from tests.planning.world import World, train
from tests.web.conftest import Client

HTMX = {"HX-Request": "true"}


def world_of(client: Client, **changes: object) -> World:
    lifter = make_lifter(client.store, coach=client.coach, name="Maren Oduya", **changes)
    return World(client.store, client.coach, lifter, make_exercise(client.store, coach=client.coach))


@pytest.fixture
def world(client: Client) -> World:
    """A lifter of the signed-in coach with sixty weeks of squats in waves, and a meet ahead."""
    made = world_of(client, goal="Club meet", goal_day=TODAY + 60)
    waves(made)
    recompute(client.store, made.lifter.id, now=NOW)
    return made


def text(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("&#39;", "'")


def test_the_page_draws_says_and_cautions(client: Client, world: World) -> None:
    html = client.get(f"/lifters/{world.lifter.id}/response").text
    said = text(html)
    assert "Stress and recovery of Maren Oduya" in said
    assert html.count('<svg class="fig ') == 2 * len(SIZES)
    assert "Skill 4 weeks ahead" in said
    assert "against the last value" in said
    assert "against the drift" in said
    assert "Now: fitness" in said
    assert "Read the shapes, not the kilograms." in said
    assert 'href="/methods#response"' in html


def test_the_goal_has_a_day_after_which_stress_costs_more(client: Client, world: World) -> None:
    said = text(client.get(f"/lifters/{world.lifter.id}/response").text)
    assert re.search(
        r"Club meet, \w+ \d+ \w+ 2026: a usual training day of this lift brings most about \d+ days before, "
        r"\d+ \w+; stress after \d+ \w+ costs more on the day than it brings",
        said,
    )


def test_without_a_goal_the_days_are_those_before_any_date(client: Client) -> None:
    made = world_of(client, goal_day=None)
    waves(made)
    recompute(client.store, made.lifter.id, now=NOW)
    html = client.get(f"/lifters/{made.lifter.id}/response").text
    assert re.search(
        r"in the last \d+ days before a date stress costs more on the day than it brings", text(html)
    )
    assert f'href="/lifters/{made.lifter.id}/settings"' in html


def test_htmx_gets_the_part_alone(client: Client, world: World) -> None:
    html = client.get(f"/lifters/{world.lifter.id}/response?lift={world.squat.id}", headers=HTMX).text
    assert "<h1" not in html
    assert html.lstrip().startswith("<p>")
    assert '<svg class="fig wide"' in html


def test_the_lifter_page_opens_it_when_asked(client: Client, world: World) -> None:
    html = client.get(f"/lifters/{world.lifter.id}").text
    address = f"/lifters/{world.lifter.id}/response?lift={world.squat.id}"
    assert f'hx-get="{address}" hx-trigger="toggle once"' in html
    assert f'<a href="{address}">' in html  # the same without scripts


def test_too_little_is_said_not_drawn(client: Client) -> None:
    made = world_of(client)
    train(made, weeks=6)
    recompute(client.store, made.lifter.id, now=NOW)
    html = client.get(f"/lifters/{made.lifter.id}/response").text
    assert "cannot be drawn: it needs 12 weeks with sessions of this lift, has 6." in text(html)
    assert "<svg class=" not in html.split("<main", 1)[1]


def test_before_the_first_analysis_the_page_says_so(client: Client) -> None:
    made = world_of(client)
    assert "cannot be drawn: nothing of it has been analysed yet." in text(
        client.get(f"/lifters/{made.lifter.id}/response").text
    )


def test_pounds_are_pounds(client: Client) -> None:
    made = world_of(client, unit="lb")
    waves(made)
    recompute(client.store, made.lifter.id, now=NOW)
    html = client.get(f"/lifters/{made.lifter.id}/response").text
    assert "lb, at today&#39;s level" in html
    assert re.search(r"Now: fitness [\d.]+ lb, fatigue [\d.]+ lb", text(html))


def test_nobody_else_sees_it(client: Client, other_client: Client, nobody: Client, world: World) -> None:
    address = f"/lifters/{world.lifter.id}/response"
    assert other_client.get(address).status_code == 404
    assert nobody.get(address).status_code == 303
    assert client.get("/lifters/999999/response").status_code == 404


def test_the_methods_page_explains_it(client: Client) -> None:
    html = client.get("/methods").text
    assert '<section id="response">' in html
    assert '<a href="#response">Stress and recovery</a>' in html


# The drawings --------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", list(SIZES))
def test_drawings_stay_inside_their_width(width: str) -> None:
    days = np.arange(TODAY - 363, TODAY + 1)
    before = np.arange(121.0)
    drawings = (
        course(days, np.full(364, 12.0), np.full(364, 3.0), unit="kg", label="a", width=width),
        influence(
            before,
            np.exp(-before / 45) - 2 * np.exp(-before / 15),
            turns=15.6,
            best=40.3,
            unit="kg",
            label="b",
            width=width,
        ),
    )
    for drawing in drawings:
        assert f'viewBox="0 0 {SIZES[width]} ' in drawing
        for x, words in re.findall(r'<text[^>]*x="([\d.-]+)"[^>]*>([^<]*)</text>', drawing):
            assert -1 <= float(x) <= SIZES[width], words
        numbers = [float(x) for x in re.findall(r"[ML]([\d.-]+) [\d.-]+", drawing)]
        assert min(numbers) >= 0
        assert max(numbers) <= SIZES[width]


def test_what_costs_lies_below_the_line() -> None:
    before = np.arange(121.0)
    effect = np.exp(-before / 45) - 2 * np.exp(-before / 15)
    drawing = influence(before, effect, turns=15.6, best=40.3, unit="kg", label="", width="wide")
    assert "from 16 days before on it costs" in drawing
    assert "most at 40 days before" in drawing
    points = re.search(r'class="level" d="M([^"]+)"', drawing)
    zero = re.search(r'class="base" d="M[\d.]+ ([\d.]+)H', drawing)
    assert points is not None
    assert zero is not None
    heights = [float(pair.split()[1]) for pair in points.group(1).split("L")]
    assert heights[-1] > float(zero.group(1))  # on the date itself, downwards
    assert heights[-41] < float(zero.group(1))


def test_words_are_escaped() -> None:
    drawing = course(
        np.array([TODAY, TODAY + 1]), np.ones(2), np.ones(2), unit="kg", label='"><script>', width="wide"
    )
    assert "<script>" not in drawing


def test_a_model_that_earned_it_says_what_comes(client: Client) -> None:
    made = world_of(client)
    follow(made, Constants(base=4.5, k_fitness=0.006, k_fatigue=0.012, tau_fitness=38.0, tau_fatigue=7.0))
    recompute(client.store, made.lifter.id, now=NOW)
    said = text(client.get(f"/lifters/{made.lifter.id}/response").text)
    assert "the model forecast better than both others." in said
    assert re.search(
        r"If the work of the last four weeks is done again: in 4 weeks [\d.]+ kg \([\d.]+ kg to [\d.]+ kg\), "
        r"in 8 weeks [\d.]+ kg \([\d.]+ kg to [\d.]+ kg\), nine in ten\.",
        said,
    )


def test_a_model_that_did_not_says_nothing_of_the_future(client: Client, world: World) -> None:
    said = text(client.get(f"/lifters/{world.lifter.id}/response").text)
    assert "it only draws stress and recovery." in said
    assert "is done again" not in said
