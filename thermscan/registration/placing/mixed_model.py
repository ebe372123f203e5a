"""Linear least squares on edges: what all share, and what each part has of its own, taken out part by part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """
    Offsets of sites, and their derivatives.

    Attributes
    ----------
    offset_px, noise_px : ndarray of shape (n,)
    edge, part : ndarray of int, shape (n,)
        Counted from 0; the outline is the last part, whose own derivatives are zero.
    shared : ndarray of shape (n, s)
        By what all sites share.
    own : ndarray of shape (n, 2)
        By the height and the swelling of the site's part.
    known, pull : ndarray of shape (s,)
        Weights of what was known of the shared before, and those times how far that lies from here.
    own_known_mm : ndarray of shape (parts,)
        Standard deviation of a part's height about what is held; NaN: as `Scatter` has it.
    bend : ndarray of shape (n,)
        By a lens that bends: a pixel at the frame's corners, as the cube of the distance from its middle.
    """

    offset_px: FloatArray
    noise_px: FloatArray
    edge: NDArray[np.intp]
    part: NDArray[np.intp]
    shared: FloatArray
    own: FloatArray
    known: FloatArray
    pull: FloatArray
    own_known_mm: FloatArray
    bend: FloatArray

    @property
    def of_outline(self) -> NDArray[np.bool_]:
        """Whether a site is the outline's; shape (n,)."""
        result: NDArray[np.bool_] = self.part == len(self.own_known_mm) - 1
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """
    Variance of sites and of their edges, weights of sites without and with outliers refused, and those of own effects.
    """

    site: FloatArray
    edge: FloatArray
    plain: FloatArray
    weights: FloatArray
    own_weight: FloatArray  # (parts, 2)
    curved: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    step: FloatArray
    own: FloatArray  # (parts, 2)
    inverse: FloatArray  # of the normal equations of what is shared
    own_inverse: FloatArray  # (parts, 2, 2)
    mixed: FloatArray  # (parts, 2, s): how the own effects follow what is shared

    def rest(self, seen: Observed) -> FloatArray:
        """What is left of the offsets."""
        result: FloatArray = (
            seen.offset_px - seen.shared @ self.step - np.einsum("nk,nk->n", seen.own, self.own[seen.part])
        )
        return result

    def rows(self, seen: Observed) -> FloatArray:
        """Derivatives by what is shared, with the own effects taken out."""
        result: FloatArray = seen.shared - np.einsum("nk,nks->ns", seen.own, self.mixed[seen.part])
        return result


def solve(seen: Observed, weighed: Weighed) -> Solved:
    """Normal equations with the parts' own effects taken out."""
    parts, weights = len(weighed.own_weight), weighed.weights
    heavy = seen.own * weights[:, None]
    own_normal = np.zeros((parts, 2, 2))
    np.add.at(own_normal, seen.part, heavy[:, :, None] * seen.own[:, None, :])
    own_normal += np.eye(2) * weighed.own_weight[:, :, None]
    cross = np.zeros((parts, 2, seen.shared.shape[1]))
    np.add.at(cross, seen.part, heavy[:, :, None] * seen.shared[:, None, :])
    right = np.zeros((parts, 2))
    np.add.at(right, seen.part, heavy * seen.offset_px[:, None])
    own_inverse = np.linalg.inv(own_normal).astype(np.float64)
    mixed = own_inverse @ cross
    normal = seen.shared.T @ (seen.shared * weights[:, None]) + np.diag(seen.known)
    inverse = np.linalg.inv(normal - np.einsum("pks,pkt->st", cross, mixed)).astype(np.float64)
    pulled = seen.shared.T @ (weights * seen.offset_px) + seen.pull - np.einsum("pks,pk->s", mixed, right)
    step = inverse @ pulled
    own = np.einsum("pkl,pl->pk", own_inverse, right) - mixed @ step
    return Solved(step, own, inverse, own_inverse, mixed)


def covariance_of(seen: Observed, weighed: Weighed, solved: Solved) -> FloatArray:
    """What scatter of sites, edges and own effects, and what was known before, make of the step."""
    rows = solved.rows(seen) * weighed.weights[:, None]
    by_edge = np.zeros((int(seen.edge.max()) + 1, rows.shape[1]))
    np.add.at(by_edge, seen.edge, rows * np.sqrt(weighed.edge)[:, None])
    of_edges = (rows * weighed.site[:, None]).T @ rows + by_edge.T @ by_edge
    known = np.diag(seen.known) + np.einsum("pks,pk,pkt->st", solved.mixed, weighed.own_weight, solved.mixed)
    result: FloatArray = solved.inverse @ (of_edges / weighed.curved**2 + known) @ solved.inverse
    return result


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """
    The value that half of the weight does not exceed.

    Examples
    --------
    >>> weighted_median(np.array([1.0, 2.0, 9.0]), np.array([1.0, 1.0, 1.0]))
    2.0
    """
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(share, share[-1] / 2)])
