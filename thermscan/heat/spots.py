"""Warm spots on the bare board that the parts' heat does not explain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from thermscan.heat.bare import bare_pixels
from thermscan.heat.fin import fin_grid
from thermscan.heat.heat_split import HeatSplit
from thermscan.heat.spot_shape import SpotShape, spot_shape
from thermscan.layout.board import Board

# What is left over varies slowly where the model is at fault, and over millimetres where a source is:
# the slow part, over this distance, is taken away.
SLOW_MM = 14.0
# A pixel counts as part of a spot from half of the spot's peak on.
HALF = 0.5
# Where more places than this stand out, the picture is not of this board; the highest are enough to say so.
MOST_SPOTS = 20
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class WarmSpot:
    """
    A warm spot on bare board.

    Attributes
    ----------
    x_mm, y_mm : float
        Its peak.
    excess_k : float
        Peak over what the parts' heat explains and over the surroundings.
    deviations : float
        The same in robust standard deviations of what is left over on the whole board.
    explained_k : float
        What the parts' heat makes there.
    area_mm2 : float
        Where at least half of the excess is reached.
    rise_k : float
        Of its peak, over ambient.
    shape : SpotShape
        Whether it stands above the board about it.
    """

    x_mm: float
    y_mm: float
    excess_k: float
    deviations: float
    explained_k: float
    area_mm2: float
    rise_k: float
    shape: SpotShape = SpotShape(None, None)


def find_warm_spots(
    rise_k: NDArray[np.float64],
    board: Board,
    split: HeatSplit | None,
    *,
    mm_per_px: float,
    margin: float,
    least_k: float,
    placement_mm: float,
    camera_px_mm: float,
) -> tuple[WarmSpot, ...]:
    """
    Warm spots, the warmest first.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        Rise of the bare board on the rectified raster.
    board : Board
    split : HeatSplit or None
        None: nothing is known of the parts' heat, and only the surroundings are compared.
    mm_per_px : float
    margin : float
        Distance to keep from bodies and edges.
    least_k : float
        Spots of less excess are left out.
    placement_mm : float
        Standard uncertainty of a place on the board; a slope times this is no excess.
    camera_px_mm : float
        Millimetres a camera pixel covers.

    Returns
    -------
    tuple of WarmSpot
    """
    bare = bare_pixels(board, shape=rise_k.shape, mm_per_px=mm_per_px, margin=margin) & np.isfinite(rise_k)
    if bare.sum() < 30:
        return ()
    explained = _explained(board, split, bare, mm_per_px)
    left = np.where(bare, rise_k - explained, np.nan)
    seen = _blur(left, bare, 0.7)
    spread = max(MAD_TO_SIGMA * _mad(left[bare]), 1e-3)
    centre = float(np.median(left[bare]))
    calm = np.clip(left, centre - 3 * spread, centre + 3 * spread)
    excess = seen - _blur(calm, bare, SLOW_MM / mm_per_px)
    steep = np.hypot(*np.gradient(np.where(bare, explained, 0.0), mm_per_px)) * 2.0 * placement_mm
    strong = bare & (excess - np.where(np.isfinite(steep), steep, 0.0) >= least_k)
    labels, count = ndimage.label(strong, structure=np.ones((3, 3)))
    spread_of_excess = max(MAD_TO_SIGMA * _mad(excess[bare]), 1e-3)
    spots = []
    for row, col in _peaks(excess, labels, count):
        peak = float(excess[row, col])
        body, _ = ndimage.label(bare & (excess >= HALF * peak), structure=np.ones((3, 3)))
        area_mm2 = float((body == body[row, col]).sum() * mm_per_px**2)
        spots.append(
            WarmSpot(
                x_mm=float((col + 0.5) * mm_per_px),
                y_mm=float((row + 0.5) * mm_per_px),
                excess_k=peak,
                deviations=peak / spread_of_excess,
                explained_k=float(explained[row, col]),
                area_mm2=area_mm2,
                rise_k=float(seen[row, col] + explained[row, col]),
                shape=spot_shape(
                    seen + explained,
                    seen,
                    bare,
                    (row, col),
                    mm_per_px=mm_per_px,
                    area_mm2=area_mm2,
                    camera_px_mm=camera_px_mm,
                ),
            )
        )
    return tuple(sorted(spots, key=lambda spot: -spot.excess_k))


def _peaks(excess: NDArray[np.float64], labels: NDArray[np.integer], count: int) -> list[tuple[int, int]]:
    """Row and column of the highest places, one a label, at most `MOST_SPOTS`."""
    if count == 0:
        return []
    places = ndimage.maximum_position(np.nan_to_num(excess), labels, np.arange(1, count + 1))
    ordered = sorted(((int(row), int(col)) for row, col in places), key=lambda place: -excess[place])
    return ordered[:MOST_SPOTS]


def _explained(board: Board, split: HeatSplit | None, bare: NDArray[np.bool_], mm_per_px: float) -> NDArray[np.float64]:
    """What the parts' heat makes of each bare pixel; 0 elsewhere."""
    explained = np.zeros(bare.shape)
    if split is None:
        return explained
    best = split.fits[int(np.argmax(split.weights))]
    rows, cols = np.nonzero(bare)
    points = np.column_stack([(cols + 0.5) * mm_per_px, (rows + 0.5) * mm_per_px])
    cells = best.responses.cells @ best.heat_kmm2 + best.constant_k
    explained[bare] = fin_grid(board).interpolation(points) @ cells
    return explained


def _blur(values: NDArray[np.float64], mask: NDArray[np.bool_], sigma_px: float) -> NDArray[np.float64]:
    """Gaussian mean over the mask's pixels alone."""
    total = ndimage.gaussian_filter(np.where(mask, values, 0.0), sigma_px)
    weight = ndimage.gaussian_filter(mask.astype(np.float64), sigma_px)
    mean: NDArray[np.float64] = np.divide(
        total, weight, out=np.full(values.shape, np.nan), where=mask & (weight > 1e-6)
    )
    return mean


def _mad(values: NDArray[np.float64]) -> float:
    return float(np.median(np.abs(values - np.median(values))))
