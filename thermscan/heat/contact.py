"""How well bodies are joined to the board: what is known beforehand, and how far a part tells its kind's joint."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Conductance from body to board by area, over h of both faces: 1 / (5e-3 K m2/W) over 20 W/(m2 K); dual
# in-line packages in the air come to about half of it, small flat ones to three times as much. All from memory of
# packages' thermal resistances; no source gives them by area.
USUAL_CONTACT = 10.0
# Kinds differ by about this factor (as a natural logarithm), parts of one kind by that.
BETWEEN_KINDS = 0.7
WITHIN_KIND = 0.2
# Below this a body's rise over the board says nothing but that it is joined well.
LEAST_OVER_K = 0.5
# Within these bounds no package that is soldered or plugged in has been left out.
CONTACT_BOUNDS = (1.5, 100.0)


def kind_numbers(kinds: tuple[str, ...]) -> tuple[NDArray[np.intp], int]:
    """
    The running number of each part's kind, and how many there are.

    Examples
    --------
    >>> numbers, count = kind_numbers(("DIP-16", "SO-14", "DIP-16"))
    >>> numbers.tolist(), count
    ([0, 1, 0], 2)
    """
    order = {name: k for k, name in enumerate(dict.fromkeys(kinds))}
    return np.array([order[name] for name in kinds], dtype=np.intp), len(order)


def joint_spread(kinds: tuple[str, ...], over_k: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    By how much each part's joint may differ from the one that its kind was found to have.

    Parameters
    ----------
    kinds : tuple of str
    over_k : ndarray of shape (n,)
        Body over the board beneath; NaN where not seen.

    Returns
    -------
    ndarray of shape (n,)
        As a natural logarithm. One part cannot tell its kind's figure and be checked by it: where there are few, the
        kind's spread is left to them.
    """
    numbers, count = kind_numbers(kinds)
    # Parts hardly above the board count as little as they tell.
    tells = np.clip(np.nan_to_num(over_k) / LEAST_OVER_K, 0.0, 1.0)
    told = np.bincount(numbers, weights=tells, minlength=count)[numbers]
    result: NDArray[np.float64] = np.hypot(WITHIN_KIND, BETWEEN_KINDS / np.sqrt(np.maximum(2.0 * told - 1.0, 1.0)))
    return result
