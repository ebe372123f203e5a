"""A warm-up against that of a good board, at equal times after power-on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.judge.finding import Finding, Level
from thermscan.judge.thresholds import (
    ACT_LEAST_K,
    ACT_LEAST_SHARE,
    BOARD_SCALE_DEVIATIONS,
    PEER_FLOOR_K,
    PEER_SHARE,
    WATCH_LEAST_K,
)

FloatArray = NDArray[np.float64]

# A false accusation on one good board in twenty (as in judge/thresholds.py), shared out over the parts.
FALSE_RATE, WATCH_RATE = 0.05, 0.15
# Load, supply and airflow change all rises together by about this much.
BOARD_SCALE_SHARE = 0.25
# As few tell no scale.
FEWEST_FOR_SCALE = 4
# A recording in which no part rises by this much is of no power-up, or of no power.
LEAST_RISE_K = 0.5


@dataclass(frozen=True, slots=True)
class EqualTime:
    """One part's rise since power-on, here and on the good board, at the same time."""

    ref: str
    since_s: float
    rise_k: float
    expected_k: float
    u_k: float
    good_k: float

    @property
    def excess_k(self) -> float:
        """How much more it has risen than it should; negative: less."""
        return self.rise_k - self.expected_k

    @property
    def score(self) -> float:
        """In standard uncertainties."""
        return self.excess_k / self.u_k


def check_it_rises(rise_k: FloatArray, *, where: str) -> None:
    """
    Raise `InputError` where the recorded rises since power-on, shape (n, parts), are those of no power-up.

    Held against it, every part of a good board would be too hot.
    """
    if float(np.nanmax(rise_k)) < LEAST_RISE_K:
        what = f"no part rises by {LEAST_RISE_K:g} K in it, so it is no power-up"
        raise InputError(what, where=where, fix="name the recorded power-up of a good board")


def compare_at_equal_time(
    refs: Sequence[str], rise_k: FloatArray, good_k: FloatArray, noise_k: FloatArray, *, since_s: float
) -> tuple[EqualTime, ...]:
    """
    Each part's rise against the good board's, once what the whole board does is taken out.

    Parameters
    ----------
    refs : sequence of str
    rise_k, good_k : ndarray of shape (parts,)
        Since power-on, both at the same time after it.
    noise_k : ndarray of shape (parts,)
        Standard uncertainty of the difference, from both recordings.
    since_s : float

    Returns
    -------
    tuple of EqualTime

    Notes
    -----
    The board-wide scale is the weighted median of the ratios, so that few odd parts do not move it; it is held near 1
    as load and airflow allow. Boards differ in a part by the spread of chips of one type (judge/thresholds.py).
    """
    own_u = np.sqrt(noise_k**2 + PEER_FLOOR_K**2 + (PEER_SHARE * good_k) ** 2)
    scale = _scale(rise_k, good_k, own_u)
    expected = scale * good_k
    return tuple(
        EqualTime(ref, since_s, float(r), float(e), float(u), float(g))
        for ref, r, e, u, g in zip(refs, rise_k, expected, own_u, good_k, strict=True)
    )


def _scale(rise_k: FloatArray, good_k: FloatArray, u_k: FloatArray) -> float:
    middle, u = _together(rise_k, good_k, u_k)
    share = BOARD_SCALE_SHARE**2 / (BOARD_SCALE_SHARE**2 + u**2)
    return float(1.0 + share * (middle - 1.0))


def _together(rise_k: FloatArray, good_k: FloatArray, u_k: FloatArray) -> tuple[float, float]:
    """How many times the good board's all rises together are, and its standard uncertainty; 1 where too few tell it."""
    told = good_k > 3 * u_k
    if told.sum() < FEWEST_FOR_SCALE:
        return 1.0, 0.0
    ratio, weight = rise_k[told] / good_k[told], good_k[told]
    order = np.argsort(ratio)
    middle = float(ratio[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)])
    return middle, float(1.25 * PEER_SHARE / np.sqrt(told.sum()))


def findings_of(compared: Sequence[EqualTime]) -> tuple[Finding, ...]:
    """What stands out: by more than chance over the board, and by enough to matter; and the board as a whole."""
    count = max(len(compared), 1)
    act, watch = (float(ndtri(1.0 - rate / (2 * count))) for rate in (FALSE_RATE, WATCH_RATE))
    found = []
    for each in compared:
        size = abs(each.excess_k)
        enough = size >= max(ACT_LEAST_K, ACT_LEAST_SHARE * abs(each.expected_k))
        if abs(each.score) >= act and enough:
            level: Level = "act"
        elif abs(each.score) >= watch and size >= WATCH_LEAST_K:
            level = "watch"
        else:
            continue
        more = "more" if each.excess_k > 0 else "less"
        text = (
            f"{each.since_s:.0f} s after power-on {each.ref} has risen {each.rise_k:.1f} K, {size:.1f} K {more} than "
            f"the {each.expected_k:.1f} K of the good board at the same time (standard uncertainty {each.u_k:.1f} K)."
        )
        found.append(
            Finding(
                ref=each.ref, rule="baseline", level=level, direction="hot" if each.excess_k > 0 else "cold",
                excess_k=each.excess_k, u_k=each.u_k, score=each.score, text=text,
            )
        )  # fmt: skip
    return (*found, *_board_finding(compared))


def _board_finding(compared: Sequence[EqualTime]) -> tuple[Finding, ...]:
    """A board that rises as none does by its load, supply or airflow: parts are judged by what is left beside that."""
    rise_k, good_k, u_k = (np.array([getattr(each, name) for each in compared]) for name in ("rise_k", "good_k", "u_k"))
    middle, u = _together(rise_k, good_k, u_k)
    score = (middle - 1.0) / float(np.hypot(BOARD_SCALE_SHARE, u))
    if abs(score) < BOARD_SCALE_DEVIATIONS:
        return ()
    text = (
        f"{compared[0].since_s:.0f} s after power-on all rises together are {middle:.2f} times those of the good "
        "board: is it powered and loaded alike? Parts were judged on what is left."
    )
    direction: Literal["hot", "cold"] = "hot" if score > 0 else "cold"
    return (
        Finding(
            ref=None, rule="board", level="watch", direction=direction, excess_k=None, u_k=None, score=score, text=text
        ),
    )  # fmt: skip
