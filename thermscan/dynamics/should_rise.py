"""By how much a part should have risen at a moment of its power-up: what a good board and its peers tell of that."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.judge.spread import MAD_EFFICIENCY, robust_spread
from thermscan.judge.thresholds import EXPECTATION_DEGREES, PEER_FLOOR_K, PEER_SHARE
from thermscan.layout.board import Part

FloatArray = NDArray[np.float64]

# A power-up is timed to about this.
TIMING_S = 0.6
# A single peer's spread cannot be told.
FEWEST_PEERS = 2
# Variance of a median over that of a mean (normal values).
OF_A_MEDIAN = np.pi / 2


@dataclass(frozen=True, slots=True)
class Should:
    """
    What a good part would have risen, and how surely.

    Attributes
    ----------
    rule : {"baseline", "peer"}
    expected_k : float
    u_k : float
        Standard uncertainty of a good part's rise about it, but for the reading of this part.
    words : str
        The same as a text says it.
    """

    rule: Literal["baseline", "peer"]
    expected_k: float
    u_k: float
    words: str


@dataclass(frozen=True, slots=True)
class _Usual:
    """What a part of this type rises at this place, as one source tells it."""

    rise_k: float
    variance: float


def should_rise(
    parts: Sequence[Part], rise_k: FloatArray, good_k: FloatArray, *, since_s: float
) -> list[tuple[Should, ...]]:
    """
    What each part is held against: nothing, the good board, its peers, or first the one and then both.

    Parameters
    ----------
    parts : sequence of Part
    rise_k : ndarray of shape (parts,)
        Since power-on.
    good_k : ndarray of shape (parts,)
        The good board's at the same time; NaN where it tells none.
    since_s : float

    Notes
    -----
    A part's rise is what its type usually rises at its place, and its own spread about that. The good board tells the
    usual rise by another part of the type; peers tell it at other places, in another duty, by how much else their own
    spread says (judge/thresholds.py has what is expected of that and how much this weighs). Both together tell it more
    surely than either: their mean, weighted by the inverse variances; where they disagree by more than these say, its
    variance is raised by as much [1]_, so that a part that always does more than its peers is no fault. The good board
    is asked by itself as well: a fault that all peers share does not show against them.

    References
    ----------
    .. [1] R. T. Birge, The calculation of errors by the method of least squares, Physical Review 40 (1932) 207-227.
    """
    scaled = _board_scale(rise_k, good_k) * good_k
    found = []
    for n in range(len(parts)):
        good = _by_good(float(scaled[n]), since_s) if np.isfinite(scaled[n]) else None
        peers = _by_peers(peers_k(parts, rise_k, n))
        told = []
        if good is not None:
            told.append(_should("baseline", good, "the good board's {:.1f} K"))
        if peers is not None and good is not None:
            words = "the {:.1f} K that the good board and its peers lead to expect"
            told.append(_should("baseline", _together(good, peers), words))
        elif peers is not None:
            told.append(_should("peer", peers, "its peers' {:.1f} K"))
        found.append(tuple(told))
    return found


def peers_k(parts: Sequence[Part], rise_k: FloatArray, n: int) -> FloatArray:
    """What the others of a part's group have risen."""
    group = parts[n].group
    alike = [m for m, other in enumerate(parts) if m != n and group is not None and other.group == group]
    others = rise_k[alike]
    return others[np.isfinite(others)]


def _by_good(rise_k: float, since_s: float) -> _Usual:
    """From one other part of the type; a curve that bends down rises by no more than its mean slope in a moment."""
    return _Usual(rise_k, (PEER_SHARE * rise_k) ** 2 + (TIMING_S * rise_k / since_s) ** 2)


def _by_peers(others_k: FloatArray) -> _Usual | None:
    """From parts at other places, timed by the same clock."""
    count = len(others_k)
    if count < FEWEST_PEERS:
        return None
    rise_k = float(np.median(others_k))
    own = (PEER_SHARE * rise_k) ** 2
    # Expected between peers: the spread of chips, and as much for duty and place; no less than that of chips.
    worth = MAD_EFFICIENCY * (count - 1)
    seen = robust_spread(others_k) ** 2
    between = max((EXPECTATION_DEGREES * 2 * own + worth * seen) / (EXPECTATION_DEGREES + worth), own)
    return _Usual(rise_k, between - own + between * OF_A_MEDIAN / count)


def _together(one: _Usual, other: _Usual) -> _Usual:
    """The weighted mean, as sure as the two agree."""
    total = one.variance + other.variance
    if total <= 0:
        return one
    mean = (one.rise_k * other.variance + other.rise_k * one.variance) / total
    disagree = (one.rise_k - other.rise_k) ** 2 / total
    return _Usual(mean, one.variance * other.variance / total * max(disagree, 1.0))


def _should(rule: Literal["baseline", "peer"], usual: _Usual, words: str) -> Should:
    """
    A part's own spread on top.

    What stood there before power-on is gone from all rises; what draughts and mounting do later is taken as one floor
    (tests/benchmarks/watch_trials.py, seeds 5300 to 5318: 0 false acts in 19 good power-ups, as with one for each).
    """
    u_k = float(np.sqrt(usual.variance + (PEER_SHARE * usual.rise_k) ** 2 + PEER_FLOOR_K**2))
    return Should(rule, usual.rise_k, u_k, words.format(usual.rise_k))


def _board_scale(rise_k: FloatArray, good_k: FloatArray) -> float:
    """What all parts do together against the good board: supply, load and a timing that is off."""
    told = np.isfinite(good_k) & np.isfinite(rise_k) & (good_k > 0.5)
    if told.sum() < 4:
        return 1.0
    return float(np.clip(np.median(rise_k[told] / good_k[told]), 0.7, 1.4))
