"""Parts as bodies on the fin, and how well they are joined to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.heat.responses import body_responses
from thermscan.heat.bodies import UPPER_SHARE, Bodies, board_bodies, body_areas_mm2
from thermscan.heat.fin import fin_grid
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.registration import PartHeight

MASK = Surface("solder-mask", 0.9, 0.03)
DECAY_MM = 25.0


def _board(*parts: Part) -> Board:
    return Board("b", None, [[0, 0], [100, 0], [100, 80], [0, 80]], 1.6, MASK, parts)


def _chip(ref: str, x: float, y: float, **more: object) -> Part:
    return Part(ref, 20.0, 8.0, x, y, 0.0, MASK, **more)


def _bodies(*parts: Part) -> Bodies:
    board = _board(*parts)
    return board_bodies(board, fin_grid(board))


def test_a_well_joined_body_evens_out_the_board_beneath_it():
    warm, passive = _chip("U1", 30, 40), Part("U2", 20.0, 20.0, 55.0, 40.0, 0.0, MASK)
    board = _board(warm, passive)
    grid = fin_grid(board, cell_mm=1.5)
    ends = grid.interpolation(np.array([[47.0, 40.0], [63.0, 40.0]]))
    falls = []
    for contact in (1.0, 100.0):
        found = body_responses(grid, board_bodies(board, grid), decay_mm=DECAY_MM, contact=np.array([10.0, contact]))
        falls.append(float(np.ptp(ends @ found.cells(np.array([1.0, 0.0])))))
    assert falls[1] < 0.85 * falls[0]


def test_a_body_off_the_board_warms_nobody():
    inside, outside = _chip("U1", 30, 40), _chip("U2", 300, 40)
    board = _board(inside, outside)
    grid = fin_grid(board)
    found = body_responses(grid, board_bodies(board, grid), decay_mm=DECAY_MM, contact=np.full(2, 10.0))
    assert found.cells(np.array([0.0, 1.0])).max() == pytest.approx(0.0, abs=1e-15)
    assert found.bodies[1, 1] > 0


def test_a_tall_round_can_has_its_rim_and_no_corners():
    can = Part("C1", 10.0, 10.0, 0.0, 0.0, 0.0, MASK, height_mm=16.0, round_body=True)
    top, open_mm2 = body_areas_mm2(can)
    assert (top, open_mm2 - top) == pytest.approx((np.pi * 25, np.pi * 10 * 16))


def test_the_height_that_its_package_usually_has_counts_where_none_is_stated():
    plain = _chip("U1", 20, 20)
    assert body_areas_mm2(replace(plain, usual_height_mm=9.0)) == body_areas_mm2(replace(plain, height_mm=9.0))


def test_the_upper_face_loses_as_much_as_radiation_and_convection_say():
    part = _chip("U1", 50, 40, height_mm=2.0)
    bodies = _bodies(part)
    share = float(bodies.loss_mm2[0] / body_areas_mm2(part)[1])
    # Holman's simplified equations for air, a lying plate of 0.1 m, 8 K over 300 K: W/(m2 K) up 1.32 (dT / L)^0.25,
    # down 0.59 (dT / L)^0.25; radiation 4 e sigma T^3 from either face (e 0.9, sigma of CODATA 2018).
    up, down = 1.32 * (8 / 0.1) ** 0.25, 0.59 * (8 / 0.1) ** 0.25
    radiation = 4 * 0.9 * 5.670374419e-8 * 300.0**3
    lying = (up + radiation) / (up + down + 2 * radiation)
    # An upright board loses alike from both faces; boards are seen in either position.
    assert 0.5 <= share <= lying
    assert lying == pytest.approx(0.565, abs=0.002)


def test_a_flat_body_takes_no_more_and_no_less_than_the_face_it_covers():
    # A body of no height loses by its top what the board beneath would have lost by its upper face: with a perfect
    # joint nothing changes, and all the heat that is put in is lost over the whole board.
    part = Part("U1", 100.0, 80.0, 50.0, 40.0, 0.0, MASK, height_mm=0.0)
    board = _board(part)
    grid = fin_grid(board)
    found = body_responses(grid, board_bodies(board, grid), decay_mm=DECAY_MM, contact=np.array([1e4]))
    # Kelvin for one unit of watts over h: 1 over the area that loses (whole cells: 0.3 % more than the board).
    assert found.cells(np.ones(1)) == pytest.approx(np.full(grid.cells, 1 / 8000.0), rel=5e-3)
    assert found.bodies[0, 0] == pytest.approx(1 / 8000.0, rel=5e-3)


@pytest.mark.parametrize(
    ("seen", "least_mm", "most_mm"),
    [
        # Seen well, as on a socket; hardly seen, and much too high, as none of its like is; lower than any body.
        (PartHeight(8.4, 0.3, seen=True), 8.2, 8.6),
        (PartHeight(41.0, 16.0), 5.0, 9.0),
        (PartHeight(0.1, 0.1, seen=True), 5.0, 7.0),
        (None, 5.0, 7.0),
    ],
)
def test_a_bodys_sides_are_as_high_as_what_was_seen_and_is_usual_together_say(
    seen: PartHeight | None, least_mm: float, most_mm: float
):
    part = _chip("U1", 50, 40, package="DIP-16", usual_height_mm=3.9)
    board = _board(part)
    heights = {} if seen is None else {"U1": seen}
    bodies = board_bodies(board, fin_grid(board), heights)
    # The loss is that of top and sides: 20 x 8 mm and 56 mm about.
    height_mm = (bodies.loss_mm2[0] / UPPER_SHARE - 160.0) / 56.0
    assert least_mm < height_mm < most_mm
    assert bodies.u_loss_mm2[0] >= UPPER_SHARE * 56.0 * min(seen.u_mm if seen else 2.0, 2.0) * 0.9


def test_a_stated_height_is_taken_and_hardly_doubted():
    part = _chip("U1", 50, 40, height_mm=3.0)
    board = _board(part)
    bodies = board_bodies(board, fin_grid(board), {"U1": PartHeight(9.0, 0.1, seen=True)})
    assert bodies.loss_mm2[0] == pytest.approx(UPPER_SHARE * (160.0 + 56.0 * 3.0))
    assert bodies.u_loss_mm2[0] == pytest.approx(UPPER_SHARE * 56.0 * 0.5)
