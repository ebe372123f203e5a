"""The fin's grid and footprints."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.heat.responses import fin_responses
from thermscan.heat.fin import fin_grid, footprints
from thermscan.layout.board import Board, Part, Surface

MASK = Surface("solder-mask", 0.9, 0.03)
NOTCHED = [[0, 0], [60, 0], [60, 30], [100, 30], [100, 80], [0, 80]]


def _board(*parts: Part, outline: list[list[float]] | None = None) -> Board:
    return Board("b", None, outline or [[0, 0], [100, 0], [100, 80], [0, 80]], 1.6, MASK, parts)


def _part(x: float, y: float, turn: float = 0.0, length: float = 20.0, width: float = 7.0) -> Part:
    return Part("U1", length, width, x, y, turn, MASK)


def test_cells_outside_a_notched_outline_are_left_out():
    grid = fin_grid(_board(outline=NOTCHED), cell_mm=2.0)
    assert grid.cells * grid.cell_area_mm2 == pytest.approx(60 * 80 + 40 * 50)
    assert not grid.inside[5, 45]
    assert grid.inside[20, 45]


@given(
    x=st.floats(15, 85), y=st.floats(15, 65), turn=st.floats(0, 360), length=st.floats(1, 25), width=st.floats(1, 15)
)
@settings(max_examples=40, deadline=None)
def test_a_footprint_holds_all_the_heat_about_the_bodys_centre(
    x: float, y: float, turn: float, length: float, width: float
):
    board = _board(_part(x, y, turn, length, width))
    grid = fin_grid(board)
    share = footprints(board, grid).toarray()[:, 0]
    rows, cols = np.nonzero(grid.inside)
    assert share.sum() == pytest.approx(1.0)
    # Whole cells take the heat: the centre may be off by a quarter of a cell at most.
    assert share @ ((cols + 0.5) * grid.dx_mm) == pytest.approx(x, abs=0.5 * grid.dx_mm)
    assert share @ ((rows + 0.5) * grid.dy_mm) == pytest.approx(y, abs=0.5 * grid.dy_mm)


def test_a_part_off_the_board_gives_nothing():
    board = _board(_part(80, 10), outline=NOTCHED)
    assert footprints(board, fin_grid(board)).sum() == 0


def test_influence_is_mutual():
    one, other = _part(25, 30), _part(70, 50, turn=90.0)
    board = _board(one, other)
    grid = fin_grid(board)
    sources = footprints(board, grid)
    at = sources.T @ fin_responses(grid, sources, decay_mm=25.0)
    assert at[0, 1] == pytest.approx(at[1, 0], rel=1e-9)


def test_heat_at_the_edge_makes_more_kelvin_than_in_the_middle():
    board = _board(_part(50, 40), _part(50, 4))
    grid = fin_grid(board)
    sources = footprints(board, grid)
    at = sources.T @ fin_responses(grid, sources, decay_mm=25.0)
    assert at[1, 1] > 1.3 * at[0, 0]


def test_interpolation_takes_a_plane_over_unchanged():
    grid = fin_grid(_board(), cell_mm=2.0)
    rows, cols = np.nonzero(grid.inside)
    plane = 3.0 + 0.2 * (cols + 0.5) * grid.dx_mm - 0.1 * (rows + 0.5) * grid.dy_mm
    points = np.random.default_rng(1).uniform([2, 2], [98, 78], (50, 2))
    np.testing.assert_allclose(grid.interpolation(points) @ plane, 3.0 + points @ [0.2, -0.1], atol=1e-9)
