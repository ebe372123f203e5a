"""Parts alike are joined alike, whether the layout names their package or draws their body."""

from dataclasses import replace

from thermscan.heat.bodies import board_bodies
from thermscan.heat.fin import fin_grid
from thermscan.heat.kinds import with_packages
from thermscan.layout.board import Board, Part, Surface

MASK = Surface("solder-mask", 0.92, 0.02)
NAMED = Part("Q1", 10.2, 4.6, 20, 20, 0, MASK, kind="pass transistor", package="TO-220", usual_height_mm=19.0)
DRAWN = Part("Q2", 10.16, 4.57, 40, 20, 90, MASK, kind="pass transistor")


def test_a_drawn_part_of_a_group_is_the_same_body_as_its_named_peers():
    parts = (replace(NAMED, group="out"), replace(DRAWN, group="out", kind="transistor"))
    board = Board("b", None, [[0, 0], [60, 0], [60, 40], [0, 40]], 1.6, MASK, parts)
    bodies = board_bodies(board, fin_grid(board))
    assert bodies.kinds == ("TO-220", "TO-220")
    assert abs(bodies.loss_mm2[1] / bodies.loss_mm2[0] - 1.0) < 0.02


def test_without_a_group_the_kind_tells_who_is_alike():
    assert with_packages([NAMED, DRAWN])[1].package == "TO-220"
    assert with_packages([NAMED, replace(DRAWN, kind="triac")])[1].package is None
    assert with_packages([replace(NAMED, kind=None), replace(DRAWN, kind=None)])[1].package is None
    assert with_packages([replace(NAMED, group="out"), DRAWN])[1].package is None


def test_another_size_is_another_body():
    assert with_packages([NAMED, replace(DRAWN, length_mm=15.0)])[1].package is None


def test_a_stated_height_stays():
    assert with_packages([NAMED, replace(DRAWN, height_mm=4.6)])[1].height_mm == 4.6
