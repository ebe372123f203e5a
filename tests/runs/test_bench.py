"""Habits of a bench: found, weaker than a run and its options, told in the results, and never in the way."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from thermscan.cli.main import main
from thermscan.errors import InputError
from thermscan.frames.reading import read_frames
from thermscan.runs.describe import run_document
from thermscan.runs.reading import read_run


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A bench with one job in a folder below it."""
    folder = tmp_path / "bench" / "job"
    folder.mkdir(parents=True)
    (folder / "a.csv").write_text("22.5;22.6\n22.4;31.0\n", encoding="utf-8")
    (folder / "run.toml").write_text('frames = ["a.csv"]\n', encoding="utf-8")
    (tmp_path / "bench" / "mine.toml").write_text('name = "mine"\n', encoding="utf-8")
    return folder


def write(folder: Path, text: str) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_nearest_bench_file_gives_what_a_run_leaves_open(job: Path) -> None:
    above = write(job.parent, 'ambient_c = 22.4\noperator = "bench 2"\ncamera = "mine.toml"\nunits_shown = "F"\n')
    run = read_run(job / "run.toml")
    assert (run.ambient_c, run.reflected_c, run.operator, run.units_shown) == (22.4, 22.4, "bench 2", "F")
    assert run.camera == job.parent / "mine.toml"
    assert run_document(run)["sources"] == {
        key: str(Path("..", "bench.toml")) for key in ("ambient_c", "operator", "camera")
    }
    assert above in run.files
    write(job, "ambient_c = 19.0\n")
    nearer = read_run(job / "run.toml")
    assert (nearer.ambient_c, nearer.operator) == (19.0, None)
    assert run_document(nearer)["sources"] == {"ambient_c": "bench.toml"}


def test_what_a_run_or_an_option_says_wins_and_is_not_named_as_the_benchs(job: Path) -> None:
    write(job, 'ambient_c = 19.0\nreflected_c = 18.0\nsupply = [{ rail = "+5 V", volts = 5.0, amps = 1.0 }]\n')
    (job / "run.toml").write_text('frames = ["a.csv"]\nambient_c = 22.0\n', encoding="utf-8")
    run = read_run(job / "run.toml", overrides={"supply": [{"rail": "12 V", "volts": 12.0, "amps": 2.0}]})
    assert (run.ambient_c, run.reflected_c, run.supply[0].rail) == (22.0, 18.0, "12 V")
    assert set(run.sources) == {"reflected_c"}


def test_another_bench_file_or_none_is_taken_where_that_is_said(job: Path) -> None:
    write(job, "ambient_c = 19.0\n")
    other = job / "other.toml"
    other.write_text("ambient_c = 25.0\n", encoding="utf-8")
    assert read_run(job / "run.toml", bench=other).ambient_c == 25.0
    with pytest.raises(InputError, match="ambient_c: it is missing"):
        read_run(job / "run.toml", bench=False)


def test_a_habit_of_unit_gives_way_to_what_the_frames_state(job: Path) -> None:
    write(job, 'unit = "cK"\nambient_c = 22.0\n')
    tifffile.imwrite(job / "plain.tiff", np.full((4, 4), 29565, np.uint16))
    (job / "stated.csv").write_text("Unit: °C\n22.5;22.6\n22.4;31.0\n", encoding="utf-8")
    unit = read_run(job / "run.toml").unit
    assert read_frames(job / "plain.tiff", unit=unit)[0].unit == "cK"
    stated = read_frames(job / "stated.csv", unit=unit)[0]
    assert (stated.unit, stated.unit_source) == ("C", "file")
    # A unit that is said of this run outweighs the file as ever.
    with pytest.raises(InputError, match="cK, the unit given, cannot be right"):
        read_frames(job / "stated.csv", unit="cK")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("ambiant_c = 22.0\n", "bench.toml, ambiant_c: unknown key; did you mean ambient_c?"),
        ("ambient_c = 72.0\n", "bench.toml, ambient_c: 72 is not within"),
        ('paper = "A3"\n', 'bench.toml, paper: "A3" is no paper; write one of A4, letter'),
        ('units_shown = "K"\n', 'bench.toml, units_shown: "K" is no unit to show; write C or F'),
        ('camera = "none.toml"\nambient_c = 22.0\n', 'bench.toml, camera: no file "none.toml"'),
        ("frames = 1 2\n", "bench.toml, line 1"),
    ],
)
def test_a_faulty_bench_file_is_refused_by_its_own_name(job: Path, text: str, told: str) -> None:
    write(job, text)
    with pytest.raises(InputError) as caught:
        read_run(job / "run.toml")
    assert told in str(caught.value)


def test_bench_writes_what_read_run_takes_and_keeps_what_was_there(
    job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(job)
    words = ["--unit", "cK", "--ambient", "22.4", "--operator", 'Ann "bench 2"', "--camera", "../mine.toml"]
    assert main(["bench", *words, "--supply", "+5 V=5.0,1.2"]) == 0
    assert main(["bench", "--paper", "letter"]) == 0
    assert "kept as" in capsys.readouterr().err
    run = read_run(job / "run.toml")
    assert (run.unit, run.ambient_c, run.operator) == ("cK", 22.4, 'Ann "bench 2"')
    assert run.camera is not None
    assert run.camera.resolve() == (job.parent / "mine.toml").resolve()
    assert run.supply[0].watts == 6.0
    assert main(["bench", "--show", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["values"]["paper"] == "letter"
    assert shown["path"] == str(job / "bench.toml")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "nobody to ask"),
        (["--ambient", "72"], "--ambient: 72 is not within"),
        (["--camera", "none.toml"], '--camera: no file "none.toml"'),
        (["--camera", "a.csv"], "a.csv, line 1"),
        (["--unit", "zz"], '--unit: "zz" is neither a unit nor a camera file; write one of cK'),
        (["--supply", "five"], "--supply"),
        (["--show", "--unit", "cK"], "--show writes nothing"),
    ],
)
def test_bench_says_what_is_wrong_and_writes_nothing(
    job: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(job)
    assert main(["bench", *words]) == 2
    captured = capsys.readouterr()
    assert told in captured.err
    assert captured.err.count("\n") == 1
    assert not (job / "bench.toml").exists()


def test_bench_and_no_bench_exclude_each_other(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(job / "run.toml"), "--bench", "x.toml", "--no-bench"]) == 2
    assert "exclude each other" in capsys.readouterr().err
