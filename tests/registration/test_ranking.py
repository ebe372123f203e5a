"""Many places at once: moved to the edges nearby, and ranked by the edges that the frame shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks import placing_rules
from tests.benchmarks.scenes import scene
from tests.registration.simple_views import View
from thermscan.coordinates import map_points
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.homography import homographies, homography_from_corners
from thermscan.registration.geometry.pose import poses_from_homographies
from thermscan.registration.geometry.rise import edge_rise, own_rise
from thermscan.registration.placing.decision import ENOUGH
from thermscan.registration.placing.edge_support import edge_support
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.search import Candidate, Search, start_search


@pytest.fixture(scope="module")
def search(view: View) -> Search:
    return start_search(prepare(view.image), view.board, layout_edges(view.board), height_prior(view.board))


@pytest.fixture(scope="module")
def corners(view: View, search: Search) -> np.ndarray:
    return search.small.from_frame(map_points(view.px_from_mm, view.board.corners_mm))


def test_places_settle_from_two_pixels_away_each_as_if_alone(search: Search, corners: np.ndarray) -> None:
    rng = np.random.default_rng(5)
    off = corners + rng.uniform(-2.0, 2.0, (12, 4, 2))
    settled = search.settled(off)
    assert len(settled) == len(off)
    assert np.median(np.abs(settled - corners).max(axis=(1, 2))) < 0.5
    assert search.settled(off[3][None])[0] == pytest.approx(settled[3], abs=1e-9)


def test_a_place_with_no_edges_near_is_left_out(search: Search, corners: np.ndarray) -> None:
    small = corners.mean(axis=0) + 0.02 * (corners - corners.mean(axis=0))
    outside = small - small.max(axis=0) - 50.0
    assert len(search.settled(np.array([corners, outside]))) == 1


def test_the_right_place_is_first_by_its_edges_among_two_hundred(search: Search, corners: np.ndarray) -> None:
    rng = np.random.default_rng(6)
    wrong = [np.roll(corners, turn, axis=0) for turn in (1, 2, 3)]
    wrong += [corners + rng.uniform(6.0, 20.0) * way for way in rng.normal(size=(197, 1, 2))]
    places = np.array([*wrong, corners])
    matrices = homographies(search.board.corners_mm, places)
    outline, bodies = search.edge_support(matrices)
    assert bodies.argmax() == len(places) - 1
    # A rectangle is the same however it is turned.
    assert outline.max() == pytest.approx(outline[-1], abs=0.01)
    assert search.ranked(places)[0] == pytest.approx(corners, abs=2.0)


def test_places_up_to_ten_pixels_off_find_their_way(search: Search, corners: np.ndarray) -> None:
    """All of 24 starts on one view but a few; by the fit to edges alone 13."""
    rng = np.random.default_rng(12)
    off = corners + rng.normal(0.0, 3.0, (24, 1, 2)) + rng.normal(0.0, 2.0, (24, 4, 2))
    left = np.array([np.abs(search.nearest(each) - corners).max() for each in off])
    assert (left < 2.0).sum() >= 20


def test_bodies_are_asked_where_their_height_displaces_them(search: Search, corners: np.ndarray) -> None:
    """All edges 3 pixels to the right, the place as far to the left: the same odds; not so of either alone."""
    there, left = (homographies(search.board.corners_mm, each[None]) for each in (corners, corners - [3.0, 0.0]))
    none, right = (np.full((1, len(search.edges.part), 2), way) for way in ([0.0, 0.0], [3.0, 0.0]))
    as_it_is, away, back = (
        edge_support(search.odds, search.sites, search.edges, matrices, shift)[1][0]
        for matrices, shift in ((there, none), (left, none), (left, right))
    )
    assert back == pytest.approx(as_it_is, rel=1e-6)
    assert away < as_it_is - 5.0


def test_edges_are_displaced_as_one_place_at_a_time_has_them() -> None:
    view = scene(7, cols=160)
    edges, prior = layout_edges(view.board), height_prior(view.board)
    corners = view.corners_px() + np.array([np.zeros((4, 2)), [[3.0, 0.0], [0.0, 2.0], [0.0, 0.0], [1.0, 1.0]]])
    matrices = np.array([homography_from_corners(view.board.corners_mm, each) for each in corners])
    shape, box = view.image.shape, view.board.corners_mm
    together = own_rise(poses_from_homographies(matrices, shape=shape, corners_mm=box), matrices, edges, prior.mean_mm)
    assert np.abs(together).max() > 0.5 / prior.mean_mm.max()
    for matrix, own in zip(matrices, together, strict=True):
        alone = edge_rise(matrix, edges, prior.mean_mm, None, corners_mm=box, shape=shape, fov_deg=None)
        assert own == pytest.approx(alone.own_px, abs=1e-9)


def test_detail_alone_carries_no_place() -> None:
    hot_spot = Candidate(np.zeros((4, 2)), edges=0.0, outline=1.0, detail=22.0, explained=0.9)
    assert hot_spot.log_odds < ENOUGH
    assert replace(hot_spot, edges=4.0, outline=0.7).log_odds > ENOUGH


def test_the_benchmark_of_rules_and_constants_knows_them_all() -> None:
    for _, where, name, _ in placing_rules.RULES:
        assert hasattr(where, name), name
    for module, name in placing_rules.CONSTANTS:
        assert hasattr(module, name), name
