"""What the search for a board rests on: candidates, the test of the detail, edges that can be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from tests.registration.simple_views import View, random_board, render, rise_raster
from thermscan.coordinates import map_points
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.evidence import Evidence, filled
from thermscan.registration.placing.agreement import Agreement
from thermscan.registration.placing.edges import find_edges, layout_edges
from thermscan.registration.placing.outline_candidates import outline_candidates
from thermscan.registration.placing.pattern import compressed
from thermscan.registration.placing.register import register_board
from thermscan.registration.placing.standing import Standing, climb, detail_pattern, standing

SHAPE = (240, 320)
SURFACE = Surface("plastic", 0.95, 0.02)


@pytest.fixture(scope="module")
def corners(view: View) -> np.ndarray:
    return map_points(view.px_from_mm, view.board.corners_mm)


def _stands(view: View, board: Board, corners_px: np.ndarray) -> Standing:
    picture = compressed(filled(view.image.apparent_c.astype(np.float32)))
    return standing(picture, detail_pattern(board), corners_mm=board.corners_mm, corners_px=corners_px)


def test_detail_stands_out_for_the_right_layout_in_its_right_place_alone(view: View, corners: np.ndarray) -> None:
    right = _stands(view, view.board, corners)
    assert right.convincing
    for turn in (1, 2, 3):
        assert not _stands(view, view.board, np.roll(corners, turn, axis=0)).convincing
    for seed in range(70, 74):
        assert not _stands(view, random_board(np.random.default_rng(seed)), corners).convincing
    assert _stands(view, view.board, corners + 4.0).deviations < right.deviations / 2


def test_the_same_offset_and_gain_change_no_standing(view: View, corners: np.ndarray) -> None:
    picture = compressed(filled(view.image.apparent_c.astype(np.float32)))
    pattern = detail_pattern(view.board)
    one, other = (
        standing(seen, pattern, corners_mm=view.board.corners_mm, corners_px=corners)
        for seen in (picture, (3 * picture + 2).astype(np.float32))
    )
    assert other.deviations == pytest.approx(one.deviations, rel=1e-2)
    assert other.explained == pytest.approx(one.explained, rel=1e-3)


def test_a_place_a_few_pixels_off_climbs_to_the_right_one(view: View, corners: np.ndarray) -> None:
    picture = compressed(filled(view.image.apparent_c.astype(np.float32)))
    off = corners + np.random.default_rng(4).normal(0, 2.5, (4, 2))
    there = climb(picture, detail_pattern(view.board), corners_mm=view.board.corners_mm, corners_px=off)
    # Refinement on the edges takes over from within two pixels.
    assert np.abs(there - corners).max() < 1.5 < np.abs(off - corners).max()


def test_a_faint_side_beside_strong_lines_is_among_the_candidates() -> None:
    rng = np.random.default_rng(5)
    frame = rng.normal(22.0, 0.05, SHAPE)
    frame[60:190, 50:270] += 0.4
    for row in range(70, 185, 12):  # rows of warm bodies: many strong lines
        for col in range(60, 260, 25):
            frame[row : row + 6, col : col + 18] += 8.0
    quads = outline_candidates(Evidence(frame.astype(np.float32), 0.05, 0.6))
    true = np.array([[49.5, 59.5], [269.5, 59.5], [269.5, 189.5], [49.5, 189.5]])
    assert min(np.abs(np.roll(quad, turn, axis=0) - true).max() for quad in quads for turn in range(4)) < 2.0


def test_a_board_as_warm_as_the_bench_is_found_by_its_bodies() -> None:
    rng = np.random.default_rng(6)
    board = random_board(rng)
    rise, emissivity = rise_raster(board, rng, mm_per_px=board.width_mm / 500)
    rim = np.concatenate([(rise * emissivity)[[0, -1]].ravel(), (rise * emissivity)[:, [0, -1]].ravel()])
    matrix = np.array([[260 / board.width_mm, 0.1, 30.0], [-0.08, 260 / board.width_mm, 40.0], [0, 0, 1]])
    image = render(board, matrix, rise, emissivity, rng, shape=SHAPE, bench=np.full(SHAPE, np.median(rim)))
    found = register_board(image, board)
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    apart = map_points(found.px_from_mm, centres) - map_points(matrix, centres)
    assert np.hypot(*apart.T).max() < 0.5


def test_a_body_narrower_than_two_pixels_gives_no_edges_along_it() -> None:
    outline = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    parts = tuple(
        Part(f"U{k}", 30.0, width, 30.0, y, 0.0, SURFACE) for k, (width, y) in enumerate([(1.5, 20.0), (8.0, 40.0)])
    )
    board = Board("b", None, outline, 1.6, SURFACE, parts)
    edges = layout_edges(board)
    frame = np.random.default_rng(7).normal(20, 0.02, (80, 120)).astype(np.float32)
    sites = find_edges(frame, np.diag([1.0, 1.0, 1.0]), edges, range_px=1.5, noise_k=0.02, blur_px=0.6)
    looked = set(edges.part[sites.edge].tolist())
    long_sides_of_narrow = (edges.part == 0) & (np.ptp([edges.starts_mm[:, 0], edges.ends_mm[:, 0]], axis=0) > 10)
    assert looked >= {-1, 1}
    assert not long_sides_of_narrow[sites.edge].any()


def test_three_sides_of_an_outline_do_not_hold_the_fourth() -> None:
    seen = np.ones(8, dtype=bool)
    assert Agreement(seen, seen, outline_seen=0.75, side_seen=0.5).outline_holds
    assert not Agreement(seen, seen, outline_seen=0.75, side_seen=0.0).outline_holds
