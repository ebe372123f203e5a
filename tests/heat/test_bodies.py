"""Parts as bodies on the fin, and how well they are joined to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from thermscan.heat.bodies import Bodies, board_bodies, body_areas_mm2, body_responses
from thermscan.heat.contact import BETWEEN_KINDS, USUAL_CONTACT, WITHIN_KIND, told_contact
from thermscan.heat.fin import fin_grid
from thermscan.layout.board import Board, Part, Surface

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
        falls.append(float(np.ptp(ends @ found.cells[:, 0])))
    assert falls[1] < 0.85 * falls[0]


def test_a_body_off_the_board_warms_nobody():
    inside, outside = _chip("U1", 30, 40), _chip("U2", 300, 40)
    board = _board(inside, outside)
    grid = fin_grid(board)
    found = body_responses(grid, board_bodies(board, grid), decay_mm=DECAY_MM, contact=np.full(2, 10.0))
    assert found.cells[:, 1].max() == pytest.approx(0.0, abs=1e-15)
    assert found.bodies[1, 1] > 0


def test_a_tall_round_can_has_its_rim_and_no_corners():
    can = Part("C1", 10.0, 10.0, 0.0, 0.0, 0.0, MASK, height_mm=16.0, round_body=True)
    top, open_mm2 = body_areas_mm2(can)
    assert (top, open_mm2 - top) == pytest.approx((np.pi * 25, np.pi * 10 * 16))


def test_each_kind_tells_its_own_joint():
    # Flat packages stand 1 K above the board, legged ones 5 K, with the same heat by area.
    flat = [_chip(f"U{i}", 12 + 25 * i, 15, package="SO-14") for i in range(3)]
    legged = [_chip(f"U{i + 3}", 12 + 25 * i, 60, package="DIP-14") for i in range(3)]
    bodies = _bodies(*flat, *legged)
    over_k = np.array([1.0, 1.1, 0.9, 5.0, 5.2, 4.8])
    told = told_contact(bodies, flow_kmm2=30.0 * bodies.area_mm2, over_k=over_k)
    assert told.by_area[:3] == pytest.approx(np.full(3, 30.0), rel=0.25)
    assert told.by_area[3:] == pytest.approx(np.full(3, 6.0), rel=0.25)


def test_one_part_alone_hardly_tells_its_kinds_joint():
    bodies = _bodies(_chip("U1", 20, 20, package="QFP"), _chip("U2", 60, 20, package="QFP"))
    alone = _bodies(_chip("U1", 20, 20, package="QFP"))
    one = told_contact(alone, flow_kmm2=40.0 * alone.area_mm2, over_k=np.array([1.0]))
    two = told_contact(bodies, flow_kmm2=40.0 * bodies.area_mm2, over_k=np.array([1.0, 1.0]))
    assert USUAL_CONTACT < one.by_area[0] < two.by_area[0] < 40.0
    assert WITHIN_KIND < two.spread[0] < one.spread[0] == pytest.approx(np.hypot(WITHIN_KIND, BETWEEN_KINDS))


def test_kinds_that_nobody_sees_keep_the_usual_joint():
    bodies = _bodies(_chip("U1", 20, 20, package="QFP"))
    told = told_contact(bodies, flow_kmm2=np.array([500.0]), over_k=np.array([np.nan]))
    assert told.by_area[0] == USUAL_CONTACT


def test_the_height_that_its_package_usually_has_counts_where_none_is_stated():
    plain = _chip("U1", 20, 20)
    assert body_areas_mm2(replace(plain, usual_height_mm=9.0)) == body_areas_mm2(replace(plain, height_mm=9.0))
