"""The board found with no help, or a refusal that says what was seen and what to give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.registration.simple_views import View, random_board, random_view, render, rise_raster
from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.geometry.homography import part_uncertainty_mm
from thermscan.registration.placing.register import register_board

SHAPE = (240, 320)
INSTEAD = "corners_px"


def _image(apparent_c: np.ndarray) -> ThermalImage:
    return ThermalImage(apparent_c, 0.05, 2.0, (8.0, 14.0), 0.65)


def test_an_oblique_board_is_found_to_a_fraction_of_a_pixel(view: View) -> None:
    found = register_board(view.image, view.board)
    assert found.method == "outline"
    assert view.error_px(found.px_from_mm).max() < 0.15
    assert found.view_angle_deg == pytest.approx(view.tilt_deg, abs=8.0)  # focal length from the view itself


def test_a_notched_board_at_any_turn_is_found() -> None:
    view = random_view(4, outline="notched", any_turn=True)
    found = register_board(view.image, view.board)
    assert view.error_px(found.px_from_mm).max() < 0.3


def test_pixels_that_do_not_count_do_no_harm(view: View) -> None:
    holed = view.image.apparent_c.copy()
    rng = np.random.default_rng(1)
    holed[rng.integers(0, 240, 60), rng.integers(0, 320, 60)] = np.nan
    found = register_board(replace(view.image, apparent_c=holed), view.board)
    assert view.error_px(found.px_from_mm).max() < 0.2


def test_the_same_offset_on_every_pixel_changes_nothing(view: View) -> None:
    one = register_board(view.image, view.board)
    other = register_board(replace(view.image, apparent_c=view.image.apparent_c + 7.0), view.board)
    assert other.corners_px == pytest.approx(one.corners_px, abs=1e-3)


def test_the_order_of_parts_is_of_no_account(view: View) -> None:
    one = register_board(view.image, view.board)
    other = register_board(view.image, replace(view.board, parts=view.board.parts[::-1]))
    assert other.corners_px == pytest.approx(one.corners_px, abs=0.02)


def test_blank_frames_and_other_warm_things_are_no_board(view: View) -> None:
    blank = np.random.default_rng(2).normal(22, 0.05, SHAPE)
    y, x = np.indices(SHAPE)
    for apparent, words in [
        (blank, "no outline of a board was found"),
        (np.full(SHAPE, np.nan), "no valid pixel"),
        (blank + 20 * ((x - 160) ** 2 + (y - 120) ** 2 < 60**2), "found"),
    ]:
        with pytest.raises(CannotJudge, match=words) as caught:
            register_board(_image(apparent), view.board)
        assert INSTEAD in str(caught.value)


def test_another_boards_layout_is_refused(view: View) -> None:
    other = random_board(np.random.default_rng(77))
    with pytest.raises(CannotJudge, match="check that the layout is of this board"):
        register_board(view.image, other)


def _drawn(board: Board, matrices: list[np.ndarray], *, symmetric: bool = False) -> ThermalImage:
    rng = np.random.default_rng(3)
    rise, emissivity = rise_raster(board, rng, mm_per_px=board.width_mm / 500)
    if symmetric:
        rise, emissivity = (rise + rise[::-1, ::-1]) / 2, np.full_like(emissivity, 0.9)
    frames = [render(board, matrix, rise, emissivity, rng, shape=SHAPE).apparent_c for matrix in matrices]
    return _image(np.max(frames, axis=0))


def _placed(board: Board, middle: tuple[float, float], width_px: float) -> np.ndarray:
    scale = width_px / board.width_mm
    corner = np.array(middle) - scale * board.corners_mm[2] / 2
    return np.array([[scale, 0.03, corner[0]], [-0.02, scale, corner[1]], [0, 0, 1]])


def test_two_boards_are_told(view: View) -> None:
    image = _drawn(view.board, [_placed(view.board, (80, 120), 130), _placed(view.board, (238, 118), 130)])
    with pytest.raises(CannotJudge, match="two boards of this layout"):
        register_board(image, view.board)


def test_a_board_that_looks_the_same_turned_is_declared_ambiguous(view: View) -> None:
    board = view.board
    half = [part for part in board.parts if part.x_mm < board.width_mm / 2 - part.length_mm][:10]
    turned = [
        replace(part, ref=f"{part.ref}T", x_mm=board.width_mm - part.x_mm, y_mm=board.height_mm - part.y_mm)
        for part in half
    ]
    symmetric = replace(board, parts=(*half, *turned))
    image = _drawn(symmetric, [_placed(board, (160, 120), 260)], symmetric=True)
    with pytest.raises(CannotJudge, match=r"two ways almost alike.*180 degrees"):
        register_board(image, symmetric)


def test_a_board_partly_out_of_the_frame_is_found(view: View) -> None:
    matrix = _placed(view.board, (190, 120), 280)
    found = register_board(_drawn(view.board, [matrix]), view.board)
    apart = map_points(found.px_from_mm, view.board.corners_mm) - map_points(matrix, view.board.corners_mm)
    assert np.abs(apart).max() < 0.3


def test_uncertainty_in_millimetres_follows_from_the_corners(view: View) -> None:
    found = register_board(view.image, view.board)
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    each = part_uncertainty_mm(found, centres)
    # Twice the statement holds 95 % of places in the plane: sqrt(-2 ln 0.05) standard uncertainties of one coordinate.
    assert found.uncertainty_mm == pytest.approx(np.sqrt(-2 * np.log(0.05)) / 2 * np.sqrt((each**2).mean()))
    assert 0 < found.residual_px < 0.5
