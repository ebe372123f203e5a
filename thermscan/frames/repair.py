"""Dead pixels: found, replaced by their neighbours' median, and counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.frames.frame import Frame
from thermscan.frames.noise import spatial_noise
from thermscan.frames.recording import flickering_pixels
from thermscan.frames.units import COUNTS, kelvin_a_step
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only

# A dead pixel stands this many noise deviations clear of each neighbour: then a skirt of SKIRT would show as well.
CLEAR_OF_NOISE = 12.0
# And this far at least, since detail finer than the noise estimate sees (a wire, a mirror edge) reaches some tenths.
CLEAR_K = 1.0
# Optics with a point spread of 0.4 pixel, sharper than any cheap lens, still give each side neighbour 13 % of what
# the middle pixel gets, and the corners 2 % (error function over the pixels); a dead pixel gives them nothing.
SKIRT = 0.06
_MIN_NEIGHBOURS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Repaired:
    """
    A frame's values without its dead pixels.

    Attributes
    ----------
    values : ndarray of shape (rows, cols)
        Dead pixels hold the median of their neighbours.
    dead : ndarray of bool, shape (rows, cols)
    """

    values: NDArray[np.float64]
    dead: NDArray[np.bool_]

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", read_only(self.values))
        object.__setattr__(self, "dead", read_only(self.dead, dtype=np.bool_))

    @property
    def count(self) -> int:
        """Number of dead pixels."""
        return int(self.dead.sum())


def repair_values(values: ArrayLike, *, noise: float | None = None, clear: float = CLEAR_K) -> Repaired:
    """
    A frame's values with isolated dead pixels replaced by the median of their neighbours.

    A dead pixel is a single one that differs, in one direction, from all its neighbours by far more than the
    noise, while they show nothing of it. A small hot part is never one: optics spread it over its neighbours.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        NaN pixels stay NaN and are nobody's neighbours.
    noise : float, optional
        Standard deviation of a pixel's noise, in the values' unit; estimated from the frame unless given.
    clear : float
        Least difference that counts, in the values' unit.

    Returns
    -------
    Repaired

    Examples
    --------
    >>> field = np.full((9, 9), 22.0)
    >>> field[4, 4] = 180.0
    >>> repair_values(field).count, float(repair_values(field).values[4, 4])
    (1, 22.0)
    """
    array = np.array(values, dtype=np.float64)
    spread = noise if noise is not None else (spatial_noise(array) or 0.0)
    padded = np.pad(array, 1, constant_values=np.nan)
    least = max(CLEAR_OF_NOISE * spread, clear)
    highest, lowest, neighbours = _around(padded, array.shape)
    with np.errstate(invalid="ignore"):
        stands_out = (array - highest > least) | (lowest - array > least)
    candidates = stands_out & np.isfinite(array) & (neighbours >= _MIN_NEIGHBOURS)
    dead = np.zeros(array.shape, dtype=bool)
    for row, col in np.argwhere(candidates):
        if not _has_skirt(padded, row + 1, col + 1, spread):
            dead[row, col] = True
            array[row, col] = np.nanmedian(np.delete(padded[row : row + 3, col : col + 3].ravel(), 4))
    return Repaired(array, dead)


def repair_frames(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """
    Frames without their dead pixels, and, where a file holds six or more, without its flickering ones.

    Parameters
    ----------
    frames : sequence of Frame
        Of one or several files, in order.

    Returns
    -------
    tuple of Frame
        In the same order, each with remarks that count what was replaced.
    """
    files: dict[tuple[Path, tuple[int, int]], list[Frame]] = {}
    for frame in frames:
        files.setdefault((frame.source.path, frame.shape), []).append(frame)
    flickering = {key: flickering_pixels([frame.values for frame in group]) for key, group in files.items()}
    return tuple(_repaired(_calmed(frame, flickering[frame.source.path, frame.shape])) for frame in frames)


def _calmed(frame: Frame, flickering: NDArray[np.bool_]) -> Frame:
    count = int(flickering.sum())
    if not count:
        return frame
    values = np.array(frame.values)
    values[flickering] = np.nan
    padded = np.pad(values, 1, constant_values=np.nan)
    for row, col in np.argwhere(flickering):
        around = padded[row : row + 3, col : col + 3]
        if np.isfinite(around).any():
            values[row, col] = np.nanmedian(around)
    return replace(frame, values=values, remarks=(*frame.remarks, _counted(count, "flickering")))


def _repaired(frame: Frame) -> Frame:
    clear = 0.0 if frame.unit == COUNTS else CLEAR_K / kelvin_a_step(frame.unit)
    repaired = repair_values(frame.values, clear=clear)
    if not repaired.count:
        return frame
    return replace(frame, values=repaired.values, remarks=(*frame.remarks, dead_remark(repaired.count)))


def dead_remark(count: int) -> str:
    """
    The sentence that counts dead pixels.

    Examples
    --------
    >>> dead_remark(3)
    '3 dead pixels were replaced by the median of their neighbours'
    """
    return _counted(count, "dead")


def _counted(count: int, kind: str) -> str:
    if count == 1:
        return f"1 {kind} pixel was replaced by the median of its neighbours"
    return f"{count} {kind} pixels were replaced by the median of their neighbours"


def _around(
    padded: NDArray[np.float64], shape: tuple[int, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]:
    """Highest and lowest of each pixel's eight neighbours, and how many of them hold a number."""
    rows, cols = shape
    highest, lowest = np.full(shape, np.nan), np.full(shape, np.nan)
    count = np.zeros(shape, dtype=np.uint8)
    for y, x in ((y, x) for y in range(3) for x in range(3) if (y, x) != (1, 1)):
        near = padded[y : y + rows, x : x + cols]
        np.fmax(highest, near, out=highest)
        np.fmin(lowest, near, out=lowest)
        count += np.isfinite(near)
    return highest, lowest, count


def _has_skirt(padded: NDArray[np.float64], row: int, col: int, noise: float) -> bool:
    """True where the side neighbours share in what the middle pixel shows, as optics make them."""
    window = padded[row - 1 : row + 2, col - 1 : col + 2]
    # Each side against the corners beside it: a slope or an edge that runs past the pixel cancels out.
    corners = [(window[0, 0], window[0, 2]), (window[2, 0], window[2, 2]), (window[0, 0], window[2, 0])]
    corners.append((window[0, 2], window[2, 2]))
    sides = [window[0, 1], window[2, 1], window[1, 0], window[1, 2]]
    shares = [side - (one + other) / 2.0 for side, (one, other) in zip(sides, corners, strict=True)]
    known = [share for share in shares if np.isfinite(share)]
    middle = float(window[1, 1] - np.nanmedian(np.delete(window.ravel(), 4)))
    # The median, for another dead pixel may be among them; it carries about half a pixel's noise, allowed for twice.
    return bool(known) and float(np.median(known)) / middle > SKIRT + noise / abs(middle)
