"""What the bodies' tops explain of the picture, where a place and their heights put them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.scenes import Scene, scene
from tests.registration.simple_views import View
from thermscan.coordinates import map_points
from thermscan.layout.board import Board
from thermscan.registration.evidence import filled, prepare
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing import tops as tops_module
from thermscan.registration.placing.detail import compressed, covered, seen_detail, without_broad
from thermscan.registration.placing.tops import CLIP, Told, tops_of, tops_stand_out
from thermscan.robust import robust_sd


def _told(picture: np.ndarray, board: Board, matrix: np.ndarray, shift_mm: np.ndarray | None = None) -> Told:
    shift = np.zeros((len(board.parts), 2)) if shift_mm is None else shift_mm
    return tops_stand_out(picture, tops_of(board), matrix, shift)


def _picture(view: View | Scene) -> np.ndarray:
    return compressed(filled(prepare(view.image).apparent))


@pytest.fixture(scope="module")
def high() -> Scene:
    """Seen from aside, with bodies of many heights."""
    views = (scene(seed, cols=320, heights="unstated", covers=False, bend=False) for seed in range(60_000, 60_030))
    return next(view for view in views if view.tilt_deg > 40 and len(view.board.parts) > 40)


def test_the_share_explained_is_that_of_a_least_squares_fit_of_the_bodies(view: View) -> None:
    """Against numpy.linalg.lstsq on what each body looks like on the raster, drawn here by itself."""
    board, tops = view.board, tops_of(view.board)
    told = _told(_picture(view), board, view.px_from_mm)
    detail, _ = seen_detail(_picture(view), tops.raster, view.px_from_mm, tops.inside)
    limit = CLIP * robust_sd(detail[tops.inside > 0], centre=0.0)
    detail = np.clip(detail, -limit, limit).ravel()
    bodies = [covered(tops.raster.cells(part.corners_mm()), tops.raster.shape) for part in board.parts]
    columns = np.array([without_broad(each, tops.inside).ravel() for each in bodies]).T
    left = detail - columns @ np.linalg.lstsq(columns, detail, rcond=None)[0]
    assert told.share == pytest.approx(1 - (left @ left) / (detail @ detail), abs=2e-3)
    assert 0.3 < told.share < 1


def test_bodies_that_are_alike_explain_no_more_than_one_of_them(view: View) -> None:
    told = _told(_picture(view), view.board, view.px_from_mm)
    doubled = replace(view.board, parts=view.board.parts + view.board.parts[:3])
    assert _told(_picture(view), doubled, view.px_from_mm).share == pytest.approx(told.share, abs=1e-3)


def test_offset_and_gain_of_the_picture_change_nothing(view: View) -> None:
    picture = _picture(view)
    one = _told(picture, view.board, view.px_from_mm)
    other = _told((3 * picture + 2).astype(np.float32), view.board, view.px_from_mm)
    assert other.deviations == pytest.approx(one.deviations, rel=1e-2)


def test_tops_of_true_heights_stand_out_more_than_feet_and_than_tops_on_the_other_side(high: Scene) -> None:
    picture, matrix = _picture(high), high.lens.px_from_mm
    feet = np.array([[part.x_mm, part.y_mm] for part in high.board.parts])
    shift = map_points(np.linalg.inv(matrix), high.centres_px(top=True)) - feet
    true, flat, wrong = (_told(picture, high.board, matrix, each) for each in (shift, 0 * shift, -shift))
    assert true.share > flat.share > wrong.share
    assert true.deviations > 1.2 * flat.deviations > wrong.deviations


def test_tops_that_a_wild_view_puts_beside_the_board_tell_as_little_as_any_others(view: View) -> None:
    rng = np.random.default_rng(1)
    picture, corners = _picture(view), map_points(view.px_from_mm, view.board.corners_mm)
    turned = homography_from_corners(view.board.corners_mm, np.roll(corners, 2, axis=0))
    shifts = [rng.normal(0, 300, (len(view.board.parts), 2)) for _ in range(8)] + [
        np.full((len(view.board.parts), 2), np.nan)
    ]
    assert max(_told(picture, view.board, turned, shift).deviations for shift in shifts) < 6


def test_a_picture_without_detail_tells_nothing(view: View) -> None:
    flat = np.zeros(view.image.shape, np.float32)
    assert _told(flat, view.board, view.px_from_mm) == Told(0.0, 0.0)


def test_a_picture_that_is_everywhere_the_same_stands_out_from_itself_by_nothing(
    view: View, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tops_module, "_moved", lambda detail: [detail.ravel()] * 3)
    assert _told(_picture(view), view.board, view.px_from_mm).deviations == pytest.approx(0.0, abs=1e-3)
