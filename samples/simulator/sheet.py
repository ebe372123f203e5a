"""
A board as a bare sheet, in time, by explicit finite differences: for heat that is switched, and where no part matters.

It shares no numbers and no method with the analysis' fin model, nor with the finite elements beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from samples.simulator.shapes import Array
from samples.simulator.solver import BOARD_J_PER_M3K, HeatDisc


def sheet_rises(
    size_mm: tuple[float, float],
    discs: Sequence[HeatDisc],
    times_s: Sequence[float],
    *,
    level: Callable[[float], float],
    sheet_w_per_k: float = 0.016,
    loss_w_per_m2k: float = 20.0,
    thickness_mm: float = 1.6,
    cell_mm: float = 1.0,
) -> Iterator[Array]:
    """
    Rise of the sheet at times, in kelvin; one array (rows, cols) of cells of ``cell_mm`` each.

    Parameters
    ----------
    size_mm : tuple of float
        Width and height.
    level : callable
        Share of all heat that is on at a time.
    """
    cols, rows = (round(side / cell_mm) for side in size_mm)
    y, x = (np.indices((rows, cols)) + 0.5) * cell_mm
    heat = np.zeros((rows, cols))
    for disc in discs:
        # A cell takes the share of it that the disc covers, by 5 x 5 points.
        inside = np.zeros((rows, cols))
        for dx in np.linspace(-0.4, 0.4, 5):
            for dy in np.linspace(-0.4, 0.4, 5):
                apart = np.hypot(x + dx * cell_mm - disc.x_mm, y + dy * cell_mm - disc.y_mm)
                inside += apart <= disc.radius_mm
        heat += disc.watts * inside / inside.sum()
    area = (cell_mm * 1e-3) ** 2
    stored = BOARD_J_PER_M3K * thickness_mm * 1e-3 * area
    step = 0.2 * stored / sheet_w_per_k
    rise, now = np.zeros((rows, cols)), 0.0
    for time_s in times_s:
        while now < time_s - step / 2:
            # Each cell gives its neighbours what it is warmer than they; nothing leaves by the edges.
            down, right = rise[:-1] - rise[1:], rise[:, :-1] - rise[:, 1:]
            flow = np.zeros_like(rise)
            flow[1:] += down
            flow[:-1] -= down
            flow[:, 1:] += right
            flow[:, :-1] -= right
            gain = sheet_w_per_k * flow + heat * level(now + step / 2) - loss_w_per_m2k * area * rise
            rise = rise + gain * (step / stored)
            now += step
        yield rise.copy()
