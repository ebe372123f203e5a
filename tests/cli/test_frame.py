"""``thermscan frame`` through the real command: what it prints where, and how it ends."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from thermscan.cli.main import main

RNG = np.random.default_rng(5)


def scene_c():
    scene = 22.0 + 0.05 * RNG.standard_normal((60, 80))
    scene[20:40, 30:60] += 25.0
    return scene


@pytest.fixture
def idle(tmp_path):
    path = tmp_path / "idle.tiff"
    tifffile.imwrite(
        path, np.round((scene_c() + 273.15) * 100.0).astype(np.uint16), description="unit: cK", metadata=None
    )
    return path


@pytest.fixture
def broken(tmp_path):
    path = tmp_path / "broken.tiff"
    path.write_text("not a TIFF")
    return path


def test_a_good_file_prints_its_facts_and_ends_with_0(idle, capsys):
    assert main(["frame", str(idle)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in ("TIFF, uint16", "80 x 60 pixels, 1 frame", "cK, as the file states", "bad pixels  0", "mK a pixel"):
        assert words in out
    assert "quality: nothing speaks against this file" in out


def test_a_bad_file_does_not_stop_the_others_nor_do_they_hide_it(idle, broken, capsys):
    assert main(["frame", str(broken), str(idle), str(idle.with_name("none.csv"))]) == 2
    out, err = capsys.readouterr()
    assert "80 x 60 pixels" in out
    assert err.splitlines() == [
        f"{broken}: named as a TIFF, but it does not begin like one: it holds something else, such as text; "
        "export it again; a table of temperatures should be named .csv",
        f"{idle.with_name('none.csv')}: there is no such file; check the path",
    ]


def test_json_is_one_strict_document_on_standard_output_and_nothing_else(idle, broken, capsys):
    assert main(["frame", "--json", str(idle), str(broken)]) == 2
    out, err = capsys.readouterr()

    def refuse(constant):
        raise AssertionError(constant)

    document = json.loads(out, parse_constant=refuse)
    assert document["schema"] == "thermscan.frame/1"
    (facts,) = document["files"]
    assert (facts["rows"], facts["cols"], facts["pages"]) == (60, 80, 1)
    assert (facts["unit"], facts["unit_source"], facts["format"], facts["stored_as"]) == (
        "cK",
        "file",
        "TIFF",
        "uint16",
    )
    # An eighth of the scene is hot, which lifts the median by 0.18 of the noise (0.05 K); it is rounded to 0.01 K.
    assert facts["range_c"]["median"] == pytest.approx(22.009, abs=0.01)
    assert facts["range_c"]["max"] == pytest.approx(47.2, abs=0.1)
    assert facts["noise_k"] == pytest.approx(0.05, rel=0.1)
    assert facts["quality"] == []
    assert len(facts["sha256"]) == 64
    assert len(err.splitlines()) == 1


def test_json_of_bad_files_only_is_a_document_without_files(broken, capsys):
    assert main(["frame", "--json", str(broken)]) == 2
    assert json.loads(capsys.readouterr().out) == {"schema": "thermscan.frame/1", "files": []}


def test_an_assumed_unit_is_said_with_the_option_that_fixes_it(tmp_path, capsys):
    path = tmp_path / "idle.csv"
    np.savetxt(path, scene_c(), fmt="%.2f", delimiter=";")
    assert main(["frame", str(path), "--ambient", "22"]) == 0
    assert "C was assumed, the only one plausible for a bench (fix it with --unit C, or" in capsys.readouterr().out


def test_an_ambiguous_unit_ends_with_2_and_lists_what_each_would_give(tmp_path, capsys):
    path = tmp_path / "warm.csv"
    np.savetxt(path, scene_c() + 25.0, fmt="%.2f", delimiter="\t")
    assert main(["frame", str(path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert "C and F are each plausible" in err
    assert main(["frame", str(path), "--unit", "degC"]) == 0
    assert "C, as given" in capsys.readouterr().out


def test_counts_are_shown_as_counts(idle, capsys):
    assert main(["frame", str(idle), "--unit", "counts", "--json"]) == 0
    (facts,) = json.loads(capsys.readouterr().out)["files"]
    assert facts["noise_k"] is None
    assert facts["range_counts"]["median"] == pytest.approx(29515, abs=2)
    assert main(["frame", str(idle), "--unit", "counts"]) == 0
    assert "counts, as given" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--unit", "Reaumur"], '--unit: "Reaumur" is not a unit; write one of cK dK K C F mK counts'),
        (["--ambient", "300"], "--ambient: 300 °C is no room; give degrees Celsius, such as 22.4"),
        (["--ambient", "nan"], "--ambient: nan °C is no room"),
        (["--ambient", "warm"], "'warm' is not a number"),
        (["--colour"], "No such option"),
    ],
)
def test_bad_usage_is_one_line_and_ends_with_2(idle, capsys, arguments, words):
    assert main(["frame", str(idle), *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert len(err.splitlines()) == 1


def test_no_file_at_all_is_bad_usage(capsys):
    assert main(["frame"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_recording_says_its_length_and_its_flaws(tmp_path, capsys):
    path = tmp_path / "soak.tiff"
    pages = [np.round((scene_c() + 273.15) * 100.0).astype(np.uint16) for _ in range(7)]
    pages[3] = pages[2]
    tifffile.imwrite(path, np.stack(pages), description="unit: cK\nfps: 4", metadata=None, photometric="minisblack")
    assert main(["frame", str(path)]) == 0
    out = capsys.readouterr().out
    assert "7 frames over 1.50 s" in out
    assert "1 of 7 frames repeat the one before to the last digit" in out


def test_the_help_gives_an_example(capsys):
    assert main(["frame", "--help"]) == 0
    assert "Example: thermscan frame idle.tiff --ambient 22.4" in capsys.readouterr().out


def test_the_installed_command_behaves_alike(idle, broken):
    run = subprocess.run(
        [Path(sys.executable).with_name("thermscan"), "frame", idle, broken],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 2
    assert "80 x 60 pixels" in run.stdout
    assert len(run.stderr.splitlines()) == 1


def test_a_decimal_comma_is_answered_with_what_to_write(capsys):
    assert main(["frame", "idle.tiff", "--ambient", "22,4"]) == 2
    assert "'22,4' is not a number; write it with a point: 22.4; see" in capsys.readouterr().err
