"""The promise runner: what it prints, when a promise is kept, how modules join."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchmarks
from benchmarks import figures
from benchmarks.figures import Figure, between, discover, least, line, met, most, ratio, run


def figure(name: str = "desk.paint", value: float = 1.5, limit: float = 2.0) -> Figure:
    return Figure(name, "x", most(limit), lambda: value, "paint over an empty page, same run")


def test_a_line_has_its_parts_in_order_and_how_to_the_end() -> None:
    text = line(figure(), 1.4999999)
    name, value, unit, target, word, how = text.split(" ", 5)
    assert (name, value, unit, target, word) == ("desk.paint", "1.5", "x", "<=2", "met")
    assert how == "paint over an empty page, same run"


@pytest.mark.parametrize(
    ("target", "value", "kept"),
    [
        (most(2), 2.0, True),
        (most(2), 2.0001, False),
        (least(0.4), 0.4, True),
        (least(0.4), 0.39, False),
        (between(0.85, 0.95), 0.9, True),
        (between(0.85, 0.95), 0.96, False),
        (between(0.85, 0.95), 0.84, False),
        (most(2), math.nan, False),
        (least(0.4), math.nan, False),
        (between(0.85, 0.95), math.nan, False),
    ],
)
def test_a_promise_is_kept_up_to_its_limit_and_never_by_no_number(
    target: figures.Target, value: float, kept: bool
) -> None:
    assert met(target, value) is kept


def test_only_the_figures_asked_for_are_measured(capsys: pytest.CaptureFixture[str]) -> None:
    def never() -> float:
        raise AssertionError("was measured though nobody asked")

    some = [figure("core.a"), Figure("desk.b", "x", most(1), never, "")]
    assert run(some, "core.") == 0
    assert capsys.readouterr().out.splitlines() == ["core.a 1.5 x <=2 met paint over an empty page, same run"]


def test_missed_promises_are_counted(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([figure("a.x", 3.0), figure("a.y", 1.0)]) == 1
    assert " missed " in capsys.readouterr().out.splitlines()[0]


def test_a_figure_that_cannot_be_measured_is_missed_and_stops_no_other(
    capsys: pytest.CaptureFixture[str],
) -> None:
    def broken() -> float:
        raise RuntimeError("the server did\nnot start")

    assert run([Figure("a.x", "ms", most(1), broken, "over HTTP"), figure("a.y", 1.0)]) == 1
    first, second = capsys.readouterr().out.splitlines()
    assert first == "a.x nan ms <=1 missed over HTTP; not measured: RuntimeError: the server did not start"
    assert " met " in second


@pytest.fixture
def extra_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setattr(benchmarks, "__path__", [*benchmarks.__path__, str(tmp_path)])
    yield tmp_path / "zz_joined.py"
    import sys

    sys.modules.pop("benchmarks.zz_joined", None)


JOINING = """
from benchmarks.figures import Figure, most
FIGURES = [Figure("{name}", "ms", most(5), lambda: 4.0, "by having the list")]
"""


def test_a_module_joins_by_having_a_list_of_figures(extra_module: Path) -> None:
    extra_module.write_text(JOINING.format(name="joined.speed"), "utf-8")
    assert "joined.speed" in {f.name for f in discover()}


def test_two_figures_of_one_name_are_refused(extra_module: Path) -> None:
    name = discover()[0].name
    extra_module.write_text(JOINING.format(name=name), "utf-8")
    with pytest.raises(ValueError, match=name):
        discover()


def test_every_figure_says_what_it_measures_in_one_line() -> None:
    found = discover()
    assert {f.name.split(".")[0] for f in found} >= {"analysis"}
    for f in found:
        assert " " not in f.name + f.unit
        assert f.how
        assert "\n" not in f.how


def test_an_unknown_prefix_is_refused_with_the_prefixes_there_are(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as refused:
        figures.main(["--only", "nothing"])
    assert refused.value.code == 2
    assert "analysis" in capsys.readouterr().err


def test_a_ratio_compares_two_calls_of_the_same_run() -> None:
    assert ratio(lambda: time.sleep(0.004), lambda: time.sleep(0.002), rounds=5, repeats=2) == pytest.approx(
        2, rel=0.35
    )


def test_the_tenth_percentile_lies_among_the_measured_times() -> None:
    assert figures.p10([0.9, 0.3, 0.4]) == pytest.approx(0.32)
    assert figures.p10([0.5]) == 0.5
    assert figures.p10([float(k) for k in range(1, 102)]) == pytest.approx(11.0)
