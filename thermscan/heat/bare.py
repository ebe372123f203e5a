"""The bare board between the parts: where the fin's temperature can be seen."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.fin import FinGrid
from thermscan.layout.board import Board
from thermscan.layout.outline import raster_in_polygon
from thermscan.registration.registration import Registration

# How far from a body the board counts as bare: the point spread and the interpolation reach about one and a
# half camera pixels, leads and solder stand about a millimetre out, and the registration may be off by 2 sigma.
LEAD_MM = 1.0
SPREAD_PX = 1.5
# A cell of the fin's grid is used where at least this share of it is bare and seen.
LEAST_BARE_SHARE = 0.2
# Below this many usable cells a part, the margin is halved: on a dense board a blended pixel beats none.
CELLS_WANTED_PER_PART = 4
# What the fin leaves out (copper that is not even, loss that grows with the rise): a share of the local
# rise, and a floor. Chosen from boards solved by finite elements; the fit enlarges it where it must.
MODEL_SHARE = 0.03
MODEL_FLOOR_K = 0.1
# That error is alike over about this distance, so that neighbouring cells are not independent.
MODEL_REACH_MM = 6.0


def camera_px_mm(registration: Registration, board: Board) -> float:
    """
    Millimetres of board that one camera pixel covers at the board's centre, in the worse direction.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the homography is singular, which a Registration never is.
    """
    centre = np.array([[board.width_mm / 2, board.height_mm / 2]])
    step = 0.5
    moved = registration.px(centre + np.array([[0.0, 0.0], [step, 0.0], [0.0, step]]))
    jacobian = np.column_stack([moved[1] - moved[0], moved[2] - moved[0]]) / step
    smallest = float(np.linalg.svd(jacobian, compute_uv=False)[-1])
    return 1.0 / max(smallest, 1e-6)


def margin_mm(registration: Registration, board: Board) -> float:
    """How far from a body or the board's edge a pixel is free of what lies beyond."""
    return LEAD_MM + SPREAD_PX * camera_px_mm(registration, board) + 2.0 * registration.uncertainty_mm


def bare_pixels(board: Board, *, shape: tuple[int, int], mm_per_px: float, margin: float) -> NDArray[np.bool_]:
    """
    Raster pixels inside the outline that keep their distance from every body and from the edge.

    Parameters
    ----------
    board : Board
    shape : tuple of int
        Rows and columns of the rectified raster.
    mm_per_px : float
    margin : float
        Distance to keep, in millimetres.

    Returns
    -------
    ndarray of bool, shape (rows, cols)
    """
    rows, cols = shape
    x, y = (np.arange(0.5, size) * mm_per_px for size in (cols, rows))
    bare = _deep_inside(board.outline_mm, x, y, margin)
    for part in board.parts:
        reach = 0.5 * float(np.hypot(part.length_mm, part.width_mm)) + margin
        c0, c1 = (int(np.clip((part.x_mm + s * reach) / mm_per_px + s, 0, cols)) for s in (-1, 1))
        r0, r1 = (int(np.clip((part.y_mm + s * reach) / mm_per_px + s, 0, rows)) for s in (-1, 1))
        if c0 >= c1 or r0 >= r1:
            continue
        along, across = part.along_and_across(x[c0:c1], y[r0:r1, None])
        near = (np.abs(along) < part.length_mm / 2 + margin) & (np.abs(across) < part.width_mm / 2 + margin)
        bare[r0:r1, c0:c1] &= ~near
    return bare


def bare_by_margin(board: Board, *, shape: tuple[int, ...], mm_per_px: float) -> Callable[[float], NDArray[np.bool_]]:
    """`bare_pixels` by the distance kept, each made once. Not to be written to."""
    rows, cols = shape
    return cache(lambda margin: bare_pixels(board, shape=(rows, cols), mm_per_px=mm_per_px, margin=margin))


@dataclass(frozen=True, slots=True, eq=False)
class BareCells:
    """
    The bare board's rise, averaged over the cells of the fin's grid.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
        Mean place of the pixels that took part.
    rise_k : ndarray of shape (n,)
    pixels : ndarray of shape (n,)
        Raster pixels that took part.
    slope_k_per_mm : ndarray of shape (n,)
        How steep the temperature is there: what a registration error would make of it.
    margin_mm : float
        Distance kept from bodies.
    """

    points_mm: NDArray[np.float64]
    rise_k: NDArray[np.float64]
    pixels: NDArray[np.float64]
    slope_k_per_mm: NDArray[np.float64]
    margin_mm: float


def bare_cells(
    rise_k: NDArray[np.float64],
    board: Board,
    grid: FinGrid,
    *,
    mm_per_px: float,
    margin: float,
    bare: Callable[[float], NDArray[np.bool_]] | None = None,
) -> BareCells:
    """
    Average the bare board's rise over the grid's cells.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        Rise of the bare board; NaN where unseen. Values on the bodies are not looked at.
    board : Board
    grid : FinGrid
    mm_per_px : float
    margin : float
        Distance wanted from every body; halved where too little board would be left.
    bare : callable, optional
        `bare_pixels` of this board and raster by the distance kept, where several grids ask for the same.
    """
    if bare is None:
        bare = bare_by_margin(board, shape=rise_k.shape, mm_per_px=mm_per_px)
    rows, cols = rise_k.shape
    x, y = np.meshgrid((np.arange(cols) + 0.5) * mm_per_px, (np.arange(rows) + 0.5) * mm_per_px)
    gy, gx = np.gradient(rise_k, mm_per_px) if min(rise_k.shape) > 1 else (np.zeros_like(rise_k),) * 2
    slope = np.hypot(gx, gy)
    n_rows, n_cols = grid.inside.shape
    row = np.clip((y / grid.dy_mm).astype(np.intp), 0, n_rows - 1)
    col = np.clip((x / grid.dx_mm).astype(np.intp), 0, n_cols - 1)
    number = row * n_cols + col
    least = LEAST_BARE_SHARE * grid.cell_area_mm2 / mm_per_px**2
    for kept in (margin, margin / 2):
        seen = bare(kept) & np.isfinite(rise_k)
        size = n_rows * n_cols
        count = np.bincount(number[seen], minlength=size).astype(np.float64)
        use = count >= max(least, 1.0)
        if use.sum() >= CELLS_WANTED_PER_PART * len(board.parts):
            break

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.bincount(number[seen], weights=np.nan_to_num(values[seen]), minlength=size)
        result: NDArray[np.float64] = total[use] / count[use]
        return result

    points = np.column_stack([mean(x), mean(y)])
    return BareCells(points, mean(rise_k), count[use], mean(slope), kept)


def _deep_inside(
    outline: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64], margin: float
) -> NDArray[np.bool_]:
    """Inside the outline and at least ``margin`` from each of its sides; shape (len(y), len(x))."""
    deep = raster_in_polygon(x, y, outline)
    y = y[:, None]
    for (x0, y0), (x1, y1) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        length2 = max((x1 - x0) ** 2 + (y1 - y0) ** 2, 1e-12)
        # Along an upright side only one of these differs from 0, and most of what follows is a row or a column.
        across, down = (x - x0) * (x1 - x0) if x0 != x1 else 0.0, (y - y0) * (y1 - y0) if y0 != y1 else 0.0
        along = np.clip((across + down) / length2, 0.0, 1.0)
        away_x = x - x0 - along * (x1 - x0) if x0 != x1 else x - x0
        away_y = y - y0 - along * (y1 - y0) if y0 != y1 else y - y0
        deep &= away_x**2 + away_y**2 >= margin**2
    return deep


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
