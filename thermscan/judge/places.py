"""How far good parts differ because they sit in unequal places: copper beneath, air about, how each is mounted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.heat.split import HeatSplit
from thermscan.heat.summary import HEAT_DOUBT, UNEVEN_DOUBT
from thermscan.layout.board import Part

# Copper beneath a part differs over a board, by a factor of two and more, which changes the rise of what sits there.
# What the heat model leaves of that makes a part's own rise as uncertain as its heat; by so much where nothing was
# told, and at most: a board that hardly varies tells little of it.
UNTOLD_SHARE, MOST_SHARE = 0.08, 0.15
# Places this near one another share most of it: pours and rows of parts are some centimetres large.
PLACE_REACH_MM = 30.0
# One figure for all boards is no better known than from a few.
PLACE_DEGREES = 6.0


def place_share(split: HeatSplit | None) -> float:
    """
    By which share of itself a part's own rise depends on its place on this board.

    Examples
    --------
    >>> place_share(None)
    0.08
    """
    if split is None:
        return UNTOLD_SHARE
    return min(float(np.hypot(HEAT_DOUBT, UNEVEN_DOUBT * split.uneven)), MOST_SHARE)


def place_sd_k(part: Part, peers: Sequence[Part], place_k: float) -> float:
    """
    Standard deviation of a part's own rise less its peers' mean, by the places alone.

    Parameters
    ----------
    part : Part
    peers : sequence of Part
        At least one.
    place_k : float
        Standard deviation from place to place: `place_share` of what such parts rise by their own heat.

    Notes
    -----
    The places' influence is taken as a random field whose correlation falls off exponentially with distance.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> chips = [Part(f"U{i}", 20, 7, 10.0 * i, 10, 90, Surface("plastic", 0.93, 0.02)) for i in range(9)]
    >>> round(place_sd_k(chips[4], [chips[3], chips[5]], 1.0), 2), round(place_sd_k(chips[0], chips[7:], 1.0), 2)
    (0.57, 1.3)
    """
    at_mm = np.array([[each.x_mm, each.y_mm] for each in (part, *peers)])
    apart_mm = np.linalg.norm(at_mm[:, None] - at_mm[None], axis=2)
    contrast = np.append(1.0, np.full(len(peers), -1.0 / len(peers)))
    variance = float(contrast @ np.exp(-apart_mm / PLACE_REACH_MM) @ contrast)
    return place_k * float(np.sqrt(max(variance, 0.0)))
