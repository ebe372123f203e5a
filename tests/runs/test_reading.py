"""Run files and options: defaults, paths, and everything that can be wrong."""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.runs.corners import corner_fault
from thermscan.runs.describe import run_document
from thermscan.runs.reading import read_run
from thermscan.runs.run import Landmark, Supply

WHOLE = """
layout = "board.toml"
frames = ["f*.tiff"]
unit = "cK"
ambient_c = 22.4
reflected_c = 22.0
stage = "all chips fitted, idle"
minutes_on = 15
board_serial = 1234
camera = "camera.toml"
camera_emissivity = 0.95
operator = "Ada"
note = '''two
lines'''
taken = 2026-05-02T14:30:00Z
supply = [{ rail = "+5 V", volts = 5.0, amps = 1.5 }, { rail = "-12 V", volts = -12, amps = 0.1 }]
corners_px = [[10, 12], [300, 10], [310, 220], [8, 230]]
landmarks = [
  { ref = "U1", px = [20, 30] }, { ref = "U2", px = [50, 30] }, { ref = "U3", px = [20, 90] }, { ref = "U4", px = [50, 90.5] },
]
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    for name in ("f1.tiff", "f2.tiff", "f10.tiff", "board.toml", "camera.toml"):
        (tmp_path / name).write_text("x")
    (tmp_path / "empty").mkdir()
    return tmp_path


def run_file(job: Path, text: str) -> Path:
    path = job / "run.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(job: Path, text: str, **overrides: object) -> list[str]:
    path = run_file(job, text)
    with pytest.raises(InputError) as caught:
        read_run(path, overrides=overrides)
    assert caught.value.exit_status == 2
    return [line.replace(f"{job}/", "") for line in caught.value.lines()]


def test_every_key_of_the_run_file_is_read(job):
    run = read_run(run_file(job, WHOLE), overrides={})
    assert [path.name for path in run.frames] == ["f1.tiff", "f2.tiff", "f10.tiff"]
    assert all(path.is_absolute() for path in (*run.frames, run.layout, run.camera, run.path))
    assert (run.unit, run.ambient_c, run.reflected_c, run.minutes_on) == ("cK", 22.4, 22.0, 15.0)
    assert (run.stage, run.board_serial, run.operator, run.note) == (
        "all chips fitted, idle",
        "1234",
        "Ada",
        "two lines",
    )
    assert run.camera_emissivity == 0.95
    assert run.taken == datetime(2026, 5, 2, 14, 30, tzinfo=UTC)
    assert run.supply == (Supply("+5 V", 5.0, 1.5), Supply("-12 V", -12.0, 0.1))
    assert [rail.watts for rail in run.supply] == pytest.approx([7.5, 1.2])
    assert run.corners_px == ((10.0, 12.0), (300.0, 10.0), (310.0, 220.0), (8.0, 230.0))
    assert run.landmarks[3] == Landmark("U4", (50.0, 90.5))


def test_reflected_is_ambient_and_the_emissivity_the_cameras_own_unless_given(job):
    run = read_run(run_file(job, 'frames = "f1.tiff"\nambient_c = 21\n'), overrides={})
    assert (run.reflected_c, run.camera_emissivity, run.unit, run.layout, run.landmarks) == (21.0, None, None, None, ())


def test_options_win_and_their_paths_start_from_the_current_directory(job, monkeypatch):
    elsewhere = job / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "g.tiff").write_text("x")
    monkeypatch.chdir(elsewhere)
    overrides = {"frames": ("g.tiff",), "ambient_c": 25.0, "unit": None, "landmarks": ()}
    run = read_run(run_file(job, WHOLE), overrides=overrides)
    assert run.frames == (elsewhere / "g.tiff",)
    assert run.layout == job / "board.toml"
    assert (run.ambient_c, run.unit, len(run.landmarks)) == (25.0, "cK", 4)


def test_options_alone_make_a_run(job, monkeypatch):
    monkeypatch.chdir(job)
    run = read_run(None, overrides={"frames": ["f1.tiff"], "ambient_c": 22, "layout": Path("board.toml")})
    assert (run.path, run.layout, run.frames) == (None, job / "board.toml", (job / "f1.tiff",))


def test_a_frame_named_twice_counts_once(job):
    run = read_run(run_file(job, 'frames = ["f1.tiff", "./f1.tiff", "f*.tiff"]\nambient_c = 21\n'), overrides={})
    assert [path.name for path in run.frames] == ["f1.tiff", "f2.tiff", "f10.tiff"]


def test_a_frame_whose_name_looks_like_a_pattern_is_taken_as_it_is(job):
    (job / "f[1].tiff").write_text("x")
    run = read_run(run_file(job, 'frames = ["f[1].tiff"]\nambient_c = 21\n'), overrides={})
    assert [path.name for path in run.frames] == ["f[1].tiff"]


def test_a_camera_file_may_stand_for_the_unit(job):
    run = read_run(run_file(job, 'frames = "f1.tiff"\nambient_c = 21\nunit = "camera.toml"\n'), overrides={})
    assert (run.unit, run.camera) == ("counts", job / "camera.toml")


def test_a_hot_bench_is_remarked_and_an_impossible_one_refused(job):
    run = read_run(run_file(job, 'frames = "f1.tiff"\nambient_c = 52\n'), overrides={})
    assert run.remarks == ("ambient_c is 52, hot for a bench; 52 degrees Fahrenheit would be 11.1",)
    (line,) = faults(job, 'frames = "f1.tiff"\nambient_c = 72\n')
    assert line == (
        "run.toml, ambient_c: 72 is not within -40 to 57 degrees Celsius; "
        "write degrees Celsius: 72 degrees Fahrenheit is 22.2 C"
    )


def test_without_ambient_there_is_no_run(job):
    (line,) = faults(job, 'frames = "f1.tiff"\n')
    assert line.startswith("run.toml, ambient_c: it is missing; every rise is counted from the air temperature")
    assert "--ambient" in line


def test_all_faults_of_a_run_are_told_at_once(job):
    text = """
        frames = ["f1.tiff", "g*.tiff", "h.tiff"]
        layout = "lost.toml"
        minutes_om = 15
        minutes_on = -1
        unit = "ck2"
        taken = "yesterday"
        corners_px = [[0, 0], [9, 9], [9, 0], [0, 9]]
        supply = [{ rail = "+5 V", volt = 5, amps = 1 }]
    """
    assert faults(job, text) == [
        'run.toml, ambient_c: it is missing; every rise is counted from the air temperature beside the board: write '
        "ambient_c = 22.4 with what a thermometer shows there, or give --ambient 22.4",
        "run.toml, minutes_on: -1 is below 0; write minutes, such as 15",
        'run.toml, taken: "yesterday" is not a date and time; write it like 2026-05-02T14:30:00Z',
        "run.toml, supply, item 1, volts: it is missing",
        "run.toml, supply, item 1, volt: unknown key; did you mean volts?",
        "run.toml, corners_px: the corners cross over; list them in the order top left, top right, bottom right, bottom left",
        "run.toml, minutes_om: unknown key; did you mean minutes_on?",
        'run.toml, unit: "ck2" is neither a unit nor a camera file; did you mean cK?',
        'run.toml, frames: no file matches "g*.tiff"; check the name and the folder',
        'run.toml, frames: no file "h.tiff"; check the name and the folder',
        'run.toml, layout: no file "lost.toml"; check the name and the folder',
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("ambient_c = 295.5", "ambient_c: 295.5 is not within -40 to 57 degrees Celsius; write degrees Celsius: 295.5 kelvin is 22.4 C"),
        ("ambient_c = nan", "ambient_c: nan is not within -40 to 57"),
        ("ambient_c = true", "ambient_c: true is not a number"),
        ("ambient_c = 21\nreflected_c = 1000", "reflected_c: 1000 is not within -80 to 300"),
        ("ambient_c = 21\nframes = 7", "frames: 7 is not a list of files"),
        ("ambient_c = 21\nframes = []", "frames: the list is empty"),
        ("ambient_c = 21\nframes = ['empty']", 'frames: "empty" is a folder without frames'),
        ("ambient_c = 21\ncamera_emissivity = 0", "camera_emissivity: 0 is not above 0 and at most 1"),
        ("ambient_c = 21\nunit = 'counts'", "unit: counts need a camera file"),
        ("ambient_c = 21\nunit = 'camera.toml'\ncamera = 'board.toml'", "unit: unit names one camera file and camera another"),
        ("ambient_c = 21\ncorners_px = [[0, 0], [9, 0], [9, nan], [0, 9]]", "corners_px, item 3: nan is not a finite number"),
        ("ambient_c = 21\ncorners_px = [[0, 0], [9, 0], [9, 9]]", "corners_px: 3 corners where four are needed"),
        ("ambient_c = 21\nlandmarks = [{ref = 'U1', px = [1, 2]}]", "landmarks: 1 landmarks where 4 or more are needed"),
        ("ambient_c = 21\nlandmarks = {ref = 'U1', px = [1, 2]}", "landmarks: {'ref': 'U1', 'px': [1, 2]} is not a list of landmarks"),
        ("ambient_c = 21\nsupply = [{rail = '5', volts = inf, amps = 1}]", "supply, item 1, volts: inf is not a finite number"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line(job, key, expected):
    text = key if "frames" in key else f'frames = "f1.tiff"\n{key}'
    lines = faults(job, text + "\n")
    assert len(lines) == 1
    assert lines[0].startswith(f"run.toml, {expected}")


def test_a_fault_in_an_option_names_the_option(job):
    assert faults(job, 'frames = "f1.tiff"\n', ambient_c=float("nan"), minutes_on=-3.0) == [
        "--ambient: nan is not within -40 to 57 degrees Celsius; write degrees Celsius, such as 22.5",
        "--minutes-on: -3 is below 0; write minutes, such as 15",
    ]


def test_a_run_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputError, match=r"lost.toml: no such file; check the name and the folder"):
        read_run(tmp_path / "lost.toml", overrides={})


SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 80.0), (0.0, 80.0)]


@pytest.mark.parametrize(
    ("order", "what"),
    [
        ((0, 1, 2, 3), None),
        ((2, 3, 0, 1), None),  # the camera held upside down
        ((1, 0, 3, 2), "the corners run anticlockwise, which would show the board in a mirror"),
        ((0, 2, 1, 3), "the corners cross over"),
        ((0, 1, 3, 2), "the corners cross over"),
        ((0, 1, 1, 2), "three of the corners lie on one line or two on one point"),
    ],
)
def test_corners_are_taken_only_in_their_order(order, what):
    fault = corner_fault([SQUARE[i] for i in order])
    assert (fault.what if fault else None) == what


@given(st.floats(0, 360), st.floats(0.1, 50), st.floats(-500, 500))
def test_corners_of_a_board_however_turned_are_accepted(turn_deg, scale, shift):
    import numpy as np

    angle = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = np.array(SQUARE) @ turn.T * scale + shift
    assert corner_fault([(x, y) for x, y in points.tolist()]) is None
    assert corner_fault([(x, y) for x, y in points[::-1].tolist()]) is not None


def test_a_run_is_told_in_strict_json_with_defaults_filled_in(job):
    run = read_run(run_file(job, WHOLE.replace("reflected_c = 22.0", "")), overrides={})
    document = json.loads(json.dumps(run_document(run), allow_nan=False))
    assert document["frames"] == ["f1.tiff", "f2.tiff", "f10.tiff"]
    assert (document["layout"], document["camera"]) == ("board.toml", "camera.toml")
    assert (document["reflected_c"], document["taken"]) == (22.4, "2026-05-02T14:30:00+00:00")
    assert document["supply"][0] == {"rail": "+5 V", "volts": 5.0, "amps": 1.5}
    assert document["landmarks"][0] == {"ref": "U1", "px": [20.0, 30.0]}
    assert document["path"] == str(job / "run.toml")
