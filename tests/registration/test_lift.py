"""Heights of which something is common to all bodies: the place is known no better than that leaves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.registration.placing.joint_fit import COMMON
from thermscan.registration.placing.mixed_model import Observed
from thermscan.registration.placing.variance_components import Scatter, estimate

PARTS, CASES = 40, 300


def _seen(rng: np.random.Generator) -> tuple[Observed, float, np.ndarray]:
    """Far edges of bodies, which a step of the place and a height displace alike; the step, and the heights."""
    edge = np.repeat(np.arange(PARTS), 4)
    u_mm = rng.uniform(0.5, 1.5, PARTS)
    lift = rng.normal(0, np.sqrt(COMMON))
    heights, step = u_mm * (lift + rng.normal(0, 1, PARTS)), float(rng.normal(0, 3))
    offset = step + heights[edge] + rng.normal(0, 0.12, PARTS)[edge] + rng.normal(0, 0.05, len(edge))
    ones, none = np.ones(len(edge)), np.zeros((len(edge), 3))
    shared, known = np.column_stack([ones, u_mm[edge]]), np.array([0.0, 1 / COMMON])
    own = np.column_stack([ones, none])
    seen = Observed(
        offset, 0.05 * ones, edge, edge, shared, own, known, np.zeros(2), u_mm, np.zeros(PARTS), PARTS, lifts_mm=u_mm
    )
    return seen, step, heights


def test_place_and_heights_are_as_uncertain_as_what_lifts_all_bodies_leaves_them() -> None:
    """300 independent cases: 95 % of either within twice its uncertainty, by binomial bounds for the place."""
    rng = np.random.default_rng(5)
    place, heights, narrow = [], [], []
    for _ in range(CASES):
        seen, step, true_mm = _seen(rng)
        found = estimate(seen, Scatter())
        place.append(abs(found.step[0] - step) / np.sqrt(found.covariance[0, 0]) < 2)
        error = found.own[:, 0] + found.step[1] * seen.own_known_mm - true_mm
        heights.append((np.abs(error) < 2 * found.own_u[:, 0]).mean())
        alone = estimate(
            replace(seen, shared=seen.shared[:, :1], known=np.zeros(1), pull=np.zeros(1), lifts_mm=None), Scatter()
        )
        narrow.append(abs(alone.step[0] - step) / np.sqrt(alone.covariance[0, 0]) < 2)
    assert 0.91 < np.mean(place) < 0.99
    assert 0.91 < np.mean(heights) < 0.99
    assert np.mean(narrow) < 0.6
