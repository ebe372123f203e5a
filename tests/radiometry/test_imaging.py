from dataclasses import replace

import numpy as np
import pytest

from tests.radiometry.frames import frame_of
from thermscan.errors import InputError
from thermscan.radiometry.calibration import Calibration
from thermscan.radiometry.camera import read_camera
from thermscan.radiometry.imaging import form_image
from thermscan.radiometry.planck import band_radiance
from thermscan.radiometry.surface import surface_temperature

GENERIC = read_camera(None)
SHAPE = (120, 160)


def scene_c(rng, noise_k=0.05):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    warm = 20.0 * ((abs(x - 80) < 15) & (abs(y - 60) < 10)) + 8.0 * ((x - 30) ** 2 + (y - 30) ** 2 < 120)
    return 22.0 + warm + rng.normal(0.0, noise_k, SHAPE)


@pytest.mark.parametrize(
    ("unit", "values_of"),
    [
        ("C", lambda c: c),
        ("K", lambda c: c + 273.15),
        ("F", lambda c: c * 1.8 + 32),
        ("cK", lambda c: np.round((c + 273.15) * 100)),
        ("mK", lambda c: np.round((c + 273.15) * 1000)),
    ],
)
def test_every_unit_gives_the_same_apparent_temperatures(unit, values_of):
    truth_c = scene_c(np.random.default_rng(1))
    image = form_image(frame_of(values_of(truth_c), unit), GENERIC, camera_emissivity=1.0, reflected_c=22.0)
    # Half a step of the stored values.
    assert image.apparent_c == pytest.approx(truth_c, abs=0.0051)
    assert image.noise_k == pytest.approx(0.05, rel=0.1)
    assert image.accuracy_k == pytest.approx(2.0 / np.sqrt(3))
    assert (image.band_um, image.blur_px) == ((8.0, 14.0), 0.6)


def test_the_cameras_own_emissivity_is_undone():
    truth_c = scene_c(np.random.default_rng(1))
    shown_c = surface_temperature(truth_c, emissivity=0.95, reflected_c=20.0)
    image = form_image(frame_of(shown_c), GENERIC, camera_emissivity=0.95, reflected_c=20.0)
    assert image.apparent_c == pytest.approx(truth_c, abs=1e-7)
    assert "the camera's own correction for emissivity 0.95 was undone" in image.remarks


def test_what_the_camera_file_says_it_had_set_is_used_where_the_run_says_nothing():
    truth_c = scene_c(np.random.default_rng(1))
    shown_c = surface_temperature(truth_c, emissivity=0.9, reflected_c=30.0)
    camera = replace(GENERIC, emissivity=0.9, reflected_c=30.0)
    image = form_image(frame_of(shown_c), camera, camera_emissivity=None, reflected_c=20.0)
    assert image.apparent_c == pytest.approx(truth_c, abs=1e-7)


def test_counts_become_temperatures_by_the_cameras_calibration():
    truth_c = scene_c(np.random.default_rng(1))
    calibration = Calibration("planck-zero", [9.334171401, 179.029190, 409075.0, 8000.0], of="counts")
    counts = np.round(calibration.signal(truth_c))
    camera = replace(GENERIC, calibration=calibration)
    image = form_image(frame_of(counts, "counts"), camera, camera_emissivity=1.0, reflected_c=20.0)
    # Half a count is 0.012 K here.
    assert image.apparent_c == pytest.approx(truth_c, abs=0.013)
    # One count is 60 x dL/dT of a kelvin: what that camera was made of.
    assert calibration.signal(25.0) == pytest.approx(8000 + 60 * band_radiance(25.0), abs=0.5)


def test_counts_without_a_calibration_are_refused():
    with pytest.raises(InputError, match=r"page 0: the values are counts, and the camera file has no calibration"):
        form_image(frame_of(np.full(SHAPE, 9000.0), "counts"), GENERIC, camera_emissivity=1.0, reflected_c=20.0)


def test_a_calibration_of_temperatures_is_applied():
    camera = replace(GENERIC, calibration=Calibration("linear", [1.0, 1.02]))
    image = form_image(frame_of(np.full(SHAPE, 50.0)), camera, camera_emissivity=1.0, reflected_c=20.0)
    assert image.apparent_c == pytest.approx(52.0)


def test_stated_noise_counts_unless_the_frame_shows_much_more():
    frame = frame_of(scene_c(np.random.default_rng(2), noise_k=0.06))
    stated = form_image(frame, replace(GENERIC, netd_k=0.05), camera_emissivity=1.0, reflected_c=20.0)
    believed = form_image(frame, replace(GENERIC, netd_k=0.02), camera_emissivity=1.0, reflected_c=20.0)
    assert stated.noise_k == 0.05
    assert believed.noise_k == pytest.approx(0.06, rel=0.1)
    assert any("more than the 0.02 K of the camera file" in remark for remark in believed.remarks)


def test_coarse_steps_are_noise_too():
    rounded_dk = np.round((scene_c(np.random.default_rng(2), noise_k=0.001) + 273.15) * 10)
    image = form_image(frame_of(rounded_dk, "dK"), GENERIC, camera_emissivity=1.0, reflected_c=20.0)
    # 0.1 K as a rectangle: 0.1 / sqrt(12).
    assert image.noise_k >= 0.0288
    # Values that are no whole numbers come in the same steps.
    halves = form_image(frame_of(rounded_dk + 0.5, "dK"), GENERIC, camera_emissivity=1.0, reflected_c=20.0)
    assert halves.noise_k == pytest.approx(image.noise_k, rel=1e-9)


def test_the_accuracy_follows_the_hottest_region():
    values = np.full(SHAPE, 30.0)
    values[:20] = 200.0
    image = form_image(frame_of(values), GENERIC, camera_emissivity=1.0, reflected_c=20.0)
    assert image.accuracy_k == pytest.approx(4.0 / np.sqrt(3))


def test_pixels_without_a_temperature_stay_nan_and_a_frame_of_them_is_refused():
    values = scene_c(np.random.default_rng(1))
    values[3, 4], values[5, 6] = np.nan, -400.0
    image = form_image(frame_of(values), GENERIC, camera_emissivity=1.0, reflected_c=20.0)
    assert np.argwhere(np.isnan(image.apparent_c)).tolist() == [[3, 4], [5, 6]]
    with pytest.raises(InputError, match="no pixel has a value that can be a temperature"):
        form_image(frame_of(np.full(SHAPE, np.nan)), GENERIC, camera_emissivity=1.0, reflected_c=20.0)


def test_an_impossible_camera_emissivity_is_refused():
    with pytest.raises(InputError, match="camera_emissivity: 0 is not an emissivity"):
        form_image(frame_of(np.full(SHAPE, 30.0)), GENERIC, camera_emissivity=0.0, reflected_c=20.0)


def test_another_cameras_file_is_remarked():
    camera = replace(GENERIC, pixels=(256, 192))
    image = form_image(frame_of(np.full(SHAPE, 30.0)), camera, camera_emissivity=1.0, reflected_c=20.0)
    assert "the frame has 160 x 120 pixels, the camera file says 256 x 192: is it the right file?" in image.remarks
    right = form_image(frame_of(np.full((192, 256), 30.0)), camera, camera_emissivity=1.0, reflected_c=20.0)
    assert not any("right file" in remark for remark in right.remarks)


def test_beyond_its_references_a_calibration_is_less_sure():
    covariance = np.array([[0.04, -8e-4], [-8e-4, 2e-5]])
    calibration = Calibration("linear", [0.0, 1.0], covariance=covariance, range_c=(0.0, 80.0))
    camera = replace(GENERIC, calibration=calibration, accuracy_k=0.8, accuracy_percent=0.0)
    within, beyond = (
        form_image(frame_of(np.full(SHAPE, temp_c)), camera, camera_emissivity=1.0, reflected_c=20.0)
        for temp_c in (85.0, 150.0)
    )
    assert within.accuracy_k == pytest.approx(0.8 / np.sqrt(3))
    # Variance of the line at 150: 0.04 - 0.24 + 0.45.
    assert beyond.accuracy_k == pytest.approx(np.hypot(0.8 / np.sqrt(3), 0.5))
    assert "the frame reaches 150 C, beyond the camera file's highest reference of 80 C" in beyond.remarks
