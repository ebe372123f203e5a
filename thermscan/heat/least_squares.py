"""Watts of the parts by weighted, robust, non-negative least squares on what board and bodies show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.optimize import nnls

from thermscan.heat.bare import BareCells
from thermscan.heat.bodies import Bodies, Responses
from thermscan.heat.contact import LEAST_OVER_K
from thermscan.heat.fin import FinGrid

# What the fin leaves out (copper that is not even, loss that grows with the rise): a share of the local
# rise, and a floor. Chosen from boards solved by finite elements; the fit enlarges it where it must.
MODEL_SHARE = 0.03
MODEL_FLOOR_K = 0.1
# That error is alike over about this distance, so that neighbouring cells are not independent.
MODEL_REACH_MM = 6.0
# The emissivity taken for bodies against that of the board: a share of the rise, alike for a surface.
EMISSIVITY_SHARE = 0.02
# Camera offset (2 K) and ambient thermometer (1 K) together, with something to spare.
CONSTANT_SPREAD_K = 3.0
# Of the supply's watts, before looking: each part draws by its area, within 1.5 times that and a share of the whole
# (a shorted capacitor may take much). It tells only of parts that neither body nor board shows.
AREA_SPREAD = 1.5
ANY_PART_SHARE = 0.03
# Heat of a part before anything is known, as the board's own rise beneath it.
WIDEST_K = 60.0
LEAST_LIKELY_K = 0.05
# How far the misfit may say that all was stated too doubtful or too sure.
MISFIT_BOUNDS = (0.5, 4.0)
ROBUST_STEPS = 4
HUBER_LIMIT = 2.0
# Loss of both faces, W/(m2 K), and its relative spread: radiation 6 and convection 2 to 6 a face on a bench
# in still air (8 to 12 a face; radiation by Stefan and Boltzmann's law, convection by textbook equations whose
# constants are from memory); a fan gives more.
USUAL_LOSS_W_PER_M2K = 20.0
LOSS_SPREAD = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class PartRises:
    """Rise of each part of the board in its order, NaN where not measurable, and its standard uncertainty."""

    rise_k: NDArray[np.float64]
    u_k: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """
    How far what is seen is to be trusted, and what is known beforehand.

    Attributes
    ----------
    sigma_k : ndarray of shape (cells seen,)
        Standard uncertainty of each cell against the model.
    degrees : float
        How many cells err independently.
    signed : bool
        False: no part takes heat out of the board. True: for differences between two looks.
    supply_w : float or None
        All the heat; with the usual loss it tells the sum of all rises.
    likely_k : ndarray of shape (n,) or None
        How large a body's own rise may be expected to be; NaN: not told.
    likely_board_k : ndarray of shape (n,) or None
        The same for the board's own rise beneath each part; NaN: not told.
    """

    sigma_k: NDArray[np.float64]
    degrees: float
    signed: bool = False
    supply_w: float | None = None
    likely_k: NDArray[np.float64] | None = None
    likely_board_k: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Heat (watts over h) of each part, the board's constant, their covariance by the misfit, and what is left over."""

    heat_kmm2: NDArray[np.float64]
    constant_k: float
    covariance: NDArray[np.float64]
    misfit: float
    cell_residual_k: NDArray[np.float64]


def weigh_cells(
    cells: BareCells, grid: FinGrid, *, noise_k: float, placement_mm: float
) -> tuple[NDArray[np.float64], float]:
    """Standard uncertainty of each cell against the model, and how many of them err independently."""
    alike = max(float(np.pi * MODEL_REACH_MM**2 / grid.cell_area_mm2), 1.0)
    degrees = max(len(cells.rise_k) / alike, 1.0)
    if not len(cells.rise_k):
        return np.zeros(0), degrees
    low = float(np.percentile(cells.rise_k, 2))
    model = MODEL_FLOOR_K + MODEL_SHARE * np.abs(cells.rise_k - low) + (placement_mm + 0.2) * cells.slope_k_per_mm
    # Cells that err together are each taken for less than one.
    return np.sqrt(alike * model**2 + noise_k**2 / np.maximum(cells.pixels, 1.0)), degrees


def solve_sources(
    at_cells: NDArray[np.float64],
    bodies: Bodies,
    responses: Responses,
    cells: BareCells,
    rises: PartRises,
    *,
    evidence: Evidence,
    spread: NDArray[np.float64],
) -> Found:
    """
    The parts' heat that explains the bare board and the bodies best.

    Parameters
    ----------
    at_cells : ndarray of shape (cells seen, n)
        Rise of each cell for one unit of each part's heat.
    bodies : Bodies
    responses : Responses
    cells : BareCells
    rises : PartRises
        A body's rise over the board beneath it is left free within ``spread``.
    evidence : Evidence
    spread : ndarray of shape (n,)
        Relative uncertainty of how well each body is joined to the board.
    """
    n = at_cells.shape[1]
    scale = np.maximum(np.diag(responses.beneath), 1e-12)  # unknowns are the board's own rise under each part
    design = np.column_stack([at_cells / scale, np.ones(len(at_cells))])
    known, told = _beforehand(responses, scale, bodies.area_mm2, evidence)
    robust = np.ones(len(at_cells))
    solution = np.zeros(n + 1)
    matrix, target = design, cells.rise_k
    for step in range(ROBUST_STEPS):
        weight = robust / evidence.sigma_k
        rows, values = [design * weight[:, None], known], [cells.rise_k * weight, told]
        if step > 0:
            body, wanted = _body_rows(responses, scale, rises, solution=solution, spread=spread)
            rows.append(body)
            values.append(wanted)
        matrix, target = np.vstack(rows), np.concatenate(values)
        solution = _solve(matrix, target, signed=evidence.signed)
        known, told = _beforehand(responses, scale, bodies.area_mm2, evidence, solution[:n] / scale)
        residual = cells.rise_k - design @ solution
        standard = np.abs(residual) / np.maximum(evidence.sigma_k, 1e-9)
        centre = max(float(np.median(standard)) / 0.6745, 1e-9) if len(standard) else 1.0
        robust = np.sqrt(np.minimum(1.0, HUBER_LIMIT * centre / np.maximum(standard, 1e-9)))
    to_heat = np.append(1.0 / scale, 1.0)
    misfit = float(np.sum((matrix @ solution - target) ** 2))
    stretch = float(np.clip(misfit / evidence.degrees, *MISFIT_BOUNDS))
    return Found(
        heat_kmm2=solution[:n] / scale,
        constant_k=float(solution[n]),
        covariance=stretch * _covariance(matrix, solution, signed=evidence.signed) * np.outer(to_heat, to_heat),
        misfit=misfit,
        cell_residual_k=cells.rise_k - design @ solution,
    )


def _beforehand(
    responses: Responses,
    scale: NDArray[np.float64],
    area_mm2: NDArray[np.float64],
    evidence: Evidence,
    heat_kmm2: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is known of heat and constant before looking: one row for each, and one for all heat together."""
    n = len(scale)
    widest = np.full(n + 1, WIDEST_K)
    widest[n] = CONSTANT_SPREAD_K
    for likely, per_k in (
        (evidence.likely_k, scale / np.maximum(np.diag(responses.bodies), 1e-12)),
        (evidence.likely_board_k, np.ones(n)),
    ):
        if likely is not None:
            told = np.isfinite(likely)
            widest[:n][told] = np.clip((per_k * likely)[told], LEAST_LIKELY_K, WIDEST_K)
    rows, values = np.diag(1.0 / widest), np.zeros(n + 1)
    if evidence.supply_w:
        usual = evidence.supply_w * 1e6 / USUAL_LOSS_W_PER_M2K
        by_area = usual * area_mm2 / area_mm2.sum()
        # A part that is found to give more than its area lets expect is let free; one that nothing shows is not.
        more = ANY_PART_SHARE * usual if heat_kmm2 is None else np.abs(heat_kmm2)
        within = np.hypot(AREA_SPREAD * by_area, more)
        rows[:n, :n] = np.diag(1.0 / (scale * within))
        values[:n] = by_area / within
        rows = np.vstack([rows, np.append(1.0 / scale, 0.0) / (LOSS_SPREAD * usual)])
        values = np.append(values, 1.0 / LOSS_SPREAD)
    return rows, values


def _body_rows(
    responses: Responses,
    scale: NDArray[np.float64],
    rises: PartRises,
    *,
    solution: NDArray[np.float64],
    spread: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """One row a measurable part: its rise, uncertain as far as it stands above the board by an unsure joint."""
    n = len(scale)
    seen = np.isfinite(rises.rise_k)
    rise = np.nan_to_num(rises.rise_k)
    beneath_k = (responses.beneath / scale) @ solution[:n] + solution[n]
    # A joint may be better than taken as well as worse: by what the body shows, or by what its heat would make.
    expected_k = (responses.bodies - responses.beneath) / scale @ solution[:n]
    over_k = np.maximum(np.maximum(np.abs(rise - beneath_k), np.abs(expected_k)), LEAST_OVER_K)
    doubt = EMISSIVITY_SHARE * np.abs(rise - solution[n])
    sigma = np.sqrt((spread * over_k) ** 2 + np.nan_to_num(rises.u_k) ** 2 + doubt**2)
    rows = np.column_stack([responses.bodies / scale, np.ones(n)])
    return (rows / sigma[:, None])[seen], (rise / sigma)[seen]


def _solve(matrix: NDArray[np.float64], target: NDArray[np.float64], *, signed: bool) -> NDArray[np.float64]:
    """Least squares, heat not below 0 unless signed; the last unknown is free."""
    lower = np.linalg.cholesky(matrix.T @ matrix)
    right = solve_triangular(lower, matrix.T @ target, lower=True)
    if signed:
        result: NDArray[np.float64] = solve_triangular(lower.T, right)
        return result
    count = len(right)
    found, _ = nnls(np.column_stack([lower.T, -lower.T[:, -1]]), right, maxiter=30 * count)
    return np.append(found[: count - 1], found[count - 1] - found[count])


def _covariance(matrix: NDArray[np.float64], solution: NDArray[np.float64], *, signed: bool) -> NDArray[np.float64]:
    """Of what is not held at 0; a part that is may give as much as the data would not notice, the others held."""
    normal = matrix.T @ matrix
    free = np.ones(len(solution), dtype=bool) if signed else solution > 0
    free[-1] = True
    covariance = np.zeros_like(normal)
    covariance[np.ix_(free, free)] = np.linalg.inv(normal[np.ix_(free, free)])
    covariance[~free, ~free] = 1.0 / np.diag(normal)[~free]
    return covariance
