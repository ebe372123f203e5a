"""How well bodies are joined to the board, told kind by kind from their rise over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bodies import Bodies

# Conductance from body to board by area, over h of both faces: 1 / (5e-3 K m2/W) over 20 W/(m2 K); dual
# in-line packages in the air come to about half of it, small flat ones to three times as much. All from memory of
# packages' thermal resistances; no source gives them by area.
USUAL_CONTACT = 10.0
# Kinds differ by about this factor (as a natural logarithm), parts of one kind by that.
BETWEEN_KINDS = 0.7
WITHIN_KIND = 0.2
# One part's heat and rise over the board tell its kind's figure within about this factor.
TOLD_BY_ONE = 0.4
# Before the kinds are told apart.
UNTOLD = float(np.hypot(BETWEEN_KINDS, WITHIN_KIND))
# Below this a body's rise over the board says nothing but that it is joined well.
LEAST_OVER_K = 0.5
# Within these bounds no package that is soldered or plugged in has been left out.
CONTACT_BOUNDS = (1.5, 100.0)


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """
    Conductance from body to board by area, over h, for each part; ``spread`` is its relative uncertainty.

    Attributes
    ----------
    by_area : ndarray of shape (n,)
    spread : ndarray of shape (n,)
    """

    by_area: NDArray[np.float64]
    spread: NDArray[np.float64]

    def further_than(self, before: Contact, times: float) -> Contact:
        """The step from ``before`` to this one, taken so many times as far (in the logarithm)."""
        step = (self.by_area / before.by_area) ** times
        return Contact(np.clip(before.by_area * step, *CONTACT_BOUNDS), self.spread)


def usual_contact(n: int) -> Contact:
    """What is taken before anything is known."""
    return Contact(np.full(n, USUAL_CONTACT), np.full(n, UNTOLD))


def told_contact(bodies: Bodies, *, flow_kmm2: NDArray[np.float64], over_k: NDArray[np.float64]) -> Contact:
    """
    Each kind's conductance, from what its parts send into the board and how far they stand above it.

    Parameters
    ----------
    bodies : Bodies
    flow_kmm2 : ndarray of shape (n,)
        Heat into the board, over h.
    over_k : ndarray of shape (n,)
        Body over the board beneath; NaN where not seen.

    Returns
    -------
    Contact

    Notes
    -----
    A kind's figure is the ratio of sums over its parts, so that those that give heat tell it, drawn
    towards the usual one as far as few parts tell it.
    """
    kinds = np.array(bodies.kinds, dtype=object)
    by_area, spread = np.full(len(kinds), USUAL_CONTACT), np.full(len(kinds), UNTOLD)
    for kind in dict.fromkeys(bodies.kinds):
        mine = kinds == kind
        told = mine & np.isfinite(over_k) & (flow_kmm2 > 0)
        if not told.any():
            continue
        over = np.maximum(over_k[told], LEAST_OVER_K / 2)
        ratio = float(flow_kmm2[told].sum() / (bodies.area_mm2[told] @ over))
        # Parts hardly above the board count as little as they tell.
        count = float(np.sum(np.clip(over_k[told] / LEAST_OVER_K, 0.0, 1.0)))
        weight = BETWEEN_KINDS**2 / (BETWEEN_KINDS**2 + TOLD_BY_ONE**2 / max(count, 1e-3))
        logarithm = weight * np.log(max(ratio, 1e-9)) + (1.0 - weight) * np.log(USUAL_CONTACT)
        by_area[mine] = np.clip(np.exp(logarithm), *CONTACT_BOUNDS)
        # One part cannot tell its kind's figure and be checked by it: the kind's spread is left to it.
        spread[mine] = np.hypot(WITHIN_KIND, BETWEEN_KINDS / np.sqrt(max(2.0 * count - 1.0, 1.0)))
    return Contact(by_area, spread)
