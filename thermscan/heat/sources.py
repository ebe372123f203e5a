"""The parts' heat, told together with how far it spreads, how bodies are joined and how the loss grows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.frozen import dataclass
from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import AT_ONCE, Bodies, Joined, Responses, join_bodies
from thermscan.heat.cell_equations import CellEquations
from thermscan.heat.contact import BETWEEN_KINDS, USUAL_CONTACT, WITHIN_KIND, joint_spread, kind_numbers
from thermscan.heat.copper import COPPER_SPREAD, Links, copper_basis, links_of
from thermscan.heat.fin import FinGrid
from thermscan.heat.least_squares import Evidence, Linear, PartRises, Shared, solve_sources
from thermscan.heat.loss import GROWTH_SPREAD, USUAL_GROWTH, loss_growth
from thermscan.heat.source_fit import Fitted, Held, SourceFit

__all__ = ["PartRises", "Sight", "SourceFit", "fit_change", "fit_sources"]

# sqrt(k t / h) of a bare two-sided board is about 15 mm, of a multilayer board with planes about 50 mm
# (k t 4 to 40 mW/K, h 15 to 25 W/(m2 K): reckoned, k of clad boards from memory); nine in ten lie between.
USUAL_DECAY_MM = 26.0
DECAY_SPREAD = 0.55
# So many steps of what is shared, at most.
MOST_ROUNDS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """
    The board on one grid: its bodies there, what its bare cells show, and how far that is to be trusted.

    With the step from the grid's cells to where they were seen, and the weights of the places where copper is told.
    """

    grid: FinGrid
    bodies: Bodies
    cells: BareCells
    evidence: Evidence
    at: sparse.csr_matrix = field(init=False, repr=False)
    copper: sparse.csr_matrix = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "at", self.grid.interpolation(self.cells.points_mm))
        object.__setattr__(self, "copper", copper_basis(self.grid))


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
    fitted = _rounds(sights[0], rises, _usual(count, sights[0].copper.shape[1]), before=None)
    for coarser, sight in pairwise(sights):
        cells_k = sight.grid.from_other(coarser.grid, fitted.cells_k)
        fitted = _rounds(sight, rises, fitted.next_held(), before=replace(fitted, cells_k=cells_k))
    return _as_fit(fitted, sights[-1], rises)


def _usual(kinds: int, places: int) -> Held:
    """What is taken before anything is known."""
    return Held(USUAL_GROWTH, np.full(kinds, np.log(USUAL_CONTACT)), np.zeros(places), float(np.log(USUAL_DECAY_MM)))


def _rounds(sight: Sight, rises: PartRises, held: Held, *, before: Fitted | None) -> Fitted:
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
    held: Held,
    *,
    last: Fitted | None,
    robust: NDArray[np.float64] | None,
) -> Fitted:
    """Heat, and by how much what is shared should differ from what it is held to be."""
    bodies = sight.bodies
    numbers, _ = kind_numbers(bodies.kinds)
    growth: list[NDArray[np.float64] | None] = [None, None]
    if last is not None:
        growth = [1.0 + held.growth * (loss_growth(rise_k) - 1.0) for rise_k in (last.cells_k, last.bodies_k)]
    joined = join_bodies(
        sight.grid,
        bodies,
        decay_mm=np.exp(held.log_decay + 0.5 * (sight.copper @ held.log_copper)),
        contact=np.exp(held.log_contact)[numbers],
        cell_growth=growth[0],
        body_growth=growth[1],
    )
    responses = joined.responses
    linear = _linear(sight, responses, rises)
    untold = np.full(len(numbers), np.hypot(BETWEEN_KINDS, WITHIN_KIND))
    spread = untold if last is None else joint_spread(bodies.kinds, last.over_k(rises))
    # First by the board alone, so that a body that denies what the board shows does not rule.
    above = None if last is None else last.alone
    found = solve_sources(linear, spread=untold, steps=1 if last else 3, robust=robust, above=above)
    alone = found.free
    for _ in range(1 if last else 2):
        bodies_k = responses.bodies @ found.heat_kmm2
        cells_k = responses.cells(found.heat_kmm2)
        shared = _shared(joined, _before(held), (cells_k, bodies_k), (cells_k, bodies_k), sight)
        above = None if last is None else last.found.free
        found = solve_sources(linear, spread=spread, shared=shared, start=found, steps=1, above=above)
    return Fitted(held, found, alone, joined, shared, cells_k, bodies_k)


def _linear(sight: Sight, responses: Responses, rises: PartRises) -> Linear:
    """The problem in units of the board's own rise under each part."""
    scale = 1.0 / np.maximum(np.diag(responses.beneath), 1e-12)
    design = np.ones((len(sight.cells.rise_k), len(scale) + 1))
    np.multiply(sight.at @ responses.board, scale, out=design[:, :-1])
    return Linear(CellEquations(design), scale, responses, sight.bodies, sight.cells, rises, sight.evidence)


def _before(held: Held) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is known of all that is shared beforehand, less what it is held to be; and how surely."""
    kinds, places = np.ones(len(held.log_contact)), np.ones(len(held.log_copper))
    usual = [
        USUAL_GROWTH - held.growth,
        *(np.log(USUAL_CONTACT) - held.log_contact),
        *-held.log_copper,
        np.log(USUAL_DECAY_MM) - held.log_decay,
    ]
    spread = [GROWTH_SPREAD, *(BETWEEN_KINDS * kinds), *(COPPER_SPREAD * places), DECAY_SPREAD]
    return np.array(usual), np.array(spread)


def _shared(
    joined: Joined,
    before: tuple[NDArray[np.float64], NDArray[np.float64]],
    state_k: tuple[NDArray[np.float64], NDArray[np.float64]],
    rises_k: tuple[NDArray[np.float64], NDArray[np.float64]],
    sight: Sight,
) -> Shared:
    """
    By how much all rises change with the growth of the loss, each kind's joint, conduction and the decay length.

    With K u = q and K the matrix of the system, K du = -dK u. ``state_k``: rises of cells and bodies by which the loss
    grows; ``rises_k``: the same, or changes of them.
    """
    bodies, (cells_k, bodies_k) = joined.bodies, rises_k
    numbers, count = kind_numbers(bodies.kinds)
    beneath_k = np.asarray(bodies.shares.T @ cells_k)
    of_kind = np.zeros((len(numbers), count))
    of_kind[np.arange(len(numbers)), numbers] = 1.0
    taken = joined.spread @ (of_kind * bodies_k[:, None]) - (joined.spread @ of_kind) * cells_k[:, None]
    given = -(joined.joint * (bodies_k - beneath_k))[:, None] * of_kind
    grown_cells = -joined.plain_loss * (loss_growth(state_k[0]) - 1.0) * cells_k
    grown_bodies = -bodies.loss_mm2 * (loss_growth(state_k[1]) - 1.0) * bodies_k
    places, links, flow = _copper_flow(joined, sight.grid, sight.copper, cells_k[:, None])
    conducted = links.taken_up(flow * places.toarray(), sight.grid.cells)
    # All of it goes with the square of the decay length.
    at_cells, at_bodies = joined.solve(
        np.column_stack([grown_cells, taken, conducted, 2.0 * conducted.sum(axis=1)]),
        np.column_stack([grown_bodies, given, np.zeros((len(numbers), conducted.shape[1] + 1))]),
    )
    return Shared(sight.at @ at_cells, at_bodies, *before)


def _copper_flow(
    joined: Joined, grid: FinGrid, basis: sparse.csr_matrix, rises_k: NDArray[np.float64]
) -> tuple[sparse.csr_matrix, Links, NDArray[np.float64]]:
    """How far each place has a say in each link between cells; the links; and what flows through them by the rises."""
    links = links_of(grid)
    root = np.sqrt(joined.conductance_mm2)
    conductance = root[links.one] * root[links.other] * links.per_mm2
    flow = conductance[:, None] * (rises_k[links.one] - rises_k[links.other])
    return sparse.csr_matrix(0.5 * (basis[links.one] + basis[links.other])), links, flow


def _own_shifts(fitted: Fitted, sight: Sight) -> NDArray[np.float64]:
    """By how much each body's rise by a unit of its own heat changes with what is shared; (n, p), as in `_shared`."""
    joined = fitted.joined
    responses, bodies = joined.responses, joined.bodies
    numbers, count = kind_numbers(bodies.kinds)
    over = np.diag(responses.bodies) - np.diag(responses.beneath)
    by_kind = np.zeros((len(numbers), count))
    by_kind[np.arange(len(numbers)), numbers] = -joined.joint * over**2
    grown_cells = joined.plain_loss * (loss_growth(fitted.cells_k) - 1.0)
    lost = -(bodies.loss_mm2 * (loss_growth(fitted.bodies_k) - 1.0)) @ responses.bodies**2
    conducted = np.zeros((len(numbers), len(fitted.held.log_copper)))
    for start in range(0, len(numbers), AT_ONCE):
        some = slice(start, start + AT_ONCE)
        cells = responses.board[:, some]
        lost[some] -= grown_cells @ cells**2
        places, links, flow = _copper_flow(joined, sight.grid, sight.copper, cells)
        conducted[some] = -(places.T @ (flow * (cells[links.one] - cells[links.other]))).T
    return np.column_stack([lost, by_kind, conducted, 2.0 * conducted.sum(axis=1)])


def _as_fit(fitted: Fitted, sight: Sight, rises: PartRises) -> SourceFit:
    found, held, bodies = fitted.found, fitted.held, sight.bodies
    grown = fitted.joined.body_loss / np.maximum(bodies.loss_mm2, 1e-9)
    inverse = found.inverse()
    covariance = found.covariance(inverse)
    own = _own_shifts(fitted, sight)
    return SourceFit(
        decay_mm=float(np.exp(held.log_decay)),
        u_log_decay=float(np.sqrt(covariance[-1, -1])),
        growth=held.growth,
        heat_kmm2=found.heat_kmm2,
        constant_k=found.constant_k,
        responses=fitted.joined.responses,
        covariance=covariance,
        body_shifts=fitted.shared.at_bodies,
        received_shifts=fitted.shared.at_bodies - own * found.heat_kmm2[:, None],
        own_shifts=own,
        fitted=fitted,
        misfit=found.misfit,
        degrees=sight.evidence.degrees,
        joint_spread=joint_spread(bodies.kinds, fitted.over_k(rises)),
        denied_k=found.denied_k(inverse),
        body_loss_mm2=fitted.joined.body_loss,
        u_body_loss_mm2=bodies.u_loss_mm2 * grown,
        alike_loss_mm2=bodies.alike_loss_mm2 * grown,
        sink=bodies.sink,
        kinds=bodies.kinds,
        cell_residual_k=found.cell_residual_k,
    )


def fit_change(sight: Sight, change: PartRises, *, solved: SourceFit) -> SourceFit:
    """
    The changes of the parts' heat between two looks, with what was found of one of them.

    What is shared was told by that look, as surely as its covariance says.
    """
    responses, fitted, n = solved.responses, solved.fitted, len(solved.heat_kmm2)
    linear = _linear(sight, responses, change)
    found = solve_sources(linear, spread=solved.joint_spread)
    bodies_k = responses.bodies @ found.heat_kmm2
    rises_k = responses.cells(found.heat_kmm2), bodies_k
    told = np.sqrt(np.diag(solved.covariance)[n + 1 :])
    state_k = fitted.cells_k, fitted.bodies_k
    shared = _shared(fitted.joined, (np.zeros_like(told), told), state_k, rises_k, sight)
    found = solve_sources(linear, spread=solved.joint_spread, shared=shared, start=found, steps=1)
    inverse = found.inverse()
    return replace(
        solved,
        heat_kmm2=found.heat_kmm2,
        constant_k=found.constant_k,
        covariance=found.covariance(inverse),
        denied_k=found.denied_k(inverse),
        body_shifts=shared.at_bodies,
        received_shifts=shared.at_bodies - solved.own_shifts * found.heat_kmm2[:, None],
        misfit=found.misfit,
        degrees=sight.evidence.degrees,
        cell_residual_k=found.cell_residual_k,
    )
