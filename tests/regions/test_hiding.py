"""A tall can hides what lies behind it in a slanted view; what it hides is not read as the part's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from samples.simulator import place_camera, render_frame, solve_board
from tests.regions.rendering import make_board, make_part, make_registration
from thermscan.layout.board import Surface
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.measure import measure_parts

PLASTIC = Surface("plastic", 0.95, 0.02)


def read(gap_mm: float, *, can_height_mm: float, azimuth_deg: float) -> tuple[object, float]:
    """The chip beside a cool can: its measurement and its true temperature."""
    chip = make_part("U1", length_mm=20.0, width_mm=8.0, x_mm=50.0, y_mm=40.0, height_mm=3.5, surface=PLASTIC)
    y_mm = 40.0 - 4.0 - gap_mm - 6.0
    can = make_part("C1", length_mm=24.0, width_mm=12.0, x_mm=50.0, y_mm=y_mm, height_mm=can_height_mm, surface=PLASTIC)
    board = make_board(chip, can)
    field = solve_board(board, {"U1": 0.9, "C1": 0.0}, ambient_c=22.0)
    pose = place_camera(board, (240, 320), tilt_deg=45.0, azimuth_deg=azimuth_deg, fov_deg=35.0)
    rendered = render_frame(field, board, pose, rng=np.random.default_rng(3), heights=True, netd_k=0.03)
    image = ThermalImage(rendered.apparent_c, 0.03, 1.0, (8.0, 14.0), 0.6)
    registration = replace(make_registration(board, pose.px_from_mm / pose.px_from_mm[2, 2]), view_angle_deg=45.0)
    found, _ = measure_parts(image, registration, board, ambient_c=22.0, reflected_c=22.0, fov_deg=35.0)
    return found, rendered.truth["U1"].mean_c


@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 180.0, 270.0])
def test_a_chip_beside_a_tall_can_is_read_right_or_not_at_all(azimuth_deg: float) -> None:
    found, truth_c = read(2.0, can_height_mm=16.0, azimuth_deg=azimuth_deg)
    if found.measurable:
        # Within the stated uncertainty of blending and place, and the simulator's own grid.
        assert found.mean_c == pytest.approx(truth_c, abs=0.8)
    else:
        assert found.reason is reasons.HIDDEN


def test_from_one_side_the_can_hides_the_chip_and_from_the_others_it_does_not() -> None:
    seen = [read(2.0, can_height_mm=16.0, azimuth_deg=angle)[0] for angle in (0.0, 90.0, 180.0, 270.0)]
    hidden = [found for found in seen if not found.measurable]
    assert len(hidden) == 1
    assert hidden[0].mean_c is None
    assert all(found.pixels > 50 for found in seen if found.measurable)


def test_a_flat_neighbour_hides_nothing() -> None:
    for angle in (0.0, 90.0, 180.0, 270.0):
        assert read(2.0, can_height_mm=3.5, azimuth_deg=angle)[0].measurable
