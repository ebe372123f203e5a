"""``thermscan watch`` as a person uses it: frames come whole, in halves, out of order; alarms are raised in time."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from tests.dynamics.scenes import (
    PARTS,
    SHAPE,
    picture_c,
    unit_pictures,
    warming,
    write_layout,
    write_recording,
    write_run,
)
from thermscan.cli.main import main, thermscan
from thermscan.frames.following import MOST_AT_ONCE, FolderFrames

ENDS_K = {ref: 14.0 + 0.3 * number for number, ref in enumerate(PARTS)}
POWER_ON_S, TAU_S, STEP_S = 3.0, 40.0, 0.5
TIMES_S = np.arange(0.0, 24.0, STEP_S)


def counts_of(frame_c: np.ndarray) -> np.ndarray:
    return np.round((frame_c + 273.15) * 100).astype(np.uint16)


def write_frames(folder: Path, ends_k: dict[str, float], *, seed: int, step_k: float = 0.0) -> None:
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(seed)
    rises = warming(ends_k, tau_s=TAU_S, power_on_s=POWER_ON_S)
    base, _, units = unit_pictures()
    for number, time_s in enumerate(TIMES_S):
        now = rises(float(time_s))
        frame = base + sum(now[ref] * units[ref] for ref in now) + rng.normal(0.0, 0.05, SHAPE)
        frame += step_k * (time_s > 12.0)
        tifffile.imwrite(folder / f"f{number:04d}.tiff", counts_of(frame), description=f"unit: cK; time_s: {time_s}")


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("watch")
    write_layout(folder, more={"U1": "max_c = 30"})
    write_frames(folder / "good", ENDS_K, seed=1)
    write_frames(folder / "hot", ENDS_K | {"U5": 2 * ENDS_K["U5"]}, seed=2)
    write_recording(
        folder / "good-run.tiff", TIMES_S, warming(ENDS_K, tau_s=TAU_S, power_on_s=POWER_ON_S), seed=3, board_share=0
    )
    write_run(folder, "good-run", f"power_on_s = {POWER_ON_S}")
    write_run(folder, "to-come")
    return folder


def watch(job: Path, folder: str, *more: str):
    arguments = ["watch", str(job / folder), "--run", str(job / "to-come.toml"), "--once", "--json", *more]
    result = CliRunner().invoke(thermscan, arguments, standalone_mode=False)
    return result.return_value, [json.loads(line) for line in result.stdout.splitlines()]


def test_one_line_a_frame_in_the_order_of_time_and_no_alarm_but_the_limit_on_a_good_power_up(job):
    status, lines = watch(job, "good", "--stage", "bare board")
    assert [line["file"] for line in lines] == [f"f{n:04d}.tiff" for n in range(len(TIMES_S))]
    assert [line["time_s"] for line in lines] == pytest.approx(list(TIMES_S))
    assert {line["schema"] for line in lines} == {"thermscan.watch/1"}
    assert {line["stage"] for line in lines} == {"bare board"}
    alarms = [alarm for line in lines for alarm in line["alarms"]]
    assert {(alarm["ref"], alarm["rule"]) for alarm in alarms} == {("U1", "limit")}
    first = alarms[0]
    # U1 is at 22.3 °C + 14 K (1 - exp(-t / 40)): 30 °C at 32 s after power-on. A straight line gets there sooner.
    assert 0 < first["seconds_to_limit"] < 40
    assert first["slope_k_per_s"] > 0.1
    assert status in (0, 1)


def test_parts_that_nothing_holds_are_named_at_the_end(job, capsys):
    """U1 and U8 have no peers, no watts and no good power-up; U2 to U7 are peers."""
    arguments = ["watch", str(job / "good"), "--run", str(job / "to-come.toml"), "--once", "--json"]
    main(arguments)
    (said,) = [line for line in capsys.readouterr().err.splitlines() if "cannot tell" in line]
    assert said.endswith(": U1, U8")
    main([*arguments, "--baseline-run", str(job / "good-run.toml")])
    assert "cannot tell" not in capsys.readouterr().err


def test_a_step_of_the_cameras_own_offset_is_no_rise(job):
    """All pixels read 2 K more from 12 s on, the bench too; the parts rise as those of the good board."""
    write_frames(job / "step", ENDS_K, seed=4, step_k=2.0)
    _, lines = watch(job, "step", "--baseline-run", str(job / "good-run.toml"))
    told = {alarm["rule"] for line in lines for alarm in line["alarms"]}
    assert told <= {"limit"}
    for part in lines[-1]["parts"]:
        rise_k = ENDS_K[part["ref"]] * (1.0 - np.exp(-(TIMES_S[-1] - POWER_ON_S) / TAU_S))
        assert part["rise_k"] == pytest.approx(rise_k, abs=0.3)


@pytest.mark.parametrize("against", ["peers", "good board"])
def test_a_part_at_twice_its_watts_is_alarmed_within_twenty_seconds(job, against):
    more = ["--baseline-run", str(job / "good-run.toml")] if against == "good board" else []
    status, lines = watch(job, "hot", *more)
    acts = [
        (line["time_s"] - POWER_ON_S, alarm) for line in lines for alarm in line["alarms"]
        if alarm["level"] == "act" and alarm["rule"] in ("peer", "baseline")
    ]  # fmt: skip
    assert status == 1
    assert {alarm["ref"] for _, alarm in acts} == {"U5"}
    assert acts[0][0] < 20.0
    assert acts[0][1]["rule"] == ("baseline" if more else "peer")
    assert acts[0][1]["rise_k"] > 1.4 * acts[0][1]["expected_k"]


def test_an_alarm_runs_the_command_once_for_each_part_and_rule(job, tmp_path):
    log = tmp_path / "called"
    script = tmp_path / "switch.py"
    script.write_text(
        f"import os\nopen({str(log)!r}, 'a').write(os.environ['THERMSCAN_REF'] + chr(10))\n", encoding="utf-8"
    )
    watch(job, "hot", "--on-alarm", f"{sys.executable} {script}")
    end = time.monotonic() + 20
    while time.monotonic() < end and not (log.exists() and log.read_text()):
        time.sleep(0.1)
    time.sleep(0.3)
    called = log.read_text().split()
    assert called.count("U5") == 1


def test_a_log_is_never_replaced_and_a_folder_must_exist(job, tmp_path, capsys):
    (tmp_path / "log").write_text("mine", encoding="utf-8")
    run = str(job / "to-come.toml")
    assert main(["watch", str(job / "good"), "--run", run, "--once", "--log", str(tmp_path / "log")]) == 2
    assert "a log is never replaced" in capsys.readouterr().err
    assert (tmp_path / "log").read_text(encoding="utf-8") == "mine"
    assert main(["watch", str(tmp_path / "no"), "--run", run, "--once"]) == 2


def test_a_folder_in_which_no_frame_can_be_read_was_not_judged(job, tmp_path, capsys):
    words = ["watch", str(tmp_path), "--run", str(job / "to-come.toml"), "--once"]
    assert main(words) == 3
    assert "nothing was judged" in capsys.readouterr().err
    (tmp_path / "a.tiff").write_text("no frame", encoding="utf-8")
    assert main(words) == 3
    assert "left out" in capsys.readouterr().err


def test_a_board_of_which_no_part_can_be_measured_was_not_judged(job, tmp_path, capsys):
    tiny = re.sub(r"body_mm = .*", "body_mm = [2.0, 2.0]", (job / "board.toml").read_text(encoding="utf-8"))
    (tmp_path / "board.toml").write_text(tiny, encoding="utf-8")
    run_file = write_run(tmp_path, "to-come")
    assert main(["watch", str(job / "good"), "--run", str(run_file), "--once"]) == 3
    assert "none of 8 parts can be measured, so nothing was judged" in capsys.readouterr().err


def test_a_limit_holds_also_where_power_came_on_before_the_first_frame(job, tmp_path):
    """U1 stands at 42 °C from the first frame to the last: no rise is seen, and its limit is 30 °C."""
    rng = np.random.default_rng(6)
    hot = picture_c({"U1": 20.0})
    for number in range(8):
        frame = hot + rng.normal(0.0, 0.05, SHAPE)
        tifffile.imwrite(tmp_path / f"f{number}.tiff", counts_of(frame), description=f"unit: cK; time_s: {number}")
    status, lines = watch(job, str(tmp_path))
    assert status == 1
    assert {(each["ref"], each["rule"], each["level"]) for line in lines for each in line["alarms"]} == {
        ("U1", "limit", "act")
    }


def test_frames_in_halves_deleted_out_of_order_and_growing_are_each_given_once(tmp_path):
    rng = np.random.default_rng(1)
    frame = lambda: counts_of(22.0 + rng.random((24, 32)))  # noqa: E731 - a shorthand
    follow = FolderFrames(tmp_path, unit="cK")
    tifffile.imwrite(tmp_path / "b.tiff", frame(), description="time_s: 2.0")
    tifffile.imwrite(tmp_path / "a.tiff", frame(), description="time_s: 1.0")
    assert [each.path.name for each in follow.poll(0.0)] == ["a.tiff", "b.tiff"]
    whole = (tmp_path / "b.tiff").read_bytes()
    (tmp_path / "c.tiff").write_bytes(whole[: len(whole) // 2])  # the first half of a file
    (tmp_path / "a.tiff").unlink()
    assert follow.poll(0.3) == []
    (tmp_path / "c.tiff").write_bytes(whole)
    assert [each.path.name for each in follow.poll(0.6)] == ["c.tiff"]
    for pages in (2, 3, 5):
        with tifffile.TiffWriter(tmp_path / "grows.tiff") as writer:
            for number in range(pages):
                writer.write(frame(), description=f"time_s: {3.0 + number}", metadata=None, contiguous=False)
        given = follow.poll(1.0 + pages)
        assert [each.page for each in given] == {2: [0, 1], 3: [2], 5: [3, 4]}[pages]
    assert follow.poll(9.0) == []
    (tmp_path / "broken.tiff").write_bytes(whole[:300])
    assert follow.poll(10.0) == []
    assert follow.poll(14.0) == []
    assert len(follow.complaints) == 1
    assert "broken.tiff" in follow.complaints[0]


def test_many_waiting_frames_are_given_some_at_a_time_and_none_is_lost_or_given_twice(tmp_path):
    """A stack of 150 pages that grows by 20 while it is read, and 30 files beside it."""
    page = counts_of(22.0 + np.random.default_rng(1).random((24, 32)))

    def write_stack(pages: int) -> None:
        with tifffile.TiffWriter(tmp_path / "a.tiff") as writer:
            for number in range(pages):
                writer.write(page, description=f"time_s: {0.1 * number:.1f}", metadata=None, contiguous=False)

    write_stack(150)
    for number in range(30):
        tifffile.imwrite(tmp_path / f"b{number}.tiff", page, description=f"time_s: {100 + number}")
    follow, given, looks = FolderFrames(tmp_path, unit="cK"), [], 0
    while looks == 0 or follow.more:
        some = follow.poll(0.1 * looks)
        assert len(some) <= MOST_AT_ONCE
        given += [(each.path.name, each.page) for each in some]
        looks += 1
        if looks == 2:
            write_stack(170)
    assert looks >= 4
    assert sorted(given) == sorted([("a.tiff", n) for n in range(170)] + [(f"b{n}.tiff", 0) for n in range(30)])
    assert follow.poll(9.0) == []


def test_a_stack_that_is_damaged_half_way_gives_the_frames_before_the_damage(tmp_path):
    page = counts_of(22.0 + np.random.default_rng(1).random((24, 32)))
    with tifffile.TiffWriter(tmp_path / "a.tiff") as writer:
        for number in range(24):
            writer.write(page, description=f"time_s: {number}", metadata=None, contiguous=False, compression="zlib")
    with tifffile.TiffFile(tmp_path / "a.tiff") as tiff:
        damaged = tiff.pages[20].dataoffsets[0]
    raw = bytearray((tmp_path / "a.tiff").read_bytes())
    raw[damaged : damaged + 8] = b"\0" * 8
    (tmp_path / "a.tiff").write_bytes(raw)
    follow = FolderFrames(tmp_path, unit="cK")
    given = [each.page for look in range(4) for each in follow.poll(2.0 * look)]
    assert given == list(range(20))
    assert len(follow.complaints) == 1
    assert "page 21" in follow.complaints[0]


def test_once_reads_to_the_last_frame_however_many_wait(job, tmp_path):
    sources = sorted((job / "good").glob("*.tiff"))
    for number in range(MOST_AT_ONCE + 6):
        (tmp_path / f"g{number:03d}.tiff").write_bytes(sources[number % 8].read_bytes())
    _, lines = watch(job, str(tmp_path))
    assert len(lines) == MOST_AT_ONCE + 6


def test_a_recording_in_which_nothing_rises_is_no_good_power_up(job, capsys):
    write_recording(job / "cold.tiff", TIMES_S, warming(dict.fromkeys(PARTS, 0.0)), seed=5, board_share=0)
    for name, line, said in (
        ("cold-stated", "power_on_s = 3.0", "no part rises by 0.5 K in it, so it is no power-up"),
        ("cold-unknown", "", "when its power came on is neither stated nor seen"),
    ):
        run_file = write_run(job, name, line)
        run_file.write_text(run_file.read_text().replace(f"{name}.tiff", "cold.tiff"), encoding="utf-8")
        words = [
            "watch",
            str(job / "good"),
            "--run",
            str(job / "to-come.toml"),
            "--baseline-run",
            str(run_file),
            "--once",
        ]
        assert main(words) == 2
        assert said in capsys.readouterr().err


def test_a_frame_that_was_seen_and_vanished_before_it_could_be_read_is_told_once(tmp_path):
    follow = FolderFrames(tmp_path, unit="cK")
    tifffile.imwrite(tmp_path / "a.tiff", counts_of(22.0 + np.random.default_rng(1).random((24, 32))))
    whole = (tmp_path / "a.tiff").read_bytes()
    (tmp_path / "b.tiff").write_bytes(whole[: len(whole) // 2])
    assert [each.path.name for each in follow.poll(0.0)] == ["a.tiff"]
    (tmp_path / "a.tiff").unlink()  # read already: nothing is lost
    (tmp_path / "b.tiff").unlink()
    assert follow.poll(0.3) == follow.poll(0.6) == []
    assert len(follow.complaints) == 1
    assert "b.tiff: it vanished" in follow.complaints[0]


def test_a_file_that_comes_and_goes_while_frames_are_looked_at_is_told_once(tmp_path):
    follow = FolderFrames(tmp_path, unit="cK")
    page = counts_of(22.0 + np.random.default_rng(1).random((24, 32)))
    tifffile.imwrite(tmp_path / "a.tiff", page)
    assert len(follow.poll(0.0)) == 1
    tifffile.imwrite(tmp_path / "b.tiff", page)
    tifffile.imwrite(tmp_path / "c.tiff", page)
    follow.notice()
    (tmp_path / "b.tiff").unlink()
    follow.notice()
    assert [each.path.name for each in follow.poll(0.5)] == ["c.tiff"]
    assert len(follow.complaints) == 1
    assert "b.tiff: it vanished" in follow.complaints[0]


def test_another_process_writes_and_ctrl_c_leaves_the_log_whole(job, tmp_path):
    folder, log = tmp_path / "frames", tmp_path / "log.jsonl"
    folder.mkdir()
    sources = sorted((job / "good").glob("*.tiff"))[:12]
    arguments = [sys.executable, "-m", "thermscan", "watch", str(folder), "--run", str(job / "to-come.toml"), "--json"]
    process = subprocess.Popen(
        [*arguments, "--log", str(log)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        cwd=Path(__file__).parents[2], env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    try:
        for number, source in enumerate(sources):
            raw = source.read_bytes()
            (folder / source.name).write_bytes(raw[:700] if number % 3 == 1 else raw)
            if number % 3 == 1:
                time.sleep(0.2)
                (folder / source.name).write_bytes(raw)
        seen = [json.loads(process.stdout.readline())["file"] for _ in sources]
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    finally:
        process.kill()
    assert sorted(seen) == [source.name for source in sources]
    assert process.returncode in (0, 1)
    assert "Traceback" not in said
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert sorted(line["file"] for line in lines if "file" in line) == [source.name for source in sources]


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo terminals there")
def test_on_a_terminal_the_table_is_live_keys_name_the_stage_and_ctrl_c_restores_the_terminal(job, tmp_path):
    import fcntl
    import pty
    import select
    import termios

    log, raw = tmp_path / "log.jsonl", b""
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    process = subprocess.Popen(
        [sys.executable, "-m", "thermscan", "watch", str(job / "good"), "--run", str(job / "to-come.toml"),
         "--log", log], stdin=theirs, stdout=theirs, stderr=theirs, cwd=Path(__file__).parents[2],
        env={**os.environ, "TERM": "xterm", "COLUMNS": "90", "LINES": "40"},
        start_new_session=True,  # Ctrl-C needs a terminal of its own
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
    )  # fmt: skip
    end, pressed = time.monotonic() + 90, None
    try:
        while time.monotonic() < end and process.poll() is None:
            if select.select([ours], [], [], 0.1)[0]:
                raw += os.read(ours, 65536)
            if pressed is None and log.exists() and len(log.read_text().splitlines()) > len(TIMES_S):
                os.write(ours, b"3")
                pressed = "3"
            if pressed == "3" and b"stage: under test" in raw:
                os.write(ours, b"\x03")
                pressed = "Ctrl-C"
        after = termios.tcgetattr(theirs)
    finally:
        process.kill()
        process.wait()
        os.close(ours)
        os.close(theirs)
    assert pressed == "Ctrl-C"
    assert process.returncode in (0, 1)
    assert after == before
    assert b"\x1b[2K" in raw  # the table is drawn over itself
    assert b"\\u001b" not in raw
    stages = [json.loads(line).get("stage") for line in log.read_text(encoding="utf-8").splitlines()]
    assert stages[0] is None
    assert stages[-1] == "under test"
