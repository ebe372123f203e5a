"""Tables of three columns, position and value: one line a pixel instead of one cell a pixel."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError

_X_NAME = re.compile(r"x(?:[^a-z].*)?|cols?(?:umn)?(?:[^a-z].*)?|spalte", re.IGNORECASE)
_Y_NAME = re.compile(r"y(?:[^a-z].*)?|rows?(?:[^a-z].*)?|lines?(?:[^a-z].*)?|zeile", re.IGNORECASE)
_MIN_LINES = 4


def is_triples(table: NDArray[np.float64]) -> bool:
    """
    True where two of three columns run through every position of a grid exactly once.

    Examples
    --------
    >>> is_triples(np.array([[0, 0, 22.5], [1, 0, 22.6], [0, 1, 22.4], [1, 1, 22.9]]))
    True
    >>> is_triples(np.array([[22.5, 22.6, 22.4], [22.5, 22.7, 22.4], [22.6, 22.8, 22.5], [22.7, 22.8, 22.4]]))
    False
    """
    if table.shape[1] != 3 or table.shape[0] < _MIN_LINES:
        return False
    places = table[:, :2]
    if not np.isfinite(places).all():
        return False
    across, down = np.unique(places[:, 0]), np.unique(places[:, 1])
    unique = np.unique(places, axis=0).shape[0]
    return min(across.size, down.size) > 1 and unique == table.shape[0] == across.size * down.size


def grid_from_triples(table: NDArray[np.float64], names: tuple[str, ...], *, where: str) -> NDArray[np.float64]:
    """
    The frame that a table of positions and values holds.

    Parameters
    ----------
    table : ndarray of shape (rows * cols, 3)
        For which `is_triples` holds.
    names : tuple of str
        The columns' names as written above them; which of the first two is x cannot be told without.

    Returns
    -------
    ndarray of shape (rows, cols)

    Raises
    ------
    InputError
        The names are missing or not understood.

    Examples
    --------
    >>> lines = np.array([[0, 0, 22.5], [0, 1, 22.6], [1, 0, 22.4], [1, 1, 22.9]])
    >>> grid_from_triples(lines, ("row", "col", "T"), where="a.csv").tolist()
    [[22.5, 22.6], [22.4, 22.9]]
    """
    first, second = (*names, "", "")[:2]
    if _X_NAME.fullmatch(first) and _Y_NAME.fullmatch(second):
        across, down = table[:, 0], table[:, 1]
    elif _Y_NAME.fullmatch(first) and _X_NAME.fullmatch(second):
        down, across = table[:, 0], table[:, 1]
    else:
        raise InputError(
            "it holds a position and a value a line, and does not say which column is x",
            where=where,
            fix="name its columns x, y and T in the first line, or export one line a pixel row",
        )
    cols, rows = np.unique(across, return_inverse=True)[1], np.unique(down, return_inverse=True)[1]
    grid = np.full((rows.max() + 1, cols.max() + 1), np.nan)
    grid[rows, cols] = table[:, 2]
    return grid
