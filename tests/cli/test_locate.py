"""``thermscan locate`` on boards whose heat is solved by finite differences: places, watts, period, or nothing."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from samples.simulator import HeatDisc
from tests.dynamics.scenes import SHAPE, picture_c, write_layout, write_run, write_switched
from thermscan.cli.main import main, thermscan

PERIOD_S = 17.0
# Off the grid of the period, and not evenly spaced.
TIMES_S = np.arange(0.0, 140.0, 0.5) + np.random.default_rng(4).uniform(-0.06, 0.06, 280)
TWO = [HeatDisc(55.0, 34.0, 1.0, 0.040), HeatDisc(65.0, 34.0, 1.0, 0.040)]


def run(*arguments: str):
    return CliRunner().invoke(thermscan, ["locate", *arguments, "--json"], standalone_mode=False)


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("locate")
    write_layout(folder)
    facts = {"period_s": PERIOD_S, "drift_k": 0.6}
    write_switched(folder / "two.tiff", TIMES_S, TWO, **facts)
    write_switched(folder / "none.tiff", TIMES_S, [HeatDisc(55.0, 34.0, 1.0, 0.0)], sway_px=0.15, **facts)
    write_switched(folder / "body.tiff", TIMES_S, [HeatDisc(55.0, 34.0, 1.0, 0.0)], parts_w={"U6": 0.05}, **facts)
    for name in ("two", "none", "body"):
        write_run(folder, name)
    return folder


def test_two_sources_ten_millimetres_apart_are_two_with_a_period_that_nobody_stated(job):
    result = run(str(job / "two.toml"), "--out", str(job / "out"))
    document = json.loads(result.stdout)
    assert result.return_value == 1
    assert (document["schema"], document["method"], document["period_source"]) == (
        "thermscan.locate/1",
        "lock-in",
        "found",
    )
    assert document["period_s"] == pytest.approx(PERIOD_S, rel=0.01)
    # Frames are half a second apart: two a second cannot tell this period from one under a second.
    assert any("switched faster than every 1 s would look like this, too" in each for each in document["remarks"])
    assert document["cycles"] == pytest.approx(140.0 / PERIOD_S, abs=0.2)
    assert len(document["sources"]) == 2
    found = sorted(document["sources"], key=lambda each: each["x_mm"])
    for each, true in zip(found, TWO, strict=True):
        # Cells of 1 mm in the solver, pixels of 0.87 mm: half of one, and the stated doubt.
        assert np.hypot(each["x_mm"] - true.x_mm, each["y_mm"] - true.y_mm) < max(0.5, 2 * each["u_mm"])
        assert each["watts"] == pytest.approx(true.watts, rel=0.25)
        assert each["watts_u"] < 0.25 * each["watts"]
        assert each["ref"] is None
        assert each["nearest_ref"] == "U2"
        # U5 lies below both: its upper edge at y = 45 mm, its length from x = 41 to 63.
        assert each["across_ref"] == "U5"
        assert each["across_mm"] == pytest.approx(np.hypot(max(true.x_mm - 63.0, 0.0), 45.0 - true.y_mm), abs=1.0)
        # From U2's edge, at y = 25 and x from 59 to 81.
        gap = np.hypot(max(59.0 - true.x_mm, 0.0), true.y_mm - 25.0)
        assert each["distance_mm"] == pytest.approx(gap, abs=1.0)
        assert -60.0 < each["phase_deg"] < 0.0
    assert any("on the board between U2" in each["text"] for each in document["findings"])
    for name in ("heat.png", "heat.pdf", "locate.json"):
        assert (job / "out" / name).stat().st_size > 1000


def test_nothing_is_found_where_nothing_is_switched_but_drift_and_breath_are_there(job):
    result = run(str(job / "none.toml"), "--period", str(PERIOD_S))
    document = json.loads(result.stdout)
    assert document["sources"] == []
    assert result.return_value == 0
    assert document["period_source"] == "given"
    # NETD 0.05 K over 280 frames: 2 NETD / sqrt(N) = 6.0 mK rms; cubic alignment changes little.
    assert document["noise_k"] == pytest.approx(0.006, rel=0.3)


@pytest.mark.parametrize("stated_s", [PERIOD_S * 1.02, PERIOD_S * 2])
def test_a_wrongly_stated_period_is_said_and_the_one_that_the_data_show_is_used(job, stated_s):
    result = run(str(job / "two.toml"), "--period", f"{stated_s:.3f}")
    document = json.loads(result.stdout)
    assert document["period_source"] == "found"
    assert document["period_s"] == pytest.approx(PERIOD_S, rel=0.01)
    assert f"the stated period of {stated_s:g} s is not the one" in "\n".join(document["remarks"])
    assert len(document["sources"]) == 2
    for finding in document["findings"]:
        assert 0 < finding["u_k"] < 0.2 * finding["excess_k"]


def test_a_period_that_is_off_by_what_its_digits_leave_out_is_kept(job):
    # 0.1 %: a hundredth of a cycle over the recording.
    document = json.loads(run(str(job / "two.toml"), "--period", f"{PERIOD_S * 1.001}").stdout)
    assert (document["period_source"], document["period_s"]) == ("given", pytest.approx(PERIOD_S * 1.001))
    assert "is not the one" not in "\n".join(document["remarks"])


def test_a_swaying_camera_is_not_taken_for_a_supply_where_no_period_is_stated(job, capsys):
    assert main(["locate", str(job / "none.toml"), "--json"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "no period stands out in the recording" in said.err
    assert "state drive_period_s" in said.err


def test_breath_that_the_board_reflects_is_not_taken_for_a_supply(job, capsys):
    """Its warmth lies in a broad spot on one side of the board; nobody breathes as evenly as this."""
    rng = np.random.default_rng(5)
    rows, cols = np.indices(SHAPE)
    spot = np.exp(-((cols - 50.0) ** 2 + (rows - 40.0) ** 2) / (2 * 30.0**2))
    base = picture_c({"U2": 6.0, "U5": 4.0})
    with tifffile.TiffWriter(job / "breath.tiff") as writer:
        for time_s in TIMES_S:
            frame = base + 0.15 * np.sin(2 * np.pi * time_s / 4.1) * spot + rng.normal(0, 0.05, SHAPE)
            counts = np.round((frame + 273.15) * 100).astype(np.uint16)
            writer.write(counts, description=f"unit: cK; time_s: {time_s:.3f}", metadata=None, contiguous=False)
    write_run(job, "breath")
    assert main(["locate", str(job / "breath.toml"), "--json"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "what comes back every 4.1 s is spread over the board, as breath" in said.err


def test_a_part_that_gives_the_heat_itself_is_named(job):
    document = json.loads(run(str(job / "body.toml"), "--period", str(PERIOD_S)).stdout)
    (source,) = document["sources"]
    assert source["ref"] == "U6"
    # Warmed by 0.05 K/s while on, 0.01 /s back: the fundamental 2/pi of it over |0.01 + i w| = 0.086 K.
    omega = 2 * np.pi / PERIOD_S
    assert source["amplitude_k"] == pytest.approx(2 / np.pi * 0.05 / abs(0.01 + 1j * omega), rel=0.1)
    assert source["phase_deg"] == pytest.approx(-90.0, abs=15.0)


def test_the_difference_to_frames_without_power_shows_a_source(job):
    """The fin's steady answer: 0.25 W give K0(r / 28 mm) Q / (2 pi k t), 6 K five millimetres away."""
    from scipy.special import k0

    rng = np.random.default_rng(2)
    rows, cols = np.indices(SHAPE)
    x_mm, y_mm = (cols - 11.0) / 1.15, (rows - 8.0) / 1.15
    decay = np.sqrt(0.016 / 20.0) * 1e3
    apart = np.maximum(np.hypot(x_mm - 60.0, y_mm - 34.0), 1.0)
    rise = 0.25 / (2 * np.pi * 0.016) * k0(apart / decay)
    on_board = (x_mm > 0) & (x_mm < 120) & (y_mm > 0) & (y_mm < 90)
    for name, more in (("dark", 0.0), ("lit", 1.0)):
        base = picture_c({}) + more * rise * on_board
        stack = [np.round((base + rng.normal(0, 0.05, SHAPE) + 273.15) * 100).astype(np.uint16) for _ in range(4)]
        tifffile.imwrite(
            job / f"{name}.tiff", np.array(stack), photometric="minisblack", metadata=None, description="unit: cK"
        )
    write_run(job, "lit", 'off_frames = ["dark.tiff"]')
    document = json.loads(run(str(job / "lit.toml")).stdout)
    assert document["method"] == "difference"
    assert document["period_s"] is None
    strongest = document["sources"][0]
    # Steady heat spreads over 28 mm: its top is flat, and the bodies beside it are masked.
    assert np.hypot(strongest["x_mm"] - 60.0, strongest["y_mm"] - 34.0) < 2.5
    assert strongest["watts"] == pytest.approx(0.25, rel=0.3)


def test_frames_without_power_that_are_the_powered_ones_show_no_source(job):
    write_run(job, "lit", 'off_frames = ["lit.tiff"]')
    result = run(str(job / "lit.toml"))
    assert result.return_value in (0, 3)
    assert not json.loads(result.stdout)["sources"]


def test_too_few_periods_are_refused_with_what_to_do(job, capsys):
    assert main(["locate", str(job / "none.toml"), "--period", "90", "--json"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "1.5 periods of 90 s" in said.err
    assert "record for longer, or switch faster" in said.err
