"""A place that is right on a part of the board only."""

from __future__ import annotations

import numpy as np
import pytest

from tests.registration.simple_views import View
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.pose import pose_from_homography
from thermscan.registration.placing import bodies as room
from thermscan.registration.placing.bodies import HALF_HAS, bodies_of, bodies_stand_out
from thermscan.registration.placing.edge_odds import DIRECTIONS, EdgeOdds


def _stands_out(view: View, told: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> float:
    """Log odds of each body as given: of this layout first, then of the others."""
    monkeypatch.setattr(room, "_told", lambda *_: told)
    bodies = bodies_of(view.board, height_prior(view.board))
    pose = pose_from_homography(view.px_from_mm, shape=view.image.shape, corners_mm=view.board.corners_mm)
    return bodies_stand_out(EdgeOdds(np.zeros((DIRECTIONS, 50, 50), np.float32)), bodies, view.px_from_mm, pose)


@pytest.mark.parametrize(("axis", "upper"), [(0, False), (0, True), (1, False), (1, True)])
def test_a_half_whose_edges_lie_elsewhere_tells_that_the_place_is_wrong(
    view: View, monkeypatch: pytest.MonkeyPatch, axis: int, upper: bool
) -> None:
    parts = view.board.parts
    rng = np.random.default_rng(3)
    told = rng.normal(0.0, 0.3, (24, len(parts)))
    told[0] += 1.0
    everywhere = _stands_out(view, told, monkeypatch)
    assert everywhere > 15.0
    along = np.array([[part.x_mm, part.y_mm][axis] for part in parts])
    lost = np.argsort(along)[len(parts) // 2 :] if upper else np.argsort(along)[: len(parts) // 2]
    told[0, lost] = 0.0
    left = _stands_out(view, told, monkeypatch)
    assert left <= 2.5 / HALF_HAS
    assert left < everywhere / 2 < told[0].sum()


def test_a_half_that_speaks_against_leaves_nothing(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    told = np.random.default_rng(3).normal(0.0, 0.3, (24, len(view.board.parts)))
    order = np.argsort([part.x_mm for part in view.board.parts])
    told[0, order[: len(order) // 2]] += 3.0
    told[0, order[len(order) // 2 :]] -= 1.0
    assert _stands_out(view, told, monkeypatch) == 0.0
