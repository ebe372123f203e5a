"""What the search for a board rests on: candidates, the test of the detail, edges that can be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from tests.registration.simple_views import View, random_board, render, rise_raster
from thermscan.coordinates import map_points
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.evidence import Evidence, filled
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.detail import Standing, compressed, detail_pattern, explained, standing
from thermscan.registration.placing.edges import find_edges, layout_edges
from thermscan.registration.placing.outline_candidates import outline_candidates
from thermscan.registration.placing.own_heights import gradient_field
from thermscan.registration.placing.proposals import could_be_seen, homographies
from thermscan.registration.placing.quick_fit import Risen, edge_odds, sites_of
from thermscan.registration.placing.register import register_board

SHAPE = (240, 320)
SURFACE = Surface("plastic", 0.95, 0.02)


@pytest.fixture(scope="module")
def corners(view: View) -> np.ndarray:
    return map_points(view.px_from_mm, view.board.corners_mm)


def _picture(view: View) -> np.ndarray:
    return compressed(filled(view.image.apparent_c.astype(np.float32)))


def _stands(view: View, board: Board, corners_px: np.ndarray) -> Standing:
    return standing(_picture(view), detail_pattern(board), homography_from_corners(board.corners_mm, corners_px))


def test_detail_stands_out_for_the_right_layout_in_its_right_place_alone(view: View, corners: np.ndarray) -> None:
    right = _stands(view, view.board, corners)
    assert right.deviations > 12
    assert right.times > 2.5
    wrong = [_stands(view, view.board, np.roll(corners, turn, axis=0)) for turn in (1, 2, 3)]
    wrong += [_stands(view, random_board(np.random.default_rng(seed)), corners) for seed in range(70, 74)]
    # Of a normal variate 5 standard deviations are beyond chance; the tails are a little wider.
    assert max(each.deviations for each in wrong) < 6
    assert _stands(view, view.board, corners + 4.0).deviations < right.deviations / 2


def test_the_same_offset_and_gain_change_no_standing(view: View, corners: np.ndarray) -> None:
    pattern, matrix = detail_pattern(view.board), homography_from_corners(view.board.corners_mm, corners)
    picture = _picture(view)
    one, other = (standing(seen, pattern, matrix) for seen in (picture, (3 * picture + 2).astype(np.float32)))
    assert other.deviations == pytest.approx(one.deviations, rel=1e-2)
    assert other.explained == pytest.approx(one.explained, rel=1e-3)


def test_many_places_are_told_apart_at_once(view: View, corners: np.ndarray) -> None:
    pattern = detail_pattern(view.board)
    places = [corners, corners + 3.0, np.roll(corners, 2, axis=0), corners + 500.0]
    told = explained(
        _picture(view), pattern, np.array([homography_from_corners(view.board.corners_mm, p) for p in places])
    )
    assert told.argmax() == 0
    assert told[3] == 0  # outside the frame


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


def test_a_camera_sees_a_rectangle_of_the_right_proportions_alone() -> None:
    box = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    seen = box * 2.0 + 30.0
    square = np.array([[30.0, 30.0], [200.0, 30.0], [200.0, 200.0], [30.0, 200.0]])
    mirrored = seen[[1, 0, 3, 2]]
    matrices = homographies(box, np.array([seen, square, mirrored]))
    assert could_be_seen(matrices, box, SHAPE, fov_deg=None).tolist() == [True, False, False]


def test_what_is_seen_where_it_is_predicted_raises_the_odds_and_beside_it_lowers_them(
    view: View, corners: np.ndarray
) -> None:
    edges = layout_edges(view.board)
    evidence = Evidence(view.image.apparent_c.astype(np.float32), 0.05, 0.6)
    field, sites, still = gradient_field(evidence, 1.2), sites_of(edges), np.zeros((len(edges.part), 2))

    def odds(shift: float) -> float:
        matrix = homography_from_corners(view.board.corners_mm, corners + shift)
        return float(np.nanmean(edge_odds(field, sites, matrix, Risen(still, still))))

    assert odds(0.0) > 0.1 > -0.1 > odds(3.0)
