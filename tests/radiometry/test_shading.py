"""The correction of a sensor's unevenness: what a flat frame shows is taken out of the next one, and no more."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from samples.simulator import Sensor, sample_sensor
from thermscan.errors import InputError
from thermscan.radiometry.camera import Camera, read_camera, write_camera
from thermscan.radiometry.camera_shading import add_shading
from thermscan.radiometry.planck import DEFAULT_BAND_UM, band_radiance, band_temperature_c
from thermscan.radiometry.shading import Shading
from thermscan.radiometry.shading_fit import fit_shading

SHAPE = (120, 160)
NETD_K = 0.05
BAND = {"band_um": DEFAULT_BAND_UM}


def look(sensor: Sensor, scene_c: float = 23.0, *, seed: int = 0, minute: float = 0.0) -> np.ndarray:
    """An even scene as the sensor reads it: its errors are errors of radiance, stated at 30 degrees."""
    rng = np.random.default_rng(seed)
    error_k = sensor.unevenness_k(rng, SHAPE, minute=minute) + rng.normal(0.0, NETD_K, SHAPE)
    per_k = float(band_radiance(30.5) - band_radiance(29.5))
    return band_temperature_c(band_radiance(scene_c) + error_k * per_k)


def unevenness(frame_c: np.ndarray) -> float:
    """Standard deviation over blocks of 20 x 20 pixels, where white noise leaves 3 mK."""
    return float(frame_c.reshape(6, 20, 8, 20).mean(axis=(1, 3)).std())


def test_shading_that_stays_is_taken_out() -> None:
    for seed in range(4):
        sensor = Sensor(seed=seed, shading_k=0.6, column_fixed_k=0.05)
        shading = fit_shading([look(sensor)])
        even_c, _ = shading.removed_from(look(sensor, seed=1), **BAND)
        assert unevenness(look(sensor, seed=1)) > 0.1
        assert unevenness(even_c) < 0.02


def test_the_error_is_one_of_radiance_so_a_hotter_scene_is_corrected_by_fewer_kelvin() -> None:
    sensor = Sensor(seed=3, shading_k=1.5)
    shading = fit_shading([look(sensor)])
    hot_c, _ = shading.removed_from(look(sensor, 120.0, seed=1), **BAND)
    # 1.5 K at 23 degrees is 0.75 K at 120; the same kelvins taken out would leave as much the other way.
    assert unevenness(look(sensor, 120.0, seed=1)) > 0.2
    assert unevenness(hot_c) < 0.04


@pytest.mark.parametrize("axis", ["row", "column"])
def test_lines_that_stay_are_taken_out_and_lines_that_move_are_not_doubled(axis: str) -> None:
    stays, moves = Sensor(seed=4, **{f"{axis}_fixed_k": 0.2}), Sensor(seed=4, **{f"{axis}_quick_k": 0.2})
    along = 1 if axis == "row" else 0
    for sensor, least, most in ((stays, 0.0, 0.25), (moves, 0.8, 1.1)):
        shading = fit_shading([look(sensor)])
        before = look(sensor, seed=1)
        after, _ = shading.removed_from(before, **BAND)
        left = after.mean(axis=along).std() / before.mean(axis=along).std()
        assert least <= left <= most


def test_a_real_sensors_unevenness_becomes_less_within_minutes() -> None:
    before, after = [], []
    for seed in range(10):
        sensor = sample_sensor(np.random.default_rng(seed), netd_k=NETD_K, shading_k=0.6)
        later = look(sensor, seed=1, minute=2.0)
        before.append(unevenness(later))
        after.append(unevenness(fit_shading([look(sensor)]).removed_from(later, **BAND)[0]))
    assert np.sqrt(np.mean(np.square(after))) < 0.6 * np.sqrt(np.mean(np.square(before)))


@pytest.mark.parametrize("what", ["a part", "an edge", "a slope"])
def test_a_scene_that_is_not_flat_is_refused(what: str) -> None:
    frame = look(Sensor(seed=1, shading_k=0.3))
    if what == "a part":
        frame[40:60, 60:90] += 2.0
    elif what == "an edge":
        frame[:, 100:] += np.where(np.arange(SHAPE[0]) > 50, 1.5, 0.0)[:, None]
    else:
        frame += np.linspace(0.0, 14.0, SHAPE[1])
    with pytest.raises(InputError, match=r"card\.tiff: this is no flat scene: .*matt card"):
        fit_shading([frame], where="card.tiff")


def test_frames_without_noise_too_small_or_of_two_sizes_are_refused() -> None:
    for frames, told in (
        ([np.full(SHAPE, 23.0)], "no noise"),
        ([look(Sensor())[:20]], "too few"),
        ([look(Sensor()), look(Sensor())[:, :100]], "different sizes"),
    ):
        with pytest.raises(InputError, match=told):
            fit_shading(frames)


def test_a_frame_of_another_size_is_refused_with_both_sizes() -> None:
    with pytest.raises(InputError, match=r"80 x 60 pixels.*160 x 120"):
        fit_shading([look(Sensor())]).removed_from(np.full((60, 80), 23.0), **BAND)


def test_a_camera_file_keeps_what_else_is_in_it_and_a_backup(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    text = (
        'name = "mine"  # bench 2\nnetd_k = 0.06\n'
        "[lens]\nfx_px = 200.0\nfy_px = 200.0\ncx_px = 79.5\ncy_px = 59.5\n"
        '[calibration]\nmodel = "offset"\nparameters = [-1.2]\ncovariance = [\n  [0.04],\n]\n'
    )
    path.write_text(text, encoding="utf-8")
    before = read_camera(path)
    first, second = fit_shading([look(Sensor(seed=1, shading_k=0.5))]), fit_shading([look(Sensor())])
    backup = add_shading(first, path, base=path, inputs=[])
    assert backup is not None
    assert backup.read_text(encoding="utf-8") == text
    assert path.read_text(encoding="utf-8").startswith(text)
    add_shading(second, path, base=path, inputs=[])
    after = read_camera(path)
    assert path.read_text(encoding="utf-8").count("[shading]") == 1
    assert (after.name, after.netd_k, after.lens) == (before.name, before.netd_k, before.lens)
    assert after.calibration is not None
    assert after.shading is not None
    assert after.shading.coefficients == pytest.approx(second.coefficients, abs=1e-5)


def test_a_camera_written_and_read_again_corrects_alike(tmp_path: Path) -> None:
    shading = fit_shading([look(Sensor(seed=2, shading_k=0.5, row_fixed_k=0.1))])
    write_camera(Camera(name="mine", shading=shading), tmp_path / "mine.toml")
    again = read_camera(tmp_path / "mine.toml").shading
    assert isinstance(again, Shading)
    frame = look(Sensor(seed=2, shading_k=0.5), seed=5)
    assert again.removed_from(frame, **BAND)[0] == pytest.approx(shading.removed_from(frame, **BAND)[0], abs=2e-4)
