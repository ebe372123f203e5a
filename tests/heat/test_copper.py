"""Conduction that differs from place to place, told from the board's own rise."""

from __future__ import annotations

import numpy as np
import pytest

from samples.simulator import BoardField, solve_board
from tests.heat.test_split import AMBIENT_C, _seen, _split_of
from thermscan.heat import sources
from thermscan.heat.bodies import board_bodies, join_bodies
from thermscan.heat.copper import copper_basis
from thermscan.heat.fin import FinGrid, fin_grid
from thermscan.heat.split import HeatSplit
from thermscan.layout.board import Board, Part, Surface

BLACK = Surface("solder-mask", 1.0, 0.02)
WATTS = 0.4


def _board() -> Board:
    parts = tuple(
        Part(f"U{i}", 19.3, 6.35, 25.0 + 50.0 * (i % 3), 20.0 + 30.0 * (i // 3), 0.0, BLACK, kind="chip")
        for i in range(9)
    )
    return Board("b", None, [[0, 0], [150, 0], [150, 100], [0, 100]], 1.6, BLACK, parts)


def _planes(points_mm: np.ndarray) -> np.ndarray:
    """A plane under the left part that conducts 3.2 times as well as the tracks on the right."""
    return 0.016 * np.where(points_mm[:, 0] < 75.0, 1.6, 0.5)


def _split(board: Board) -> tuple[BoardField, HeatSplit]:
    field = solve_board(board, {part.ref: WATTS for part in board.parts}, ambient_c=AMBIENT_C, sheet_w_per_k=_planes)
    _, measured = _seen(board, field, offset_k=0.0, seed=3)
    return field, _split_of(board, field, measured)


def test_watts_come_out_though_a_plane_ends_in_the_middle_of_the_board():
    _, split = _split(_board())
    told = np.array([heat.power_w for heat in split.parts])
    # All draw the same. Over a sheet held to be even, those on the poor side seemed to draw up to a third less or more.
    assert told == pytest.approx(np.full(9, WATTS), rel=0.07)
    assert np.mean(np.abs(told - WATTS) <= 2 * np.array([heat.u_power_w for heat in split.parts])) >= 0.8


def test_weights_of_places_are_those_of_a_plane_over_the_board():
    grid = FinGrid(np.ones((40, 60), bool), 1.0, 1.0)
    basis = copper_basis(grid).toarray()
    rows, cols = np.nonzero(grid.inside)
    # 40 mm and 60 mm: three places along each, edges included, 20 and 30 mm apart.
    x, y = np.meshgrid([0.0, 30.0, 60.0], [0.0, 20.0, 40.0])
    np.testing.assert_allclose(basis @ x.ravel(), cols + 0.5, atol=1e-9)
    np.testing.assert_allclose(basis @ y.ravel(), rows + 0.5, atol=1e-9)


def test_what_a_place_is_told_to_conduct_changes_the_rise_as_its_derivative_says():
    board = _board()
    grid = fin_grid(board, cell_mm=3.0)
    bodies, heat = board_bodies(board, grid), np.full((9, 1), 300.0)
    basis = copper_basis(grid)

    def rises(step: float) -> np.ndarray:
        conduction = np.exp(step * basis.toarray()[:, 7])
        joined = join_bodies(grid, bodies, decay_mm=25.0 * np.sqrt(conduction), contact=np.full(9, 10.0))
        return joined.solve(np.zeros((grid.cells, 1)), heat)[0]

    joined = join_bodies(grid, bodies, decay_mm=25.0, contact=np.full(9, 10.0))
    cells_k, _ = joined.solve(np.zeros((grid.cells, 1)), heat)
    places, links, flow = sources._copper_flow(joined, grid, basis, cells_k)
    flow = flow * places[:, 7].toarray()
    expected, _ = joined.solve(links.taken_up(flow, grid.cells), np.zeros((9, 1)))
    found = (rises(1e-4) - rises(-1e-4)) / 2e-4
    np.testing.assert_allclose(found, expected, atol=1e-5 * np.abs(expected).max())
