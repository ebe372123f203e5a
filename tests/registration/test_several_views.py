"""Heights that several views tell together: what the density holds elsewhere than near the likeliest counts."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.registration.geometry.heights import HeightPrior
from thermscan.registration.placing import several_views
from thermscan.registration.placing.own_heights import weigh_heights

GRID_MM = np.arange(0.0, 20.01, 0.25)


def _density(*tops: tuple[float, float]) -> np.ndarray:
    """The logarithm of a mixture of normal densities 0.3 mm wide, (height, share)."""
    each = [share * np.exp(-0.5 * ((GRID_MM - at) / 0.3) ** 2) for at, share in tops]
    total = np.sum(each, axis=0) + 1e-30
    return np.log(total / total.sum())[None]


@pytest.mark.parametrize(("left", "expected_mm"), [(0.0, 0.2), (0.02, 0.60), (0.3, 2.2)])
def test_a_share_of_the_density_at_another_height_is_in_the_uncertainty(left: float, expected_mm: float) -> None:
    """A chip 4 mm high that may stand in a socket, at 8 mm: sqrt((1 - left) 0.2² + left 4²)."""
    prior = HeightPrior(GRID_MM, _density((4.0, 1 - left), (8.0, left)), np.zeros(1, dtype=int))
    nothing = np.zeros((1, len(GRID_MM)))
    weighed = weigh_heights(prior, nothing, np.array([1.0]))
    assert weighed.likeliest_mm[0] == pytest.approx(4.0, abs=0.05)
    u_mm = several_views._with_other_heights(np.array([4.0]), np.array([0.2]), weighed, nothing, GRID_MM)
    # What is near 8 mm is 0.3 mm wide itself, which adds a hundredth.
    assert u_mm[0] == pytest.approx(expected_mm, rel=0.03)


def test_how_wide_the_likeliest_top_is_the_fit_knows() -> None:
    """One broad top, as blurred edges make it: most of it lies beyond the window of a millimetre, and adds nothing."""
    broad = np.exp(-0.5 * ((GRID_MM - 6.0) / 2.0) ** 2)
    prior = HeightPrior(GRID_MM, np.log(broad / broad.sum())[None], np.zeros(1, dtype=int))
    nothing = np.zeros((1, len(GRID_MM)))
    weighed = weigh_heights(prior, nothing, np.array([1.0]))
    u_mm = several_views._with_other_heights(np.array([6.0]), np.array([0.2]), weighed, nothing, GRID_MM)
    assert u_mm[0] == pytest.approx(0.2)
