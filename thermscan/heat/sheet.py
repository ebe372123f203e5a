"""The board's sheet solved for many sources at once: row after row of its cells, in dense blocks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.fin import FinGrid


@dataclass(frozen=True, slots=True, eq=False)
class SheetFactor:
    """
    The factored sheet.

    Attributes
    ----------
    lines : tuple of ndarray
        The running numbers of the cells of each line across the board's shorter side.
    inverses : tuple of ndarray
        For each line the inverse of its block after those before it were eliminated.
    before : tuple of tuple of ndarray
        For each line: places in the line before, and in this one, of the cells that touch, and what these exchange for
        each kelvin.
    """

    lines: tuple[NDArray[np.intp], ...]
    inverses: tuple[NDArray[np.float64], ...]
    before: tuple[tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]], ...]

    def solve(self, right: NDArray[np.float64]) -> NDArray[np.float64]:
        """The rise of every cell for the heat put in; both of shape (cells, n)."""
        # Line after line in memory: what a line needs is then one stretch of it.
        order = np.concatenate(self.lines)
        rise = np.asarray(right, dtype=np.float64)[order]
        ends = np.cumsum([len(line) for line in self.lines])
        stretches = [rise[end - len(line) : end] for line, end in zip(self.lines, ends, strict=True)]
        for k, (inverse, (there, here, link)) in enumerate(zip(self.inverses, self.before, strict=True)):
            values, last = stretches[k], stretches[max(k - 1, 0)]
            if len(here) == len(values) == len(last):
                np.add(values, link[:, None] * last, out=values)
            else:
                values[here] += link[:, None] * last[there]
            values[...] = inverse @ values
        for k in range(len(self.lines) - 2, -1, -1):
            (there, here, link), inverse, later = self.before[k + 1], self.inverses[k], stretches[k + 1]
            if len(here) == len(later) == len(stretches[k]):
                stretches[k] += inverse @ (link[:, None] * later)
            else:
                stretches[k] += inverse[:, there] @ (link[:, None] * later[here])
        result = np.empty_like(rise)
        result[order] = rise
        return result


def factor_sheet(
    grid: FinGrid, *, conductance_mm2: float | NDArray[np.float64], own: NDArray[np.float64]
) -> SheetFactor:
    """
    Factor the sheet's conduction plus a loss of each cell's own; edges insulated.

    Parameters
    ----------
    grid : FinGrid
    conductance_mm2 : float or ndarray of shape (cells,)
        Times the difference of two neighbours over their distance squared: what they exchange. Of two neighbours that
        differ the geometric mean counts.
    own : ndarray of shape (cells,)
        What each cell loses for each kelvin; above 0.

    Notes
    -----
    Block elimination of a block tridiagonal matrix. A general sparse solver spends its time on many right-hand sides
    one by one; here all of them go through products of matrices.

    References
    ----------
    .. [1] G. H. Golub and C. F. Van Loan, Matrix Computations, section 4.5 (block tridiagonal systems).

    Examples
    --------
    >>> grid = FinGrid(np.ones((1, 2), bool), 1.0, 1.0)
    >>> factor_sheet(grid, conductance_mm2=1.0, own=np.array([1.0, 1.0])).solve(np.array([[3.0], [0.0]])).tolist()
    [[2.0], [1.0]]
    """
    number, step_mm, within_mm = grid.numbers(), grid.dy_mm, grid.dx_mm
    if number.shape[1] > number.shape[0]:
        number, step_mm, within_mm = number.T, within_mm, step_mm
    root = np.sqrt(np.broadcast_to(conductance_mm2, grid.cells))
    on_board = number >= 0
    # Where in its line each cell stands.
    place = np.cumsum(on_board, axis=1) - 1
    lines: list[NDArray[np.intp]] = []
    inverses: list[NDArray[np.float64]] = []
    before: list[tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]] = []
    lost = np.asarray(own, dtype=np.float64).copy()
    touching = [np.flatnonzero(one & other) for one, other in pairwise(on_board)]
    links = [root[number[k, both]] * root[number[k + 1, both]] / step_mm**2 for k, both in enumerate(touching)]
    for k, (both, link) in enumerate(zip(touching, links, strict=True)):
        lost[number[k, both]] += link
        lost[number[k + 1, both]] += link
    for k, row in enumerate(number):
        at = np.flatnonzero(on_board[k])
        line = row[at]
        block = np.diag(lost[line])
        beside = np.flatnonzero(np.diff(at) == 1)
        along = root[line[beside]] * root[line[beside + 1]] / within_mm**2
        for one, other in ((beside, beside + 1), (beside + 1, beside)):
            block[one, one] += along
            block[one, other] -= along
        there, here, link = np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0)
        if k > 0:
            both, link = touching[k - 1], links[k - 1]
            there, here = place[k - 1, both], place[k, both]
            block[np.ix_(here, here)] -= np.outer(link, link) * inverses[-1][np.ix_(there, there)]
        lines.append(line)
        inverses.append(np.linalg.inv(block))
        before.append((there, here, link))
    return SheetFactor(tuple(lines), tuple(inverses), tuple(before))
