"""A recording as means of small blocks of the picture: small enough to be looked at whole, whatever its length."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.lockin import aligned
from thermscan.errors import CannotJudge
from thermscan.frames.stream import StreamFrame
from thermscan.frozen import dataclass
from thermscan.registration import Drift
from thermscan.registration.evidence import filled

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# Blocks are as fine as a heat source is wide (some millimetres: a fiftieth of a board), and never finer than this.
MOST_BLOCKS, LEAST_SIDE_PX = 3000, 3
# Frames are put together to so many moments: eight for each period of a recording of 500 periods.
MOST_MOMENTS = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """
    Block means on the reference picture.

    Attributes
    ----------
    times_s : ndarray of shape (n,)
    means_k : ndarray of float32, shape (n, rows * cols)
        Less the reference picture's.
    shape : tuple of int
        Rows and columns of blocks.
    side_px : int
    picture_c : ndarray of shape (rows, cols) of the frame
        The reference picture.
    """

    times_s: FloatArray
    means_k: Float32
    shape: tuple[int, int]
    side_px: int
    picture_c: Float32

    def centres_px(self) -> FloatArray:
        """Shape (rows * cols, 2)."""
        rows, cols = np.indices(self.shape)
        at = np.stack([cols, rows], axis=-1).reshape(-1, 2) * float(self.side_px)
        return np.asarray(at + (self.side_px - 1) / 2)

    def of(self, picture: FloatArray | Float32) -> FloatArray:
        """Block means of a picture; shape (rows * cols,)."""
        return _means(np.ascontiguousarray(picture, np.float32), self.shape, self.side_px).ravel().astype(np.float64)


class BlockReader:
    """Takes frames in, one after the other; memory does not grow with their number."""

    def __init__(self, picture_c: Float32, count: int) -> None:
        rows, cols = picture_c.shape
        self.side_px = max(LEAST_SIDE_PX, int(np.ceil(np.sqrt(rows * cols / MOST_BLOCKS))))
        self.shape = (rows // self.side_px, cols // self.side_px)
        self.picture_c = picture_c
        self._together = -(-count // MOST_MOMENTS)
        self._times: list[float] = []
        self._means: list[Float32] = []
        self._held: list[tuple[float, Float32]] = []

    def add(self, time_s: float, less_picture_k: Float32) -> None:
        """A frame on the reference picture's pixels, less that picture; NaN counts as no change."""
        self._held.append((time_s, _means(np.nan_to_num(less_picture_k, nan=0.0), self.shape, self.side_px).ravel()))
        if len(self._held) >= self._together:
            self._put_together()

    def _put_together(self) -> None:
        if self._held:
            self._times.append(float(np.mean([time_s for time_s, _ in self._held])))
            self._means.append(np.mean([means for _, means in self._held], axis=0, dtype=np.float32))
            self._held = []

    def blocks(self) -> Blocks:
        """
        All that was taken in.

        Raises
        ------
        CannotJudge
            Nothing was.
        """
        self._put_together()
        if not self._times:
            raise CannotJudge("no frame shows the board as the reference picture does", fix="record from a stand")
        means = np.array(self._means, dtype=np.float32)
        return Blocks(np.array(self._times), means, self.shape, self.side_px, self.picture_c)


def read_blocks(frames: Iterable[tuple[StreamFrame, Drift | None]], picture_c: FloatArray, count: int) -> Blocks:
    """Block means of every frame that shows the view; one pass."""
    whole = filled(picture_c.astype(np.float32))
    reader = BlockReader(whole, count)
    for frame, drift in frames:
        if drift is not None:
            reader.add(frame.time_s, aligned(frame.values, drift) - whole)
    return reader.blocks()


def _means(picture: Float32, shape: tuple[int, int], side_px: int) -> Float32:
    rows, cols = shape
    whole = picture[: rows * side_px, : cols * side_px]
    # Whole blocks: the area's mean is exact.
    result: Float32 = cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    return result
