"""Each part's rise, split into its own heat and what its neighbours give it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bare import bare_by_margin, bare_cells, camera_px_mm, margin_mm, weigh_cells
from thermscan.heat.bodies import board_bodies
from thermscan.heat.fin import fin_grid
from thermscan.heat.heat_split import HeatFrom, HeatSplit, PartHeat
from thermscan.heat.least_squares import Evidence, PartRises
from thermscan.heat.sources import Sight, fit_sources
from thermscan.heat.summary import summarise
from thermscan.layout.board import Board
from thermscan.radiometry.planck import Band
from thermscan.radiometry.surface import surface_temperature
from thermscan.regions import reasons
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.sensor_lines import is_types, mean_sensor_u_k
from thermscan.registration.registration import Registration

__all__ = ["HeatFrom", "HeatSplit", "PartHeat", "board_rise_k", "part_rises", "split_heat"]

# How far the reading of a body under 3 x 3 pixels may be off after its surroundings' share was taken out.
SMALL_DOUBT_K = 0.5
SMALL_DOUBT_SHARE = 0.05
# What the board shares is looked for on cells of twice the size, at a quarter of the cost.
GRIDS = (2.0, 1.0)
# Fewer bare cells than this cannot tell own heat from received heat.
FEWEST_CELLS = 20


def board_rise_k(
    rectified: Rectified, board: Board, *, ambient_c: float, reflected_c: float, band_um: Band
) -> NDArray[np.float64]:
    """
    Rise of the bare board on the raster, corrected for its emissivity; wrong on the bodies.

    Returns
    -------
    ndarray of shape (rows, cols)
        NaN off the board and where unseen.
    """
    apparent_c = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    surface_c = surface_temperature(
        apparent_c, emissivity=board.surface.emissivity, reflected_c=reflected_c, band_um=band_um
    )
    result: NDArray[np.float64] = np.asarray(surface_c, dtype=np.float64) - ambient_c
    return result


def split_heat(
    rise_k: NDArray[np.float64],
    measurements: Sequence[PartMeasurement],
    board: Board,
    *,
    mm_per_px: float,
    registration: Registration,
    noise_k: float,
    supply_w: float | None = None,
) -> HeatSplit | None:
    """
    Split every part's rise into own and received heat.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        Rise of the bare board on the rectified raster (`board_rise_k`).
    measurements : sequence of PartMeasurement
        In any order.
    board : Board
    mm_per_px : float
        Of the raster.
    registration : Registration
    noise_k : float
    supply_w : float, optional
        Volts times amps over all rails: gives the powers in watts.

    Returns
    -------
    HeatSplit or None
        None where too little bare board is seen.

    Notes
    -----
    Steady state; the board as one thin fin with even copper, the parts as bodies joined to it. How well a
    body is joined is told kind by kind and left free within a factor, so that it is above all the board's
    own temperature that tells the heat.

    References
    ----------
    .. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, section 3.6.
    .. [2] C. L. Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23 (non-negative
       least squares).
    """
    if not board.parts:
        return None
    sights = []
    bare = bare_by_margin(board, shape=rise_k.shape, mm_per_px=mm_per_px)
    for coarser in GRIDS:
        grid = fin_grid(board, coarser=coarser)
        margin = margin_mm(registration, board)
        cells = bare_cells(rise_k, board, grid, mm_per_px=mm_per_px, margin=margin, bare=bare)
        if len(cells.rise_k) < FEWEST_CELLS:
            continue
        sigma_k, degrees = weigh_cells(
            cells,
            grid,
            noise_k=noise_k * max(camera_px_mm(registration, board) / mm_per_px, 1.0),
            placement_mm=registration.uncertainty_mm,
        )
        sights.append(
            Sight(
                grid,
                board_bodies(board, grid, registration.heights),
                cells,
                Evidence(sigma_k, degrees, supply_w=supply_w),
            )
        )
    if not sights:
        return None
    rises = part_rises(board, measurements)
    shown = with_small_parts(rises, board, measurements)
    sensor_k = mean_sensor_u_k(measurements)
    return summarise(board, fit_sources(sights, shown), rises, shown=shown, supply_w=supply_w, sensor_k=sensor_k)


def part_rises(board: Board, measurements: Sequence[PartMeasurement]) -> PartRises:
    """The measured rises in the board's order; the uncertainty is each part's own, without what all share."""
    by_ref = {measurement.part.ref: measurement for measurement in measurements}
    rise, own = np.full(len(board.parts), np.nan), np.full(len(board.parts), np.nan)
    for index, part in enumerate(board.parts):
        measurement = by_ref.get(part.ref)
        if measurement is not None and measurement.measurable and measurement.rise_k is not None:
            rise[index] = measurement.rise_k
            own[index] = np.sqrt(
                sum(line.u_k**2 for line in measurement.budget if line.shared is None or is_types(line))
            )
    return PartRises(rise, own)


def with_small_parts(rises: PartRises, board: Board, measurements: Sequence[PartMeasurement]) -> PartRises:
    """
    The rises, with what parts show that are too small to be judged by it: less sure, yet it tells of their heat.

    Parameters
    ----------
    rises : PartRises
        Of the measurable parts.
    board : Board
    measurements : sequence of PartMeasurement
        In any order; the ambient is taken from those that are measurable.
    """
    ambients_c = [m.mean_c - m.rise_k for m in measurements if m.mean_c is not None and m.rise_k is not None]
    if not ambients_c:
        return rises
    by_ref = {measurement.part.ref: measurement for measurement in measurements}
    rise, u = rises.rise_k.copy(), rises.u_k.copy()
    for index, part in enumerate(board.parts):
        measurement = by_ref.get(part.ref)
        if measurement is None or measurement.reason != reasons.TOO_FEW_PIXELS or measurement.apparent_mean_c is None:
            continue
        # What is reflected has about the ambient's temperature, so that the rise is seen by the emissivity's share.
        rise[index] = (measurement.apparent_mean_c - ambients_c[0]) / part.surface.emissivity
        u[index] = np.hypot(SMALL_DOUBT_K, SMALL_DOUBT_SHARE * rise[index])
    return PartRises(rise, u)
