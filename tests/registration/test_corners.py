"""Corners given by a person: what is refused, in whose words, and what is made of a rough click."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.scenes import scene
from tests.registration.simple_views import View, random_view
from thermscan.coordinates import map_points
from thermscan.errors import InputError
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.lens import bend_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.placing.corners import checked_corners
from thermscan.registration.placing.register import register_board

SHAPE = (240, 320)
GOOD = [[40, 40], [280, 50], [270, 200], [50, 190]]


def _true_corners(view: View) -> np.ndarray:
    return map_points(view.px_from_mm, view.board.corners_mm)


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        ([[40, 40], [280, 50], [270, 200]], "3 points instead of four"),
        ([[40, 40], [280, 50], [270, float("nan")], [50, 190]], "the bottom right corner is not a finite number"),
        ([[40, 40], [280, 50], [270, float("inf")], [50, 190]], "the bottom right corner is not a finite number"),
        ([[40, 40], [270, 200], [280, 50], [50, 190]], "crossed"),
        ([[280, 50], [40, 40], [50, 190], [270, 200]], "mirrored"),
        ([[40, 40], [280, 50], [100, 80], [50, 190]], "the bottom right corner lies inside the triangle"),
        ([[40, 40], [160, 45], [280, 50], [50, 190]], "one line"),
        ([[40, 40], [41, 40], [41, 41], [40, 41]], "1.0 pixels long"),
        ([[40, 40], [2800, 50], [270, 200], [50, 190]], "the top right corner (2800, 50) lies far outside"),
        ([[40, 40], [280, "x"], [270, 200], [50, 190]], "not pairs of numbers"),
    ],
)
def test_corners_that_cannot_be_right_are_refused_in_plain_words(corners: list, words: str) -> None:
    with pytest.raises(InputError, match="corners_px") as caught:
        checked_corners(corners, shape=SHAPE)
    assert words in str(caught.value)


def test_all_bad_corners_are_told_together() -> None:
    with pytest.raises(InputError) as caught:
        checked_corners([[np.nan, 1], [280, 50], [np.inf, 200], [50, 190]], shape=SHAPE)
    assert len(caught.value.lines()) == 2


@pytest.mark.parametrize("turn", range(4))
def test_a_board_that_lies_turned_in_the_frame_is_no_mistake(turn: int) -> None:
    assert checked_corners(np.roll(GOOD, turn, axis=0), shape=SHAPE).shape == (4, 2)


def test_a_rough_click_is_improved_not_obeyed(view: View) -> None:
    clicks = _true_corners(view) + np.random.default_rng(1).normal(0, 1.5, (4, 2))
    found = register_board(view.image, view.board, corners_px=clicks)
    # The clicks are off by 1.5 px; the board's own edges give a tenth of that and better.
    assert view.error_px(found.px_from_mm).max() < 0.15
    assert found.method == "corners"
    assert found.remarks == ()


def test_a_wrong_click_is_put_right_and_named(view: View) -> None:
    clicks = _true_corners(view)
    clicks[2] += [-14, -11]
    found = register_board(view.image, view.board, corners_px=clicks)
    assert view.error_px(found.px_from_mm).max() < 0.15
    assert any("bottom right corner was given 18 pixels" in remark for remark in found.remarks)


def test_corners_named_from_the_wrong_one_are_an_error_that_says_which(view: View) -> None:
    clicks = np.roll(_true_corners(view), 2, axis=0)
    with pytest.raises(InputError, match="the corner given first is the board's bottom right corner"):
        register_board(view.image, view.board, corners_px=clicks)


def test_a_board_of_few_parts_still_tells_that_the_corners_were_named_from_the_wrong_one() -> None:
    # 17 parts on a cool board at 160 columns: its outline fits any order, and few edges speak against a wrong one.
    few = random_view(7000, cols=160, cool=True)
    with pytest.raises(InputError, match="the corner given first is the board's"):
        register_board(few.image, few.board, corners_px=np.roll(_true_corners(few), -1, axis=0))


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_where_edges_hardly_show_what_lies_within_the_outline_tells_the_order(turn: int) -> None:
    # 39 edges of 50 parts are seen, and 21 of those where they belong: no order convinces by its edges.
    faint = random_view(61014, cols=320, cool=True)
    corners = _true_corners(faint)
    remarks = register_board(faint.image, faint.board, corners_px=corners).remarks
    assert all("taken as given" in remark for remark in remarks)
    name = ("top left", "top right", "bottom right", "bottom left")[turn]
    with pytest.raises(InputError, match=f"the corner given first is the board's {name} corner"):
        register_board(faint.image, faint.board, corners_px=np.roll(corners, -turn, axis=0))


def test_where_the_frame_shows_nothing_the_clicks_stand_with_their_uncertainty(view: View) -> None:
    blank = ThermalImage(np.random.default_rng(2).normal(22, 0.05, SHAPE), 0.05, 2.0, (8.0, 14.0), 0.6)
    found = register_board(blank, view.board, corners_px=GOOD)
    assert found.corners_px.tolist() == GOOD
    assert np.sqrt(np.diag(found.corner_covariance_px2)) == pytest.approx(np.ones(8))
    assert any("taken as they are" in remark for remark in found.remarks)


def test_clicks_are_believed_once_the_lens_is_seen_to_bend_the_corners() -> None:
    """A bend of 7 pixels at the frame's corners: held for slips, right clicks end 2.2 px off."""
    view = scene(15008, cols=640)
    clicks = view.corners_px() + np.random.default_rng([15008, 5]).normal(0, 1.0, (4, 2))
    camera = Camera("c", fov_deg=(view.fov_deg, 0.75 * view.fov_deg))
    found = register_board(view.image, view.board, corners_px=clicks, camera=camera, straighten=True)
    assert not [remark for remark in found.remarks if "corner was given" in remark]
    feet = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    seen = found.px(feet) if found.lens is None else bend_points(found.px(feet), found.lens)
    off = seen - view.centres_px(top=False)
    assert float(np.sqrt((off**2).sum(axis=1).mean())) < 1.0
