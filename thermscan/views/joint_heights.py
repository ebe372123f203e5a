"""How high parts stand, from all views together: each sees a top displaced in another direction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from thermscan.layout.board import Board
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.registration import PartHeight, Registration

# A view that hardly lowers the doubt of a height says nothing of it: what is left of the prior's variance at most.
TELLS_SHARE = 0.9


def joint_heights(registrations: Sequence[Registration], board: Board) -> Mapping[str, PartHeight]:
    """
    One height a part, from what each view says of it.

    Parameters
    ----------
    registrations : sequence of Registration
        Of two or more views.
    board : Board

    Returns
    -------
    mapping of ref to PartHeight
        Empty where the views hold no heights.

    Notes
    -----
    Every view's height holds what was known beforehand; that is counted once. The rest is a mean weighted by what each
    view adds; where the views contradict each other its uncertainty is widened by the Birge ratio.

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, 2006, 2.3.6: precisions of independent evidence add.
    """
    prior = height_prior(board)
    told: dict[str, PartHeight] = {}
    for part, before_mm, u_before_mm in zip(board.parts, prior.mean_mm, prior.u_mm, strict=True):
        known = [registration.heights.get(part.ref) for registration in registrations]
        heights = [height for height in known if height is not None]
        if not heights:
            continue
        told[part.ref] = _joined(heights, float(before_mm), float(u_before_mm))
    return told


def _joined(heights: Sequence[PartHeight], before_mm: float, u_before_mm: float) -> PartHeight:
    telling = [h for h in heights if h.u_mm**2 < TELLS_SHARE * u_before_mm**2]
    if not telling:
        return min(heights, key=lambda h: h.u_mm)
    # What a view adds is what it says with the prior taken out.
    weights = np.array([1 / h.u_mm**2 - 1 / u_before_mm**2 for h in telling])
    own = np.array([h.height_mm / h.u_mm**2 - before_mm / u_before_mm**2 for h in telling]) / weights
    mean = float(weights @ own / weights.sum())
    ratio = 1.0
    if len(telling) > 1:
        ratio = max(1.0, float(np.sqrt((weights * (own - mean) ** 2).sum() / (len(telling) - 1))))
    precision = weights.sum() / ratio**2
    total = precision + 1 / u_before_mm**2
    height_mm = (precision * mean + before_mm / u_before_mm**2) / total
    return PartHeight(max(float(height_mm), 0.0), float(1 / np.sqrt(total)), seen=True)
