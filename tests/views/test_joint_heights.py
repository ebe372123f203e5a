"""Heights from several views: what was known beforehand counts once, and views that contradict each other widen."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.registration import PartHeight, Registration
from thermscan.views.joint_heights import joint_heights

MASK = Surface("solder-mask", 0.91, 0.02)
BOX = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0], [0.0, 40.0]])
PART = Part("U1", 14.0, 14.0, 20.0, 10.0, 0.0, MASK)
BOARD = Board("b", None, BOX, 1.6, MASK, (PART,))


def _view(height_mm: float, u_mm: float) -> Registration:
    return Registration(
        "outline", np.eye(3), BOX, np.eye(8), 0.1, 0.1, 30.0, heights={"U1": PartHeight(height_mm, u_mm, seen=True)}
    )


def _posterior(seen_mm: float, u_mm: float) -> PartHeight:
    """What one view states: its own reading and the prior together."""
    prior = height_prior(BOARD)
    before, spread = float(prior.mean_mm[0]), float(prior.u_mm[0])
    precision = 1 / u_mm**2 + 1 / spread**2
    return PartHeight((seen_mm / u_mm**2 + before / spread**2) / precision, precision**-0.5)


def test_two_views_and_the_prior_are_three_pieces_of_evidence() -> None:
    told = joint_heights([_view(h.height_mm, h.u_mm) for h in (_posterior(6.0, 0.5), _posterior(6.6, 0.5))], BOARD)
    prior = height_prior(BOARD)
    weights = np.array([4.0, 4.0, 1 / prior.u_mm[0] ** 2])
    assert told["U1"].height_mm == pytest.approx(np.average([6.0, 6.6, prior.mean_mm[0]], weights=weights))
    assert told["U1"].u_mm == pytest.approx(weights.sum() ** -0.5)


def test_views_that_contradict_each_other_widen_the_doubt() -> None:
    near, far = (
        joint_heights([_view(h.height_mm, h.u_mm) for h in (_posterior(6.0, 0.3), _posterior(other, 0.3))], BOARD)
        for other in (6.2, 9.0)
    )
    assert far["U1"].u_mm > 3 * near["U1"].u_mm


def test_views_that_tell_nothing_leave_what_was_known() -> None:
    prior = height_prior(BOARD)
    same = _view(float(prior.mean_mm[0]), float(prior.u_mm[0]))
    told = joint_heights([same, same], BOARD)["U1"]
    assert told == PartHeight(float(prior.mean_mm[0]), float(prior.u_mm[0]), seen=True)
