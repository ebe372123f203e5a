"""A visible photo of the board drawn into the board's own millimetres, and read again as the pictures' ground."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board
from thermscan.layout.photo_corners import find_corners
from thermscan.layout.photo_file import MM_A_METRE, photo_remark, read_scale, with_scale
from thermscan.layout.picture import LONGEST_SIDE_PX, photo_pixels
from thermscan.scales import read_only
from thermscan.writing import put_file

# Never coarser, however small the board appears: labels of parts could not be drawn over it.
LEAST_SIDE_PX = 200
# More tells nothing that a photo could show of a board, and wastes room in every report.
MOST_PX_PER_MM = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class BoardPhoto:
    """
    The board from straight above.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        Red first. The outer edges of the picture are the board's.
    mm_per_px : float
    corners_px : ndarray of shape (4, 2) or None
        Where the board's corners were in the photo it was made from: top left, top right, bottom right, bottom left.
    remarks : tuple of str
        What had to be assumed.
    """

    pixels: NDArray[np.uint8]
    mm_per_px: float
    corners_px: NDArray[np.float64] | None = None
    remarks: tuple[str, ...] = ()

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "pixels", read_only(self.pixels, np.uint8))
        if self.corners_px is not None:
            object.__setattr__(self, "corners_px", read_only(self.corners_px))

    def crop(self, left_mm: float, top_mm: float, right_mm: float, bottom_mm: float) -> NDArray[np.uint8] | None:
        """The part of the picture between these places, as far as the board goes; None where nothing is left."""
        rows, cols = self.pixels.shape[:2]
        first_col, last_col = (round(min(max(x / self.mm_per_px, 0), cols)) for x in (left_mm, right_mm))
        first_row, last_row = (round(min(max(y / self.mm_per_px, 0), rows)) for y in (top_mm, bottom_mm))
        found = self.pixels[first_row:last_row, first_col:last_col]
        return found if found.size else None

    def png(self) -> bytes:
        """As a PNG that carries its scale."""
        _, encoded = cv2.imencode(".png", cv2.cvtColor(self.pixels, cv2.COLOR_RGB2BGR))
        return with_scale(encoded.tobytes(), round(MM_A_METRE / self.mm_per_px))


def rectify_photo(pixels: NDArray[np.uint8], board: Board, *, corners_px: ArrayLike | None = None) -> BoardPhoto:
    """
    The board from straight above, at about the photo's own resolution.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        As :func:`thermscan.layout.picture.photo_pixels` gives them, blue first.
    board : Board
    corners_px : array_like of shape (4, 2), optional
        Corners of the board's bounding box in the photo: top left, top right, bottom right, bottom left; (0, 0) is the
        centre of the top left pixel. Found in the photo where they are not given.

    Returns
    -------
    BoardPhoto
        Black where the photo does not show the board.

    Raises
    ------
    CannotJudge
        The corners were not given and cannot be found for sure.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [90, 0], [90, 60], [0, 60]], 1.6, surface_named("solder-mask"), ())
    >>> grey = np.full((700, 1000, 3), 90, np.uint8)
    >>> photo = rectify_photo(grey, board, corners_px=[[50, 50], [949, 50], [949, 649], [50, 649]])
    >>> photo.pixels.shape, round(photo.mm_per_px, 4)
    ((599, 899, 3), 0.1001)
    """
    if corners_px is None:
        found = find_corners(pixels, board)
        corners, remarks = found.corners_px, found.remarks
    else:
        corners, remarks = np.asarray(corners_px, dtype=np.float64), ()
    px_per_m = _px_per_m(corners, board)
    mm_per_px = MM_A_METRE / px_per_m
    rows, cols = (max(1, round(side / mm_per_px)) for side in (board.height_mm, board.width_mm))
    shrink, small = _reduced(pixels, corners, (rows, cols))
    # Both count from pixel centres: a raster's first centre lies half a pixel from the board's corner.
    box = board.corners_mm / mm_per_px - 0.5
    seen = (corners + 0.5) / shrink - 0.5
    to_board = cv2.getPerspectiveTransform(seen.astype(np.float32), box.astype(np.float32))
    drawn = cv2.warpPerspective(small, to_board, (cols, rows), flags=cv2.INTER_LINEAR)
    return BoardPhoto(np.asarray(cv2.cvtColor(drawn, cv2.COLOR_BGR2RGB), np.uint8), mm_per_px, corners, remarks)


def board_photo(board: Board) -> BoardPhoto | None:
    """
    The photo that a layout names, or None where there is none that can be used.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board_photo(Board("b", None, [[0, 0], [90, 0], [90, 60]], 1.6, surface_named("solder-mask"), ())) is None
    True
    """
    if board.photo is None or photo_remark(board):
        return None
    try:
        scale = read_scale(board.photo)
        pixels = photo_pixels(board.photo)
    except InputError:
        return None
    if scale is None or scale.mm_per_px is None:
        return None
    return BoardPhoto(np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), np.uint8), scale.mm_per_px)


def save_photo(photo: BoardPhoto, path: Path, *, inputs: Iterable[Path | None] = ()) -> Path | None:
    """
    Write the photo as a PNG; one that was there is kept as a backup, whose path is handed back.

    None of ``inputs``, the files that the command reads, is replaced.

    Raises
    ------
    InputError
        It cannot be written, or the name does not end with .png.

    Examples
    --------
    >>> save_photo(BoardPhoto(np.zeros((2, 2, 3), np.uint8), 0.1), Path("photo.jpg"))
    Traceback (most recent call last):
    thermscan.errors.InputError: photo.jpg: the photo is written as a PNG; give a name that ends with .png
    """
    if path.suffix.lower() != ".png":
        raise InputError("the photo is written as a PNG", where=str(path), fix="give a name that ends with .png")
    return put_file(path, photo.png(), inputs=inputs)


def _px_per_m(corners_px: NDArray[np.float64], board: Board) -> int:
    """The photo's own resolution along its best-seen side, as a whole number, as a PNG states it."""
    sides = np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1)
    lengths = np.array([board.width_mm, board.height_mm] * 2)
    longest = float(lengths.max())
    per_mm = min(float((sides / lengths).max()), LONGEST_SIDE_PX / longest, MOST_PX_PER_MM)
    return max(1, round(max(per_mm, LEAST_SIDE_PX / longest) * MM_A_METRE))


def _reduced(
    pixels: NDArray[np.uint8], corners_px: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[int, NDArray[np.uint8]]:
    """A photo much finer than the result is first averaged down by a whole number, lest fine patterns turn false."""
    sides = np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1)
    finer = float((sides / [shape[1], shape[0], shape[1], shape[0]]).max())
    shrink = max(1, int(finer))
    if shrink == 1:
        return 1, pixels
    rows, cols = (size // shrink for size in pixels.shape[:2])
    whole = pixels[: rows * shrink, : cols * shrink]
    return shrink, np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.uint8)
