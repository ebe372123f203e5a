"""The heat's least squares against generalised least squares: errors that are alike at many places, and bounds at 0."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import sparse
from scipy.optimize import lsq_linear
from scipy.stats import truncnorm

from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import Bodies, Responses
from thermscan.heat.cell_equations import CellEquations
from thermscan.heat.least_squares import (
    CONSTANT_SPREAD_K,
    WIDEST_K,
    Evidence,
    Found,
    Linear,
    PartRises,
    Shared,
    _body_sigma,
    solve_sources,
)

CELLS, PARTS, SHARED = 60, 6, 2
NO_BODIES = Bodies(sparse.csc_matrix((0, PARTS)), *(np.zeros(PARTS),) * 5, kinds=())


def _linear(design: np.ndarray, rise_k: np.ndarray, sigma_k: np.ndarray, *, bodies_k=None, signed=True) -> Linear:
    """Cells that show ``rise_k``; a unit of heat warms its own body by 2 K and the board beneath it by 1 K."""
    n = design.shape[1] - 1
    bodies_k = np.full(n, np.nan) if bodies_k is None else bodies_k
    cells = BareCells(np.zeros((len(rise_k), 2)), rise_k, np.ones(len(rise_k)), np.zeros(len(rise_k)), 1.0)
    responses = Responses(np.zeros((0, n)), np.eye(n), 2.0 * np.eye(n) + 0.2 * (1.0 - np.eye(n)))
    rises = PartRises(bodies_k, np.full(n, 0.3))
    evidence = Evidence(sigma_k, float(len(rise_k)), signed=signed)
    return Linear(CellEquations(design), np.ones(n), responses, NO_BODIES, cells, rises, evidence)


# L. Lyons, D. Gibaut and P. Clifford, How to combine correlated estimates of a single physical quantity, Nucl. Instrum.
# Meth. A 270 (1988) 110-117, section 5: four lifetimes of charmed particles (1e-13 s), and their covariances, (17').
LIFETIMES = np.array([9.5, 11.9, 11.1, 8.9])
COVARIANCE = np.array([[2.74, 1.15, 0.86, 1.31], [1.15, 1.67, 0.82, 1.32], [0.86, 0.82, 2.12, 1.05],
                       [1.31, 1.32, 1.05, 2.93]])  # fmt: skip


def test_four_correlated_lifetimes_come_to_their_best_linear_estimate():
    # Errors of that covariance are four independent ones of 1, alike at several places by its Cholesky factor.
    shared = Shared(np.linalg.cholesky(COVARIANCE), np.zeros((1, 4)), np.zeros(4), np.ones(4))
    linear = _linear(np.column_stack([np.ones(4), np.zeros(4)]), LIFETIMES, np.full(4, 1e-3))
    found = solve_sources(linear, spread=np.zeros(1), shared=shared, steps=1)
    # Their equations (2) and (3).
    inverse = np.linalg.inv(COVARIANCE)
    # A part is taken to give 60 K or less before: 1 in 2000 of what the four know.
    assert found.heat_kmm2[0] == pytest.approx(inverse.sum(axis=0) @ LIFETIMES / inverse.sum(), rel=1e-3)
    assert found.covariance(found.inverse())[0, 0] == pytest.approx(1.0 / inverse.sum(), rel=1e-3)


def _problem(seed: int, *, signed: bool) -> tuple[Found, np.ndarray, np.ndarray, np.ndarray]:
    """What is found with errors shared by cells and bodies; and the same as design, observations and covariance."""
    rng = np.random.default_rng(seed)
    # Neighbours show each other's heat; two parts give none.
    design = np.column_stack([np.exp(-rng.uniform(0.0, 3.0, (CELLS, PARTS))), np.ones(CELLS)])
    heat = np.array([6.0, 3.0, 0.0, 8.0, 0.0, 4.0])
    at_cells, at_bodies = rng.normal(0.0, 1.0, (CELLS, SHARED)), rng.normal(0.0, 1.0, (PARTS, SHARED))
    shared = Shared(at_cells, at_bodies, np.array([0.3, -0.2]), np.array([0.5, 0.8]))
    errors = rng.normal(shared.usual, shared.spread)
    sigma_k = rng.uniform(0.2, 0.6, CELLS)
    rise_k = design @ np.append(heat, 0.5) + at_cells @ errors + rng.normal(0.0, sigma_k)
    bodies_k = 1.8 * heat + 0.2 * heat.sum() + 0.5 + at_bodies @ errors + rng.normal(0.0, 0.3, PARTS)
    bodies_k[1] = np.nan
    linear = _linear(design, rise_k, sigma_k, bodies_k=bodies_k, signed=signed)
    spread = np.full(PARTS, 0.1)
    # Bodies weigh by what was found first, all cells are believed alike.
    first = replace(solve_sources(linear, spread=spread, steps=1), robust=np.ones(CELLS), stretch=1.0)
    found = solve_sources(linear, spread=spread, shared=shared, start=first, steps=1)

    seen = np.isfinite(bodies_k)
    by_bodies = np.column_stack([linear.responses.bodies, np.ones(PARTS)])[seen]
    body_sigma = _body_sigma(linear.responses, linear.rises, first.heat_kmm2, first.constant_k, spread)[seen]
    stated = np.append(np.full(PARTS, WIDEST_K), CONSTANT_SPREAD_K)
    alike = np.vstack([at_cells, at_bodies[seen], np.zeros((PARTS + 1, SHARED))])
    observed = np.concatenate([rise_k, bodies_k[seen], np.zeros(PARTS + 1)]) - alike @ shared.usual
    covariance = np.diag(np.concatenate([sigma_k, body_sigma, stated]) ** 2) + (alike * shared.spread**2) @ alike.T
    return found, np.vstack([design, by_bodies, np.eye(PARTS + 1)]), observed, covariance


@pytest.mark.parametrize("seed", range(5))
def test_what_is_shared_makes_it_the_librarys_generalised_least_squares(seed: int):
    # A. C. Aitken, Proc. R. Soc. Edinb. 55 (1936) 42-48, as statsmodels' GLS does it with the whole covariance.
    found, design, observed, covariance = _problem(seed, signed=True)
    library = sm.GLS(observed, design, sigma=covariance).fit()
    assert np.append(found.heat_kmm2, found.constant_k) == pytest.approx(library.params, abs=1e-8)
    of_heat = found.covariance(found.inverse())[: PARTS + 1, : PARTS + 1]
    assert of_heat == pytest.approx(library.normalized_cov_params, abs=1e-8)


@pytest.mark.parametrize("seed", range(5))
def test_heat_that_may_not_be_below_0_is_the_librarys_bounded_solution_of_correlated_observations(seed: int):
    found, design, observed, covariance = _problem(seed, signed=False)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    bounds = (np.append(np.zeros(PARTS), -np.inf), np.full(PARTS + 1, np.inf))
    library = lsq_linear(whiten @ design, whiten @ observed, bounds, method="bvls", tol=1e-14)
    assert np.append(found.heat_kmm2, found.constant_k) == pytest.approx(library.x, abs=1e-7)


@pytest.mark.parametrize("seed", range(5))
def test_a_part_held_at_0_is_as_wide_as_the_normal_density_that_is_cut_off_there(seed: int):
    found, design, observed, covariance = _problem(seed, signed=False)
    free = np.append(found.heat_kmm2 > 0, True)
    assert not free.all()
    told = found.covariance(found.inverse())[: PARTS + 1, : PARTS + 1]
    expected = sm.GLS(observed, design[:, free], sigma=covariance).fit().normalized_cov_params
    residual = observed - design @ np.append(found.heat_kmm2, found.constant_k)
    for held in np.flatnonzero(~free):
        # What is free follows as in a regression of the held part's column on theirs; the rest of it is its own.
        follows = sm.GLS(design[:, held], design[:, free], sigma=covariance).fit()
        rest = follows.resid
        sd = (rest @ np.linalg.solve(covariance, rest)) ** -0.5
        # By its own observations alone it would lie there, below 0.
        centre = sd**2 * (rest @ np.linalg.solve(covariance, residual))
        above = truncnorm(-centre / sd, np.inf, loc=centre, scale=sd)
        assert centre < 0.0
        assert told[held, held] == pytest.approx(above.mean() ** 2 + above.var(), rel=1e-6)
        expected = expected + told[held, held] * np.outer(follows.params, follows.params)
    assert told[np.ix_(free, free)] == pytest.approx(expected, abs=1e-8)
