"""The baseline's picture finds a board that its layout does not, and does not touch a place that the layout gives."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.registration.simple_views import SHAPES, View, random_pose, render
from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.layout.board import Board
from thermscan.registration.evidence import prepare
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.baseline_search import corners_by_baseline
from thermscan.registration.placing.register import register_board

MM_PER_PX = 0.5


def _good_board(view: View) -> BaselineRaster:
    rows, cols = (int(size / MM_PER_PX) for size in (view.board.height_mm, view.board.width_mm))
    centres = (pixel_centres((rows, cols)) + 0.5) * MM_PER_PX
    seen = sample_bilinear(view.image.apparent_c, map_points(view.px_from_mm, centres))
    return BaselineRaster(seen.reshape(rows, cols) - 23.0, MM_PER_PX)


def test_a_place_that_the_layout_gives_is_the_same_with_a_baseline(view: View) -> None:
    found = register_board(view.image, view.board, baseline_raster=_good_board(view))
    assert found.method == "outline"
    assert np.array_equal(found.px_from_mm, register_board(view.image, view.board).px_from_mm)


def _strange_view(seed: int, board: Board, *, changed: bool = False, nearer: float = 1.0) -> View:
    """A frame of the board, drawn so much larger, in which warm things lie elsewhere than the layout has parts."""
    rng = np.random.default_rng(seed)
    height_mm, width_mm = board.corners_mm[2, 1], board.corners_mm[2, 0]
    mm_per_px = 0.4
    rows, cols = (round(size / mm_per_px) for size in (height_mm, width_mm))
    scene = np.random.default_rng(77)
    rise = 3.0 + np.abs(np.array(cv2.GaussianBlur(scene.normal(0, 60, (rows, cols)), (0, 0), 14)))
    for k in range(24):
        row, col = scene.integers(4, rows - 40), scene.integers(4, cols - 40)
        tall, wide = scene.integers(10, 34, 2)
        watts = scene.uniform(1.0, 5.0)
        # In the changed view two of them are dead and one runs hot.
        rise[row : row + tall, col : col + wide] += watts * (1 if not changed else (0.0, 0.0, 8.0)[k] if k < 3 else 1)
    matrix, fov = random_pose(rng, board, SHAPES[160], tilt_deg=35.0, any_turn=True)
    rows, cols = SHAPES[160]
    matrix = np.array([[nearer, 0, cols * (1 - nearer) / 2], [0, nearer, rows * (1 - nearer) / 2], [0, 0, 1]]) @ matrix
    image = render(
        board, matrix, rise, np.full_like(rise, 0.93), rng, shape=SHAPES[160], ambient_c=30.0 if changed else 22.0
    )
    return View(image, board, matrix, 35.0, fov)


def test_the_baseline_finds_a_board_that_its_layout_does_not(view: View) -> None:
    good = _good_board(_strange_view(1, view.board))
    changed = _strange_view(2, view.board, changed=True)
    found = register_board(changed.image, view.board, baseline_raster=good)
    assert found.method == "baseline"
    assert changed.error_px(found.px_from_mm).max() < 0.5
    assert "neither outline nor bodies show" in " ".join(found.remarks)


@pytest.mark.parametrize(("seed", "nearer"), [(4, 2.2), (3, 1.4)])
def test_the_baseline_finds_a_board_that_the_frame_does_not_hold(seed: int, nearer: float, view: View) -> None:
    """Of the second an outline seems to show that is none: by it the place would be 7 pixels off, and sure."""
    good = _good_board(_strange_view(100 + seed, view.board))
    near = _strange_view(200 + seed, view.board, changed=True, nearer=nearer)
    found = register_board(near.image, view.board, baseline_raster=good)
    assert found.method == "baseline"
    assert near.error_px(found.px_from_mm).max() < 2.0


def test_the_baseline_of_another_board_rescues_nothing(view: View) -> None:
    strange = _strange_view(3, view.board)
    assert corners_by_baseline(prepare(strange.image), _good_board(view), corners_mm=view.board.corners_mm) is None
