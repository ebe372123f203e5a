"""Parts as bodies on the board: joined to it through their legs, and losing heat from top and sides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.definite import inverse_of_definite
from thermscan.frozen import dataclass
from thermscan.heat.fin import FinGrid, footprints
from thermscan.heat.heights import USUAL_HEIGHT_MM, standing_mm
from thermscan.heat.kinds import with_packages
from thermscan.heat.sheet import SheetFactor, factor_sheet
from thermscan.layout.board import Board, Part
from thermscan.registration.registration import PartHeight

# Of a lying board's loss by both faces, the share of the upper one: radiation is alike, natural convection
# from a face that looks up is about twice that of one that looks down (simplified equations for air in Holman's
# textbook, constants from memory, give 0.56 at 8 K; an upright board, or a fan, gives 0.5).
UPPER_SHARE = 0.53
# Bodies whose cells are solved for at once: few enough that memory is used again and again, which is far quicker than
# fresh memory for all of them.
AT_ONCE = 200


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
    loss_mm2, u_loss_mm2 : ndarray of shape (n,)
        What a body's top and sides lose for each kelvin, over h; uncertain as its height is.
    alike_loss_mm2 : ndarray of shape (n,)
        So much of that uncertainty is the same for parts of one kind.
    sink : ndarray of shape (n,)
        How probable it is that a body stands on a sink that was not seen, and loses far more.
    kinds : tuple of str
        Parts of the same name are fixed to the board alike.
    """

    shares: sparse.csc_matrix
    area_mm2: NDArray[np.float64]
    loss_mm2: NDArray[np.float64]
    u_loss_mm2: NDArray[np.float64]
    alike_loss_mm2: NDArray[np.float64]
    sink: NDArray[np.float64]
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """
    Kelvin for each unit of a part's heat (watts over h: kelvin times square millimetres).

    Attributes
    ----------
    board : ndarray of shape (cells, n)
        Of each cell of the board.
    beneath : ndarray of shape (n, n)
        [i, j]: of the board under part i for the heat of part j.
    bodies : ndarray of shape (n, n)
        [i, j]: of the body of part i.
    """

    board: NDArray[np.float64]
    beneath: NDArray[np.float64]
    bodies: NDArray[np.float64]

    def cells(self, heat_kmm2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Rise of every cell of the board for the parts' heat, of shape (n,) or (n, some)."""
        result: NDArray[np.float64] = self.board @ heat_kmm2
        return result


def board_bodies(board: Board, grid: FinGrid, heights: Mapping[str, PartHeight] | None = None) -> Bodies:
    """
    The board's parts as bodies over the cells of a grid.

    Parameters
    ----------
    board : Board
    grid : FinGrid
    heights : mapping of ref to PartHeight, optional
        How high parts stand, as far as the view or the layout tells.
    """
    parts = with_packages(board.parts)
    standing = standing_mm(parts, heights or {})
    told = [replace(part, height_mm=float(height)) for part, height in zip(parts, standing.height_mm, strict=True)]
    areas = np.array([body_areas_mm2(part) for part in told]).reshape(-1, 2)
    rim_mm = UPPER_SHARE * np.array([2.0 * (part.length_mm + part.width_mm) for part in parts])
    return Bodies(
        shares=footprints(board, grid),
        area_mm2=areas[:, 0],
        loss_mm2=UPPER_SHARE * areas[:, 1],
        u_loss_mm2=rim_mm * standing.u_mm,
        alike_loss_mm2=rim_mm * standing.alike_mm,
        sink=standing.sink,
        kinds=tuple(part.package or part.kind or "" for part in parts),
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


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """
    Board and bodies as one system, factored.

    Attributes
    ----------
    bodies : Bodies
    sheet : SheetFactor
        The board, the bodies held at 0.
    conductance_mm2 : ndarray of shape (cells,)
        Of the sheet, as for `factor_sheet`.
    own : ndarray of shape (cells,)
        What a cell loses for each kelvin, to the air and to the bodies.
    plain_loss : ndarray of shape (cells,)
        What a cell loses to the air for each kelvin, before it grows.
    spread : sparse matrix of shape (cells, n)
        What each cell takes up for each kelvin of a body.
    joint : ndarray of shape (n,)
    body_loss : ndarray of shape (n,)
        What bodies lose to the air for each kelvin, grown.
    responses : Responses
    """

    bodies: Bodies
    sheet: SheetFactor
    conductance_mm2: NDArray[np.float64]
    own: NDArray[np.float64]
    plain_loss: NDArray[np.float64]
    spread: sparse.csc_matrix
    joint: NDArray[np.float64]
    body_loss: NDArray[np.float64]
    responses: Responses

    def solve(
        self, at_cells: NDArray[np.float64], at_bodies: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Rise of cells and bodies for heat put in at either; of shape (cells, k) and (n, k)."""
        board = self.sheet.solve(at_cells)
        bodies = self.responses.bodies @ (at_bodies + self.spread.T @ board)
        return board + self.sheet.solve(self.spread @ bodies), bodies


def join_bodies(
    grid: FinGrid,
    bodies: Bodies,
    *,
    decay_mm: float | NDArray[np.float64],
    contact: NDArray[np.float64],
    cell_growth: NDArray[np.float64] | None = None,
    body_growth: NDArray[np.float64] | None = None,
) -> Joined:
    """
    Board and bodies as one system.

    Parameters
    ----------
    grid : FinGrid
    bodies : Bodies
    decay_mm : float or ndarray of shape (cells,)
        sqrt(k t / h) of the bare board, h being the loss of both faces together at the reference rise.
    contact : ndarray of shape (n,)
        Conductance from body to board by area, over h.
    cell_growth, body_growth : ndarray of shape (cells,) and (n,), optional
        Loss over that at the reference rise.

    Returns
    -------
    Joined

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
    """
    # A body off the board is joined to nothing.
    on_board = np.asarray(bodies.shares.sum(axis=0)).ravel()
    joint = contact * bodies.area_mm2 * on_board
    covered = np.minimum((bodies.shares @ (bodies.area_mm2 * on_board)) / grid.cell_area_mm2, 1.0)
    spread = sparse.csc_matrix(bodies.shares @ sparse.diags(joint))
    plain_loss = grid.cell_area_mm2 * (1.0 - UPPER_SHARE * covered)
    own = plain_loss * (1.0 if cell_growth is None else cell_growth) + np.asarray(spread.sum(axis=1)).ravel()
    body_loss = bodies.loss_mm2 * (1.0 if body_growth is None else body_growth)
    conductance_mm2 = np.broadcast_to(grid.cell_area_mm2 * decay_mm**2, grid.cells)
    sheet = factor_sheet(grid, conductance_mm2=conductance_mm2, own=own)
    # What bodies take up again of each body's kelvin; then the bodies by themselves, the board eliminated. The board is
    # then solved again, which for many bodies is far cheaper than the product of its first solution and ``rise``.
    taken, board = np.empty((len(joint), len(joint))), np.empty((grid.cells, len(joint)))
    some = [slice(start, start + AT_ONCE) for start in range(0, len(joint), AT_ONCE)]
    for part in some:
        taken[:, part] = spread.T @ sheet.solve(spread[:, part].toarray())
    rise = inverse_of_definite(np.diag(joint + body_loss) - taken)
    for part in some:
        board[:, part] = sheet.solve(spread @ rise[:, part])
    responses = Responses(board, np.asarray(bodies.shares.T @ board), rise)
    return Joined(bodies, sheet, conductance_mm2, own, plain_loss, spread, joint, body_loss, responses)
