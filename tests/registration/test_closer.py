"""What is told around a place, against asking at each place itself."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from tests.benchmarks.scenes import scene
from thermscan.registration.evidence import prepare
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.homography import homographies
from thermscan.registration.placing.bodies import bodies_stand_out
from thermscan.registration.placing.closer import HELD_PX, REACH, STEPS_PX, TRIED, Nearby, climbed, nearby, stepped
from thermscan.registration.placing.edge_support import edge_support
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.search import FEW_HEIGHTS, Search, start_search


@pytest.fixture(scope="module")
def case() -> tuple[Search, np.ndarray]:
    view = scene(7, cols=320)
    search = start_search(prepare(view.image), view.board, layout_edges(view.board), height_prior(view.board))
    return search, search.small.from_frame(view.corners_px())


def _near(
    search: Search, places: np.ndarray, shift: np.ndarray, *, worth: tuple[float, float], pitch_px: int = 1
) -> Nearby:
    box = search.board.corners_mm
    shifts = np.broadcast_to(shift, (len(places), *shift.shape))
    return nearby(
        search.odds,
        search.sites,
        search.edges,
        corners_mm=box,
        corners_px=places,
        shift_px=shifts,
        worth=worth,
        pitch_px=pitch_px,
    )


@pytest.mark.parametrize("pitch_px", [1, 2])
def test_what_is_told_around_a_place_is_what_is_told_there(case: tuple[Search, np.ndarray], pitch_px: int) -> None:
    """Exactly, where all moves by whole steps of the raster: rounding is the same. Two places at once as each alone."""
    search, corners = case
    box = search.board.corners_mm
    shift = np.random.default_rng(2).uniform(-3.0, 3.0, (len(search.edges.part), 2))
    begun = corners + np.array([[[0.0, 0.0]], [[4.0, 2.0]]])
    near = _near(search, begun, shift, worth=(0.5, 4.0), pitch_px=pitch_px)
    steps = np.array([[0, 0], [3, 0], [0, -2], [-REACH, REACH], [5, 4]], dtype=float)[:, None]
    told = near.support(begun[:, None] + pitch_px * steps)
    for place, found in zip(begun, told, strict=True):
        matrices = homographies(box, place + pitch_px * steps)
        shifts = np.broadcast_to(shift, (5, *shift.shape))
        outline, bodies = edge_support(search.odds, search.sites, search.edges, matrices, shifts)
        assert found == pytest.approx(0.5 * bodies + 4.0 * outline, abs=1e-3)
    assert np.ptp(told) > 10.0


def test_a_body_follows_the_corners_as_the_board_does(case: tuple[Search, np.ndarray]) -> None:
    """One corner moved by a pixel moves a body near it by almost as much, and the far one by next to nothing."""
    search, corners = case
    box = search.board.corners_mm
    nothing = np.zeros((len(search.edges.part), 2))
    near = _near(search, corners[None], nothing, worth=(1.0, 1.0))
    pieces = near.told.shape[1] - len(search.board.parts)
    centres = np.array([[part.x_mm, part.y_mm] for part in search.board.parts])
    moved = corners + np.array([[1.0, 0.0], [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]])
    from_here, to_there = (homographies(box, each[None])[0] for each in (corners, moved))
    ones = np.column_stack([centres, np.ones(len(centres))])
    seen = [(ones @ matrix.T)[:, :2] / (ones @ matrix.T)[:, 2:] for matrix in (from_here, to_there)]
    assert near.follow[0, 0, pieces:] == pytest.approx(seen[1] - seen[0], abs=0.02)


def test_steps_lead_to_the_top_of_a_hill(case: tuple[Search, np.ndarray]) -> None:
    search, corners = case
    found = stepped(lambda places: search._nearby(places, worth=(0.5, 4.0)), corners + np.array([5.0, -3.0]))
    assert np.abs(found - corners).max() < 3.0


def test_a_little_more_far_away_does_not_draw_a_place_off() -> None:
    """Of a tenth a pixel to the right the prior leaves 1.6 (0.1 x 8^2 / 4 corners), the raster six pixels."""
    follow = np.zeros((1, 8, 1, 2), np.float32)
    follow[0, 0::2, 0, 0] = follow[0, 1::2, 0, 1] = 0.25
    slope = np.tile(0.1 * np.arange(-REACH, REACH + 1), 2 * REACH + 1)[None, None].astype(np.float32)
    square = np.array([[[0.0, 0.0], [100.0, 0.0], [100.0, 80.0], [0.0, 80.0]]])
    near = Nearby(square, follow, slope)
    found, told = climbed(near, square, square, np.random.default_rng(0), tried=TRIED, steps_px=STEPS_PX)
    assert np.mean(found[0] - square[0], axis=0) == pytest.approx([1.6, 0.0], abs=0.6)
    assert told[0] == pytest.approx(0.1 * 2 - ((found - square) ** 2).sum() / HELD_PX**2 / 2, abs=1e-5)


def test_many_places_climb_as_each_alone(case: tuple[Search, np.ndarray]) -> None:
    """Of places some pixels off the right one is first by what is told where they have climbed, before wrong ones."""
    search, corners = case
    rng = np.random.default_rng(3)
    middle = corners.mean(axis=0)
    wrong = [np.roll(corners, turn, axis=0) for turn in (1, 2, 3)]
    wrong += [corners + way for way in rng.normal(size=(20, 1, 2)) * 15.0 + 25.0]
    off = middle + 1.04 * (corners - middle) + [3.0, -2.0]
    ranked, odds = search.rough(np.array([*wrong, off]))
    assert np.abs(ranked[0] - corners).max() < 4.0
    assert np.abs(off - corners).max() > 6.0
    assert (np.diff(odds) <= 0).all()
    assert odds == pytest.approx(search.odds_by_edges(ranked))


def test_bodies_asked_at_few_samples_stand_out_as_those_asked_at_all(case: tuple[Search, np.ndarray]) -> None:
    """At the right place and eleven wrong ones: the right one first either way, and the order much the same."""
    search, corners = case
    rng = np.random.default_rng(4)
    places = [corners, *(corners + each for each in rng.normal(0.0, 6.0, (11, 4, 2)))]
    few = search.bodies.thinned(FEW_HEIGHTS)
    assert few.heights_mm.shape[1] == len(FEW_HEIGHTS)
    assert few.along.shape[1] == 1
    assert few.centres_mm[0] == pytest.approx(search.bodies.centres_mm[0])
    told = np.array(
        [
            [
                bodies_stand_out(
                    search.odds, bodies, search.matrix(each)[None], search._poses(search.matrix(each)[None])
                )[0]
                for each in places
            ]
            for bodies in (few, search.bodies)
        ]
    )
    assert told.argmax(axis=1).tolist() == [0, 0]
    assert spearmanr(*told).statistic > 0.6
