"""The command line: what it prints, where, and with which exit code."""

import json
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.cli import main

BLOCK = "lifter,block,kind,start,end\nInes,Base,volume,2026-01-05,2026-02-01\n"


def log_text(sets: int = 240, lifters: tuple[str, ...] = ("Ines", "Ivo")) -> str:
    """Two lifters, two lifts, three sessions a week from 1 December 2025."""
    rng = np.random.default_rng(3)
    lines = ["lifter,date,exercise,set_number,load_kg,reps,rpe,session_rpe,session_minutes,note"]
    first = np.datetime64("2025-12-01")
    for lifter in lifters:
        for at in range(sets // len(lifters)):
            session, number = divmod(at, 6)
            lift = ("Back squat", "Bench press")[number // 3]
            load = 100 - 30 * (number // 3) + 2.5 * (session // 6) + 2.5 * int(rng.integers(-1, 2))
            lines.append(
                f"{lifter},{first + session * 7 // 3},{lift},{number % 3 + 1},{load},5,"
                f"{rng.choice([7, 7.5, 8, 8.5])},7,60,"
            )
    return "\n".join(lines) + "\n"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "LOG.csv"
    path.write_text(log_text())
    return path


def run(*arguments: str | Path, code: int = 0) -> tuple[str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "app.cli", *map(str, arguments)], capture_output=True, text=True
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout, done.stderr


def analyse(*arguments: str | Path) -> dict[str, Any]:
    result: dict[str, Any] = json.loads(run("analyse", *arguments)[0])
    return result


def test_analyse_prints_the_contract_and_nothing_else(log: Path, tmp_path: Path) -> None:
    blocks = tmp_path / "BLOCKS.csv"
    blocks.write_text(BLOCK)
    result = analyse(log, "--blocks", blocks, "--as-of", "2026-02-20", "--format", "json")
    assert set(result) == {"as_of", "version", "lifters"}
    assert result["as_of"] == "2026-02-20"
    assert [lifter["lifter"] for lifter in result["lifters"]] == ["Ines", "Ivo"]
    for lifter in result["lifters"]:
        assert set(lifter) == {"lifter", "load", "exercises"}
        assert set(lifter["load"]) == {"measure", "last_7_days", "last_28_days", "monotony", "strain"}
        assert [one["exercise"] for one in lifter["exercises"]] == ["Back squat", "Bench press"]
        for one in lifter["exercises"]:
            assert set(one) == {"exercise", "trend", "exposures", "flags"}
            trend = one["trend"]
            assert set(trend) == {"e1rm_kg", "low_kg", "high_kg", "slope_pct_per_week", "probability_rising"}
            assert trend["low_kg"] < trend["e1rm_kg"] < trend["high_kg"]
            assert 0 <= trend["probability_rising"] <= 1
            for exposure in one["exposures"]:
                assert set(exposure) == {
                    "rep_range",
                    "last_date",
                    "working_sets",
                    "status",
                    "recent_best",
                    "all_time_best",
                }
                assert exposure["status"] in ("unexposed", "rusty", "current", "saturated")
                for best in (exposure["recent_best"], exposure["all_time_best"]):
                    assert best is None or set(best) == {"load_kg", "reps", "rpe", "date"}
            for flag in one["flags"]:
                assert set(flag) == {"kind", "severity", "since", "evidence", "advice", "clears_when"}
                assert flag["severity"] in ("act", "watch", "notice")
                assert flag["since"] <= "2026-02-20"


def test_rows_after_the_day_change_nothing(log: Path, tmp_path: Path) -> None:
    early = tmp_path / "early.csv"
    lines = log.read_text().splitlines()
    early.write_text(
        "\n".join(line for line in lines if line.split(",")[1] <= "2026-01-20" or line[0] == "l")
    )
    assert analyse(log, "--as-of", "2026-01-20") == analyse(early, "--as-of", "2026-01-20")


def test_pounds_and_kilograms_give_the_same_answer(log: Path, tmp_path: Path) -> None:
    lines = [line.split(",") for line in log.read_text().splitlines()]
    for cells in lines[1:]:
        cells[4] = f"{float(cells[4]) / 0.45359237:.4f}"
    lines[0][4] = "load_lb"
    pounds = tmp_path / "pounds.csv"
    pounds.write_text("\n".join(map(",".join, lines)) + "\n")
    kg, lb = (analyse(path, "--as-of", "2026-02-01")["lifters"][0] for path in (log, pounds))
    for one, other in zip(kg["exercises"], lb["exercises"], strict=True):
        assert one["trend"]["e1rm_kg"] == pytest.approx(other["trend"]["e1rm_kg"], abs=0.02)


def test_a_silent_lifter_s_flag_stands_at_the_main_lift_trained_last(log: Path) -> None:
    flags = [
        (one["exercise"], flag["evidence"].get("scope"))
        for lifter in analyse(log, "--as-of", "2026-06-30")["lifters"]
        for one in lifter["exercises"]
        for flag in one["flags"]
        if flag["kind"] == "silent"
    ]
    assert flags == [("Bench press", "lifter")] * 2 or flags == [("Back squat", "lifter")] * 2


def test_a_data_error_stands_for_one_exercise_and_day(log: Path) -> None:
    lines = log.read_text().splitlines()
    cells = lines[60].split(",")
    cells[4] = f"{float(cells[4]) * 10:g}"
    day = cells[1]
    log.write_text("\n".join([*lines[:60], ",".join(cells), *lines[61:]]) + "\n")
    found = [
        (one["exercise"], flag["since"])
        for lifter in analyse(log, "--as-of", "2026-02-20")["lifters"]
        for one in lifter["exercises"]
        for flag in one["flags"]
        if flag["kind"] == "data_error"
    ]
    assert found == [(cells[2], day)]


def test_the_table_says_the_same_for_people(log: Path) -> None:
    out, _ = run("analyse", log, "--as-of", "2026-02-01", "--format", "table")
    assert "As of 2026-02-01" in out
    assert "Back squat" in out
    assert "90 % interval" in out


def test_every_bad_row_is_told_on_stderr_and_nothing_is_printed(log: Path) -> None:
    log.write_text(log.read_text() + "Ines,2026-02-30,Squat,1,heavy,5,,,,\nIvo,2026-02-20,,1,100,5,,,,\n")
    out, err = run("analyse", log, "--as-of", "2026-03-01", code=2)
    assert out == ""
    assert f"{log}:242, column date: found “2026-02-30”, expected a date as YYYY-MM-DD" in err
    assert f"{log}:242, column load_kg: found “heavy”" in err
    assert f"{log}:243, column exercise: found nothing" in err
    assert "nothing was analysed because of 3 errors" in err


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((), "--as-of"),
        (("--as-of", "01/03/2026"), "is no date as YYYY-MM-DD"),
        (("--as-of", "20260301"), "is no date as YYYY-MM-DD"),
        (("--as-of", "2026-03-01", "--format", "xml"), "invalid choice"),
        (("--as-of", "2026-03-01", "--blocks", "nowhere.csv"), "there is no such file"),
    ],
)
def test_bad_usage_ends_with_2_and_a_reason(log: Path, arguments: tuple[str, ...], reason: str) -> None:
    out, err = run("analyse", log, *arguments, code=2)
    assert out == ""
    assert reason in err


def test_a_bad_block_ends_with_2_and_its_place(log: Path, tmp_path: Path) -> None:
    blocks = tmp_path / "BLOCKS.csv"
    blocks.write_text(BLOCK + "Ines,Next,bulk,2026-02-02,2026-03-01\n")
    _, err = run("analyse", log, "--blocks", blocks, "--as-of", "2026-03-01", code=2)
    assert f"{blocks}:3, column kind: found “bulk”, expected one of volume, strength" in err


def test_what_was_recognised_is_told_on_stderr(tmp_path: Path) -> None:
    path = tmp_path / "LOG.csv"
    path.write_text("lifter;date;exercise;load_lb;reps;tempo\nInes;2026-03-01;Squat;225,5;5;3-1-0\n")
    _, err = run("analyse", path, "--as-of", "2026-03-01")
    assert "columns not used: tempo" in err
    assert "semicolon between cells, decimal comma, loads in lb" in err


def test_no_set_before_the_day_is_an_empty_answer(log: Path) -> None:
    out, err = run("analyse", log, "--as-of", "2020-01-01")
    assert json.loads(out)["lifters"] == []
    assert "no set is dated 2020-01-01 or earlier" in err


def test_help_names_the_commands_and_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    assert "analyse" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["analyse", "--help"])
    assert "Example: terrace analyse" in capsys.readouterr().out


def test_no_command_prints_help_and_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().out


def test_the_version_is_the_installed_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.strip()[0].isdigit()


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom app.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'pandas', 'fastapi', 'sqlalchemy', 'orjson', 'csv'} & set(sys.modules)\n"
        "print(sorted(heavy), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_twenty_thousand_sets_take_under_three_seconds(tmp_path: Path) -> None:
    path = tmp_path / "LOG.csv"
    path.write_text(log_text(20_000, tuple(f"Lifter {n}" for n in range(20))))
    # Processor time, since the machine may be shared; on a free one the clock says the same.
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    analyse(path, "--as-of", "2029-01-01")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 3.0
