"""How much heat each part gives, for each of several lengths over which heat may spread in the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import Bodies, Responses, body_responses
from thermscan.heat.contact import Contact, told_contact, usual_contact
from thermscan.heat.fin import FinGrid
from thermscan.heat.least_squares import Evidence, Found, PartRises, solve_sources

__all__ = ["PartRises", "SourceFit", "decay_weights", "fit_change", "fit_sources"]

# sqrt(k t / h) of a bare two-sided board is about 15 mm, of a multilayer board with planes about 50 mm
# (k t 4 to 40 mW/K, h 15 to 25 W/(m2 K): reckoned, k of clad boards from memory); the range reaches beyond both.
FIRST_DECAYS_MM = (14.0, 26.0, 48.0)
DECAY_BOUNDS_MM = (8.0, 75.0)
# Steps in the logarithm of the decay length: in looking for the best one, and bounds for the last three.
DECAY_STEP = 0.2
STEP_BOUNDS = (0.02, 0.4)
# Joints and decay length are told in turns.
ROUNDS = 2
FURTHER = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class SourceFit:
    """
    The parts' heat for one decay length.

    Attributes
    ----------
    decay_mm : float
        sqrt(k t / h), for which the rest was fitted.
    heat_kmm2 : ndarray of shape (n,)
        Each part's heat, watts over h.
    constant_k : float
        What all of the board shares: camera offset and wrong ambient.
    responses : Responses
        Rise of board and bodies for one unit of each part's heat.
    covariance : ndarray of shape (n + 1, n + 1)
        Of the heat and, last, the constant.
    misfit : float
        Weighted sum of squares.
    cell_residual_k : ndarray of shape (cells seen,)
    """

    decay_mm: float
    heat_kmm2: NDArray[np.float64]
    constant_k: float
    responses: Responses
    covariance: NDArray[np.float64]
    misfit: float
    degrees: float
    contact: Contact
    cell_residual_k: NDArray[np.float64]


def fit_sources(
    grid: FinGrid, bodies: Bodies, cells: BareCells, rises: PartRises, *, evidence: Evidence
) -> tuple[SourceFit, ...]:
    """
    The parts' heat for three decay lengths about the one that fits best.

    Parameters
    ----------
    grid : FinGrid
    bodies : Bodies
    cells : BareCells
        What the bare board shows.
    rises : PartRises
        What the bodies show.
    evidence : Evidence
        How far each is to be trusted, and what is known beforehand.

    Returns
    -------
    tuple of SourceFit
        One for each decay length, in rising order.

    Notes
    -----
    How well the bodies are joined to the board is not known beforehand: with the usual figure for all, the
    decay length is looked for in wide steps; then each kind's figure is told from its own parts.
    """
    at = grid.interpolation(cells.points_mm)

    def fit(decay_mm: float, contact: Contact) -> SourceFit:
        responses = body_responses(grid, bodies, decay_mm=decay_mm, contact=contact.by_area)
        return _as_fit(
            solve_sources(
                at @ responses.cells, bodies, responses, cells, rises, evidence=evidence, spread=contact.spread
            ),
            decay_mm,
            responses=responses,
            contact=contact,
            degrees=evidence.degrees,
        )

    usual = usual_contact(len(bodies.kinds))
    best = min((fit(decay_mm, usual) for decay_mm in FIRST_DECAYS_MM), key=lambda each: each.misfit)
    middle, step, contact = best.decay_mm, DECAY_STEP, contact_of(best, bodies, rises)
    for _ in range(ROUNDS):
        # Held loosely meanwhile, so that what was taken first does not tell what is found; and taken further than
        # told, since joints, decay length and constant follow one another slowly.
        told = contact_of(fit(middle, Contact(contact.by_area, usual.spread)), bodies, rises)
        contact = told.further_than(contact, FURTHER)
        middle, step = _best_decay(middle, partial(fit, contact=contact))
    return tuple(fit(middle * float(np.exp(i * step)), contact) for i in (-1, 0, 1))


def _best_decay(first_mm: float, fit: Callable[[float], SourceFit]) -> tuple[float, float]:
    """
    The decay length of least misfit by a parabola in its logarithm, and sqrt(3) of its standard uncertainty.

    Three lengths so far apart stand for a normal distribution (Gauss and Hermite's nodes).
    """
    low, high = (int(np.floor(np.log(bound / first_mm) / DECAY_STEP)) for bound in DECAY_BOUNDS_MM)
    tried: dict[int, SourceFit] = {}
    middle = 0
    while True:
        for i in (middle - 1, middle, middle + 1):
            if i not in tried:
                tried[i] = fit(first_mm * float(np.exp(i * DECAY_STEP)))
        least = min((middle - 1, middle, middle + 1), key=lambda i: tried[i].misfit)
        if least == middle or not low <= least <= high:
            break
        middle = least
    left, centre, right = (tried[i].misfit for i in (middle - 1, middle, middle + 1))
    bend = max(left - 2.0 * centre + right, 1e-6)
    aside = float(np.clip(0.5 * (left - right) / bend, -1.0, 1.0))
    scale = max(centre / tried[middle].degrees, 1.0)
    u_log = DECAY_STEP * float(np.sqrt(2.0 * scale / bend))
    step = float(np.clip(np.sqrt(3.0) * u_log, *STEP_BOUNDS))
    return first_mm * float(np.exp((middle + aside) * DECAY_STEP)), step


def fit_change(
    grid: FinGrid,
    bodies: Bodies,
    cells: BareCells,
    change: PartRises,
    *,
    evidence: Evidence,
    solved: Sequence[SourceFit],
) -> tuple[SourceFit, ...]:
    """The changes of the parts' heat between two looks, with what was found of one of them."""
    at = grid.interpolation(cells.points_mm)
    return tuple(
        _as_fit(
            solve_sources(
                at @ fit.responses.cells,
                bodies,
                fit.responses,
                cells,
                change,
                evidence=evidence,
                spread=fit.contact.spread,
            ),
            fit.decay_mm,
            responses=fit.responses,
            contact=fit.contact,
            degrees=evidence.degrees,
        )
        for fit in solved
    )


def contact_of(fit: SourceFit, bodies: Bodies, rises: PartRises) -> Contact:
    """How well the bodies are joined to the board, by what a fit says of their heat."""
    rise_k = rises.rise_k - fit.constant_k
    beneath_k = fit.responses.beneath @ fit.heat_kmm2
    lost = bodies.loss_mm2 * (fit.responses.bodies @ fit.heat_kmm2)
    return told_contact(bodies, flow_kmm2=fit.heat_kmm2 - lost, over_k=rise_k - beneath_k)


def decay_weights(fits: tuple[SourceFit, ...]) -> NDArray[np.float64]:
    """How likely each decay length is, by its misfit; sums to 1."""
    misfit = np.array([fit.misfit for fit in fits])
    # The best fit's misfit over its degrees of freedom says how far the stated model error is off.
    scale = max(float(misfit.min()) / max(fits[int(misfit.argmin())].degrees, 1.0), 1.0)
    weight = np.exp(-0.5 * (misfit - misfit.min()) / scale)
    result: NDArray[np.float64] = weight / weight.sum()
    return result


def _as_fit(found: Found, decay_mm: float, *, responses: Responses, contact: Contact, degrees: float) -> SourceFit:
    return SourceFit(
        decay_mm=decay_mm,
        heat_kmm2=found.heat_kmm2,
        constant_k=found.constant_k,
        responses=responses,
        covariance=found.covariance,
        misfit=found.misfit,
        degrees=degrees,
        contact=contact,
        cell_residual_k=found.cell_residual_k,
    )
