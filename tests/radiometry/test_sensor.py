"""The covariance of what a sensor does to parts, against frames drawn pixel by pixel."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from thermscan.radiometry.sensor import CORRELATION_PX, Footprint, SensorErrors

SHAPE = (60, 80)
NONE = SensorErrors(row_k=0.0, column_k=0.0, shading_k=0.0, correlated_k=0.0)


def block(top: int, left: int, height: int, width: int) -> Footprint:
    rows, cols = np.indices((height, width))
    return Footprint((rows + top).ravel(), (cols + left).ravel())


PARTS = [block(10, 10, 6, 12), block(10, 50, 6, 12), block(30, 12, 14, 4), block(45, 60, 8, 8), block(18, 11, 5, 10)]


def of_difference(covariance: np.ndarray, i: int, j: int) -> float:
    return float(np.sqrt(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j]))


def drawn_differences(fields: np.ndarray) -> np.ndarray:
    """Standard deviation of the difference between each two parts over frames; shape (n, n)."""
    means = np.array([fields[:, part.rows, part.cols].mean(axis=1) for part in PARTS])
    return (means[:, None] - means[None]).std(axis=2)


def stated_differences(sensor: SensorErrors) -> np.ndarray:
    covariance = sensor.covariance_k2(PARTS, SHAPE)
    return np.array([[of_difference(covariance, i, j) for j in range(len(PARTS))] for i in range(len(PARTS))])


def test_offsets_of_rows_and_columns_differ_between_parts_as_drawn_frames_do() -> None:
    rng = np.random.default_rng(4)
    fields = rng.normal(0.0, 0.2, (4000, SHAPE[0], 1)) + rng.normal(0.0, 0.07, (4000, 1, SHAPE[1]))
    stated = stated_differences(SensorErrors(row_k=0.2, column_k=0.07, shading_k=0.0, correlated_k=0.0))
    # 4000 frames tell a standard deviation to 1.1 %; four times that for ten pairs.
    assert stated == pytest.approx(drawn_differences(fields), rel=0.045, abs=1e-6)


def test_noise_that_neighbours_share_is_left_in_a_parts_mean_as_in_drawn_frames() -> None:
    rng = np.random.default_rng(5)
    places = np.stack(np.indices(SHAPE), axis=-1).reshape(-1, 2)
    inside = np.zeros(SHAPE, bool)
    for part in PARTS:
        inside[part.rows, part.cols] = True
    chosen = np.flatnonzero(inside.ravel())
    covariance = 0.1**2 * np.exp(-cdist(places[chosen], places[chosen]) / CORRELATION_PX)
    fields = np.zeros((4000, SHAPE[0] * SHAPE[1]))
    fields[:, chosen] = rng.standard_normal((4000, len(chosen))) @ np.linalg.cholesky(covariance).T
    stated = stated_differences(SensorErrors(row_k=0.0, column_k=0.0, shading_k=0.0, correlated_k=0.1))
    # What a pair shares is taken between middles rather than over areas: parts side by side share a little more.
    ratio = (stated / np.maximum(drawn_differences(fields.reshape(4000, *SHAPE)), 1e-9))[
        ~np.eye(len(PARTS), dtype=bool)
    ]
    assert ratio.min() > 0.95
    assert ratio.max() < 1.25
    # And it is not averaged away: 72 independent pixels would leave 0.012 each.
    assert stated[0, 1] > 0.08


def test_shading_between_the_centre_and_the_edge_is_what_it_is_called() -> None:
    middle, edge = block(29, 39, 2, 2), block(29, 79, 2, 1)
    covariance = SensorErrors(row_k=0.0, column_k=0.0, shading_k=0.5, correlated_k=0.0).covariance_k2(
        [middle, edge], SHAPE
    )
    # The parts' middles are 39.5 px apart, the reach is 40.
    assert of_difference(covariance, 0, 1) == pytest.approx(0.5, rel=0.01)


def test_parts_near_each_other_share_more_shading_than_parts_far_apart() -> None:
    stated = stated_differences(SensorErrors(row_k=0.0, column_k=0.0, shading_k=0.5, correlated_k=0.0))
    assert stated[0, 4] < 0.25 * stated[0, 3]


def test_what_all_parts_share_is_not_in_it() -> None:
    sensor = SensorErrors(row_k=0.1, column_k=0.1, shading_k=0.5, correlated_k=0.1)
    assert sensor.covariance_k2(PARTS, SHAPE).sum() == pytest.approx(0.0, abs=1e-12)
    assert NONE.covariance_k2(PARTS, SHAPE) == pytest.approx(0.0)
    assert NONE.covariance_k2([], SHAPE).shape == (0, 0)
