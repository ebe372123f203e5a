"""The baseline's picture as evidence: better than the layout alone, and not pulled by what has changed."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from tests.registration.simple_views import SHAPES, View, random_pose, render
from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.layout.board import Board
from thermscan.registration.evidence import prepare
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.baseline_refinement import refine_to_baseline
from thermscan.registration.placing.baseline_search import find_by_baseline
from thermscan.registration.placing.register import register_board

MM_PER_PX = 0.5


def _good_board(view: View) -> BaselineRaster:
    rows, cols = (int(size / MM_PER_PX) for size in (view.board.height_mm, view.board.width_mm))
    centres = (pixel_centres((rows, cols)) + 0.5) * MM_PER_PX
    seen = sample_bilinear(view.image.apparent_c, map_points(view.px_from_mm, centres))
    return BaselineRaster(seen.reshape(rows, cols) - 23.0, MM_PER_PX)


def _with_hot_spot(view: View) -> View:
    part = view.board.parts[5]
    x, y = map_points(view.px_from_mm, np.array([[part.x_mm + 4.0, part.y_mm]]))[0]
    rows, cols = np.indices(view.image.shape)
    halo = 25 * np.exp(-((cols - x) ** 2 + (rows - y) ** 2) / (2 * 9.0**2))
    noise = np.random.default_rng(4).normal(0, 0.05, view.image.shape)
    return replace(view, image=replace(view.image, apparent_c=view.image.apparent_c + halo + noise))


def test_a_new_hot_spot_does_not_pull_the_registration(view: View) -> None:
    hot = _with_hot_spot(view)
    start = map_points(view.px_from_mm, view.board.corners_mm) + np.random.default_rng(5).normal(0, 0.8, (4, 2))
    found = refine_to_baseline(
        prepare(hot.image), _good_board(view), corners_mm=view.board.corners_mm, corners_px=start
    )
    assert found is not None
    assert view.error_px(found.px_from_mm).max() < 0.3


def test_with_a_baseline_the_method_says_so(view: View) -> None:
    found = register_board(_with_hot_spot(view).image, view.board, baseline_raster=_good_board(view))
    assert found.method == "baseline"
    assert view.error_px(found.px_from_mm).max() < 0.3


def test_a_baseline_of_something_else_is_not_used(view: View) -> None:
    other = BaselineRaster(np.random.default_rng(6).normal(10, 3, (120, 160)), 1.0)
    assert register_board(view.image, view.board, baseline_raster=other).method == "outline"


def _strange_view(seed: int, board: Board, *, changed: bool = False) -> View:
    """A frame of the board in which warm things lie elsewhere than the layout has parts."""
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


def test_the_baseline_of_another_board_rescues_nothing(view: View) -> None:
    strange = _strange_view(3, view.board)
    assert find_by_baseline(prepare(strange.image), _good_board(view), corners_mm=view.board.corners_mm) is None
