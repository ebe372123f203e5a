"""``thermscan baseline``: learning is meant where no command is named; show and forget."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.judge.scenes import look_at, usual_powers
from thermscan.cli.main import main
from thermscan.judge.baseline_file import read_baseline, write_baseline
from thermscan.judge.learning import extend_baseline, forget_run, learn_baseline


def _look(number: int, load: float = 1.0):
    return look_at(
        usual_powers(load), seed=number, name=f"good-{number}", minutes_on=20.0, stage="idle", board_serial=f"{number}"
    )


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.json"
    write_baseline(learn_baseline([_look(i, 1.0 + 0.02 * i) for i in range(3)]), path)
    return path


@pytest.mark.parametrize("first", [[], ["learn"]])
def test_a_run_file_needs_no_command_before_it(first: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    out = tmp_path / "good.json"
    assert main(["baseline", *first, str(tmp_path / "absent.toml"), "--out", str(out)]) == 2
    assert "absent.toml" in capsys.readouterr().err
    assert not out.exists()


def test_an_option_may_come_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["baseline", "--out", str(tmp_path / "good.json"), str(tmp_path / "absent.toml")]) == 2
    assert "absent.toml" in capsys.readouterr().err


def test_the_help_tells_all_three_ways(capsys: pytest.CaptureFixture[str]):
    assert main(["baseline", "--help"]) == 0
    out = capsys.readouterr().out
    for told in ("RUN.toml... --out FILE", "show FILE", "forget FILE NUMBER", "--extend"):
        assert told in out
    for name in ("learn", "show", "forget"):
        assert main(["baseline", name, "--help"]) == 0
        assert "Example: thermscan baseline" in capsys.readouterr().out


def test_show_tells_the_runs_and_each_parts_rise(good: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["baseline", "show", str(good)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Known-good runs of small, revision A")
    assert "serial 1, stage idle, 20 min on, ambient 22 °C, 14 parts" in lines[3]
    (row,) = [line.split() for line in lines if line.strip().startswith("U20 ")]
    assert row[-1] == "3"


def test_show_as_json_is_strict_and_agrees_with_the_file(good: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["baseline", "show", str(good), "--json"]) == 0
    shown = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert shown["schema"] == "thermscan.baseline-summary/1"
    assert [run["number"] for run in shown["runs"]] == [1, 2, 3]
    part = next(part for part in shown["parts"] if part["ref"] == "U20")
    readings = [run.rise_k["U20"] for run in read_baseline(good).runs]
    assert min(readings) < part["mean_rise_k"] < max(readings)
    # Brought to one level first, so that loads 2 % apart are no spread of the part.
    assert part["seen_sd_k"] < 0.1
    assert part["expected_sd_k"] > part["seen_sd_k"]


def test_forget_leaves_the_others_and_says_what_stays(good: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["baseline", "forget", str(good), "2"]) == 0
    told = capsys.readouterr()
    assert told.out == ""
    assert "run 2 forgotten; 2 run(s) left" in told.err
    assert [run.board_serial for run in read_baseline(good).runs] == ["0", "2"]


def test_forget_can_write_elsewhere(good: Path, tmp_path: Path):
    before = good.read_bytes()
    assert main(["baseline", "forget", str(good), "1", "--out", str(tmp_path / "less.json")]) == 0
    assert good.read_bytes() == before
    assert len(read_baseline(tmp_path / "less.json").runs) == 2


@pytest.mark.parametrize("number", ["0", "4", "two"])
def test_a_run_that_is_not_there_cannot_be_forgotten(number: str, good: Path, capsys: pytest.CaptureFixture[str]):
    before = good.read_bytes()
    assert main(["baseline", "forget", str(good), number]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert good.read_bytes() == before


def test_what_was_forgotten_is_still_said_after_more_is_learned():
    less = forget_run(learn_baseline([_look(i) for i in range(2)]), 1)
    assert any("forgotten run" in remark for remark in extend_baseline(less, [_look(7)]).remarks)
