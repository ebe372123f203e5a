"""``inspect`` on recordings: a board on its way is judged by where it will end, a long recording is thinned out."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from tests.dynamics.scenes import AMBIENT_C, GROUP, PARTS, picture_c, warming, write_layout, write_recording, write_run
from thermscan.cli.main import thermscan
from thermscan.frames import thinning
from thermscan.frames.reading import read_frames
from thermscan.frames.thinning import thin_out

TAU_S, POWER_ON_S = 60.0, 10.0
TIMES_S = np.arange(0.0, 130.0, 4.0)
# Two time constants after power-on all are at 86.5 % of their way; U5 draws much more than its like.
ENDS_K = dict.fromkeys(PARTS, 20.0) | {"U5": 44.0}


def inspected(run: Path) -> dict:
    result = CliRunner().invoke(thermscan, ["inspect", str(run), "--json"], standalone_mode=False)
    return json.loads(result.stdout)


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("rising")
    write_layout(folder, more={"U8": "max_c = 41.5"})
    write_recording(folder / "rising.tiff", TIMES_S, warming(ENDS_K, tau_s=TAU_S, power_on_s=POWER_ON_S))
    write_recording(folder / "steady.tiff", TIMES_S[:12], lambda _: ENDS_K, seed=2)
    write_run(folder, "rising", f"power_on_s = {POWER_ON_S}", "minutes_on = 2")
    write_run(folder, "steady", "minutes_on = 30")
    return folder


def test_parts_that_still_rise_are_measured_now_and_judged_where_they_will_end(job):
    document = inspected(job / "rising.toml")
    parts = {part["ref"]: part for part in document["parts"]}
    ends = {part["ref"]: part for part in document["warm_up"]["parts"]}
    gone = 1.0 - np.exp(-(TIMES_S[-1] - POWER_ON_S) / TAU_S)
    for ref, end_k in ENDS_K.items():
        # Stored in cK, NETD 0.05 K over some 100 pixels; the body's own offset in the scene is 0.3 K.
        assert parts[ref]["mean_c"] == pytest.approx(AMBIENT_C + 0.3 + end_k * gone, abs=0.4)
        assert abs(ends[ref]["steady_c"] - (AMBIENT_C + 0.3 + end_k)) < max(2.5 * ends[ref]["steady_u_k"], 0.5)
    assert document["warm_up"]["steady"] is not True
    (remark,) = [text for text in document["remarks"] if text.startswith("still rising")]
    assert "U5 will end near 6" in remark
    told = {(finding["ref"], finding["rule"]): finding for finding in document["findings"]}
    assert told["U5", "peer"]["direction"] == "hot"
    assert told["U5", "peer"]["text"].startswith("Still rising, judged where it will end: ")
    # At 39.6 °C now and 42.3 in the end: above its limit only then.
    assert parts["U8"]["max_c"] < 41.5
    assert told["U8", "limit"]["excess_k"] > 0
    assert {ref for ref, _ in told} <= {"U5", "U8", None}
    assert set(GROUP) - {"U5"} <= {ref for ref, part in parts.items() if part["verdict"] == "normal"}


def test_a_steady_recording_is_judged_by_its_mean_as_ever(job):
    document = inspected(job / "steady.toml")
    assert "warm_up" not in document
    assert not [text for text in document["remarks"] if "rising" in text or "changed" in text]
    assert document["parts"][0]["mean_c"] == pytest.approx(AMBIENT_C + 0.3 + 20.0, abs=0.3)


def test_a_change_that_no_time_belongs_to_is_said(job):
    pages = tifffile.imread(job / "rising.tiff")[2::3]
    tifffile.imwrite(job / "timeless.tiff", pages, photometric="minisblack", metadata=None, description="unit: cK")
    document = inspected(write_run(job, "timeless"))
    assert [text for text in document["remarks"] if "nothing states when those were taken" in text]


def test_of_a_long_recording_one_frame_in_so_many_is_read_and_that_is_said(job, monkeypatch):
    monkeypatch.setattr(thinning, "MOST_HELD_PIXELS", 4 * picture_c({}).size)
    monkeypatch.setattr(thinning, "FEWEST_HELD", 4)
    thin, paths = thin_out([job / "steady.tiff"], size_px=None)
    assert (thin.every, thin.frames, paths) == (3, 12, [job / "steady.tiff"])
    document = inspected(job / "steady.toml")
    assert [frame["page"] for frame in document["frames"]] == [0, 3, 6, 9]
    assert "of 12 frames one in 3 was averaged" in "\n".join(document["remarks"])
    assert document["parts"][0]["mean_c"] == pytest.approx(AMBIENT_C + 0.3 + 20.0, abs=0.3)


def test_every_third_frame_is_the_third_whatever_the_file(tmp_path):
    pages = (29500 + np.arange(10)[:, None, None] + np.zeros((10, 8, 8))).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tiff", pages, photometric="minisblack", metadata=None, description="unit: cK")
    rows = [",".join(f"{value / 100 - 273.15:.2f}" for value in page.ravel()) for page in pages]
    (tmp_path / "a.csv").write_text("\n".join(f"{n},{row}" for n, row in enumerate(rows)) + "\n", encoding="utf-8")
    for path, unit in ((tmp_path / "a.tiff", "cK"), (tmp_path / "a.csv", "C")):
        whole = read_frames(path, unit=unit, size_px=(8, 8))
        some = read_frames(path, unit=unit, size_px=(8, 8), every=3)
        assert [frame.source.page for frame in some] == [0, 3, 6, 9]
        for frame in some:
            assert np.array_equal(frame.values, whole[frame.source.page].values)
        assert len(read_frames(path, unit=unit, size_px=(8, 8), stop=4)) == 4
