"""Hand-held frames of one view: aligned on pictures nobody here made, and averaged honestly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from thermscan.coordinates import map_points, pixel_centres
from thermscan.errors import InputError
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.averaging import average_views
from thermscan.registration.drift import frame_drift
from thermscan.registration.homography import homography_from_corners

SHAPE = (180, 240)
BOX = np.array([[0.0, 0.0], [239.0, 0.0], [239.0, 179.0], [0.0, 179.0]])
NOISE_K = 0.05


def _scene(name: str) -> np.ndarray:
    """A bundled photograph, 256 grey levels spread over 25 K."""
    return cv2.GaussianBlur(getattr(data, name)().astype(np.float32) / 10, (0, 0), 1.0)


def _frame(scene: np.ndarray, moved_px: np.ndarray, seed: int, *, noise_k: float = NOISE_K) -> ThermalImage:
    """What a camera sees of the scene's middle when the frame's corners move so."""
    matrix = homography_from_corners(BOX, BOX + moved_px)
    middle = (np.array(scene.shape[::-1]) - SHAPE[::-1]) / 2
    at = (map_points(matrix, pixel_centres(SHAPE)) + middle).astype(np.float32).reshape(*SHAPE, 2)
    seen = cv2.remap(scene, at[..., 0], at[..., 1], cv2.INTER_CUBIC)
    noise = np.random.default_rng(seed).normal(0, noise_k, SHAPE)
    return ThermalImage(20 + seen + noise, noise_k, 2.0, (8.0, 14.0), 0.6)


@pytest.mark.parametrize("name", ["camera", "coins", "brick", "grass"])
def test_a_known_motion_of_a_known_picture_is_found(name: str) -> None:
    scene, rng = _scene(name), np.random.default_rng(7)
    moved = rng.normal(0, 4, 2) + rng.normal(0, 0.5, (4, 2))
    first, other = _frame(scene, np.zeros((4, 2)), 1), _frame(scene, moved, 2)
    drift = frame_drift(first.apparent_c.astype(np.float32), other.apparent_c.astype(np.float32))
    true = np.linalg.inv(homography_from_corners(BOX, BOX + moved))
    middle = pixel_centres((4, 5)) * 40 + 40
    apart = map_points(drift.other_from_first, middle) - map_points(true, middle)
    # A quarter of a pixel at the worst corner: repeated brick and interpolated photographs cost that much.
    assert np.abs(apart).max() < 0.25
    assert drift.likeness > 0.9


def test_averaging_lowers_the_noise_as_it_says() -> None:
    scene, rng = _scene("camera"), np.random.default_rng(8)
    frames = [_frame(scene, rng.normal(0, 2, 2) * (k > 0) + np.zeros((4, 2)), k) for k in range(8)]
    mean = average_views(frames)
    assert mean.frames == 8
    assert mean.noise_k == pytest.approx(NOISE_K / np.sqrt(8))
    clean = _frame(scene, np.zeros((4, 2)), 0, noise_k=0.0).apparent_c
    inner = np.s_[20:-20, 20:-20]
    rest = (mean.apparent_c - clean)[inner]
    # Interpolation errs at the photograph's sharpest edges: the median ignores those.
    assert 1.4826 * np.median(np.abs(rest - np.median(rest))) < 1.6 * mean.noise_k


def test_frozen_blocked_and_foreign_frames_are_left_out_and_counted() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 0.7 * k), k) for k in range(5)]
    shutter = ThermalImage(np.random.default_rng(9).normal(30, NOISE_K, SHAPE), NOISE_K, 2.0, (8.0, 14.0), 0.6)
    other = _frame(_scene("coins"), np.zeros((4, 2)), 11)
    mean = average_views([*frames, frames[3], shutter, other])
    assert mean.frames == 5
    told = " / ".join(mean.remarks)
    assert "1 of 8 frames left out: exact repeats" in told
    assert "without detail" in told
    assert "another view" in told


def test_different_views_are_not_averaged() -> None:
    with pytest.raises(InputError, match="do not show the same view"):
        average_views([_frame(_scene("camera"), np.zeros((4, 2)), 1), _frame(_scene("coins"), np.zeros((4, 2)), 2)])


def test_frames_of_different_sizes_are_refused() -> None:
    small = ThermalImage(np.zeros((10, 12)), 0.05, 2.0, (8.0, 14.0), 0.6)
    with pytest.raises(InputError, match="different sizes"):
        average_views([_frame(_scene("camera"), np.zeros((4, 2)), 1), small])


def test_a_bad_pixel_is_filled_by_the_other_frames() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 1.3 * k), k) for k in range(4)]
    holed = frames[0].apparent_c.copy()
    holed[90, 120] = np.nan
    first = ThermalImage(holed, NOISE_K, 2.0, (8.0, 14.0), 0.6)
    mean = average_views([first, *frames[1:]])
    assert np.isfinite(mean.apparent_c[90, 120])


def test_one_frame_passes_through_unchanged() -> None:
    frame = _frame(_scene("camera"), np.zeros((4, 2)), 1)
    assert np.array_equal(average_views([frame]).apparent_c, frame.apparent_c)
