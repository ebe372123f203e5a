"""``thermscan warmup`` on a recording whose truth is known: curves, verdicts, exit status and files."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.dynamics.scenes import GROUP, PARTS, warming, write_layout, write_recording, write_run
from thermscan.cli.main import main, thermscan

ENDS_K = {ref: 12.0 + 0.3 * number for number, ref in enumerate(PARTS)}
TAU_S, POWER_ON_S = 60.0, 10.0
TIMES_S = np.arange(0.0, 150.0, 0.8)


def run(*arguments: str):
    return CliRunner().invoke(thermscan, ["warmup", *arguments], standalone_mode=False)


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("warmup")
    write_layout(folder, more={"U1": "max_c = 33.9"})
    write_recording(folder / "good.tiff", TIMES_S, warming(ENDS_K, tau_s=TAU_S))
    hot = ENDS_K | {"U5": 2.0 * ENDS_K["U5"]}
    write_recording(folder / "hot.tiff", TIMES_S, warming(hot, tau_s=TAU_S), seed=2)
    write_run(folder, "good", f"power_on_s = {POWER_ON_S}")
    write_run(folder, "hot")
    return folder


@pytest.fixture(scope="module")
def good(job):
    return run(str(job / "good.toml"), "--json", "--out", str(job / "out"))


@pytest.fixture(scope="module")
def hot(job):
    return run(str(job / "hot.toml"), "--json", "--baseline-run", str(job / "good.toml"))


def test_a_recording_in_which_nothing_rises_accuses_no_part(job, capsys):
    write_recording(job / "cold.tiff", TIMES_S, warming(dict.fromkeys(PARTS, 0.0)), seed=5, board_share=0)
    cold = write_run(job, "cold", f"power_on_s = {POWER_ON_S}")
    assert main(["warmup", str(job / "good.toml"), "--baseline-run", str(cold)]) == 2
    assert "no part rises by 0.5 K in it, so it is no power-up" in capsys.readouterr().err


def test_a_board_that_is_not_powered_is_not_called_clear(job):
    """Its parts are colder than the bare board by the paint, and none rises; one at 15 % of the good one's is told."""
    for name, share in (("unpowered", 0.0), ("weak", 0.15)):
        rises = {ref: share * rise_k for ref, rise_k in ENDS_K.items()}
        write_recording(job / f"{name}.tiff", TIMES_S, warming(rises), seed=5, board_share=0)
        write_run(job, name, f"power_on_s = {POWER_ON_S}")
    alone = run(str(job / "unpowered.toml"), "--json")
    document = json.loads(alone.stdout)
    assert (alone.return_value, document["overall"], document["findings"]) == (3, "undecided", [])
    assert set(document["not_compared"]) == set(PARTS)
    assert any("is the board powered" in remark for remark in document["remarks"])
    for name, times in (("unpowered", "0.0"), ("weak", "0.1")):
        document = json.loads(run(str(job / f"{name}.toml"), "--json", "--baseline-run", str(job / "good.toml")).stdout)
        (finding,) = document["findings"]
        assert (document["overall"], finding["rule"], finding["direction"]) == ("watch", "board", "cold")
        assert f"all rises together are {times}" in finding["text"]


def test_the_ends_time_constants_and_slopes_are_those_put_in(good):
    document = json.loads(good.stdout)
    assert document["schema"] == "thermscan.warmup/1"
    parts = {part["ref"]: part for part in document["parts"]}
    assert set(parts) == set(PARTS)
    for ref, part in parts.items():
        assert part["measurable"]
        assert part["reason"] is None
        # 20 pixels and more, 0.05 K, 190 frames: means are known to some millikelvin; the blend at the edges, to 0.1 K.
        assert part["steady_c"] == pytest.approx(22.3 + ENDS_K[ref], abs=max(3 * part["steady_u_k"], 0.3))
        assert part["start_c"] == pytest.approx(22.3, abs=0.15)
        assert part["steady_interval_c"][0] < part["steady_c"] < part["steady_interval_c"][1]
        assert part["t63_s"] == pytest.approx(TAU_S, rel=0.06)
        assert part["tau_s"][-1] == pytest.approx(TAU_S, rel=0.1)
        assert part["slope_k_per_s"] == pytest.approx(ENDS_K[ref] / TAU_S, rel=0.15)
        assert part["steady"] is not True  # 12 K times exp(-140 / 60) = 1.2 K to go


def test_the_recording_and_the_board_are_told(good):
    document = json.loads(good.stdout)
    recording = document["recording"]
    assert recording["frames"] == len(TIMES_S)
    # A frame whose motion against the first cannot be told is left out, and counted.
    assert len(TIMES_S) - 2 <= recording["used"] <= len(TIMES_S)
    assert recording["interval_s"] == pytest.approx(0.8)
    assert recording["gaps"] == 0
    assert (recording["power_on_s"], recording["power_on_source"]) == (POWER_ON_S, "given")
    assert document["board"]["steady"] is not True
    # The last of them: 14.1 K exp(-t / 60) = 0.5 K at 200 s after power-on, which is 1.0 minutes after the end.
    assert document["board"]["minutes_to_steady"] == pytest.approx(1.0, abs=0.7)


def test_a_part_that_will_pass_its_limit_is_told_before_it_does(good):
    (finding,) = [each for each in json.loads(good.stdout)["findings"] if each["ref"] == "U1"]
    assert finding["rule"] == "limit"
    assert "still rising" in finding["text"]


def test_power_on_is_found_and_the_odd_part_accused_at_equal_time(hot):
    document = json.loads(hot.stdout)
    assert hot.return_value == 1
    assert document["recording"]["power_on_source"] == "found"
    assert document["recording"]["power_on_s"] == pytest.approx(POWER_ON_S, abs=0.8)  # a frame's interval
    acts = {each["ref"] for each in document["findings"] if each["level"] == "act" and each["rule"] == "baseline"}
    assert acts == {"U5"}
    verdicts = {part["ref"]: part["verdict"] for part in document["parts"]}
    assert verdicts["U5"] == "hot"
    assert all(verdicts[ref] != "hot" for ref in GROUP if ref != "U5")


def test_parts_that_nothing_was_compared_with_are_named(good, hot, job, capsys):
    # U1 has a limit, U2 to U7 are a group; U8 is compared with the good board's power-up only.
    assert json.loads(good.stdout)["not_compared"] == ["U8"]
    assert json.loads(hot.stdout)["not_compared"] == []
    main(["warmup", str(job / "good.toml")])
    assert "Measured, but compared with nothing, 1: U8. " in capsys.readouterr().out


def test_the_files_are_written_and_can_be_read(job, good):
    assert good.return_value in (0, 1)
    document = json.loads((job / "out" / "warmup.json").read_text(encoding="utf-8"))
    assert document["parts"] == json.loads(good.stdout)["parts"]
    assert (job / "out" / "warmup.png").read_bytes().startswith(b"\x89PNG")
    assert (job / "out" / "warmup.pdf").read_bytes().startswith(b"%PDF")


def test_frames_without_times_are_refused_with_what_to_write(job, capsys):
    import tifffile

    stack = np.full((5, 120, 160), 29515, np.uint16)
    stack[:, 40:80, 40:90] += 900
    tifffile.imwrite(job / "untimed.tiff", stack, photometric="minisblack", metadata=None)
    write_run(job, "untimed")
    assert main(["warmup", str(job / "untimed.toml"), "--json"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "nothing states when the frames were taken; add rate_hz = 9.0" in said.err


def test_frames_without_power_are_refused_rather_than_ignored(job, capsys):
    assert main(["warmup", str(job / "good.toml"), "--off-frames", str(job / "good.tiff")]) == 2
    assert "--off-frames: a warm-up is not compared with frames without power" in capsys.readouterr().err


def test_a_single_frame_is_no_recording(job, capsys):
    np.savetxt(job / "one.csv", np.full((60, 80), 22.5) + np.random.default_rng(1).random((60, 80)), delimiter=",")
    (job / "one.toml").write_text('layout = "board.toml"\nframes = ["one.csv"]\nambient_c = 22\n', encoding="utf-8")
    assert main(["warmup", str(job / "one.toml")]) == 2
    assert "one frame is no recording" in capsys.readouterr().err


def test_a_board_of_which_no_part_can_be_measured_is_not_judged(job, capsys):
    """Every part is too small for the camera: no curve, one line with the reason, and no fault of ours."""
    layout = (job / "board.toml").read_text(encoding="utf-8")
    tiny = re.sub(r"body_mm = .*", "body_mm = [2.0, 2.0]", layout)
    (job / "tiny-board.toml").write_text(tiny, encoding="utf-8")
    run_file = (job / "good.toml").read_text(encoding="utf-8").replace('"board.toml"', '"tiny-board.toml"')
    (job / "tiny.toml").write_text(run_file, encoding="utf-8")
    assert main(["warmup", str(job / "tiny.toml"), "--json"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "none of the layout's 8 parts can be measured: fewer than 3 x 3 camera pixels" in said.err
    assert "internal fault" not in said.err
