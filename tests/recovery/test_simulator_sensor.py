"""The simulated sensor does what the one real one did that its figures are from."""

from __future__ import annotations

import numpy as np
import pytest

from samples.simulator import IDEAL, Sensor, place_camera, render_frame, sample_sensor, solve_board
from samples.simulator.sensor import COLUMN_QUICK, ROW_QUICK, ROW_SLOW, SHADING, SHARED
from thermscan.layout.board import Board, Surface

SHAPE = (240, 320)
NETD_K = 0.05
MATT = Surface("plastic", 0.95, 0.02)


def flat(sensor: Sensor, *, seed: int = 1, minute: float = 0.0) -> np.ndarray:
    return sensor.unevenness_k(np.random.default_rng(seed), SHAPE, minute=minute)


def test_noise_is_as_alike_at_one_to_three_pixels_as_the_recordings() -> None:
    rng = np.random.default_rng(2)
    shared = flat(Sensor(shared_noise_k=SHARED * NETD_K)) + rng.normal(0.0, NETD_K, SHAPE)
    seen = [float(np.corrcoef(shared[:, :-lag].ravel(), shared[:, lag:].ravel())[0, 1]) for lag in (1, 2, 3)]
    # The recording's 0.44, 0.39 and 0.35; patches of 9 px leave some 0.03 open in a frame of this size.
    assert seen == pytest.approx([0.44, 0.39, 0.35], abs=0.06)


@pytest.mark.parametrize(("name", "axis", "over_white"), [("row", 1, ROW_QUICK), ("column", 0, COLUMN_QUICK)])
def test_lines_differ_between_frames_by_as_much_as_stated(name: str, axis: int, over_white: float) -> None:
    sensor = Sensor(**{f"{name}_quick_k": over_white * NETD_K})
    change = flat(sensor, seed=1) - flat(sensor, seed=2)
    assert change.mean(axis=axis).std() == pytest.approx(over_white * NETD_K * np.sqrt(2), rel=0.15)
    assert (change - change.mean(axis=axis, keepdims=True)).std() == pytest.approx(0.0, abs=1e-12)


def test_rows_move_more_over_minutes_than_between_neighbouring_frames() -> None:
    sensor = Sensor(seed=5, row_slow_k=ROW_SLOW * NETD_K)
    soon, later = (flat(sensor, minute=minute) - flat(sensor) for minute in (0.1, 2.0))
    assert later.std() > 4 * soon.std() > 0


def test_shading_is_smooth_and_from_edge_to_centre_about_as_stated() -> None:
    size_k = SHADING * NETD_K
    found = [flat(Sensor(seed=seed, shading_k=size_k)) for seed in range(12)]
    steps = [abs(np.mean([s[0, 160], s[-1, 160], s[120, 0], s[120, -1]]) - s[120, 160]) for s in found]
    assert np.median(steps) == pytest.approx(size_k, rel=0.3)
    assert max(np.abs(np.diff(s, axis=1)).max() for s in found) < 0.1 * size_k


def test_cameras_differ_and_one_camera_stays_itself() -> None:
    sizes = np.array([sample_sensor(np.random.default_rng(seed), netd_k=NETD_K).shading_k for seed in range(60)])
    assert np.percentile(sizes, 90) > 3 * np.percentile(sizes, 10)
    camera = sample_sensor(np.random.default_rng(3), netd_k=NETD_K)
    assert np.array_equal(flat(camera, minute=4.0), flat(camera, minute=4.0))
    assert not np.array_equal(flat(camera), flat(sample_sensor(np.random.default_rng(4), netd_k=NETD_K)))


def test_a_frame_is_seen_by_an_uneven_sensor_unless_told_otherwise() -> None:
    outline = np.array([[0, 0], [100, 0], [100, 80], [0, 80]], dtype=float)
    board = Board("test", None, outline, thickness_mm=1.6, surface=MATT, parts=())
    field = solve_board(board, {}, ambient_c=30.0)
    pose = place_camera(board, (120, 160), tilt_deg=0.0)
    even = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=NETD_K, sensor=IDEAL)
    usual = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=NETD_K)
    # The scene and the white noise are the same: what is between them is the sensor's, several times the noise.
    assert (usual.apparent_c - even.apparent_c).std() > 2 * NETD_K
    assert usual.offset_k - even.offset_k == pytest.approx((usual.apparent_c - even.apparent_c).mean(), abs=0.01)
