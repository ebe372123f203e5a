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
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.homography import part_uncertainty_mm
from thermscan.registration.geometry.parallax import seen_part
from thermscan.registration.geometry.pose import pose_from_homography
from thermscan.registration.geometry.rise import edge_rise
from thermscan.registration.placing.edges import EdgeSites, layout_edges
from thermscan.registration.placing.hidden_edges import hidden_sites
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
    true = np.array([part.height_mm for part in board.parts])
    told = np.array([found.heights[part.ref].height_mm for part in board.parts])
    u = np.array([found.heights[part.ref].u_mm for part in board.parts])
    # Half a pixel is a millimetre here, of bodies that are 5 px wide and of which nothing else is known.
    assert np.median(np.abs(told - true)) < 1.3
    assert np.mean(np.abs(told - true) < 2 * u + 0.3) > 0.9
    view = pose_from_homography(found.px_from_mm, shape=SHAPE, corners_mm=board.corners_mm)
    part = max(bare.parts, key=lambda each: found.heights[each.ref].height_mm)
    moved = np.hypot(seen_part(part, found, view).x_mm - part.x_mm, seen_part(part, found, view).y_mm - part.y_mm)
    assert 0.4 < moved / found.heights[part.ref].height_mm < 1.6  # the tangent of 35 to 45 degrees, and perspective


def test_a_flat_board_is_not_said_to_be_tall(scene: tuple) -> None:
    board, pose, _, flat = scene
    found = register_board(flat, _unstated(board), corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    px, ratio = _errors(found, board, pose)
    assert px < 0.12
    assert ratio < 2.0
    told = np.array([found.heights[part.ref].height_mm for part in board.parts])
    assert np.median(told) < 1.0  # half of what such parts are before they are looked at


def test_heights_that_the_frame_does_not_show_are_not_believed(scene: tuple) -> None:
    board, pose, _, flat = scene
    found = register_board(flat, board, corners_px=map_points(pose.px_from_mm, board.corners_mm) + 1.0)
    px, _ = _errors(found, board, pose)
    assert px < 0.1
    stated = np.array([part.height_mm for part in board.parts])
    told = np.array([found.heights[part.ref].height_mm for part in board.parts])
    assert np.median(told / stated) < 0.8


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
    assert np.median(found.top_doubts_px) < 1.0


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
    heights, box = np.array([12.0, 1.0]), board.corners_mm
    rise = edge_rise(pose.px_from_mm, edges, heights, None, corners_mm=box, shape=SHAPE, fov_deg=40.0)
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
    heights = np.array([part.height_mm for part in board.parts])
    rise = edge_rise(matrix, edges, heights, None, corners_mm=board.corners_mm, shape=SHAPE, fov_deg=None)
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


def test_before_the_frame_is_seen_a_chip_is_seated_or_in_a_socket_and_a_body_without_a_name_may_be_anything() -> None:
    square = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])
    surface = Surface("plastic", 0.94, 0.02)
    chip = Part("U1", 19.3, 6.4, 30.0, 30.0, 0.0, surface, package="DIP-16", usual_height_mm=3.9)
    flat = replace(chip, ref="U2", package="SOIC-16", usual_height_mm=1.6)
    bare = replace(chip, ref="U3", package=None, usual_height_mm=None)
    stated = replace(bare, ref="U4", height_mm=7.0)
    prior = height_prior(Board("b", None, square, 1.6, surface, (chip, flat, bare, stated)))
    density = np.exp(prior.log_density)
    assert density.sum(axis=1) == pytest.approx(np.ones(4))

    def between(k: int, low: float, high: float) -> float:
        return float(density[k, (prior.grid_mm >= low) & (prior.grid_mm <= high)].sum())

    assert 0.4 < between(0, 3.0, 5.0) < 0.65
    assert 0.3 < between(0, 6.5, 11.0) < 0.5
    assert between(1, 1.0, 2.5) > 0.7
    assert between(2, 10.0, 50.0) > 0.03
    assert prior.mean_mm[3] == pytest.approx(7.0, abs=0.05)
    # A tenth of it, and 0.15 mm.
    assert prior.u_mm[3] == pytest.approx(0.85, rel=0.05)
