"""How well one view tells the focal length: what is stated is what errors of corners and axis make of it."""

from __future__ import annotations

import numpy as np
import pytest

from samples.simulator import place_camera, sample_board
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.geometry.pose import (
    U_ASSUMED,
    U_CORNER_PX,
    U_PRINCIPAL,
    U_STATED,
    pose_from_homography,
    u_log_focal,
)

SHAPE = (240, 320)


@pytest.mark.parametrize("tilt_deg", [25.0, 45.0])
def test_the_stated_doubt_is_the_scatter_shown(tilt_deg: float) -> None:
    rng = np.random.default_rng(4)
    board = sample_board(rng, parts=14)
    pose = place_camera(board, SHAPE, tilt_deg=tilt_deg, azimuth_deg=30.0, turn_deg=70.0, fill=0.8)
    corners = pose.px(board.corners_mm)
    told = []
    for _ in range(400):
        moved = corners + rng.normal(0, U_CORNER_PX, (4, 2)) + rng.normal(0, U_PRINCIPAL * SHAPE[1], 2)
        matrix = homography_from_corners(board.corners_mm, moved)
        told.append(np.log(pose_from_homography(matrix, shape=SHAPE, corners_mm=board.corners_mm).focal_px))
    stated = u_log_focal(pose.px_from_mm, shape=SHAPE, corners_mm=board.corners_mm)
    # 400 draws give a standard deviation to 4 %; that errors of a tenth bend the logarithm is allowed another 15 %.
    assert np.std(told) == pytest.approx(stated, rel=0.2)
    assert np.mean(told) == pytest.approx(np.log(pose.intrinsic[0, 0]), abs=stated / 3)


def test_a_view_from_straight_above_does_not_tell_and_a_camera_file_does() -> None:
    board = sample_board(np.random.default_rng(4), parts=14)
    above = place_camera(board, SHAPE, tilt_deg=0.0, fill=0.8)
    assert u_log_focal(above.px_from_mm, shape=SHAPE, corners_mm=board.corners_mm) == U_ASSUMED
    assert u_log_focal(above.px_from_mm, shape=SHAPE, corners_mm=board.corners_mm, fov_deg=40.0) == U_STATED
