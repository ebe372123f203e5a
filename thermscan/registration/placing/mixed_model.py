"""Linear least squares on edges: what all share, and what each part has of its own, taken out part by part."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """
    Offsets of sites, and their derivatives.

    Attributes
    ----------
    offset_px, noise_px : ndarray of shape (n,)
    edge, part : ndarray of int, shape (n,)
        Counted from 0; the sides of the outline are the last parts, which have no height nor swelling.
    shared : ndarray of shape (n, s)
        By what all sites share.
    own : ndarray of shape (n, 4)
        By the height, the swelling, and the displacement along x and y of the site's part, or side of the outline.
    known, pull : ndarray of shape (s,)
        Weights of what was known of the shared before, and those times how far that lies from here.
    own_known_mm, own_apart_mm : ndarray of shape (parts,)
        Standard deviation of a part's height about what is known of it, and how far that lies from what is held.
    bodies : int
        How many of the parts are none of the outline's sides.
    lifts_mm : ndarray of shape (bodies,), optional
        By how much the last of the shared effects lifts each body, besides its own height.
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
    own_apart_mm: FloatArray
    bodies: int
    lifts_mm: FloatArray | None = None

    @property
    def of_outline(self) -> NDArray[np.bool_]:
        """Whether a site is the outline's; shape (n,)."""
        result: NDArray[np.bool_] = self.part >= self.bodies
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
    own_weight: FloatArray  # (parts, 4)
    curved: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    step: FloatArray
    own: FloatArray  # (parts, 4)
    inverse: FloatArray  # of the normal equations of what is shared
    own_inverse: FloatArray  # (parts, 4, 4)
    mixed: FloatArray  # (parts, 4, s): how the own effects follow what is shared

    def rest(self, seen: Observed) -> FloatArray:
        """What is left of the offsets."""
        result: FloatArray = seen.offset_px - seen.shared @ self.step - (seen.own * self.own[seen.part]).sum(axis=1)
        return result

    def rows(self, seen: Observed) -> FloatArray:
        """Derivatives by what is shared, with the own effects taken out."""
        result: FloatArray = seen.shared - np.einsum("nk,nks->ns", seen.own, self.mixed[seen.part])
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """
    What the normal equations need of the sites whatever their weights: of each, its own effects by all columns.

    ``own``, of shape (n, 4 (4 + s + 1)), in ``order``, part by part; each part ``there`` begins at one of ``first``.
    """

    order: NDArray[np.intp]
    first: NDArray[np.intp]
    there: NDArray[np.intp]
    own: FloatArray

    def by_part(self, weights: FloatArray, parts: int, effects: int) -> FloatArray:
        """Sums by part, weighed; shape (parts, effects, effects + s + 1)."""
        result = np.zeros((parts, self.own.shape[1]))
        result[self.there] = np.add.reduceat(self.own * weights[self.order, None], self.first, axis=0)
        return result.reshape(parts, effects, -1)


def products_of(seen: Observed) -> Products:
    """The products, once for all weights that are tried."""
    order = np.argsort(seen.part, kind="stable")
    there, first = np.unique(seen.part[order], return_index=True)
    columns = np.column_stack([seen.own, seen.shared, seen.offset_px])[order]
    own = (seen.own[order][:, :, None] * columns[:, None, :]).reshape(len(order), -1)
    return Products(order, first, there, own)


def solve(seen: Observed, weighed: Weighed, products: Products) -> Solved:
    """Normal equations with the parts' own effects taken out."""
    (parts, effects), weights = weighed.own_weight.shape, weighed.weights
    sums = products.by_part(weights, parts, effects)
    own_normal = sums[:, :, :effects] + np.eye(effects) * weighed.own_weight[:, :, None]
    cross = sums[:, :, effects:-1]
    right = sums[:, :, -1].copy()
    right[:, 0] += weighed.own_weight[:, 0] * seen.own_apart_mm
    own_inverse = np.linalg.inv(own_normal).astype(np.float64)
    mixed = own_inverse @ cross
    heavy = seen.shared * weights[:, None]
    flat = cross.reshape(parts * effects, -1)
    taken = flat.T @ mixed.reshape(parts * effects, -1)
    inverse = np.linalg.inv(seen.shared.T @ heavy + np.diag(seen.known) - taken).astype(np.float64)
    pulled = heavy.T @ seen.offset_px + seen.pull - mixed.reshape(parts * effects, -1).T @ right.ravel()
    step = inverse @ pulled
    own = (own_inverse @ right[:, :, None])[:, :, 0] - mixed @ step
    return Solved(step, own, inverse, own_inverse, mixed)


def covariance_of(seen: Observed, weighed: Weighed, solved: Solved) -> FloatArray:
    """What scatter of sites, edges and own effects, and what was known before, make of the step."""
    rows = solved.rows(seen) * weighed.weights[:, None]
    by_edge = _by_edge(seen.edge, rows * np.sqrt(weighed.edge)[:, None])
    of_edges = (rows * weighed.site[:, None]).T @ rows + by_edge.T @ by_edge
    known = np.diag(seen.known) + np.einsum("pks,pk,pkt->st", solved.mixed, weighed.own_weight, solved.mixed)
    result: FloatArray = solved.inverse @ (of_edges / weighed.curved**2 + known) @ solved.inverse
    return result


def _by_edge(edge: NDArray[np.intp], rows: FloatArray) -> FloatArray:
    """Sums of the rows of each edge that has any."""
    order = np.argsort(edge, kind="stable")
    result: FloatArray = np.add.reduceat(rows[order], np.unique(edge[order], return_index=True)[1], axis=0)
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
