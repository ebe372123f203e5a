"""The bodies propose where the board lies by themselves: their directions, then their pattern."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.registration.simple_views import View
from thermscan.coordinates import map_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.pose import focal_from_fov, pose_from_homography
from thermscan.registration.placing.body_proposals import body_proposals, orientations
from thermscan.registration.placing.edge_odds import EdgeOdds
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.outline_candidates import FrameEdges, frame_edges
from thermscan.registration.placing.register import register_board
from thermscan.registration.placing.search import Search, start_search

# From so far off a place is still moved to the right one.
REACHED_PX = 15.0


def hidden(view: View) -> ThermalImage:
    """The view on a bench that goes on from the board's rim, so that no outline is seen."""
    apparent = view.image.apparent_c.astype(np.float32)
    middle = view.board.corners_mm.mean(axis=0)
    inner = map_points(view.px_from_mm, middle + 0.96 * (view.board.corners_mm - middle))
    board = np.zeros(apparent.shape, np.float32)
    cv2.fillConvexPoly(board, np.rint(inner).astype(np.int32), 1.0)
    rim = (cv2.GaussianBlur(board, (0, 0), 2.0) > 0.05) & (board < 0.5)
    bench = np.float32(np.median(apparent[rim])) + np.random.default_rng(3).normal(0.0, 0.05, apparent.shape)
    share = cv2.GaussianBlur(board, (0, 0), 5.0)
    return replace(view.image, apparent_c=share * apparent + (1 - share) * bench)


@pytest.fixture(scope="module")
def search(view: View) -> Search:
    evidence = prepare(hidden(view), fov_deg=view.fov_deg)
    return start_search(evidence, view.board, layout_edges(view.board), height_prior(view.board))


def proposed(search: Search, view: View) -> np.ndarray:
    frame = frame_edges(search.small)
    return body_proposals(frame, search.odds, search.sites, view.board.corners_mm, fov_deg=view.fov_deg)


def off_px(search: Search, view: View, places: np.ndarray) -> np.ndarray:
    true = search.small.from_frame(map_points(view.px_from_mm, view.board.corners_mm))
    return np.sqrt(((places - true) ** 2).sum(axis=2).mean(axis=1))


def test_where_no_outline_is_seen_the_bodies_still_tell_the_place(search: Search, view: View) -> None:
    assert off_px(search, view, proposed(search, view))[:3].min() < REACHED_PX
    found = register_board(hidden(view), view.board)
    assert np.median(view.error_px(found.px_from_mm)) < 0.5


@pytest.mark.parametrize("quarter", [1, 2, 3])
def test_a_board_turned_in_the_frame_is_proposed_turned(search: Search, view: View, quarter: int) -> None:
    """The same frame with a layout that is drawn turned: its corners are the same four, counted from another."""
    board = view.board
    for _ in range(quarter):  # a quarter clockwise as seen: x becomes height - y, y becomes x
        parts = tuple(
            replace(part, x_mm=board.height_mm - part.y_mm, y_mm=part.x_mm, rotation_deg=part.rotation_deg - 90.0)
            for part in board.parts
        )
        box = np.array([[0.0, 0.0], [board.height_mm, 0.0], [board.height_mm, board.width_mm], [0.0, board.width_mm]])
        board = replace(board, outline_mm=box, parts=parts)
    turned = search.of_board(board, layout_edges(board))
    places = body_proposals(
        frame_edges(search.small), search.odds, turned.sites, board.corners_mm, fov_deg=view.fov_deg
    )
    assert off_px(search, view, np.roll(places, -quarter, axis=1))[:3].min() < REACHED_PX


def test_how_the_camera_is_turned_is_among_what_the_edges_point_to(search: Search, view: View) -> None:
    rows, cols = search.shape
    pose = pose_from_homography(
        view.px_from_mm, shape=(rows, cols), corners_mm=view.board.corners_mm, fov_deg=view.fov_deg
    )
    told = orientations(frame_edges(search.small), search.odds, focal_from_fov(view.fov_deg, cols))
    assert np.abs(told.swapaxes(1, 2) @ told - np.eye(3)).max() < 1e-9
    assert np.linalg.det(told) == pytest.approx(1.0)
    # The normal, whichever quarter the board is turned by.
    off = np.degrees(np.arccos(np.clip(told[:, :, 2] @ pose.rotation[:, 2], -1.0, 1.0)))
    assert off[:20].min() < 10.0


def test_a_frame_without_edges_proposes_nothing(view: View) -> None:
    flat = replace(view.image, apparent_c=np.full_like(view.image.apparent_c, 25.0))
    board = view.board
    empty = start_search(prepare(flat), board, layout_edges(board), height_prior(board))
    assert proposed(empty, view).shape == (0, 4, 2)


@pytest.mark.parametrize(("tilt_deg", "azimuth_deg"), [(40.0, 30.0), (50.0, 135.0), (40.0, 255.0)])
def test_lines_that_converge_tell_how_the_camera_is_turned(tilt_deg: float, azimuth_deg: float) -> None:
    """Two families of parallels by a pinhole camera: Hartley, Zisserman, Multiple View Geometry, section 8.6."""
    rows, cols = 240, 320
    focal = focal_from_fov(60.0, cols)
    tilt, azimuth = np.radians([tilt_deg, azimuth_deg])
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    rotation = cv2.Rodrigues(tilt * axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, 0.5]))[0]
    rng = np.random.default_rng(4)
    plane = rng.uniform(-60.0, 60.0, (3000, 2))
    along = np.eye(2)[rng.integers(0, 2, 3000)]

    def seen(points: np.ndarray) -> np.ndarray:
        space = points @ rotation[:, :2].T + [0.0, 0.0, 130.0]
        return focal * space[:, :2] / space[:, 2:] + [(cols - 1) / 2, (rows - 1) / 2]

    at, way = seen(plane), seen(plane + 1e-3 * along) - seen(plane)
    inside = (at >= 0).all(axis=1) & (at < [cols - 1, rows - 1]).all(axis=1)
    col, row = np.rint(at[inside]).astype(int).T
    across = np.column_stack([-way[inside, 1], way[inside, 0]])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    gx, gy, thin = np.zeros((rows, cols)), np.zeros((rows, cols)), np.zeros((rows, cols), bool)
    gx[row, col], gy[row, col], thin[row, col] = across[:, 0], across[:, 1], True
    frame = FrameEdges(np.zeros((rows, cols), np.float32), 0.1, gx, gy, thin)
    told = orientations(frame, EdgeOdds(np.ones((12, rows + 2, cols + 2), np.float32)), focal)
    off = np.degrees(np.arccos(np.clip(told[0, :, 2] @ rotation[:, 2], -1.0, 1.0)))
    assert off < 6.0
