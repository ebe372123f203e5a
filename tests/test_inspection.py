"""The pipeline as a whole, on the sample: what one stage says must not depend on how another was asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy.ndimage import map_coordinates

from thermscan.coordinates import pixel_centres
from thermscan.inspection import STAGES, gather_remarks, inspect_run
from thermscan.radiometry.camera import Camera, Lens, write_camera
from thermscan.radiometry.lens import bend_points, straighten_points
from thermscan.resources import data_path
from thermscan.runs.reading import read_run

SAMPLE = data_path("samples", "departure_display")
BARREL = Lens(420.0, 420.0, 159.5, 119.5, k1=-0.25)


@pytest.fixture(scope="module")
def good():
    return inspect_run(read_run(SAMPLE / "good-1.toml", overrides={}))


def test_a_lens_that_bends_the_frame_is_undone_with_its_camera_file(good, tmp_path: Path) -> None:
    straight = np.asarray(good.image.apparent_c)
    seen = straighten_points(pixel_centres(straight.shape), BARREL)
    bent = map_coordinates(straight, [seen[:, 1], seen[:, 0]], order=3, mode="nearest").reshape(straight.shape)
    tifffile.imwrite(tmp_path / "bent.tiff", bent.astype(np.float32))
    write_camera(Camera("barrel", lens=BARREL), tmp_path / "camera.toml")
    corners = bend_points(np.array(good.registration.corners_px), BARREL)
    run = read_run(
        SAMPLE / "good-1.toml",
        overrides={
            "frames": [str(tmp_path / "bent.tiff")],
            "unit": "C",
            "camera": str(tmp_path / "camera.toml"),
            "corners_px": corners.tolist(),
        },
    )
    found = inspect_run(run)
    # The bend moves the corners by several pixels; what resampling twice leaves is a few tenths of a pixel.
    assert np.abs(corners - good.registration.corners_px).max() > 3.0
    assert found.registration.corners_px == pytest.approx(good.registration.corners_px, abs=0.4)
    pairs = [
        (before.mean_c, after.mean_c)
        for before, after in zip(good.measurements, found.measurements, strict=True)
        if before.measurable and after.measurable
    ]
    before, after = np.array(pairs).T
    assert len(pairs) > 40
    assert np.sqrt(np.mean((before - after) ** 2)) < 0.3


def test_the_stages_are_told_in_their_order() -> None:
    told: list[str] = []
    inspect_run(read_run(SAMPLE / "good-1.toml", overrides={}), progress=told.append)
    assert told == list(STAGES)


def test_the_same_run_gives_the_same_answer(good) -> None:
    again = inspect_run(read_run(SAMPLE / "good-1.toml", overrides={}))
    assert [m.mean_c for m in again.measurements] == [m.mean_c for m in good.measurements]
    assert again.judgement == good.judgement


def test_another_ambient_moves_rises_but_no_temperature(good) -> None:
    run = read_run(SAMPLE / "good-1.toml", overrides={"reflected_c": good.run.reflected_c, "ambient_c": 21.4})
    found = inspect_run(run)
    for before, after in zip(good.measurements, found.measurements, strict=True):
        assert after.mean_c == before.mean_c
        if before.rise_k is not None:
            assert after.rise_k == pytest.approx(before.rise_k + 1.0, abs=1e-9)


def test_a_camera_that_was_set_to_an_emissivity_is_read_back_to_the_same_temperatures(good, tmp_path: Path) -> None:
    from thermscan.radiometry.surface import surface_temperature

    apparent = np.asarray(good.image.apparent_c)
    ambient_c = good.run.ambient_c
    told = surface_temperature(apparent, emissivity=0.9, reflected_c=ambient_c)
    tifffile.imwrite(tmp_path / "told.tiff", told.astype(np.float32))
    changes = {"frames": [str(tmp_path / "told.tiff")], "unit": "C", "camera_emissivity": 0.9}
    found = inspect_run(read_run(SAMPLE / "good-1.toml", overrides=changes))
    pairs = [(a.mean_c, b.mean_c) for a, b in zip(good.measurements, found.measurements, strict=True) if a.measurable]
    before, after = np.array(pairs).T
    assert after == pytest.approx(before, abs=0.02)


def test_every_stage_s_remarks_are_gathered_once(good) -> None:
    gathered = gather_remarks(good.image, good.board, good.image, good.judgement)
    assert len(gathered) == len(set(gathered))
    assert set(gathered) == {*good.image.remarks, *good.board.remarks, *good.judgement.remarks}
