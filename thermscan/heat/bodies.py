"""Parts as bodies on the board: joined to it through their legs, and losing heat from top and sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.heat.fin import FinGrid, conduction, footprints, solve_symmetric
from thermscan.heat.kinds import with_packages
from thermscan.layout.board import Board, Part

# Of a lying board's loss by both faces, the share of the upper one: radiation is alike, natural convection
# from a face that looks up is about twice that of one that looks down (simplified equations for air in Holman's
# textbook, constants from memory, give 0.56 at 8 K; an upright board, or a fan, gives 0.5).
UPPER_SHARE = 0.53
USUAL_HEIGHT_MM = 3.5


@dataclass(frozen=True, slots=True, eq=False)
class Bodies:
    """
    What of the parts does not change with how well they conduct.

    Attributes
    ----------
    shares : sparse matrix of shape (cells, n)
        Share of each body's footprint that lies over each cell.
    area_mm2 : ndarray of shape (n,)
        Of the footprints.
    loss_mm2 : ndarray of shape (n,)
        What a body's top and sides lose for each kelvin, over h.
    kinds : tuple of str
        Parts of the same name are fixed to the board alike.
    laplacian : sparse matrix of shape (cells, cells)
        From `conduction`.
    """

    shares: sparse.csc_matrix
    area_mm2: NDArray[np.float64]
    loss_mm2: NDArray[np.float64]
    kinds: tuple[str, ...]
    laplacian: sparse.csc_matrix


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """
    Kelvin for each unit of a part's heat (watts over h: kelvin times square millimetres).

    Attributes
    ----------
    cells : ndarray of shape (cells, n)
        Of the board.
    beneath : ndarray of shape (n, n)
        [i, j]: of the board under part i for the heat of part j.
    bodies : ndarray of shape (n, n)
        [i, j]: of the body of part i.
    """

    cells: NDArray[np.float64]
    beneath: NDArray[np.float64]
    bodies: NDArray[np.float64]


def board_bodies(board: Board, grid: FinGrid) -> Bodies:
    """The board's parts as bodies over the cells of a grid."""
    parts = with_packages(board.parts)
    areas = np.array([body_areas_mm2(part) for part in parts]).reshape(-1, 2)
    return Bodies(
        shares=footprints(board, grid),
        area_mm2=areas[:, 0],
        loss_mm2=UPPER_SHARE * areas[:, 1],
        kinds=tuple(part.package or part.kind or "" for part in parts),
        laplacian=conduction(grid),
    )


def body_areas_mm2(part: Part) -> tuple[float, float]:
    """
    Footprint of a body, and its top and sides together.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> body_areas_mm2(Part("U1", 10.0, 5.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02), height_mm=2.0))
    (50.0, 110.0)
    """
    known = (height for height in (part.height_mm, part.usual_height_mm) if height is not None)
    height = next(known, USUAL_HEIGHT_MM)
    # A disc has pi / 4 of its square's area, and the same share of its rim.
    share = float(np.pi / 4) if part.round_body else 1.0
    top = share * part.length_mm * part.width_mm
    return top, top + share * 2.0 * (part.length_mm + part.width_mm) * height


def body_responses(grid: FinGrid, bodies: Bodies, *, decay_mm: float, contact: NDArray[np.float64]) -> Responses:
    """
    Rise of board and bodies for one unit of each part's heat.

    Parameters
    ----------
    grid : FinGrid
    bodies : Bodies
    decay_mm : float
        sqrt(k t / h) of the bare board, h being the loss of both faces together.
    contact : ndarray of shape (n,)
        Conductance from body to board by area, over h.

    Returns
    -------
    Responses

    Notes
    -----
    Heat enters the bodies. A body is of one temperature and gives to each place beneath it by what that
    place is cooler, so that a well joined body evens out the board under it. Under a body the board loses
    by its lower face alone. All that is put in is lost: the sum over the cells and the bodies' own loss
    is 1 for each part.

    References
    ----------
    .. [1] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, sections 3.6 (fins)
       and 3.1 (contact resistance).

    Examples
    --------
    >>> from thermscan.layout.board import Board, Part, Surface
    >>> mask = Surface("solder-mask", 0.9, 0.03)
    >>> chip = Part("U1", 20.0, 10.0, 50.0, 40.0, 0.0, mask)
    >>> board = Board("b", None, [[0, 0], [100, 0], [100, 80], [0, 80]], 1.6, mask, (chip,))
    >>> from thermscan.heat.fin import fin_grid
    >>> grid = fin_grid(board)
    >>> rise = body_responses(grid, board_bodies(board, grid), decay_mm=25.0, contact=np.array([10.0]))
    >>> bool(rise.bodies[0, 0] > rise.beneath[0, 0] > rise.cells.mean())
    True
    """
    n = bodies.shares.shape[1]
    # A body off the board is joined to nothing.
    on_board = np.asarray(bodies.shares.sum(axis=0)).ravel()
    joint = contact * bodies.area_mm2 * on_board
    covered = np.minimum((bodies.shares @ (bodies.area_mm2 * on_board)) / grid.cell_area_mm2, 1.0)
    spread = bodies.shares @ sparse.diags(joint)
    own = grid.cell_area_mm2 * (1.0 - UPPER_SHARE * covered) + np.asarray(spread.sum(axis=1)).ravel()
    nodes = grid.cell_area_mm2 * decay_mm**2 * bodies.laplacian + sparse.diags(own)
    upper = sparse.hstack([nodes, -spread])
    lower = sparse.hstack([-spread.T, sparse.diags(joint + bodies.loss_mm2)])
    matrix = sparse.csc_matrix(sparse.vstack([upper, lower]))
    heat = np.vstack([np.zeros((grid.cells, n)), np.eye(n)])
    rise = solve_symmetric(matrix, heat)
    return Responses(rise[: grid.cells], np.asarray(bodies.shares.T @ rise[: grid.cells]), rise[grid.cells :])
