"""What a reader hands on before the unit is settled: numbers, and whatever the file says about them."""

from __future__ import annotations

from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

# The largest thermal detectors have 2048 x 2048 pixels, and finer grids made from several frames about as many; beyond
# this a header is damaged or hostile. Reading and judging the quality takes some 100 bytes a pixel.
MAX_FRAME_PIXELS = 5_000_000
# Values are held as 8-byte floats, so this is 2 GB: what a small computer can still hold.
MAX_FILE_PIXELS = 250_000_000
# A sensor's noise, two bits a pixel or more, cannot be packed: what has more pixels than the first figure and fewer
# bytes a pixel than the second was never seen by a camera, and is a small file made to fill the memory.
UNQUESTIONED_PIXELS = 20_000_000
LEAST_BYTES_A_PIXEL = 0.25
# No detector counts so far, and no temperature is as high in any unit: a larger number is a filling value.
MOST_STORED = 1e12


@dataclass(frozen=True, slots=True, eq=False)
class StoredPages:
    """
    The pages of one file as stored, all of one shape.

    Attributes
    ----------
    pages : tuple of ndarray of shape (rows, cols)
        In the file's own type, byte order included. NaN where the file has no number.
    file_format, stored_as : str
        Such as ``TIFF`` and ``uint16``.
    texts : tuple of str
        Descriptions and header lines, in which a unit may be stated.
    cell_unit : str or None
        Unit written behind each number.
    times_s : tuple of float, or None
        Seconds since the first page, where each page says.
    looks_like_colour : bool
        Three or four planes marked as red, green and blue; a stack only if they hold temperatures.
    remarks : tuple of str
    """

    pages: tuple[NDArray[Any], ...]
    file_format: str
    stored_as: str
    texts: tuple[str, ...] = field(default=())
    cell_unit: str | None = None
    times_s: tuple[float, ...] | None = None
    looks_like_colour: bool = False
    remarks: tuple[str, ...] = field(default=())


def as_numbers(page: NDArray[Any]) -> NDArray[np.float64]:
    """
    A copy of a page as 8-byte floats; bytes that are no number become NaN without a word of warning.

    Examples
    --------
    >>> as_numbers(np.array([29515], dtype=">u2")).tolist()
    [29515.0]
    """
    with np.errstate(invalid="ignore"):
        return np.array(page, dtype=np.float64)
