"""The parts' heat, told together with how far it spreads, how bodies are joined and how the loss grows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import Bodies, Joined, Responses, join_bodies
from thermscan.heat.contact import BETWEEN_KINDS, CONTACT_BOUNDS, USUAL_CONTACT, WITHIN_KIND, joint_spread, kind_numbers
from thermscan.heat.fin import FinGrid
from thermscan.heat.least_squares import Evidence, Found, Linear, PartRises, Shared, solve_sources
from thermscan.heat.loss import GROWTH_SPREAD, USUAL_GROWTH, loss_growth

__all__ = ["PartRises", "Sight", "SourceFit", "fit_change", "fit_sources"]

# sqrt(k t / h) of a bare two-sided board is about 15 mm, of a multilayer board with planes about 50 mm
# (k t 4 to 40 mW/K, h 15 to 25 W/(m2 K): reckoned, k of clad boards from memory); nine in ten lie between.
USUAL_DECAY_MM = 26.0
DECAY_SPREAD = 0.55
DECAY_BOUNDS_MM = (8.0, 75.0)
GROWTH_BOUNDS = (0.0, 1.5)
# Steps of what is shared (logarithms of decay length and joints; growth): none longer than this; when it is found.
LONGEST_STEP, FOUND_STEP, MOST_ROUNDS = 0.7, 0.04, 10


@dataclass(frozen=True, slots=True, eq=False)
class SourceFit:
    """
    The parts' heat, with what was told of board and joints.

    Attributes
    ----------
    decay_mm, u_log_decay : float
        sqrt(k t / h), and the standard uncertainty of its logarithm.
    growth : float
        How far the loss grows with the rise: 0 not at all, 1 as in still air.
    heat_kmm2 : ndarray of shape (n,)
        Each part's heat, watts over h.
    constant_k : float
        What all of the board shares: camera offset and wrong ambient.
    responses : Responses
        Rise of board and bodies for one unit of each part's heat.
    covariance : ndarray of shape (n + 1 + p, n + 1 + p)
        Of the heat, the constant, and p quantities that the board or kinds of parts share.
    body_shifts, received_shifts : ndarray of shape (n, p)
        By how much each body's rise, and what of it is received, changes with those for the same heat.
    misfit : float
        Weighted sum of squares.
    degrees : float
        Cells that err independently.
    joint_spread : ndarray of shape (n,)
        By how much each body's joint may differ from what it was held to be, as a logarithm.
    body_loss_mm2 : ndarray of shape (n,)
        What each body loses for each kelvin, over h.
    cell_residual_k : ndarray of shape (cells seen,)
    """

    decay_mm: float
    u_log_decay: float
    growth: float
    heat_kmm2: NDArray[np.float64]
    constant_k: float
    responses: Responses
    covariance: NDArray[np.float64]
    body_shifts: NDArray[np.float64]
    received_shifts: NDArray[np.float64]
    misfit: float
    degrees: float
    joint_spread: NDArray[np.float64]
    body_loss_mm2: NDArray[np.float64]
    cell_residual_k: NDArray[np.float64]

    def received_k(self) -> NDArray[np.float64]:
        """What each part receives from all others."""
        bodies = self.responses.bodies
        result: NDArray[np.float64] = bodies @ self.heat_kmm2 - np.diag(bodies) * self.heat_kmm2
        return result

    def received_u_k(self, contrasts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard uncertainty, by the covariance, of weighted sums of what parts receive; (m, n) to (m,)."""
        bodies = self.responses.bodies
        rows = np.hstack(
            [
                contrasts @ bodies - contrasts * np.diag(bodies),
                np.zeros((len(contrasts), 1)),
                contrasts @ self.received_shifts,
            ]
        )
        result: NDArray[np.float64] = np.sqrt(np.maximum(np.sum((rows @ self.covariance) * rows, axis=1), 0.0))
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """The board on one grid: its bodies there, what its bare cells show, and how far that is to be trusted."""

    grid: FinGrid
    bodies: Bodies
    cells: BareCells
    evidence: Evidence


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """What is shared, as it is held to be: growth of the loss, each kind's joint and the decay length (logarithms)."""

    growth: float
    log_contact: NDArray[np.float64]
    log_decay: float

    def moved(self, step: NDArray[np.float64]) -> _Held:
        """By a step of all that in this order, none of it too long."""
        step = np.clip(step, -LONGEST_STEP, LONGEST_STEP)
        return _Held(
            float(np.clip(self.growth + step[0], *GROWTH_BOUNDS)),
            np.clip(self.log_contact + step[1:-1], *np.log(CONTACT_BOUNDS)),
            float(np.clip(self.log_decay + step[-1], *np.log(DECAY_BOUNDS_MM))),
        )

    def near(self, other: _Held) -> bool:
        """Whether a further step would change nothing worth telling."""
        moved = np.append(self.log_contact - other.log_contact, self.growth - other.growth)
        return abs(self.log_decay - other.log_decay) < FOUND_STEP and bool(np.abs(moved).max() < 3 * FOUND_STEP)


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """One round: what was held, the system made of it, what was found, and the rises that follow."""

    held: _Held
    found: Found
    joined: Joined
    shared: Shared
    cells_k: NDArray[np.float64]
    bodies_k: NDArray[np.float64]

    def next_held(self) -> _Held:
        """What is shared, by what was found."""
        return self.held.moved(self.found.shared)

    def over_k(self, rises: PartRises) -> NDArray[np.float64]:
        """By how much each body was seen to stand above the board beneath it; NaN where not seen."""
        found = self.found
        return rises.rise_k - found.constant_k - self.joined.responses.beneath @ found.heat_kmm2


def fit_sources(sights: Sequence[Sight], rises: PartRises) -> SourceFit:
    """
    The parts' heat, with how far it spreads, how each kind of body is joined, and how the loss grows.

    Parameters
    ----------
    sights : sequence of Sight
        The board on a coarse grid, where what is shared is looked for, and on finer ones after it.
    rises : PartRises
        What the bodies show.

    Returns
    -------
    SourceFit

    Notes
    -----
    Gauss and Newton's method: heat, constant, growth of the loss, the joints of each kind and the decay length are
    unknowns of one regularised non-negative least squares problem, linear about what was found last.
    """
    _, count = kind_numbers(sights[0].bodies.kinds)
    fitted = _rounds(sights[0], rises, _usual(count), before=None)
    for coarser, sight in pairwise(sights):
        cells_k = sight.grid.from_other(coarser.grid, fitted.cells_k)
        fitted = _rounds(sight, rises, fitted.next_held(), before=replace(fitted, cells_k=cells_k))
    return _as_fit(fitted, sights[-1], rises)


def _usual(kinds: int) -> _Held:
    """What is taken before anything is known."""
    return _Held(USUAL_GROWTH, np.full(kinds, np.log(USUAL_CONTACT)), float(np.log(USUAL_DECAY_MM)))


def _rounds(sight: Sight, rises: PartRises, held: _Held, *, before: _Fitted | None) -> _Fitted:
    """Rounds on one grid until what is shared moves no more; ``before`` is of another, its cells brought here."""
    fitted = _fit(sight, rises, held, last=before, robust=None)
    for _ in range(MOST_ROUNDS - 1):
        held = fitted.next_held()
        if held.near(fitted.held):
            break
        fitted = _fit(sight, rises, held, last=fitted, robust=fitted.found.robust)
    return fitted


def _fit(
    sight: Sight,
    rises: PartRises,
    held: _Held,
    *,
    last: _Fitted | None,
    robust: NDArray[np.float64] | None,
) -> _Fitted:
    """Heat, and by how much what is shared should differ from what it is held to be."""
    bodies = sight.bodies
    at = sight.grid.interpolation(sight.cells.points_mm)
    numbers, _ = kind_numbers(bodies.kinds)
    growth: list[NDArray[np.float64] | None] = [None, None]
    if last is not None:
        growth = [1.0 + held.growth * (loss_growth(rise_k) - 1.0) for rise_k in (last.cells_k, last.bodies_k)]
    joined = join_bodies(
        sight.grid,
        bodies,
        decay_mm=float(np.exp(held.log_decay)),
        contact=np.exp(held.log_contact)[numbers],
        cell_growth=growth[0],
        body_growth=growth[1],
    )
    responses = joined.responses
    at_cells = (at @ responses.per_body) @ responses.bodies
    linear = Linear(at_cells, responses, bodies, sight.cells, rises, sight.evidence)
    untold = np.full(len(numbers), np.hypot(BETWEEN_KINDS, WITHIN_KIND))
    spread = untold if last is None else joint_spread(bodies.kinds, last.over_k(rises))
    # First by the board alone, so that a body that denies what the board shows does not rule.
    above = None if last is None else last.found.free[: len(numbers) + 1]
    found = solve_sources(linear, spread=untold, steps=1 if last else 3, robust=robust, above=above)
    for _ in range(1 if last else 2):
        bodies_k = responses.bodies @ found.heat_kmm2
        cells_k = responses.per_body @ bodies_k
        shared = _shared(joined, held, cells_k, bodies_k, at=at)
        found = solve_sources(linear, spread=spread, shared=shared, start=found, steps=1)
    return _Fitted(held, found, joined, shared, cells_k, bodies_k)


def _shared(
    joined: Joined, held: _Held, cells_k: NDArray[np.float64], bodies_k: NDArray[np.float64], *, at: sparse.csr_matrix
) -> Shared:
    """
    By how much all rises change with the growth of the loss, each kind's joint and the decay length.

    With K u = q and K the matrix of the system, K du = -dK u.
    """
    bodies = joined.bodies
    numbers, count = kind_numbers(bodies.kinds)
    beneath_k = np.asarray(bodies.shares.T @ cells_k)
    of_kind = np.zeros((len(numbers), count))
    of_kind[np.arange(len(numbers)), numbers] = 1.0
    taken = joined.spread @ (of_kind * bodies_k[:, None]) - (joined.spread @ of_kind) * cells_k[:, None]
    given = -(joined.joint * (bodies_k - beneath_k))[:, None] * of_kind
    grown_cells = -joined.plain_loss * (loss_growth(cells_k) - 1.0) * cells_k
    grown_bodies = -bodies.loss_mm2 * (loss_growth(bodies_k) - 1.0) * bodies_k
    # What the sheet conducts goes with the square of the decay length.
    conducted = -2.0 * (joined.spread @ bodies_k - joined.own * cells_k)
    at_cells, at_bodies = joined.solve(
        np.column_stack([grown_cells, taken, conducted]),
        np.column_stack([grown_bodies, given, np.zeros(len(numbers))]),
    )
    usual = [USUAL_GROWTH - held.growth, *(np.log(USUAL_CONTACT) - held.log_contact)]
    return Shared(
        at @ at_cells,
        at_bodies,
        np.array([*usual, np.log(USUAL_DECAY_MM) - held.log_decay]),
        np.array([GROWTH_SPREAD, *np.full(count, BETWEEN_KINDS), DECAY_SPREAD]),
    )


def _own_shifts(
    joined: Joined, heat_kmm2: NDArray[np.float64], cells_k: NDArray[np.float64], bodies_k: NDArray[np.float64]
) -> NDArray[np.float64]:
    """By how much each body's rise by its own heat changes with what is shared; shape (n, p), as in `_shared`."""
    responses, bodies = joined.responses, joined.bodies
    numbers, count = kind_numbers(bodies.kinds)
    cells = responses.per_body @ responses.bodies
    own = np.diag(responses.bodies)
    over = own - np.diag(responses.beneath)
    lost = joined.plain_loss * (loss_growth(cells_k) - 1.0) @ cells**2
    lost += bodies.loss_mm2 * (loss_growth(bodies_k) - 1.0) @ responses.bodies**2
    by_kind = np.zeros((len(numbers), count))
    by_kind[np.arange(len(numbers)), numbers] = -joined.joint * over**2
    conducted = -2.0 * (np.sum(cells * (joined.spread @ responses.bodies), axis=0) - joined.own @ cells**2)
    result: NDArray[np.float64] = np.column_stack([-lost, by_kind, conducted]) * heat_kmm2[:, None]
    return result


def _as_fit(fitted: _Fitted, sight: Sight, rises: PartRises) -> SourceFit:
    found, held = fitted.found, fitted.held
    covariance = found.covariance()
    own = _own_shifts(fitted.joined, found.heat_kmm2, fitted.cells_k, fitted.bodies_k)
    return SourceFit(
        decay_mm=float(np.exp(held.log_decay)),
        u_log_decay=float(np.sqrt(covariance[-1, -1])),
        growth=held.growth,
        heat_kmm2=found.heat_kmm2,
        constant_k=found.constant_k,
        responses=fitted.joined.responses,
        covariance=covariance,
        body_shifts=fitted.shared.at_bodies,
        received_shifts=fitted.shared.at_bodies - own,
        misfit=found.misfit,
        degrees=sight.evidence.degrees,
        joint_spread=joint_spread(sight.bodies.kinds, fitted.over_k(rises)),
        body_loss_mm2=fitted.joined.body_loss,
        cell_residual_k=found.cell_residual_k,
    )


def fit_change(sight: Sight, change: PartRises, *, solved: SourceFit) -> SourceFit:
    """The changes of the parts' heat between two looks, with what was found of one of them."""
    at = sight.grid.interpolation(sight.cells.points_mm)
    at_cells = (at @ solved.responses.per_body) @ solved.responses.bodies
    linear = Linear(at_cells, solved.responses, sight.bodies, sight.cells, change, sight.evidence)
    found = solve_sources(linear, spread=solved.joint_spread)
    nothing = np.zeros((len(found.heat_kmm2), 0))
    return replace(
        solved,
        heat_kmm2=found.heat_kmm2,
        constant_k=found.constant_k,
        covariance=found.covariance(),
        body_shifts=nothing,
        received_shifts=nothing,
        misfit=found.misfit,
        degrees=sight.evidence.degrees,
        cell_residual_k=found.cell_residual_k,
    )
