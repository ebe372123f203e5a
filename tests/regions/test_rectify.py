"""The board's raster: pixel (0, 0) has its centre half a cell from the board's corner, and all lies where it is."""

from __future__ import annotations

import numpy as np
import pytest

from tests.regions.rendering import BLACK, frontal, make_board, make_part, make_registration
from thermscan.coordinates import map_points
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.rectify import rectify_frame

SHAPE = (120, 160)
# Oblique: 6 % nearer at the right than at the left.
SLANTED = np.array([[1.2, 0.1, 12.0], [-0.05, 1.15, 14.0], [0.0006, 0.0002, 1.0]])


def _ramp_in_mm(px_from_mm: np.ndarray, shape: tuple[int, int] = SHAPE) -> ThermalImage:
    """A frame whose temperature is 20 + 0.1 x + 0.3 y, x and y in millimetres on the board."""
    rows, cols = np.indices(shape)
    mm = map_points(np.linalg.inv(px_from_mm), np.column_stack([cols.ravel(), rows.ravel()]).astype(float))
    return ThermalImage((20 + 0.1 * mm[:, 0] + 0.3 * mm[:, 1]).reshape(shape), 0.01, 1.0, (8.0, 14.0), 0.6)


@pytest.mark.parametrize("px_from_mm", [frontal(1.3), SLANTED], ids=["frontal", "slanted"])
def test_a_ramp_over_the_board_is_read_at_each_cells_centre(px_from_mm: np.ndarray):
    board = make_board()
    raster = rectify_frame(_ramp_in_mm(px_from_mm), make_registration(board, px_from_mm), board)
    mm = raster.mm_per_px
    row, col = np.indices(raster.apparent_c.shape)
    expected_c = 20 + 0.1 * (col + 0.5) * mm + 0.3 * (row + 0.5) * mm
    # Half a cell is 0.04 K along x and 0.12 K along y; linear interpolation in a slanted view errs by less than 1 mK.
    assert raster.apparent_c == pytest.approx(expected_c, abs=2e-3)
    assert raster.centres_mm()[2, 5] == pytest.approx([5.5 * mm, 2.5 * mm])


def test_the_raster_has_the_frames_own_scale_and_covers_the_board():
    board = make_board()
    raster = rectify_frame(_ramp_in_mm(frontal(1.25)), make_registration(board, frontal(1.25)), board)
    assert raster.mm_per_px == pytest.approx(0.8)
    assert raster.apparent_c.shape == (100, 125)


def test_a_frame_of_many_pixels_makes_no_larger_raster_than_is_of_use():
    board = make_board()
    registration = make_registration(board, frontal(30.0))
    raster = rectify_frame(_ramp_in_mm(frontal(30.0), (200, 200)), registration, board)
    # A frame of 640 x 480 has 307,200 pixels: twice that is more than any board in it shows.
    assert 540_000 < raster.apparent_c.size <= 606_000


def test_a_cell_is_on_the_board_where_its_centre_lies_inside_the_outline():
    # A notch at the top right whose edges lie between centres of cells of 1 mm.
    outline = np.array([[0, 0], [60.2, 0], [60.2, 20.2], [100, 20.2], [100, 80], [0, 80]], dtype=float)
    board = Board("notched", None, outline, 1.6, BLACK, ())
    raster = rectify_frame(_ramp_in_mm(frontal(1.0)), make_registration(board, frontal(1.0)), board)
    assert raster.mm_per_px == pytest.approx(1.0)
    x, y = raster.centres_mm()[..., 0], raster.centres_mm()[..., 1]
    assert (raster.on_board == ~((x > 60.2) & (y < 20.2))).all()


def test_what_the_frame_does_not_show_is_unknown_and_what_is_covered_is_marked():
    board = make_board()
    px_from_mm = np.array([[1.0, 0.0, -20.0], [0.0, 1.0, 5.0], [0.0, 0.0, 1.0]])
    covered = np.zeros(SHAPE, dtype=bool)
    covered[30:40, 50:60] = True
    raster = rectify_frame(_ramp_in_mm(px_from_mm), make_registration(board, px_from_mm), board, covered=covered)
    assert np.isnan(raster.apparent_c[:, :19]).all()
    assert np.isfinite(raster.apparent_c[:, 21:99]).all()
    # The cover's own pixels and those that blend it in: within one pixel about x 70 to 80, y 25 to 35 mm.
    assert raster.overhung is not None
    rows, cols = np.nonzero(raster.overhung)
    x, y = (cols + 0.5) * raster.mm_per_px, (rows + 0.5) * raster.mm_per_px
    assert (x.min(), x.max(), y.min(), y.max()) == pytest.approx((69.5, 79.5, 24.5, 34.5), abs=1.0)


def test_the_foot_of_a_standing_body_is_marked_with_a_margin_of_a_pixel():
    part = make_part(height_mm=3.0)
    board = make_board(part)
    raster = rectify_frame(_ramp_in_mm(frontal(1.3)), make_registration(board, frontal(1.3)), board)
    assert raster.overhung is not None
    centres = raster.centres_mm()
    away = np.abs(centres - [part.x_mm, part.y_mm]) - [part.length_mm / 2, part.width_mm / 2]
    assert raster.overhung[(away < 0).all(axis=-1)].all()
    assert not raster.overhung[(away > 4.0).any(axis=-1)].any()
