"""The board as a thin fin: how far heat put in at one place warms the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.coordinates import points_where
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board, Part
from thermscan.layout.outline import inside_polygon
from thermscan.scales import read_only

# Cells of the grid: fine enough for a small package, coarse enough that a board solves in a blink.
SMALLEST_CELL_MM = 1.0
LARGEST_CELL_MM = 3.0
CELLS_WANTED = 3500
# Sampling points along the shorter side of a body when its footprint is spread over the cells.
FOOTPRINT_POINTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class FinGrid:
    """
    The board cut into cells; cell (0, 0) touches the corner (0, 0).

    Attributes
    ----------
    inside : ndarray of bool, shape (rows, cols)
        Cells whose centre lies inside the outline.
    dx_mm, dy_mm : float
        Size of a cell.
    """

    inside: NDArray[np.bool_]
    dx_mm: float
    dy_mm: float

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "inside", read_only(self.inside, np.bool_))

    @property
    def cells(self) -> int:
        """How many cells lie on the board."""
        return int(self.inside.sum())

    @property
    def cell_area_mm2(self) -> float:
        """Area of one cell."""
        return self.dx_mm * self.dy_mm

    def numbers(self) -> NDArray[np.intp]:
        """The running number of each cell, -1 off the board; shape (rows, cols)."""
        number = np.full(self.inside.shape, -1, dtype=np.intp)
        number[self.inside] = np.arange(self.cells)
        return number

    def interpolation(self, points_mm: NDArray[np.float64]) -> sparse.csr_matrix:
        """
        The bilinear step from cells to points, shape (points, cells).

        Cells off the board take no part (the others' weights are scaled up); a point with no cell on the
        board about it gets a row of zeros.
        """
        rows, cols = self.inside.shape
        x = np.clip(points_mm[:, 0] / self.dx_mm - 0.5, 0, cols - 1)
        y = np.clip(points_mm[:, 1] / self.dy_mm - 0.5, 0, rows - 1)
        left, top = np.floor(x).astype(np.intp), np.floor(y).astype(np.intp)
        right, bottom = np.minimum(left + 1, cols - 1), np.minimum(top + 1, rows - 1)
        u, v = x - left, y - top
        number = self.numbers()
        columns = np.concatenate([number[top, left], number[top, right], number[bottom, left], number[bottom, right]])
        weights = np.concatenate([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
        lines = np.tile(np.arange(len(points_mm)), 4)
        keep = columns >= 0
        matrix = sparse.csr_matrix(
            (weights[keep], (lines[keep], columns[keep])), shape=(len(points_mm), self.cells), dtype=np.float64
        )
        total = np.asarray(matrix.sum(axis=1)).ravel()
        scale = np.divide(1.0, total, out=np.zeros_like(total), where=total > 1e-9)
        return sparse.csr_matrix(sparse.diags(scale) @ matrix)

    def from_other(self, other: FinGrid, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """What another grid of the same board says of each cell of this one."""
        centres = (points_where(self.inside) + 0.5) * [self.dx_mm, self.dy_mm]
        return np.asarray(other.interpolation(centres) @ values, dtype=np.float64)


def fin_grid(board: Board, *, cell_mm: float | None = None, coarser: float = 1.0) -> FinGrid:
    """
    The board's outline cut into nearly square cells.

    Parameters
    ----------
    board : Board
    cell_mm : float, optional
        About how large; chosen from the board's area where not given.
    coarser : float
        Times that choice.

    Examples
    --------
    >>> from thermscan.layout.board import Board, Surface
    >>> mask = Surface("solder-mask", 0.9, 0.03)
    >>> plain = Board("b", None, [[0, 0], [100, 0], [100, 50], [0, 50]], 1.6, mask, ())
    >>> fin_grid(plain, cell_mm=2.0).inside.shape
    (25, 50)
    """
    width, height = board.width_mm, board.height_mm
    if cell_mm is None:
        cell_mm = float(np.clip(np.sqrt(width * height / CELLS_WANTED), SMALLEST_CELL_MM, LARGEST_CELL_MM)) * coarser
    cols, rows = max(round(width / cell_mm), 2), max(round(height / cell_mm), 2)
    dx, dy = width / cols, height / rows
    corners = np.column_stack([board.outline_mm[:, 0] / dx - 0.5, board.outline_mm[:, 1] / dy - 0.5])
    x, y = np.meshgrid(np.arange(cols, dtype=np.float64), np.arange(rows, dtype=np.float64))
    inside = inside_polygon(np.column_stack([x.ravel(), y.ravel()]), corners).reshape(x.shape)
    return FinGrid(inside, dx, dy)


def footprints(board: Board, grid: FinGrid, parts: tuple[Part, ...] | None = None) -> sparse.csc_matrix:
    """
    How each part's heat is spread over the cells: uniform over its body.

    Returns
    -------
    sparse matrix of shape (cells, parts)
        Each column sums to 1; a part wholly off the board has a column of zeros.
    """
    chosen = board.parts if parts is None else parts
    number = grid.numbers()
    rows, cols = grid.inside.shape
    shapes: dict[tuple[float, float, int, int], NDArray[np.float64]] = {}
    at = [np.zeros(0, dtype=np.intp)]
    for index, part in enumerate(chosen):
        step = min(min(part.length_mm, part.width_mm) / FOOTPRINT_POINTS, min(grid.dx_mm, grid.dy_mm) / 3)
        n_long, n_wide = (min(max(int(np.ceil(side / step)), 2), 400) for side in (part.length_mm, part.width_mm))
        shape = part.length_mm, part.width_mm, n_long, n_wide
        if shape not in shapes:
            along = (np.arange(n_long) + 0.5) / n_long - 0.5
            across = (np.arange(n_wide) + 0.5) / n_wide - 0.5
            body = np.stack(np.meshgrid(along * part.length_mm, across * part.width_mm), axis=-1)
            shapes[shape] = body.reshape(-1, 2)
        points = part.board_from_body(shapes[shape])
        col, row = np.floor(points[:, 0] / grid.dx_mm).astype(int), np.floor(points[:, 1] / grid.dy_mm).astype(int)
        on = (col >= 0) & (row >= 0) & (col < cols) & (row < rows)
        cells = number[row[on], col[on]]
        at.append(index * grid.cells + cells[cells >= 0])
    found, counts = np.unique(np.concatenate(at), return_counts=True)
    columns, lines = np.divmod(found, max(grid.cells, 1))
    weights = counts / np.bincount(columns, counts, minlength=len(chosen))[columns]
    return sparse.csc_matrix((weights, (lines, columns)), shape=(grid.cells, len(chosen)))
