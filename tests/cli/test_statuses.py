"""Exit statuses and one-line errors, through the real command."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile

from thermscan.cli.main import main
from thermscan.resources import data_path

SAMPLE = data_path("samples", "departure_display")
FRAME = str(SAMPLE / "good-1.tiff")
COMMANDS = ("demo", "inspect", "baseline", "frame", "layout", "record", "camera")


def run_command(capsys, *arguments: str) -> tuple[int, str, str]:
    status = main(list(arguments))
    out, err = capsys.readouterr()
    return status, out, err


def assert_one_line(err: str) -> None:
    assert len(err.strip().splitlines()) == 1, err
    assert "Traceback" not in err


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A board with two parts and a frame of it: the least that can be inspected."""
    (tmp_path / "board.toml").write_text(
        """
        [board]
        name = "small board"
        width_mm = 60.0
        height_mm = 40.0
        [[part]]
        ref = "U1"
        package = "DIP-20"
        at_mm = [20.0, 20.0]
        max_c = 70
        [[part]]
        ref = "U2"
        package = "DIP-20"
        at_mm = [42.0, 30.0]
        """,
        encoding="utf-8",
    )
    frame_c = np.full((60, 80), 23.0)
    frame_c[10:50, 10:70] = 30.0
    frame_c[25:35, 18:44] = 42.0
    tifffile.imwrite(tmp_path / "frame.tiff", np.round((frame_c + 273.15) * 100).astype(np.uint16))
    (tmp_path / "run.toml").write_text(
        """
        layout = "board.toml"
        frames = ["frame.tiff"]
        unit = "cK"
        ambient_c = 23.0
        corners_px = [[9.5, 9.5], [69.5, 9.5], [69.5, 49.5], [9.5, 49.5]]
        """,
        encoding="utf-8",
    )
    return tmp_path


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_nothing_to_act_on_ends_with_0(capsys, job):
    status, out, _ = run_command(capsys, "inspect", str(job / "run.toml"), "--json")
    document = json.loads(out)
    assert document["schema"] == "thermscan.inspection/1"
    assert document["overall"] in ("clear", "watch")
    assert status == 0


def test_a_finding_to_act_on_ends_with_1(capsys, job):
    edit(job / "board.toml", "max_c = 70", "max_c = 33")
    status, out, _ = run_command(capsys, "inspect", str(job / "run.toml"), "--json")
    document = json.loads(out)
    assert status == 1
    assert document["overall"] == "act"
    assert [finding["rule"] for finding in document["findings"] if finding["level"] == "act"] == ["limit"]


def test_no_measurable_part_ends_with_3(capsys, job):
    edit(job / "board.toml", 'package = "DIP-20"', 'package = "DIP-20"\nsurface = "metal"')
    status, out, _ = run_command(capsys, "inspect", str(job / "run.toml"), "--json")
    assert status == 3
    assert json.loads(out)["overall"] == "undecided"


def test_a_board_that_is_not_found_ends_with_3(capsys, job):
    flat = np.full((60, 80), 29615, dtype=np.uint16)
    flat += np.random.default_rng(1).integers(0, 10, flat.shape, dtype=np.uint16)
    tifffile.imwrite(job / "frame.tiff", flat)
    edit(job / "run.toml", "corners_px", "# corners_px")
    status, out, err = run_command(capsys, "inspect", str(job / "run.toml"), "--json")
    assert status == 3
    assert out == ""
    assert_one_line(err)
    assert "corners" in err


def test_an_assumed_unit_is_told_even_where_no_board_is_found(capsys, job):
    flat = np.full((60, 80), 29615, dtype=np.uint16)
    flat += np.random.default_rng(1).integers(0, 10, flat.shape, dtype=np.uint16)
    tifffile.imwrite(job / "frame.tiff", flat)
    edit(job / "run.toml", "corners_px", "# corners_px")
    edit(job / "run.toml", 'unit = "cK"', "")
    status, _, err = run_command(capsys, "inspect", str(job / "run.toml"))
    assert status == 3
    assert "--unit cK" in err


def text_in_tiff(job: Path) -> None:
    (job / "frame.tiff").write_text("this is no picture\n", encoding="utf-8")


def truncated_tiff(job: Path) -> None:
    data = (job / "frame.tiff").read_bytes()
    (job / "frame.tiff").write_bytes(data[: len(data) // 2])


def nan_frame(job: Path) -> None:
    tifffile.imwrite(job / "frame.tiff", np.full((60, 80), np.nan, dtype=np.float32))


def colour_picture(job: Path) -> None:
    tifffile.imwrite(job / "frame.tiff", np.zeros((60, 80, 3), dtype=np.uint8), photometric="rgb")


def ragged_csv(job: Path) -> None:
    (job / "frame.csv").write_text("21.0,22.0,23.0\n21.0,22.0\n21.0,22.0,23.0\n", encoding="utf-8")
    edit(job / "run.toml", "frame.tiff", "frame.csv")
    edit(job / "run.toml", '"cK"', '"C"')


WRONG = {
    "missing frame": (lambda job: (job / "frame.tiff").unlink(), "frame.tiff"),
    "empty frame": (lambda job: (job / "frame.tiff").write_bytes(b""), "empty"),
    "text in a TIFF": (text_in_tiff, "frame.tiff"),
    "truncated TIFF": (truncated_tiff, "frame.tiff"),
    "all-NaN frame": (nan_frame, "frame.tiff"),
    "colour picture": (colour_picture, "colour"),
    "ragged CSV": (ragged_csv, "row"),
    "layout with an unknown key": (lambda job: edit(job / "board.toml", "max_c", "maxc"), "max_c"),
    "NaN corner": (lambda job: edit(job / "run.toml", "[69.5, 9.5]", "[nan, 9.5]"), "corners_px"),
    "crossed corners": (
        lambda job: edit(job / "run.toml", "[69.5, 9.5], [69.5, 49.5]", "[69.5, 49.5], [69.5, 9.5]"),
        "corners_px",
    ),
    "run without ambient": (lambda job: edit(job / "run.toml", "ambient_c = 23.0", ""), "ambient"),
    "unknown unit": (lambda job: edit(job / "run.toml", '"cK"', '"kelvins"'), "unit"),
    "missing layout": (lambda job: (job / "board.toml").unlink(), "board.toml"),
}


@pytest.mark.parametrize("name", WRONG)
def test_bad_input_is_one_line_and_2_and_writes_nothing(capsys, job, name):
    spoil, told = WRONG[name]
    spoil(job)
    before = sorted(job.iterdir())
    status, out, err = run_command(capsys, "inspect", str(job / "run.toml"), "--out", str(job / "report"), "--json")
    assert status == 2
    assert out == ""
    assert_one_line(err)
    assert told in err
    assert sorted(job.iterdir()) == before


def test_a_wrong_option_names_the_help_to_read(capsys):
    status, out, err = run_command(capsys, "inspect", "--no-such-option", "run.toml")
    assert status == 2
    assert out == ""
    assert_one_line(err)
    assert "thermscan inspect --help" in err


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_ends_with_an_example(capsys, name):
    status, out, _ = run_command(capsys, name, "--help")
    assert status == 0
    assert f"thermscan {name}" in out.split("Example")[-1]


def test_help_is_quick_because_it_imports_no_heavy_library():
    code = (
        "import sys\nfrom thermscan.cli.main import main\nmain(['--help'])\n"
        "heavy = {'scipy', 'matplotlib', 'cv2', 'skimage'} & set(sys.modules)\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_key_of_the_run_file_is_an_option(capsys, job):
    edit(job / "run.toml", "ambient_c = 23.0", "")
    arguments = ["--ambient", "23", "--stage", "idle", "--supply", "+5 V=5.02,1.31", "--minutes-on", "15"]
    status, out, _ = run_command(capsys, "inspect", str(job / "run.toml"), *arguments, "--json")
    run = json.loads(out)["run"]
    assert status == 0
    assert (run["ambient_c"], run["stage"], run["minutes_on"]) == (23.0, "idle", 15.0)
    assert run["supply"] == [{"rail": "+5 V", "volts": 5.02, "amps": 1.31}]


def test_frames_alone_with_options_are_a_run(capsys, job):
    corners = "9.5,9.5 69.5,9.5 69.5,49.5 9.5,49.5"
    arguments = ["--layout", str(job / "board.toml"), "--unit", "cK", "--ambient", "23", "--corners", corners]
    status, out, _ = run_command(capsys, "inspect", str(job / "frame.tiff"), *arguments, "--json")
    assert status == 0
    assert json.loads(out)["registration"]["method"] == "corners"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("notes.txt", "it holds no table of numbers"),
        ("notes.tiff", "named as a TIFF, but it does not begin like one"),
        ("nobody.tiff", 'no file "'),
    ],
)
def test_a_wrong_file_is_told_before_what_else_is_missing(capsys, tmp_path, name, told):
    for there in ("notes.txt", "notes.tiff"):
        (tmp_path / there).write_text("call back on Monday\n", encoding="utf-8")
    status, out, err = run_command(capsys, "inspect", str(tmp_path / name))
    assert (status, out) == (2, "")
    of_file, ambient = err.splitlines()
    assert name in of_file
    assert told in of_file
    assert ambient.startswith("--ambient: it is missing")


def test_a_frame_whose_unit_only_the_ambient_tells_is_no_wrong_file(capsys, job):
    status, _, err = run_command(capsys, "inspect", str(job / "frame.tiff"))
    assert status == 2
    assert_one_line(err)
    assert err.startswith("--ambient: it is missing")


SHELL = f'"{sys.executable}" -m thermscan frame "{FRAME}"'


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (f"{SHELL} > /dev/full", "standard output cannot be written to (No space left on device); send it elsewhere\n"),
        (f"{SHELL} >&-", "standard output is closed; send it to a file, or to /dev/null\n"),
        (f"{SHELL} >&- 2>&-", ""),
        (f"{SHELL} --unit furlong 2> /dev/full", ""),
    ],
)
def test_standard_streams_that_are_full_or_closed_are_one_line_and_status_2(command: str, said: str) -> None:
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", said)


def test_a_closed_error_stream_does_not_hold_up_the_result() -> None:
    done = subprocess.run(["sh", "-c", f"{SHELL} --json 2>&-"], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert json.loads(done.stdout)["files"]


@pytest.mark.parametrize(
    ("arguments", "name"),
    [(["layout", "draw", str(SAMPLE / "board.toml")], "sheet.pdf"), (["bench", "--ambient", "22"], "bench.toml")],
    ids=["with matplotlib", "with little"],
)
def test_an_interrupt_at_any_moment_shows_no_traceback(tmp_path: Path, arguments: list[str], name: str) -> None:
    command = [sys.executable, "-m", "thermscan", *arguments, "--out"]
    (tmp_path / "first").mkdir()
    begin = time.monotonic()
    subprocess.run([*command, str(tmp_path / "first" / name)], check=True, capture_output=True)
    # From its first moments to its last on this machine, however busy that is: one in each quarter of the time.
    moments = (np.arange(4) + np.random.default_rng(11).uniform(0.16, 1.0, 4)) / 4 * (time.monotonic() - begin)
    endings = []
    for number, moment in enumerate(moments):
        (tmp_path / str(number)).mkdir()
        out = str(tmp_path / str(number) / name)
        way = subprocess.Popen([*command, out], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        time.sleep(moment)
        way.send_signal(signal.SIGINT)
        _, err = way.communicate()
        # Before Python itself is up, a signal simply ends it (-2, which a shell shows as 130), or its own start-up
        # complains, which is still reading the environment's .pth files then.
        starting = way.returncode == -2 or "init_import_site" in err
        assert starting or not [line for line in err.split("\n") if line.strip() and not line.startswith("written: ")]
        endings.append(-2 if starting else way.returncode)
    assert set(endings) <= {130, -2, 0}
    assert 130 in endings
    assert {path.name for path in tmp_path.rglob("*") if path.is_file()} == {name}
