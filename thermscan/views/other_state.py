"""Whether one of several views shows the board in another state than the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from thermscan.regions.measurement import PartMeasurement
from thermscan.views.combining import DISAGREE_CHANCE
from thermscan.views.drift import FEWEST_TO_TELL, LEAST_VIEW_K, drift_and_ratio, read_views

FloatArray = NDArray[np.float64]

# Of three views or more, one that the others contradict on more than this share of the parts that they share, each of
# which is so in a sound view by one chance in a hundred, and mostly (by variance) in proportion to how warm the parts
# are: a lamp that is mirrored changes many parts as well, but not the warm ones most.
OTHER_STATE_SHARE, FEWEST_SHARED, IN_PROPORTION = 0.5, 4, 0.5


def view_of_another_state(views: Sequence[Sequence[PartMeasurement]]) -> int | None:
    """
    The view, of three or more, that shows the board warmer or cooler than all others; None where none does.

    Parameters
    ----------
    views : sequence of sequence of PartMeasurement
        Each with all parts in the layout's order.

    Notes
    -----
    Each view is held against the mean of the others, after its own offset, with their Birge ratio. A camera's offset
    alone is none of the board's, and is not looked at.
    """
    if len(views) < FEWEST_TO_TELL:
        return None
    readings, private_k, sensor_k = read_views(views)
    own_k = np.hypot(private_k, sensor_k)
    shares = [_contradicted(readings, own_k, view) for view in range(len(views))]
    worst = int(np.argmax(shares))
    return worst if shares[worst] > OTHER_STATE_SHARE else None


def _contradicted(readings: FloatArray, own_k: FloatArray, view: int) -> float:
    """The share of a view's parts on which the others read otherwise; 0 where that is not in proportion to warmth."""
    others, others_k = np.delete(readings, view, axis=0), np.delete(own_k, view, axis=0)
    drift, ratio = drift_and_ratio(others, others_k)
    weights = np.where(np.isfinite(others), 1 / np.hypot(others_k * ratio, LEAST_VIEW_K) ** 2, 0.0)
    total = weights.sum(axis=0)
    both = np.isfinite(readings[view]) & (total > 0)
    if both.sum() < FEWEST_SHARED:
        return 0.0
    mean = (weights * np.where(np.isfinite(others), others - drift, 0.0)).sum(axis=0)[both] / total[both]
    apart = readings[view, both] - mean
    u = np.sqrt(own_k[view, both] ** 2 * ratio**2 + LEAST_VIEW_K**2 + 1 / total[both])
    beyond = ((apart - np.median(apart)) / u) ** 2 > chdtri(1, DISAGREE_CHANCE)
    spread = mean.std() * apart.std()
    proportion = float(np.mean((mean - mean.mean()) * (apart - apart.mean()))) / spread if spread > 0 else 0.0
    return float(np.mean(beyond)) if proportion**2 > IN_PROPORTION else 0.0
