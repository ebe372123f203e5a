"""
The board as a thin fin against closed forms.

Source of the forms: H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. (point and disc
source with surface loss; forms from memory, checked against each other). Bessel values: M. Abramowitz and
I. A. Stegun, Handbook of Mathematical Functions, table 9.8.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.special import i0, i1, k0, k1

from tests.heat.responses import body_responses, fin_responses
from thermscan.heat.bodies import UPPER_SHARE, board_bodies
from thermscan.heat.fin import FinGrid, fin_grid
from thermscan.layout.board import Board, Part, Surface

# k 20 W/(m K), t 1.6 mm, h 20 W/(m2 K): decay length 40 mm. 1 W over h is 50 000 K mm2.
DECAY_MM = 40.0
WATT_OVER_H = 1.0 / 20.0 * 1e6
# Kelvin at millimetres from a point source of 1 W: Q / (2 pi k t) K0(r / 40 mm), worked out independently.
POINT = {5.0: 10.981040, 10.0: 7.666826, 20.0: 4.597683, 40.0: 2.094004, 100.0: 0.310091}


@pytest.mark.parametrize(
    ("x", "value"),
    [(0.1, 2.4270690247), (0.5, 0.9244190712), (1.0, 0.4210244382), (2.0, 0.1138938727), (3.0, 0.0347395044)],
)
def test_k0_is_the_handbooks(x: float, value: float):
    assert k0(x) == pytest.approx(value, abs=5e-11)


def test_a_point_source_on_a_wide_sheet_falls_off_as_k0():
    # 600 mm wide: the edges, 7.5 decay lengths away, add less than 1e-3 of the value at 100 mm.
    n, cell = 301, 2.0
    grid = FinGrid(np.ones((n, n), bool), cell, cell)
    middle = n // 2
    source = sparse.csc_matrix(([1.0], ([middle * n + middle], [0])), shape=(n * n, 1))
    rise = fin_responses(grid, source, decay_mm=DECAY_MM)[:, 0].reshape(n, n) * WATT_OVER_H
    along = np.arange(n - middle) * cell
    for r_mm, expected in POINT.items():
        # Five-point differences err by (cell / r)^2 / 12-ish near a point; 2 mm at 5 mm gives up to 1.5 %.
        got = np.interp(np.log(r_mm), np.log(along[1:]), rise[middle, middle + 1 :])
        assert got == pytest.approx(expected, rel=0.02 if r_mm < 10 else 4e-3)


def test_a_disc_source_gives_its_closed_form_inside_and_outside():
    n, cell, a = 241, 2.0, 10.0
    y, x = (np.indices((n, n)) - n // 2) * cell
    r = np.hypot(x, y)
    # Share of each cell inside the disc by sampling, so that the disc's edge is not a staircase.
    fine = (np.arange(10) + 0.5) / 10 - 0.5
    share = np.mean([np.hypot(x + u * cell, y + v * cell) <= a for u in fine for v in fine], axis=0)
    grid = FinGrid(np.ones((n, n), bool), cell, cell)
    source = sparse.csc_matrix((share / share.sum()).reshape(-1, 1))
    rise = fin_responses(grid, source, decay_mm=DECAY_MM)[:, 0].reshape(n, n) * WATT_OVER_H
    m, per_area = 1 / DECAY_MM, WATT_OVER_H / (np.pi * a**2)
    inside = per_area * (1 - m * a * k1(m * a) * i0(m * r))
    outside = per_area * m * a * i1(m * a) * k0(np.maximum(m * r, 1e-9))
    assert inside[n // 2, n // 2] == pytest.approx(10.065517, abs=2e-6)
    middle = rise[n // 2]
    expected = np.where(r[n // 2] < a, inside[n // 2], outside[n // 2])
    near = np.abs(r[n // 2]) <= 100
    # Cells of 2 mm on a disc of 10 mm: the edge's kink costs a few parts in a thousand.
    np.testing.assert_allclose(middle[near], expected[near], rtol=5e-3, atol=2e-3)


def test_one_watt_spread_over_a_tenth_of_a_metre_square_is_five_kelvin():
    grid = FinGrid(np.ones((50, 50), bool), 2.0, 2.0)
    everywhere = sparse.csc_matrix(np.full((2500, 1), 1 / 2500))
    np.testing.assert_allclose(fin_responses(grid, everywhere, decay_mm=DECAY_MM) * WATT_OVER_H, 5.0, rtol=1e-9)


@pytest.mark.parametrize("decay_mm", [9.0, 25.0, 66.0])
def test_what_is_lost_is_what_was_put_in(decay_mm: float):
    inside = np.ones((40, 60), bool)
    inside[:15, 45:] = False  # a notched outline loses nothing through its edges either
    grid = FinGrid(inside, 2.0, 2.0)
    source = sparse.csc_matrix(([1.0], ([7], [0])), shape=(grid.cells, 1))
    rise = fin_responses(grid, source, decay_mm=decay_mm)
    assert rise.sum() * grid.cell_area_mm2 == pytest.approx(1.0, rel=1e-9)
    assert (rise > 0).all()


MASK = Surface("solder-mask", 0.9, 0.03)


def _board(side_mm: float, *parts: Part) -> Board:
    return Board("b", None, [[0, 0], [side_mm, 0], [side_mm, side_mm], [0, side_mm]], 1.6, MASK, parts)


def test_far_from_a_flat_body_the_rise_falls_off_as_k0():
    # As thin as foil and joined without resistance, a body is the board itself: 6 mm square, a point from 20 mm on.
    chip = Part("U1", 6.0, 6.0, 300.0, 300.0, 0.0, MASK, height_mm=1e-6)
    board = _board(600.0, chip)
    grid = fin_grid(board, cell_mm=3.0)
    rise = body_responses(grid, board_bodies(board, grid), decay_mm=DECAY_MM, contact=np.array([1e5]))
    points = np.array([[300.0 + r_mm, 300.0] for r_mm in (20.0, 40.0, 100.0)])
    got = grid.interpolation(points) @ rise.cells(np.ones(1)) * WATT_OVER_H
    np.testing.assert_allclose(got, [POINT[20.0], POINT[40.0], POINT[100.0]], rtol=0.01)


def test_bodies_and_board_together_lose_what_is_put_in():
    # Energy balance; and over its joint a body stands by heat over conductance (Incropera and DeWitt, 3.1).
    parts = (Part("U1", 20.0, 8.0, 30.0, 30.0, 90.0, MASK), Part("U2", 12.0, 12.0, 60.0, 55.0, 30.0, MASK))
    board = _board(90.0, *parts)
    grid = fin_grid(board)
    bodies, contact = board_bodies(board, grid), np.array([7.0, 20.0])
    rise = body_responses(grid, bodies, decay_mm=25.0, contact=contact)
    bare = 1.0 - UPPER_SHARE * np.minimum(bodies.shares @ bodies.area_mm2 / grid.cell_area_mm2, 1.0)
    lost = grid.cell_area_mm2 * bare @ rise.cells(np.eye(2)) + bodies.loss_mm2 @ rise.bodies
    np.testing.assert_allclose(lost, 1.0, rtol=1e-9)
    through = np.eye(2) - bodies.loss_mm2[:, None] * rise.bodies
    over_k = rise.bodies - rise.beneath
    np.testing.assert_allclose(over_k, through / (contact * bodies.area_mm2)[:, None], rtol=1e-9)
