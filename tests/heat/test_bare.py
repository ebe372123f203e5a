"""Where the bare board is read, and how it is averaged, against distances measured here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage.measure import points_in_poly

from thermscan.heat.bare import bare_cells, bare_pixels, camera_px_mm, margin_mm
from thermscan.heat.fin import fin_grid
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.registration import Registration

MASK = Surface("solder-mask", 0.9, 0.03)
# A corner is cut away, and a side leans.
OUTLINE = np.array([[0, 0], [70, 0], [70, 25], [100, 25], [96, 80], [0, 80]], dtype=float)
MM = 0.8


def _board(*parts: Part) -> Board:
    return Board("b", None, OUTLINE, 1.6, MASK, parts)


def _distance_to_outline(points: np.ndarray) -> np.ndarray:
    steps = np.linspace(0.0, 1.0, 4001)[:, None]
    sides = [a + steps * (b - a) for a, b in zip(OUTLINE, np.roll(OUTLINE, -1, axis=0), strict=True)]
    return np.asarray(cKDTree(np.vstack(sides)).query(points)[0])


@pytest.mark.parametrize("margin", [0.5, 2.3])
def test_bare_is_what_lies_inside_and_keeps_its_distance_from_the_edge_and_from_every_body(margin: float):
    turned = Part("U1", 30.0, 8.0, 35.0, 45.0, 30.0, MASK)
    at_the_edge = Part("J1", 20.0, 6.0, 2.0, 10.0, 90.0, MASK)
    board = _board(turned, at_the_edge)
    rows, cols = 100, 125
    bare = bare_pixels(board, shape=(rows, cols), mm_per_px=MM, margin=margin)
    row, col = np.indices((rows, cols))
    points = np.column_stack([(col.ravel() + 0.5) * MM, (row.ravel() + 0.5) * MM])
    edge_mm = _distance_to_outline(points)
    expected = points_in_poly(points, OUTLINE) & (edge_mm >= margin)
    slack = np.abs(edge_mm - margin)
    for part in board.parts:
        away = np.abs(part.body_from_board(points)) - [part.length_mm / 2, part.width_mm / 2]
        expected &= (away >= margin).any(axis=1)
        slack = np.minimum(slack, np.abs(away - margin).min(axis=1))
    sure = slack > 0.03
    assert sure.mean() > 0.85
    assert (bare.ravel() == expected)[sure].all()


def test_a_camera_pixel_is_as_large_as_it_is_in_the_direction_where_it_sees_most():
    board = _board()
    # 2 px a millimetre along x and 0.8 along y, turned by 30 degrees.
    turn = np.deg2rad(30.0)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([2.0, 0.8])
    matrix = np.eye(3)
    matrix[:2, :2] = turned
    corners = board.corners_mm @ turned.T
    registration = Registration("corners", matrix, corners, np.eye(8) * 1e-4, 0.1, 0.25, 0.0)
    assert camera_px_mm(registration, board) == pytest.approx(1 / 0.8)
    # A lead's millimetre, one and a half pixels of spread, twice the place's uncertainty.
    assert margin_mm(registration, board) == pytest.approx(1.0 + 1.5 / 0.8 + 2 * 0.25)


def test_cells_hold_the_mean_of_the_bare_pixels_in_them():
    board = _board(Part("U1", 20.0, 8.0, 35.0, 45.0, 0.0, MASK))
    row, col = np.indices((100, 125))
    x, y = (col + 0.5) * MM, (row + 0.5) * MM
    rise_k = 2.0 + 0.03 * x + 0.04 * y
    rise_k[10:14, 30:34] = np.nan
    grid = fin_grid(board)
    cells = bare_cells(rise_k, board, grid, mm_per_px=MM, margin=2.0)
    assert cells.margin_mm == 2.0
    # The mean of a slope is the slope at the mean place, whichever pixels took part.
    assert cells.rise_k == pytest.approx(2.0 + cells.points_mm @ [0.03, 0.04])
    # Next to what was not seen no slope can be told; everywhere else it is 3 and 4 hundredths, together 5.
    assert (np.abs(cells.slope_k_per_mm - 0.05) < 1e-9).mean() > 0.99
    seen = bare_pixels(board, shape=rise_k.shape, mm_per_px=MM, margin=2.0) & np.isfinite(rise_k)
    # Cells of which less than a fifth is seen are left out: few, at edges.
    assert 0.97 * seen.sum() < cells.pixels.sum() <= seen.sum()
    least = 0.2 * grid.cell_area_mm2 / MM**2
    assert cells.pixels.min() >= max(least, 1.0)


def test_on_a_crowded_board_half_the_margin_is_kept():
    # Rows of bodies 7 mm wide with 3 mm between them: with 2 mm about each nothing is left.
    crowd = [Part(f"U{i}{j}", 22.0, 7.0, 12 + 25 * i, 5 + 10 * j, 0.0, MASK) for i in range(4) for j in range(8)]
    board = _board(*crowd)
    cells = bare_cells(np.full((100, 125), 5.0), board, fin_grid(board), mm_per_px=MM, margin=2.0)
    assert cells.margin_mm == 1.0
    assert len(cells.rise_k) > 0
