"""A robust mixed model: how much sites, edges and parts scatter is told from the fit that it weighs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.placing.mixed_model import (
    Observed,
    Solved,
    Weighed,
    covariance_of,
    products_of,
    solve,
    weighted_median,
)
from thermscan.robust import MAD_TO_SIGMA

FloatArray = NDArray[np.float64]

# Tukey's biweight rejects beyond this many robust standard deviations (95 % efficient at normal errors).
TUKEY = 4.685
# They are refused anew until what is shared moves by no more than such a share of its standard uncertainty, but no more
# often than that (0.005 to 0.05 move the corners of 20 views looked at by 0.002 px in the median, of one by 0.15).
AT_REST, MOST_STEPS = 0.02, 15
# What is believed of the scatter before it is seen counts as so many sites, edges or parts.
COUNTS_AS = 4.0
# Nothing is believed to be better than this, in pixels.
LEAST_PX = 0.01
# The frame's noise may make more or less of a site's offset than the edge search reckons: limits of the factor.
NOISE_FACTOR = (0.3, 3.0)


@dataclass(frozen=True, slots=True)
class Scatter:
    """
    Standard deviations of what is wrong with the edges besides what is fitted.

    Attributes
    ----------
    noise : float
        Factor on what the frame's noise is reckoned to make of a site.
    site_px : float
        Of one site, beyond noise: pixel phase.
    edge_px : float
        Of one side of a body, shared by its sites: another body beside it, a layout not quite right.
    outline_px : float
        Of one piece of the outline, which mostly lies alone.
    swell_px : float
        Of how much larger one body is seen than the layout has it, about what all bodies share.
    shift_px, side_px : float
        Of how far a body, or a side of the outline, lies as a whole from where the layout has it.
    """

    noise: float = 1.0
    site_px: float = 0.03
    edge_px: float = 0.12
    outline_px: float = 0.05
    swell_px: float = 0.05
    shift_px: float = 0.1
    side_px: float = 0.05


# A layout is drawn, a board cut and a part put in its place to about a tenth of a millimetre (common practice).
LAYOUT_MM = 0.1


def before_looking(px_per_mm: float) -> Scatter:
    """What is believed of the scatter before the frame is seen, at so many pixels a millimetre."""
    layout_px = LAYOUT_MM * px_per_mm
    return replace(Scatter(), shift_px=layout_px, side_px=layout_px)


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """
    The step in what is shared, its covariance, the scatter seen, and the sites that were used.

    ``own``, of shape (parts, 4), are each part's own effects; ``own_u`` their uncertainties, with what lifts all.
    """

    step: FloatArray
    covariance: FloatArray
    own: FloatArray
    own_u: FloatArray
    scatter: Scatter
    residual_px: float
    used: NDArray[np.bool_]


def estimate(seen: Observed, scatter: Scatter, believed: Scatter | None = None) -> Estimate:
    """
    One step of generalised least squares, robust, with the variance components that it leaves.

    Parameters
    ----------
    seen : Observed
    scatter : Scatter
        As estimated in the step before.
    believed : Scatter, optional
        What was believed before the frame was seen; default: ``scatter``.

    Returns
    -------
    Estimate

    Notes
    -----
    Own effects of parts have normal priors and are taken out of the normal equations part by part. Sites of an
    edge share an error, so that the edge's weight does not grow with their number beyond its inverse variance.

    References
    ----------
    .. [1] S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, Wiley 1992, chapters 5 and 7.
    .. [2] P. J. Huber, E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley 2009, section 7.6: covariance.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> edge = np.repeat(np.arange(40), 5)
    >>> offset = 0.3 + rng.normal(0, 0.2, 40)[edge] + rng.normal(0, 0.05, 200)
    >>> one, none = np.ones((200, 1)), np.zeros((200, 4))
    >>> noise, zero = np.full(200, 0.05), np.zeros(1)
    >>> seen = Observed(offset, noise, edge, edge // 4, one, none, zero, zero, np.ones(10), np.zeros(10), 10)
    >>> first = estimate(seen, Scatter())
    >>> found = estimate(seen, first.scatter)
    >>> bool(abs(found.step[0] - 0.3) < 0.09), round(float(np.sqrt(found.covariance[0, 0])), 2)  # 0.2 / sqrt(40)
    (True, 0.03)
    """
    count = np.bincount(seen.edge)[seen.edge].astype(np.float64)
    site = (scatter.noise * seen.noise_px) ** 2 + scatter.site_px**2
    edge = np.where(seen.of_outline, scatter.outline_px, scatter.edge_px) ** 2
    plain = 1 / (site + count * edge)
    unit = np.sqrt(site + edge)
    heights = seen.own_known_mm
    shift = np.where(np.arange(len(heights)) < seen.bodies, scatter.shift_px, scatter.side_px)
    own_weight = 1 / np.column_stack([heights, np.full(len(heights), scatter.swell_px), shift, shift]) ** 2
    weighed = Weighed(site, edge, plain, plain, own_weight)
    products = products_of(seen)
    solved = solve(seen, weighed, products)
    for _ in range(MOST_STEPS):
        off = solved.rest(seen) / unit
        off /= TUKEY * max(MAD_TO_SIGMA * weighted_median(np.abs(off), plain), 1.0)
        share = np.clip(1 - off**2, 0.0, None)
        weights = plain * share**2
        # How much less an outlying site pulls than its weight says.
        curved = float((plain * share * (1 - 5 * off**2)).sum() / weights.sum())
        weighed = Weighed(site, edge, plain, weights, own_weight, float(np.clip(curved, 0.4, 1.0)))
        before, solved = solved, solve(seen, weighed, products)
        if (np.abs(solved.step - before.step) < AT_REST * np.sqrt(np.diag(solved.inverse))).all():
            break
    rest = solved.rest(seen)
    used = weighed.weights > 0.05 * plain
    residual = float(np.sqrt(np.average(rest[used] ** 2, weights=weighed.weights[used]))) if used.any() else 0.0
    covariance = covariance_of(seen, weighed, solved)
    follows = solved.mixed.copy()
    if seen.lifts_mm is not None:
        follows[: seen.bodies, 0, -1] -= seen.lifts_mm
    own_u = np.einsum("pkk->pk", solved.own_inverse) + np.einsum("pks,st,pkt->pk", follows, covariance, follows)
    return Estimate(
        solved.step,
        covariance,
        solved.own,
        np.sqrt(np.maximum(own_u, 0.0)),
        _scatter(seen, weighed, solved, scatter, believed or scatter),
        residual,
        used,
    )


def _scatter(seen: Observed, weighed: Weighed, solved: Solved, old: Scatter, usual: Scatter) -> Scatter:
    """The variance components that the residuals show, by moments; those of own effects by expectation."""
    rest, edge = solved.rest(seen), seen.edge
    share = weighed.weights / weighed.plain
    precise = share / weighed.site
    total = np.maximum(np.bincount(edge, precise), 1e-12)
    mean = np.bincount(edge, precise * rest) / total
    effective = np.bincount(edge, share).astype(np.float64)
    noise, site2 = _of_sites(seen, precise, (rest - mean[edge]) ** 2, effective[edge], old)
    # Edges about nothing, by more than their sites explain; what the fit took up is given back.
    expected = np.bincount(edge, precise**2 * weighed.site) / total**2
    before = np.zeros(len(total))
    before[edge] = weighed.edge
    heavy = np.where(effective > 0.5, np.minimum(effective, 1.0), 0.0) / (expected + before)
    back = _given_back(seen, weighed, solved, float(heavy.sum() ** 2 / (heavy**2).sum()))
    excess = mean**2 * back - expected
    outline = np.zeros(len(total), dtype=bool)
    outline[edge] = seen.of_outline
    prior = COUNTS_AS * float(heavy.mean())
    edge2, outline2 = (
        (float((heavy * excess)[kind].sum()) + prior * common**2) / (float(heavy[kind].sum()) + prior)
        for kind, common in ((~outline, usual.edge_px), (outline, usual.outline_px))
    )
    spread = solved.own**2 + np.einsum("pkk->pk", solved.own_inverse)
    spread += np.einsum("pks,st,pkt->pk", solved.mixed, solved.inverse, solved.mixed)
    there = np.unique(seen.part)
    bodies, sides = there[there < seen.bodies], there[there >= seen.bodies]
    swell2 = (float(spread[bodies, 1].sum()) + COUNTS_AS * usual.swell_px**2) / (len(bodies) + COUNTS_AS)
    shift2, side2 = (
        (float(spread[which, 2:].mean(axis=1).sum()) + COUNTS_AS * common**2) / (len(which) + COUNTS_AS)
        for which, common in ((bodies, usual.shift_px), (sides, usual.side_px))
    )
    variances = [site2, edge2, outline2, swell2, shift2, side2]
    return Scatter(noise, *np.sqrt(np.maximum(variances, LEAST_PX**2)).tolist())


def _of_sites(
    seen: Observed, precise: FloatArray, squared: FloatArray, effective: FloatArray, old: Scatter
) -> tuple[float, float]:
    """Noise's factor from the weaker half of the sites about their edge's mean, the rest from the stronger half."""
    several = effective > 2
    if several.sum() < 10 * COUNTS_AS:
        return old.noise, old.site_px**2
    # A mean of few leaves less scatter about it.
    squared = squared[several] * effective[several] / (effective[several] - 1)
    noise2, precise = seen.noise_px[several] ** 2, precise[several]
    weak = noise2 >= np.median(noise2)
    if not precise[weak].any() or not precise[~weak].any():
        return old.noise, old.site_px**2
    factor2 = float(np.average(squared[weak] - old.site_px**2, weights=precise[weak]))
    factor2 /= float(np.average(noise2[weak], weights=precise[weak]))
    factor = float(np.clip(np.sqrt(max(factor2, 0.0)), *NOISE_FACTOR))
    site2 = float(np.average(squared[~weak] - factor**2 * noise2[~weak], weights=precise[~weak]))
    return factor, site2


def _given_back(seen: Observed, weighed: Weighed, solved: Solved, number: float) -> float:
    """How much more so many edges scatter than their residuals do, since the fit follows them."""
    rows = solved.rows(seen)
    taken = float(np.einsum("ni,ij,nj,n->", rows, solved.inverse, rows, weighed.weights))
    taken += float((1 - weighed.own_weight * np.einsum("pkk->pk", solved.own_inverse)).sum())
    return min(number / max(number - taken, 1.0), 3.0)
