"""Heights of which something is common to all bodies: the place is known no better than that leaves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from thermscan.registration.placing.joint_fit import COMMON
from thermscan.registration.placing.mixed_model import Observed
from thermscan.registration.placing.variance_components import Scatter, estimate

PARTS, CASES = 40, 200


def _seen(rng: np.random.Generator, feet: int) -> tuple[Observed, float, np.ndarray]:
    """Far edges of bodies, which a step of the place and a height displace alike, and feet; the step, the heights."""
    edge = np.repeat(np.arange(PARTS + feet), 4)
    top = (edge < PARTS).astype(np.float64)
    u_mm, lift = rng.uniform(0.5, 1.5, PARTS), rng.normal(0, np.sqrt(COMMON))
    heights, step = u_mm * (lift + rng.normal(0, 1, PARTS)), float(rng.normal(0, 3))
    lifts = np.append(u_mm, np.zeros(feet))
    offset = step + np.append(heights, np.zeros(feet))[edge] + rng.normal(0, 0.12, PARTS + feet)[edge]
    offset += rng.normal(0, 0.03, len(edge))
    own = np.column_stack([top, np.zeros((len(edge), 3))])
    shared, known = np.column_stack([np.ones(len(edge)), top * lifts[edge]]), np.array([0.0, 1 / COMMON])
    spread, apart = np.append(u_mm, np.ones(feet)), np.zeros(PARTS + feet)
    noise = np.full(len(edge), 0.001)
    seen = Observed(
        offset, noise, edge, edge, shared, own, known, np.zeros(2), spread, apart, PARTS + feet, lifts_mm=lifts
    )
    return seen, step, heights


@pytest.mark.parametrize("feet", [0, 20])
def test_place_and_heights_are_as_uncertain_as_what_lifts_all_bodies_leaves_them(feet: int) -> None:
    """200 independent cases: 95 % of either within twice its uncertainty (places: 90.5 or more, a binomial bound)."""
    rng = np.random.default_rng(5)
    place, heights, alone = [], [], []
    for _ in range(CASES):
        seen, step, true_mm = _seen(rng, feet)
        found = estimate(seen, Scatter())
        place.append(abs(found.step[0] - step) / np.sqrt(found.covariance[0, 0]) < 2)
        error = (found.own[:, 0] + found.step[1] * seen.lifts_mm)[:PARTS] - true_mm
        heights.append((np.abs(error) < 2 * found.own_u[:PARTS, 0]).mean())
        unlifted = replace(seen, shared=seen.shared[:, :1], known=np.zeros(1), pull=np.zeros(1), lifts_mm=None)
        narrow = estimate(unlifted, Scatter())
        alone.append(abs(narrow.step[0] - step) / np.sqrt(narrow.covariance[0, 0]) < 2)
    assert 0.905 < np.mean(place) < 0.995
    assert 0.91 < np.mean(heights) < 0.985
    assert np.mean(alone) < (0.97 if feet else 0.6)
