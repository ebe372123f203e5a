"""What changed between two looks at one board: each part's own change, and what its neighbours' changes give it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bare import bare_cells, camera_px_mm, margin_mm, weigh_cells
from thermscan.heat.bodies import board_bodies
from thermscan.heat.fin import fin_grid
from thermscan.heat.heat_split import HeatSplit
from thermscan.heat.least_squares import Evidence, PartRises
from thermscan.heat.sources import Sight, fit_change
from thermscan.heat.split import FEWEST_CELLS
from thermscan.heat.summary import summarise
from thermscan.layout.board import Board
from thermscan.registration.registration import Registration

# For changes between two looks: a part may always change by so much, and one that cannot be seen by some times what
# was found for it before.
LIKELY_FLOOR_K = 0.2
UNSEEN_ROOM = 2.0
CHANGE_STEPS = 3


def split_change(
    change_k: NDArray[np.float64],
    part_change: PartRises,
    board: Board,
    *,
    mm_per_px: float,
    registration: Registration,
    noise_k: float,
    sensor_k: float,
    split: HeatSplit,
) -> HeatSplit | None:
    """
    Split every part's change between two looks into its own and what its neighbours' changes give it.

    Parameters
    ----------
    change_k : ndarray of shape (rows, cols)
        Of the bare board on the rectified raster.
    part_change : PartRises
        In the board's order.
    board, mm_per_px, registration, noise_k
        As for `split_heat`.
    sensor_k : float
        What the sensor's unevenness makes of the mean over a body, both looks together.
    split : HeatSplit
        Of this look: it knows how far heat spreads and how well the bodies conduct.

    Returns
    -------
    HeatSplit or None
        ``rise_k`` and the rest are changes, of either sign; None where too little bare board is seen.

    Notes
    -----
    Few parts change: how much each may give is first taken from its body's change, then from its own
    share of that (iteratively reweighted least squares, which prefers few givers).
    """
    grid = fin_grid(board)
    cells = bare_cells(change_k, board, grid, mm_per_px=mm_per_px, margin=margin_mm(registration, board))
    if len(cells.rise_k) < FEWEST_CELLS:
        return None
    bodies = board_bodies(board, grid)
    sigma_k, degrees = weigh_cells(
        cells,
        grid,
        noise_k=noise_k * max(camera_px_mm(registration, board) / mm_per_px, 1.0),
        placement_mm=registration.uncertainty_mm,
    )
    expected_k = np.abs(part_change.rise_k)
    unseen_k: NDArray[np.float64] | None = None
    change: HeatSplit | None = None
    for _ in range(CHANGE_STEPS):
        evidence = Evidence(
            sigma_k, degrees, signed=True, likely_k=expected_k + LIKELY_FLOOR_K, likely_board_k=unseen_k
        )
        fit = fit_change(Sight(grid, bodies, cells, evidence), part_change, solved=split.fit)
        change = summarise(board, fit, part_change, signed=True, sensor_k=sensor_k)
        expected_k = np.array([abs(heat.own_k) if heat.own_k is not None else np.nan for heat in change.parts])
        beneath = np.array([abs(heat.own_board_k) for heat in change.parts])
        unseen_k = np.where(np.isnan(expected_k), UNSEEN_ROOM * beneath + LIKELY_FLOOR_K, np.nan)
    return change
