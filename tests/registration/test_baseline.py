"""The baseline's picture as evidence: better than the layout alone, and not pulled by what has changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.registration.simple_views import View
from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.registration.baseline_raster import BaselineRaster
from thermscan.registration.baseline_refinement import refine_to_baseline
from thermscan.registration.evidence import prepare
from thermscan.registration.register import register_board

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
