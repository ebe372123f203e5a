"""The board's corners in photos with known corners: found where they are, or refused."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.layout.photo_scenes import SHAPE, board_for, board_of, bundled, corners_seen, drawn_board, scene
from thermscan.errors import CannotJudge
from thermscan.layout.photo_corners import find_corners
from thermscan.layout.photo_turn import rectangle_misfit

# The pictures are scikit-image's own (its folder data/README names their authors and licences): nobody here made them.
# Each stands out from a plain grey ground along all its sides ("page" fades into it on the left).
PICTURES = ["coffee", "rocket", "grass", "retina"]
POSES = [
    {"tilt_deg": 0.0, "towards_deg": 0.0, "roll_deg": 0.0},
    {"tilt_deg": 35.0, "towards_deg": 10.0, "roll_deg": 4.0},
    {"tilt_deg": 40.0, "towards_deg": 130.0, "roll_deg": -12.0, "focal": 0.8, "fill": 0.6},
    {"tilt_deg": 25.0, "towards_deg": 250.0, "roll_deg": 20.0, "focal": 2.5, "fill": 0.6},
]
# Corners are where two fitted lines cross; each line is good to a fraction of a pixel, and blur rounds the corner off.
CORNER_PX = 1.5


@pytest.mark.parametrize("name", PICTURES)
def test_pictures_laid_on_a_plain_ground_are_found_to_a_pixel(name):
    face, pose = bundled(name), POSES[1 + PICTURES.index(name) % 3]
    board = board_for(face)
    view = scene(face, corners_seen((board.width_mm, board.height_mm), **pose))
    found = find_corners(view.pixels, board)
    assert np.abs(found.corners_px - view.corners_px).max() < CORNER_PX


@pytest.mark.parametrize(
    ("pose", "ground"),
    [(POSES[0], (245, 245, 245)), (POSES[2], (25, 25, 30)), (POSES[3], (150, 90, 40))],
    ids=["straight on paper", "wide lens on a black mat", "long lens on a blue mat"],
)
def test_a_board_is_found_on_grounds_of_any_colour(pose, ground):
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), **pose), ground=ground)
    assert np.abs(find_corners(view.pixels, board).corners_px - view.corners_px).max() < CORNER_PX


@pytest.mark.parametrize("quarter_turns", [1, 2])
def test_the_parts_tell_which_way_round_the_board_lies(quarter_turns):
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), **POSES[1]))
    pixels = np.ascontiguousarray(np.rot90(view.pixels, -quarter_turns))
    corners = view.corners_px
    for turn in range(quarter_turns):  # clockwise: x becomes rows - 1 - y, and y becomes x
        rows = SHAPE[turn % 2]
        corners = np.column_stack([rows - 1 - corners[:, 1], corners[:, 0]])
    found = find_corners(pixels, board)
    assert np.abs(found.corners_px - corners).max() < CORNER_PX
    assert found.remarks == ()


def test_without_parts_a_board_is_taken_to_lie_upright_which_is_said():
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), **POSES[1]))
    found = find_corners(view.pixels, replace(board, parts=()))
    assert np.abs(found.corners_px - view.corners_px).max() < CORNER_PX
    assert "taken to lie upright" in found.remarks[0]
    sideways = np.ascontiguousarray(np.rot90(view.pixels))
    with pytest.raises(CannotJudge, match=r"lies sideways in the photo.*--corners"):
        find_corners(sideways, replace(board, parts=()))


def test_a_board_of_other_proportions_is_refused():
    _, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), tilt_deg=8.0, towards_deg=50.0, roll_deg=3.0))
    with pytest.raises(CannotJudge, match=r"does not have the layout's proportions \(150 x 115 mm\).*--corners"):
        find_corners(view.pixels, board_of(150.0, 115.0))


def test_a_photo_with_no_board_in_it_is_refused():
    noise = np.random.default_rng(2).normal(128, 12, (*SHAPE, 3)).clip(0, 255).astype(np.uint8)
    for pixels in (noise, cv2.resize(bundled("gravel"), SHAPE[::-1])):
        with pytest.raises(CannotJudge, match="--corners"):
            find_corners(pixels, board_of(150.0, 100.0))


def test_a_board_that_reaches_beyond_the_photo_is_refused():
    board, face = drawn_board()
    corners = corners_seen((150.0, 100.0), tilt_deg=0.0, towards_deg=0.0, roll_deg=0.0, fill=0.9) + np.array(
        [120.0, 0.0]
    )
    with pytest.raises(CannotJudge):
        find_corners(scene(face, corners).pixels, board)


def test_two_boards_alike_are_refused():
    board, face = drawn_board()
    one = corners_seen((150.0, 100.0), tilt_deg=0.0, towards_deg=0.0, roll_deg=0.0, fill=0.42)
    first = scene(face, one - [200.0, 80.0]).pixels
    second = scene(face, one + np.array([200.0, 60.0]), ground=first.astype(np.float64), noise=0.0)
    with pytest.raises(CannotJudge, match="more than one thing"):
        find_corners(second.pixels, board)


def test_a_board_on_a_sheet_of_its_own_proportions_is_refused():
    board, face = drawn_board()
    sheet = np.full((1000, 1500, 3), 235, np.uint8)
    pose = {"tilt_deg": 10.0, "towards_deg": 0.0, "roll_deg": 0.0}
    paper = scene(sheet, corners_seen((150.0, 100.0), fill=0.9, **pose), ground=(40, 60, 90)).pixels
    view = scene(face, corners_seen((150.0, 100.0), fill=0.6, **pose), ground=paper.astype(np.float64), noise=0.0)
    with pytest.raises(CannotJudge, match="more than one thing"):
        find_corners(view.pixels, board)


def test_a_line_printed_along_the_edge_is_not_taken_for_it():
    board, face = drawn_board()
    face = face.copy()
    cv2.rectangle(face, (20, 20), (face.shape[1] - 21, face.shape[0] - 21), (235, 235, 235), 6)
    view = scene(face, corners_seen((150.0, 100.0), **POSES[1]))
    assert np.abs(find_corners(view.pixels, board).corners_px - view.corners_px).max() < CORNER_PX


def test_connectors_and_a_cable_over_the_edge_do_not_move_it():
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), **POSES[1]))
    pixels = view.pixels.copy()
    a, b = view.corners_px[0], view.corners_px[1]
    for share, across in ((0.2, 40), (0.6, 60)):
        middle = np.round(a + share * (b - a)).astype(int)
        cv2.rectangle(
            pixels,
            tuple(int(v) for v in middle - [across, 15]),
            tuple(int(v) for v in middle + np.array([across, 25])),
            (225, 225, 225),
            -1,
        )
    end = np.round(view.corners_px[2:].mean(axis=0)).astype(int)
    cv2.line(pixels, tuple(int(v) for v in end), (int(end[0]) + 60, SHAPE[0] - 1), (30, 30, 200), 12)
    assert np.abs(find_corners(pixels, board).corners_px - view.corners_px).max() < CORNER_PX


def test_a_patterned_ground_is_remarked():
    board, face = drawn_board()
    bricks = cv2.resize(bundled("brick"), SHAPE[::-1]) * np.array([0.5, 0.8, 1.1])
    view = scene(face, corners_seen((150.0, 100.0), **POSES[1]), ground=bricks)
    found = find_corners(view.pixels, board)
    assert np.abs(found.corners_px - view.corners_px).max() < CORNER_PX
    assert "patterned" in found.remarks[0]


def test_a_board_with_a_corner_cut_out_needs_its_corners_given():
    outline = [[0, 0], [150, 0], [150, 60], [100, 60], [100, 100], [0, 100]]
    board = replace(board_of(150.0, 100.0), outline_mm=np.array(outline, dtype=float))
    with pytest.raises(CannotJudge, match="not a rectangle"):
        find_corners(np.full((*SHAPE, 3), 128, np.uint8), board)


@pytest.mark.parametrize("tilt_deg", [0, 20, 45, 60])
@pytest.mark.parametrize("focal", [0.7, 1.5, 4.0])
def test_a_rectangle_seen_by_any_ordinary_camera_fits_its_own_proportions_and_no_other(tilt_deg, focal):
    seen = corners_seen((150.0, 100.0), tilt_deg=tilt_deg, towards_deg=40.0, roll_deg=7.0, focal=focal)
    # The focal lengths tried stand 1 % apart: even a tilt of 60 degrees turns that into little.
    assert rectangle_misfit(seen, (150.0, 100.0), SHAPE) < 0.005
    if tilt_deg <= 20:
        assert rectangle_misfit(seen, (150.0, 112.0), SHAPE) > 0.03
