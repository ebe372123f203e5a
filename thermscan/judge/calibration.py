"""How far the comparisons of one board scatter, against what was stated for them: most of its parts are good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from thermscan.judge.comparison import Comparison

# Scores beyond this say no more than one at it: a faulty part must not widen what it is judged by.
CAPPED_AT = 2.0
# Parts of one group are compared with one another, so that their scores are worth about half as many.
INDEPENDENT_SHARE = 0.5
# What was stated is worth so many scores. A board of few parts keeps it; one of many overrules it.
STATED_WORTH = 16.0
# A board's own scatter hardly makes a score larger (parts that hardly differ say little of those that may), but may
# halve it.
LEAST_SCALE, MOST_SCALE = 0.9, 2.0


def calibrated(comparisons: Sequence[Comparison]) -> tuple[Comparison, ...]:
    """
    The comparisons of one board by one rule, with the scale that their own scatter shows.

    Parameters
    ----------
    comparisons : sequence of Comparison
        Those held back (`at_most_watch`) take no part in finding the scale.

    Returns
    -------
    tuple of Comparison
        In the given order.

    Notes
    -----
    Stated uncertainties come from a model of heat that fits some boards better than others. That the scores of
    good parts spread by 1 is what the rates of false accusations rest on; the spread of this very board's scores,
    weighed with 1, is divided out (an empirical null).

    References
    ----------
    .. [1] B. Efron, Large-Scale Inference, Cambridge 2010, chapter 6 (empirical null).
    """
    scale = score_scale([each.score for each in comparisons if each.at_most_watch is None])
    return tuple(replace(each, scale=scale) if each.at_most_watch is None else each for each in comparisons)


def score_scale(scores: ArrayLike) -> float:
    """
    Spread of scores, weighed with 1, blind to a few large ones.

    Examples
    --------
    >>> score_scale([])
    1.0
    >>> import numpy as np
    >>> good = np.random.default_rng(1).normal(0.0, 1.2, 400)
    >>> round(score_scale(good), 2), round(score_scale([*good, 30.0, -9.0]), 2)
    (1.06, 1.07)
    """
    z = np.abs(np.asarray(scores, dtype=np.float64))
    if not len(z):
        return 1.0
    # Mean of min(z, cap)^2 for a normal z of standard deviation s, solved for s by fixed-point steps.
    capped = float(np.mean(np.minimum(z, CAPPED_AT) ** 2))
    seen = 1.0
    for _ in range(30):
        at = CAPPED_AT / seen
        density, above = np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi), ndtr(-at)
        within = 1.0 - 2.0 * at * density - 2.0 * above
        seen = float(np.sqrt(capped / (within + 2.0 * at**2 * above)))
        seen = min(max(seen, LEAST_SCALE / 2), 2 * MOST_SCALE)
    worth = INDEPENDENT_SHARE * len(z)
    variance = (STATED_WORTH + worth * seen**2) / (STATED_WORTH + worth)
    return float(np.clip(np.sqrt(variance), LEAST_SCALE, MOST_SCALE))
