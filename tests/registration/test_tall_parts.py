"""Parts that stand up from the board displace their edges in a slanted view: the board's place must not follow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from samples.simulator import render_frame, sample_board, sample_pose, sample_powers, solve_board
from samples.simulator.pose import Pose, place_camera
from thermscan.coordinates import map_points
from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.homography import homography_from_corners, part_uncertainty_mm
from thermscan.registration.geometry.parallax import seen_part
from thermscan.registration.geometry.pose import pose_from_homography
from thermscan.registration.geometry.relief import USUAL_HEIGHT_MM, Relief, edge_rise, heights_mm
from thermscan.registration.placing.edges import EdgeSites, layout_edges
from thermscan.registration.placing.hidden_edges import hidden_sites
from thermscan.registration.placing.outline_doubt import with_outline_doubt
from thermscan.registration.placing.refinement import Refined
from thermscan.registration.placing.register import register_board
from thermscan.registration.registration import Registration

SHAPE = (240, 320)


@pytest.fixture(scope="module")
def scene() -> tuple[Board, Pose, ThermalImage, ThermalImage]:
    """A board of tall parts at a slant: its frame with the heights, and one of the same board if it were flat."""
    rng = np.random.default_rng(41)
    board = sample_board(rng)
    field = solve_board(board, sample_powers(rng, board), ambient_c=22.0)
    pose = next(pose for _ in range(200) if 35 < (pose := sample_pose(rng, board, SHAPE, 45.0)).tilt_deg < 45)
    frames = [
        render_frame(field, board, pose, rng=np.random.default_rng(5), netd_k=0.05, blur_px=0.6, heights=heights)
        for heights in (True, False)
    ]
    tall, flat = (ThermalImage(frame.apparent_c, 0.05, 1.0, (8.0, 14.0), 0.67) for frame in frames)
    return board, pose, tall, flat


def _unstated(board: Board) -> Board:
    return replace(board, parts=tuple(replace(part, height_mm=None) for part in board.parts))


def _errors(found: Registration, board: Board, pose: Pose) -> tuple[float, float]:
    """RMS over part centres, px; and the same in millimetres against what is stated (1: as large as stated)."""
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    true = map_points(pose.px_from_mm, centres)
    px = float(np.sqrt(((found.px(centres) - true) ** 2).sum(axis=1).mean()))
    ratio = (found.mm(true) - centres) / part_uncertainty_mm(found, centres)[:, None]
    return px, float(np.sqrt((ratio**2).mean()))


def test_stated_heights_leave_the_board_in_its_plane(scene: tuple) -> None:
    board, pose, tall, _ = scene
    clicks = map_points(pose.px_from_mm, board.corners_mm)
    px, ratio = _errors(register_board(tall, board, corners_px=clicks + 1.0), board, pose)
    assert px < 0.1
    assert ratio < 2.0


def test_a_height_that_nobody_stated_is_seen_and_told(scene: tuple) -> None:
    board, pose, tall, _ = scene
    bare = _unstated(board)
    found = register_board(tall, bare, corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    px, ratio = _errors(found, board, pose)
    assert px < 0.15
    assert ratio < 2.0
    heights = [part.height_mm for part in board.parts]
    assert found.apparent_height_mm is not None
    # Most stand 3.5 mm high, the least; the height is told to a few tenths.
    assert min(heights) - 0.5 < found.apparent_height_mm < max(heights)
    assert any("seem to stand" in remark for remark in found.remarks)
    view = pose_from_homography(found.px_from_mm, shape=SHAPE, corners_mm=board.corners_mm)
    part = bare.parts[0]
    moved = np.hypot(seen_part(part, found, view).x_mm - part.x_mm, seen_part(part, found, view).y_mm - part.y_mm)
    assert 0.4 < moved / found.apparent_height_mm < 1.6  # the tangent of 35 to 45 degrees, and perspective


def test_a_flat_board_is_not_said_to_be_tall(scene: tuple) -> None:
    board, pose, _, flat = scene
    found = register_board(flat, _unstated(board), corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    px, ratio = _errors(found, board, pose)
    assert px < 0.07
    assert ratio < 2.0
    assert found.apparent_height_mm is None
    assert found.remarks == ()


def test_heights_that_the_frame_does_not_show_are_not_believed(scene: tuple) -> None:
    board, pose, _, flat = scene
    found = register_board(flat, board, corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    px, _ = _errors(found, board, pose)
    assert px < 0.1
    assert found.height_scale < 0.3
    assert any("although the layout states heights" in remark for remark in found.remarks)


def test_a_part_that_stands_higher_than_its_like_is_not_read_at_the_wrong_place(scene: tuple) -> None:
    board, pose, _, _ = scene
    odd = max(board.parts, key=lambda part: min(part.length_mm, part.width_mm))
    raised = replace(board, parts=tuple(replace(part, height_mm=19.0) if part is odd else part for part in board.parts))
    rng = np.random.default_rng(6)
    field = solve_board(raised, sample_powers(np.random.default_rng(41), raised), ambient_c=22.0)
    frame = render_frame(field, raised, pose, rng=rng, netd_k=0.05, blur_px=0.6, heights=True)
    image = ThermalImage(frame.apparent_c, 0.05, 1.0, (8.0, 14.0), 0.67)
    found = register_board(image, _unstated(board), corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    at = board.parts.index(odd)
    # At 1.2 px/mm and 40 degrees, a height of 3.5 mm that may as well be another: nearly 2 px, 1.3 each way.
    assert found.top_doubts_px[at] > 1.0
    # Most of the others are seen where they are looked for.
    assert np.median(found.top_doubts_px) < 0.5


def test_an_outline_that_lies_elsewhere_is_a_doubt_of_the_place(scene: tuple) -> None:
    board, pose, _, flat = scene
    evidence, edges = prepare(flat), layout_edges(_unstated(board))
    true = map_points(pose.px_from_mm, board.corners_mm)
    sure = np.eye(8) * 0.02**2
    right, wrong = (
        Refined(at, homography_from_corners(board.corners_mm, at), sure, 0.1, 0, 0) for at in (true, true + 0.8)
    )
    same = with_outline_doubt(evidence, board, edges, right)
    doubted = with_outline_doubt(evidence, board, edges, wrong)
    assert same is right
    # The outline puts every coordinate back by 0.8 px.
    assert np.sqrt(np.diag(doubted.corner_covariance_px2)) == pytest.approx(np.full(8, 0.8 / np.sqrt(2)), rel=0.25)


def test_a_foot_behind_a_taller_part_is_not_looked_for() -> None:
    outline = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]])
    plastic = Surface("plastic", 0.95, 0.02)
    # Seen from the left, slanted: the tall part at the left hides the near foot of the one 2 mm to its right.
    tall = Part("C1", 10.0, 10.0, 15.0, 20.0, 0.0, plastic, height_mm=12.0)
    low = Part("U1", 20.0, 10.0, 32.0, 20.0, 0.0, plastic, height_mm=1.0)
    board = Board("b", None, outline, 1.6, Surface("solder-mask", 0.91, 0.02), (tall, low))
    pose = place_camera(board, SHAPE, tilt_deg=40.0, azimuth_deg=180.0)
    if pose.px(np.array([[15.0, 20.0]]), height_mm=12.0)[0, 0] < pose.px(np.array([[15.0, 20.0]]))[0, 0]:
        pose = place_camera(board, SHAPE, tilt_deg=40.0, azimuth_deg=0.0)
    edges = layout_edges(board)
    rise = edge_rise(pose.px_from_mm, edges, Relief(), shape=SHAPE, fov_deg=40.0)
    way, owner = (edges.starts_mm + edges.ends_mm) / 2, np.arange(len(edges.part))
    sites = EdgeSites(way, np.zeros_like(way), np.zeros(len(way)), np.zeros(len(way)), owner)
    hidden = hidden_sites(sites, edges, rise, pose.px_from_mm)
    near_foot = (edges.part == 1) & (edges.outward_mm[:, 0] < 0)
    assert hidden[near_foot].all()
    assert not hidden[(edges.part == 1) & (edges.outward_mm[:, 0] > 0)].any()
    assert not hidden[(edges.part == 0) | (edges.part < 0) & (way[:, 0] < 10)].any()


def test_sides_that_face_the_camera_stay_and_those_that_face_away_move_with_the_top(scene: tuple) -> None:
    board, pose, _, _ = scene
    edges = layout_edges(board)
    matrix = pose.px_from_mm / pose.px_from_mm[2, 2]
    rise = edge_rise(matrix, edges, Relief(), shape=SHAPE, fov_deg=None)
    moved = np.linalg.norm(rise.shift_px, axis=1)
    assert (moved[edges.part < 0] == 0).all()
    of_part = moved[edges.part == 0]
    assert (of_part == 0).any()
    assert (of_part > 0.3).any()
    corners = board.parts[0].corners_mm()
    middle = (corners + np.roll(corners, -1, axis=0)) / 2
    true = pose.px(middle, height_mm=board.parts[0].height_mm) - pose.px(middle)
    far = of_part > 0
    # The focal length is told from the view itself: right to a percent without noise.
    assert rise.shift_px[edges.part == 0][far] == pytest.approx(true[far], rel=0.03, abs=0.02)


def test_parts_of_unstated_height_rise_in_proportion_to_what_their_packages_usually_do():
    square = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])
    surface = Surface("plastic", 0.94, 0.02)
    low = Part("U1", 10.0, 6.0, 30.0, 30.0, 0.0, surface)
    can = Part("C1", 10.0, 10.0, 60.0, 30.0, 0.0, surface, usual_height_mm=4 * USUAL_HEIGHT_MM)
    edges = layout_edges(Board("b", None, square, 1.6, Surface("solder-mask", 0.92, 0.02), (low, can)))
    heights = heights_mm(edges, Relief(common_mm=2.0))
    assert heights[edges.part == 0].tolist() == [2.0] * 4
    assert heights[edges.part == 1].tolist() == [8.0] * 4
    assert not heights[edges.part < 0].any()
