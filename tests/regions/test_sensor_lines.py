"""The sensor's unevenness in the parts' budgets says of every difference what its covariance says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.regions.rendering import frontal, make_board, make_part, make_registration, render
from thermscan.judge.comparison import difference_u_k, look_u_k
from thermscan.layout.board import Surface
from thermscan.radiometry.sensor import SensorErrors
from thermscan.radiometry.surface import surface_sensitivities
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import SOURCE, sensor_covariance_k2, told_lines

BOARD = make_board(
    *(make_part(f"U{i}", x_mm=x, y_mm=y) for i, (x, y) in enumerate([(20, 20), (75, 20), (20, 60), (75, 60)]))
)
VIEW = frontal(1.2)
UNEVEN = SensorErrors(row_k=0.05, column_k=0.03, shading_k=0.5, correlated_k=0.04)


def measured(sensor: SensorErrors | None, *, seed: int = 0) -> tuple[PartMeasurement, ...]:
    temps = {part.ref: 45.0 for part in BOARD.parts}
    image: ThermalImage = replace(render(BOARD, VIEW, temps, noise_k=0.03, seed=seed), sensor=sensor)
    return measure_parts(image, make_registration(BOARD, VIEW), BOARD, ambient_c=22.0, reflected_c=22.0)


def test_a_difference_between_parts_has_the_variance_that_the_covariance_gives_it() -> None:
    even, uneven = measured(None), measured(UNEVEN)
    covariance = sensor_covariance_k2(uneven)
    contrast = np.array([1.0, -1 / 3, -1 / 3, -1 / 3])
    expected = difference_u_k(even[0], even[1:]) ** 2 + contrast @ covariance @ contrast
    assert difference_u_k(uneven[0], uneven[1:]) ** 2 == pytest.approx(expected)
    # From corner to corner, about one frame's width apart, shading is most of it.
    assert difference_u_k(uneven[0], [uneven[3]]) > 0.4
    assert difference_u_k(even[0], [even[3]]) < 0.2


def test_parts_on_the_same_rows_share_the_rows_offsets() -> None:
    rows = replace(UNEVEN, column_k=0.0, shading_k=0.0, correlated_k=0.0)
    parts = measured(rows)
    covariance = sensor_covariance_k2(parts)

    def between(i: int, j: int) -> float:
        return float(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])

    # U0 and U1 stand side by side; U2 stands below U0.
    assert between(0, 1) < 0.05 * between(0, 2)
    assert between(0, 2) > 0


def test_errors_of_two_frames_are_independent() -> None:
    one, other = measured(UNEVEN), measured(UNEVEN, seed=1)
    both = sensor_covariance_k2([one[0], other[0]])
    assert both[0, 1] == 0.0
    assert both[0, 0] == pytest.approx(sensor_covariance_k2(one)[0, 0])


def test_another_look_has_the_sensors_errors_anew() -> None:
    assert look_u_k(measured(UNEVEN)[0]) > look_u_k(measured(None)[0]) + 0.05


def test_the_budget_adds_up_to_the_stated_uncertainty_and_is_told_in_one_line() -> None:
    part = measured(UNEVEN)[0]
    told = told_lines(part.budget)
    assert [line.source for line in told].count(SOURCE) == 1
    assert sum(line.u_k**2 for line in told) == pytest.approx((part.u_c or 0.0) ** 2)


def test_an_error_of_reading_is_larger_in_the_temperature_of_a_surface_that_emits_less() -> None:
    half = Surface("half", 0.5, 0.02)
    pairs = []
    for surface in (None, half):
        board = BOARD if surface is None else replace(BOARD, parts=tuple(replace(p, surface=half) for p in BOARD.parts))
        image = replace(render(BOARD, VIEW, {part.ref: 45.0 for part in BOARD.parts}, noise_k=0.03), sensor=UNEVEN)
        parts = measure_parts(image, make_registration(BOARD, VIEW), board, ambient_c=22.0, reflected_c=22.0)
        pairs.append((np.sqrt(sensor_covariance_k2(parts)[0, 0]), parts[0]))
    (black_k, _), (half_k, part) = pairs
    # With half the radiance its own, a kelvin read is nearly two of the surface: a little less, for it is hotter.
    gain = float(surface_sensitivities(part.apparent_mean_c, emissivity=0.5, reflected_c=22.0).per_apparent)
    assert 1.5 < gain < 2.0
    assert half_k / black_k == pytest.approx(gain, rel=0.02)
