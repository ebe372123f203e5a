"""The sheet solved line by line, against a general sparse solver, and how its cost grows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import spsolve

from thermscan.heat.bodies import board_bodies, join_bodies
from thermscan.heat.fin import FinGrid, fin_grid
from thermscan.heat.loss import loss_growth
from thermscan.heat.sheet import factor_sheet
from thermscan.layout.board import Board, Part, Surface

MASK = Surface("solder-mask", 0.9, 0.03)
# A notch, a hole and a tongue: lines of cells that start anew, end early and have gaps.
SHAPES = {
    "wide": np.ones((7, 12), bool),
    "high": np.ones((12, 7), bool),
    "odd": np.array(
        [
            [1, 1, 1, 0, 0, 1, 1, 1],
            [1, 1, 1, 0, 0, 1, 1, 1],
            [1, 1, 1, 1, 1, 1, 0, 1],
            [0, 1, 1, 0, 1, 1, 1, 1],
            [0, 0, 1, 1, 1, 1, 1, 0],
        ],
        bool,
    ),
}


def _matrix(grid: FinGrid, conductance_mm2: float, own: np.ndarray) -> sparse.csc_matrix:
    """Cell by cell, as the equation is written."""
    number = grid.numbers()
    matrix = sparse.lil_matrix((grid.cells, grid.cells))
    matrix.setdiag(own)
    for (row, col), this in np.ndenumerate(number):
        for step, distance in (((0, 1), grid.dx_mm), ((1, 0), grid.dy_mm)):
            there = (row + step[0], col + step[1])
            if this < 0 or there[0] >= number.shape[0] or there[1] >= number.shape[1] or number[there] < 0:
                continue
            link = conductance_mm2 / distance**2
            for a, b in ((this, number[there]), (number[there], this)):
                matrix[a, a] += link
                matrix[a, b] -= link
    return sparse.csc_matrix(matrix)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_sheet_is_solved_as_a_general_solver_does(shape: str):
    rng = np.random.default_rng(3)
    grid = FinGrid(SHAPES[shape], 1.3, 0.8)
    own, right = rng.uniform(0.2, 2.0, grid.cells), rng.normal(size=(grid.cells, 4))
    expected = spsolve(_matrix(grid, 5.0, own), right)
    np.testing.assert_allclose(factor_sheet(grid, conductance_mm2=5.0, own=own).solve(right), expected, rtol=1e-10)


def _chips(count: int) -> Board:
    parts = tuple(
        Part(f"U{i}", 7.0, 5.0, 10.0 + 12.0 * (i % 5), 10.0 + 9.0 * (i // 5), 0.0, MASK) for i in range(count)
    )
    return Board("b", None, [[0, 0], [70, 0], [70, 60], [0, 60]], 1.6, MASK, parts)


def test_board_and_bodies_lose_what_is_put_in_though_the_loss_grows():
    board = _chips(15)
    grid = fin_grid(board, cell_mm=2.0)
    bodies = board_bodies(board, grid)
    rng = np.random.default_rng(1)
    growth = [loss_growth(rng.uniform(2.0, 40.0, size)) for size in (grid.cells, 15)]
    joined = join_bodies(
        grid, bodies, decay_mm=20.0, contact=np.full(15, 8.0), cell_growth=growth[0], body_growth=growth[1]
    )
    heat = rng.uniform(10.0, 100.0, 15)
    lost = (joined.plain_loss * growth[0]) @ joined.responses.cells(heat)
    lost += joined.body_loss @ joined.responses.bodies @ heat
    assert lost == pytest.approx(heat.sum(), rel=1e-9)
    cells_k, bodies_k = joined.solve(np.zeros((grid.cells, 1)), heat[:, None])
    np.testing.assert_allclose(cells_k[:, 0], joined.responses.cells(heat), rtol=1e-9)
    np.testing.assert_allclose(bodies_k[:, 0], joined.responses.bodies @ heat, rtol=1e-9)
    # Heat put into the board itself: all of it is lost too.
    spot = np.zeros((grid.cells, 1))
    spot[77] = 5.0
    cells_k, bodies_k = joined.solve(spot, np.zeros((15, 1)))
    assert (joined.plain_loss * growth[0]) @ cells_k + joined.body_loss @ bodies_k == pytest.approx(5.0, rel=1e-9)


def test_bodies_solved_some_at_a_time_are_those_of_the_whole_system(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("thermscan.heat.bodies.AT_ONCE", 4)
    board = _chips(15)
    grid = fin_grid(board, cell_mm=2.0)
    joined = join_bodies(grid, board_bodies(board, grid), decay_mm=20.0, contact=np.linspace(5.0, 12.0, 15))
    sheet = _matrix(grid, grid.cell_area_mm2 * 20.0**2, joined.own)
    whole = sparse.block_array(
        [[sheet, -joined.spread], [-joined.spread.T, sparse.diags(joined.joint + joined.body_loss)]]
    )
    expected = spsolve(sparse.csc_matrix(whole), np.vstack([np.zeros((grid.cells, 15)), np.eye(15)]))
    np.testing.assert_allclose(joined.responses.board, expected[: grid.cells], rtol=1e-9)
    np.testing.assert_allclose(joined.responses.bodies, expected[grid.cells :], rtol=1e-9)
    beneath = joined.bodies.shares.T @ expected[: grid.cells]
    np.testing.assert_allclose(joined.responses.beneath, beneath, rtol=1e-9)


def test_loss_grows_as_a_plate_in_still_air():
    # F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, equations 9.30 and 9.32: Nu = 0.54 and
    # 0.27 Ra^(1/4) for the upper and the lower face, L = area over perimeter; air at 300 K of table A.4: 15.89e-6 and
    # 22.5e-6 m2/s, 26.3e-3 W/(m K). Radiation of two faces of emissivity 0.9, exactly, in a room of 295 K.
    def loss(rise_k: float, length_m: float) -> float:
        rayleigh = 9.81 / 300.0 * rise_k * length_m**3 / (15.89e-6 * 22.5e-6)
        convection = 0.81 * rayleigh**0.25 * 26.3e-3 / length_m
        return convection + 2 * 0.9 * 5.670374419e-8 * ((295.0 + rise_k) ** 4 - 295.0**4) / rise_k

    for rise_k in (3.0, 30.0, 60.0):
        # Plates of 60 to 200 mm: convection's share is 0.46 to 0.36 of the loss at 10 K; within a few hundredths.
        for length_m in (0.015, 0.05):
            expected = loss(rise_k, length_m) / loss(10.0, length_m)
            assert loss_growth(np.array([rise_k]))[0] == pytest.approx(expected, abs=0.04 * abs(expected - 1) + 0.02)
