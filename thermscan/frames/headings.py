"""Telling a table's index headings from its data: column numbers above, row numbers or labels at the left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

# Three numbers in step may be chance or a made-up gradient; any fewer say nothing.
MIN_INDEX_CELLS = 3
# A cut-out counts on from where it was cut. So many whole numbers in step are no row of readings.
MIN_CUTOUT_CELLS = 6
# Positions in millimetres step by anything; so many in exact step, in both directions at once, are no temperatures.
MIN_POSITION_CELLS = 4


@dataclass(frozen=True, slots=True)
class Headings:
    """How many rows at the top and columns at the left are headings."""

    rows: int
    cols: int


def find_headings(values: NDArray[np.float64]) -> Headings:
    """
    Which edges of a table are index headings.

    A row or column is an index only if its numbers are in exact step and the data beside it does not go on in
    that step, as a table of counting numbers or an invented gradient would.

    Parameters
    ----------
    values : ndarray of shape (rows, cols)
        NaN for cells without a number, such as an empty corner above the row numbers. Columns of text are left
        out before.

    Returns
    -------
    Headings

    Examples
    --------
    >>> table = np.array([[0, 1, 2], [22.5, 22.6, 23.0], [22.4, 22.9, 23.3]])
    >>> find_headings(table)
    Headings(rows=1, cols=0)
    >>> find_headings(table[1:])
    Headings(rows=0, cols=0)
    """
    inner = values[1:, 1:]
    if inner.size == 0:
        return Headings(0, 0)
    above, left, corner_is_number = values[0, 1:], values[1:, 0], bool(np.isfinite(values[0, 0]))
    free = not _in_step(above, inner) and not _in_step(left, inner.T)
    # Both at once: the corner belongs to neither (empty, text, any number) or to both.
    if free and _counts(above) and _counts(left) and (len(above) >= MIN_INDEX_CELLS or not corner_is_number):
        return Headings(1, 1)
    if free and _positions(above) and _positions(left) and not corner_is_number:
        return Headings(1, 1)
    if _numbers_edge(values):
        return Headings(1, 0)
    return Headings(0, int(_numbers_edge(values.T)))


def _numbers_edge(values: NDArray[np.float64]) -> bool:
    """The first row alone numbers the columns (or, transposed, the first column the rows)."""
    return values.shape[1] >= MIN_INDEX_CELLS and _counts(values[0]) and not _in_step(values[0], values[1:])


def _counts(line: NDArray[np.float64]) -> bool:
    """0, 1, 2 … or 1, 2, 3 …, or backwards; from any other whole number only where there are many."""
    if line.size < 2 or not np.all(np.diff(line) == np.sign(line[1] - line[0])) or line[0] == line[1]:
        return False
    return bool(min(line[0], line[-1]) in (0.0, 1.0) or (line.size >= MIN_CUTOUT_CELLS and line[0] % 1.0 == 0.0))


def _positions(line: NDArray[np.float64]) -> bool:
    """Any exact step, as far as the digits written allow."""
    if line.size < MIN_POSITION_CELLS or not np.isfinite(line).all():
        return False
    steps = np.diff(line)
    return bool(steps[0] != 0.0 and np.ptp(steps) <= 1e-9 * np.abs(line).max())


def _in_step(line: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """True where the next line of data steps as this one does."""
    if others.shape[0] == 0 or line.size < 2:
        return False
    nearest = others[0]
    return bool(np.array_equal(np.diff(nearest), np.diff(line)))
