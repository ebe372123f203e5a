"""The fin's cells lie where they are said to lie, half a cell from the board's corner."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import points_in_poly

from thermscan.heat.fin import FinGrid, fin_grid, footprints
from thermscan.layout.board import Board, Part, Surface

MASK = Surface("solder-mask", 0.9, 0.03)
# The notch passes centres of cells of 2 mm by a twentieth of a cell.
NOTCHED = [[0, 0], [61.1, 0], [61.1, 21.1], [100, 21.1], [100, 80], [0, 80]]


def _board(*parts: Part) -> Board:
    return Board("b", None, NOTCHED, 1.6, MASK, parts)


def _centres_mm(grid: FinGrid) -> np.ndarray:
    row, col = np.nonzero(grid.inside)
    return np.column_stack([(col + 0.5) * grid.dx_mm, (row + 0.5) * grid.dy_mm])


def test_a_cell_is_the_boards_where_its_centre_is():
    grid = fin_grid(_board(), cell_mm=2.0)
    row, col = np.indices(grid.inside.shape)
    centres = np.column_stack([(col.ravel() + 0.5) * 2.0, (row.ravel() + 0.5) * 2.0])
    assert (grid.inside.ravel() == points_in_poly(centres, NOTCHED)).all()


def test_a_slope_over_the_cells_is_the_same_slope_at_any_point():
    grid = fin_grid(_board(), cell_mm=2.0)
    values = _centres_mm(grid) @ [0.3, -0.2] + 5.0
    points = np.array([[10.0, 10.0], [33.3, 41.7], [80.2, 60.6], [55.0, 15.1]])
    assert grid.interpolation(points) @ values == pytest.approx(points @ [0.3, -0.2] + 5.0)


def test_a_footprint_has_its_bodys_middle_and_spread():
    part = Part("U1", 30.0, 10.0, 40.0, 50.0, 30.0, MASK)
    board = _board(part)
    grid = fin_grid(board, cell_mm=1.0)
    shares = footprints(board, grid).toarray()[:, 0]
    assert shares.sum() == pytest.approx(1.0)
    at = _centres_mm(grid)
    assert shares @ at == pytest.approx([40.0, 50.0], abs=0.1)
    along = part.body_from_board(at)
    # Uniform over the body: variances of a twelfth of the sides' squares, and a cell's own.
    variances = shares @ along**2
    assert variances == pytest.approx([30.0**2 / 12, 10.0**2 / 12], rel=0.03)
