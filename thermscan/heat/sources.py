"""How much heat each part gives, from what the bare board and the bodies show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from thermscan.heat.bare import BareCells
from thermscan.heat.fin import FinGrid, fin_responses, footprints
from thermscan.layout.board import Board

# sqrt(k t / h) of a bare two-sided board is about 15 mm, of a multilayer board with planes about 50 mm
# (k t 4 to 40 mW/K, h 15 to 25 W/(m2 K)); the range reaches beyond both.
DECAYS_MM = tuple(float(x) for x in np.geomspace(9.0, 66.0, 9))
# What the fin leaves out (copper that is not even, loss that grows with the rise): a share of the local
# rise, and a floor. Chosen from boards solved by finite elements; the fit enlarges it where it must.
MODEL_SHARE = 0.05
MODEL_FLOOR_K = 0.15
# That error is alike over about this distance, so that neighbouring cells are not independent.
MODEL_REACH_MM = 6.0
# A body's rise over the board beneath it is heat times resistance; with one resistance by area for all
# bodies, single parts differ by about this factor (packages, sockets, stand-off).
CONTACT_SPREAD = 0.5
# Below this a body's rise over the board says nothing about its heat.
CONTACT_FLOOR_K = 0.7
# Camera offset (2 K) and ambient thermometer (1 K) together, with something to spare.
CONSTANT_SPREAD_K = 3.0
# Heat of a part before anything is known, as the board's own rise beneath it.
WIDEST_K = 60.0
LEAST_LIKELY_K = 0.05
ROBUST_STEPS = 4
HUBER_LIMIT = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class SourceFit:
    """
    The parts' heat for one decay length.

    Attributes
    ----------
    decay_mm : float
        sqrt(k t / h), for which the rest was fitted.
    flow_kmm2 : ndarray of shape (n,)
        Heat that each part sends into the board, watts over h.
    constant_k : float
        What all of the board shares: camera offset and wrong ambient.
    at_parts : ndarray of shape (n, n)
        [i, j]: rise of the board under part i for one unit of part j.
    covariance : ndarray of shape (n + 1, n + 1)
        Of the flows and, last, the constant; scaled by the misfit.
    misfit : float
        Weighted sum of squares.
    contact : float or None
        Flow over area and over the body's rise above the board: the bodies' conductance by area, over h.
    cell_residual_k : ndarray of shape (cells seen,)
    """

    decay_mm: float
    flow_kmm2: NDArray[np.float64]
    constant_k: float
    at_parts: NDArray[np.float64]
    covariance: NDArray[np.float64]
    misfit: float
    degrees: float
    contact: float | None
    response: NDArray[np.float64]
    cell_residual_k: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PartRises:
    """Rise of each part of the board in its order, NaN where not measurable, and its standard uncertainty."""

    rise_k: NDArray[np.float64]
    u_k: NDArray[np.float64]


def fit_sources(
    board: Board,
    grid: FinGrid,
    cells: BareCells,
    rises: PartRises,
    *,
    noise_k: float,
    placement_mm: float,
    signed: bool = False,
    contact: float | None = None,
    likely_k: NDArray[np.float64] | None = None,
    likely_board_k: NDArray[np.float64] | None = None,
    decays_mm: tuple[float, ...] = DECAYS_MM,
    solved: Sequence[SourceFit] = (),
) -> tuple[SourceFit, ...]:
    """
    The parts' heat for each of several decay lengths.

    Parameters
    ----------
    board : Board
    grid : FinGrid
    cells : BareCells
        What the bare board shows.
    rises : PartRises
        What the bodies show; a body's rise over the board beneath it is left free within `CONTACT_SPREAD`.
    noise_k : float
        Of one camera pixel.
    placement_mm : float
        Standard uncertainty of a place on the board.
    signed : bool
        False: no part takes heat out of the board. True: for differences between two looks.
    contact : float, optional
        Bodies' conductance by area over h, where known from another fit.
    likely_k : ndarray of shape (n,), optional
        How large a body's own rise over the board may be expected to be, for each part: a small one
        says that the part has little to give. Default, and NaN: nothing is known.
    likely_board_k : ndarray of shape (n,), optional
        The same for the board's own rise beneath each part, where no body can be seen; NaN: not told.
    decays_mm : tuple of float
    solved : sequence of SourceFit
        Earlier fits of the same board and grid: their responses are used again.

    Returns
    -------
    tuple of SourceFit
        One for each decay length.
    """
    sources = footprints(board, grid)
    interpolation = grid.interpolation(cells.points_mm)
    fits = []
    for decay_mm in decays_mm:
        response = next((fit.response for fit in solved if fit.decay_mm == decay_mm), None)
        if response is None:
            response = fin_responses(grid, sources, decay_mm=decay_mm)
        fits.append(
            _fit_one(
                board,
                interpolation @ response,
                np.asarray(sources.T @ response),
                response,
                cells=cells,
                rises=rises,
                sigma_k=_sigma(cells, grid, noise_k=noise_k, placement_mm=placement_mm),
                signed=signed,
                contact=contact,
                likely_k=likely_k,
                likely_board_k=likely_board_k,
                decay_mm=decay_mm,
                degrees=max(len(cells.rise_k) / _alike(grid), 1.0),
            )
        )
    return tuple(fits)


def decay_weights(fits: tuple[SourceFit, ...]) -> NDArray[np.float64]:
    """How likely each decay length is, by its misfit; sums to 1."""
    misfit = np.array([fit.misfit for fit in fits])
    # The best fit's misfit over its degrees of freedom says how far the stated model error is off.
    scale = max(float(misfit.min()) / max(fits[int(misfit.argmin())].degrees, 1.0), 1.0)
    weight = np.exp(-0.5 * (misfit - misfit.min()) / scale)
    result: NDArray[np.float64] = weight / weight.sum()
    return result


def _sigma(cells: BareCells, grid: FinGrid, *, noise_k: float, placement_mm: float) -> NDArray[np.float64]:
    """Standard uncertainty of a cell against the model, enlarged for cells that err together."""
    if not len(cells.rise_k):
        return np.zeros(0)
    low = float(np.percentile(cells.rise_k, 2))
    model = MODEL_FLOOR_K + MODEL_SHARE * np.abs(cells.rise_k - low) + (placement_mm + 0.2) * cells.slope_k_per_mm
    result: NDArray[np.float64] = np.sqrt(_alike(grid) * model**2 + noise_k**2 / np.maximum(cells.pixels, 1.0))
    return result


def _alike(grid: FinGrid) -> float:
    """How many neighbouring cells err together, so that they count as one."""
    return max(float(np.pi * MODEL_REACH_MM**2 / grid.cell_area_mm2), 1.0)


def _fit_one(
    board: Board,
    at_cells: NDArray[np.float64],
    at_parts: NDArray[np.float64],
    response: NDArray[np.float64],
    *,
    cells: BareCells,
    rises: PartRises,
    sigma_k: NDArray[np.float64],
    signed: bool,
    contact: float | None,
    likely_k: NDArray[np.float64] | None,
    likely_board_k: NDArray[np.float64] | None,
    decay_mm: float,
    degrees: float,
) -> SourceFit:
    n = len(board.parts)
    area = np.array([part.length_mm * part.width_mm for part in board.parts])
    scale = np.maximum(np.diag(at_parts), 1e-12)  # unknowns are the board's own rise under each part
    design = np.column_stack([at_cells / scale, np.ones(len(at_cells))])
    robust = np.ones(len(at_cells))
    spread = np.full(n + 1, WIDEST_K)
    spread[n] = CONSTANT_SPREAD_K
    if likely_k is not None:
        # Without a conductance, the board beneath may rise as much as the body over it.
        per_k = np.ones(n) if contact is None else contact * area * scale
        spread[:n] = np.clip(np.where(np.isfinite(likely_k), per_k * likely_k, WIDEST_K), LEAST_LIKELY_K, WIDEST_K)
    if likely_board_k is not None:
        told = np.isfinite(likely_board_k)
        spread[:n][told] = np.clip(likely_board_k[told], LEAST_LIKELY_K, WIDEST_K)
    solution = np.zeros(n + 1)
    known_contact = contact
    matrix, target = design, cells.rise_k
    for step in range(ROBUST_STEPS):
        weight = robust / sigma_k
        rows, values = [design * weight[:, None]], [cells.rise_k * weight]
        rows.append(np.diag(1.0 / spread))
        values.append(np.zeros(n + 1))
        if known_contact is not None and step > 0:
            body, wanted = _body_rows(at_parts, scale, area, rises, solution=solution, contact=known_contact)
            rows.append(body)
            values.append(wanted)
        matrix, target = np.vstack(rows), np.concatenate(values)
        solution, covariance = _solve(matrix, target, signed=signed)
        residual = cells.rise_k - design @ solution
        standard = np.abs(residual) / np.maximum(sigma_k, 1e-9)
        centre = max(float(np.median(standard)) / 0.6745, 1e-9) if len(standard) else 1.0
        robust = np.sqrt(np.minimum(1.0, HUBER_LIMIT * centre / np.maximum(standard, 1e-9)))
        if contact is None:
            known_contact = _contact(solution, at_parts, scale, area, rises.rise_k)
    misfit = float(np.sum((matrix @ solution - target) ** 2))
    to_flow = np.append(1.0 / scale, 1.0)
    return SourceFit(
        decay_mm=decay_mm,
        flow_kmm2=solution[:n] / scale,
        constant_k=float(solution[n]),
        at_parts=at_parts,
        covariance=covariance * np.outer(to_flow, to_flow),
        misfit=misfit,
        degrees=degrees,
        contact=known_contact,
        response=response,
        cell_residual_k=cells.rise_k - design @ solution,
    )


def _body_rows(
    at_parts: NDArray[np.float64],
    scale: NDArray[np.float64],
    area: NDArray[np.float64],
    rises: PartRises,
    *,
    solution: NDArray[np.float64],
    contact: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """One row a measurable part: flow + contact area (board beneath) = contact area (body's rise)."""
    n = len(area)
    beneath = np.column_stack([at_parts / scale, np.ones(n)])
    seen = np.isfinite(rises.rise_k)
    rise = np.nan_to_num(rises.rise_k)
    over_k = np.maximum(np.abs(rise - beneath @ solution), CONTACT_FLOOR_K)
    sigma = contact * area * np.hypot(CONTACT_SPREAD * over_k, np.nan_to_num(rises.u_k))
    rows = contact * area[:, None] * beneath
    rows[:, :n] += np.diag(1.0 / scale)
    return (rows / sigma[:, None])[seen], (contact * area * rise / sigma)[seen]


def _contact(
    solution: NDArray[np.float64],
    at_parts: NDArray[np.float64],
    scale: NDArray[np.float64],
    area: NDArray[np.float64],
    rise_k: NDArray[np.float64],
) -> float | None:
    """The bodies' conductance by area over h: a median over parts that give heat; None if under 3."""
    n = len(area)
    over_k = rise_k - (at_parts / scale) @ solution[:n] - solution[n]
    flow = solution[:n] / scale
    use = np.isfinite(over_k) & (flow > 0)
    if use.sum() < 3:
        return None
    # Bodies soldered down flat hardly stand out: what can be said is that they conduct at least so well.
    ratio = flow[use] / (area[use] * np.maximum(over_k[use], CONTACT_FLOOR_K / 2))
    order = np.argsort(ratio)
    heavy = np.cumsum((flow[use])[order])
    return float(ratio[order][np.searchsorted(heavy, heavy[-1] / 2)])


def _solve(
    matrix: NDArray[np.float64], target: NDArray[np.float64], *, signed: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares, flows not below 0 unless signed; the last unknown is free. Covariance of those not at 0."""
    normal = matrix.T @ matrix
    factor = np.linalg.cholesky(normal)
    right = np.linalg.solve(factor, matrix.T @ target)
    count = len(normal)
    if signed:
        solution = np.linalg.solve(factor.T, right)
        free = np.ones(count, dtype=bool)
    else:
        both = np.column_stack([factor.T, -factor.T[:, -1]])
        found, _ = nnls(both, right, maxiter=30 * count)
        solution = np.append(found[: count - 1], found[count - 1] - found[count])
        free = solution > 0
        free[-1] = True
    covariance = np.zeros((count, count))
    covariance[np.ix_(free, free)] = np.linalg.inv(normal[np.ix_(free, free)])
    # A part at the bound may give as much as the data would not notice, the others held.
    covariance[~free, ~free] = 1.0 / np.diag(normal)[~free]
    return solution, covariance
