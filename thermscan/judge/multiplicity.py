"""Many comparisons, many chances: the false discovery rate over the board."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Changes between looks at one board: of those to act on one in twenty may be chance (false discovery rate over the
# board's parts), of those to watch one in seven; and each by itself must be rarer than this, since where much has
# changed the rate asks little of a single part (2.6 and 2 standard deviations).
ACT_FALSE_RATE, WATCH_FALSE_RATE = 0.05, 0.15
ACT_CHANCE, WATCH_CHANCE = 0.01, 0.05


def adjusted_p_values(p_values: ArrayLike) -> NDArray[np.float64]:
    """
    Benjamini-Hochberg adjusted p-values: the false discovery rate at which each would just be called.

    Parameters
    ----------
    p_values : array_like of shape (n,)

    Returns
    -------
    ndarray of shape (n,)
        In the given order; empty for none.

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, Controlling the false discovery rate, J. R. Statist. Soc. B 57
       (1995) 289-300.

    Examples
    --------
    >>> adjusted_p_values([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    p = np.asarray(p_values, dtype=np.float64)
    n = len(p)
    order = np.argsort(p, kind="stable")[::-1]
    scaled = p[order] * n / np.arange(n, 0, -1)
    adjusted = np.empty(n)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted
