"""Rise of a board by unit heat, the loss being the same at any rise: what the tests put sources into."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from thermscan.heat.bodies import Bodies, Responses, join_bodies
from thermscan.heat.fin import FinGrid
from thermscan.heat.sheet import factor_sheet


def fin_responses(grid: FinGrid, sources: sparse.csc_matrix, *, decay_mm: float) -> np.ndarray:
    """The rise of every cell for one unit of each source, in kelvin for each kelvin times square millimetre."""
    area_mm2 = grid.cell_area_mm2
    sheet = factor_sheet(grid, conductance_mm2=area_mm2 * decay_mm**2, own=np.full(grid.cells, area_mm2))
    return sheet.solve(sources.toarray())


def body_responses(grid: FinGrid, bodies: Bodies, *, decay_mm: float, contact: np.ndarray) -> Responses:
    """Rise of board and bodies for one unit of each part's heat."""
    return join_bodies(grid, bodies, decay_mm=decay_mm, contact=contact).responses
