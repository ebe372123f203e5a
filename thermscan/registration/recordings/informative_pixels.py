"""The pixels of a frame that tell most about its motion, spread evenly, with all that can be worked out once."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

Float32 = NDArray[np.float32]

# One pixel of each block is taken, the one with the largest gradient; so many blocks a cell and side. What
# changes in a cell (warming: an offset, a slope, a factor on its picture) is fitted with the motion.
BLOCKS_A_CELL = 5
# A block has so many pixels a side, about what the smoothing makes one of; the cells that tell most are kept.
BLOCK_PX = 4
CELLS_KEPT = 200
# The picture is cut into at least so many cells a side.
LEAST_CELLS = 4
# Smoothing before comparing: interpolation errs less on a smooth picture, and noise is less.
SMOOTHING_PX = 1.0
# Pixels nearer to the border than this are smoothed with what is not there.
BORDER_PX = 3
# A cell whose values vary by less than this many times the noise cannot tell whether it is alike.
CONTRAST = 3.0
SECOND_DIFFERENCE = np.array([[1, -2, 1]], dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class InformativePixels:
    """
    Some pixels of one frame at one reduction, by cells; c cells of n pixels.

    Attributes
    ----------
    reduction : int
    rays : ndarray of shape (3, c * n)
        x, y in the pixels of the full frame, and 1.
    values : ndarray of shape (c, n)
    slopes : tuple of two ndarray of shape (c, n)
        Along x and y, per pixel of the full frame.
    bends : tuple of two ndarray of shape (c, n)
        Second differences along x and y, per reduced pixel.
    told : ndarray of shape (c * n, 9)
        How each value changes as the frame's corners move, less what the nuisance explains of that; a last
        column is left free for what is to be told.
    nuisance : ndarray of shape (c, k, n)
        What may differ between frames without any motion; rows orthogonal, with mean square 1.
    contrasty : ndarray of bool, shape (c,)
        Cells that show more than noise.
    """

    reduction: int
    rays: Float32
    values: Float32
    slopes: tuple[Float32, Float32]
    bends: tuple[Float32, Float32]
    told: Float32
    nuisance: Float32
    contrasty: NDArray[np.bool_]


def informative_pixels(
    frame: Float32, *, reduction: int, noise_k: float, block_px: int = BLOCK_PX
) -> InformativePixels:
    """
    Choose the pixels of a frame, without NaN and with a pixel's noise, and prepare them.

    Examples
    --------
    >>> frame = np.random.default_rng(1).normal(20, 1, (60, 80)).astype(np.float32)
    >>> chosen = informative_pixels(frame, reduction=1, noise_k=0.05)
    >>> chosen.values.shape, chosen.told.shape
    ((35, 25), (875, 9))
    """
    picture = smoothed(frame, reduction)
    rows, cols = picture.shape
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1, scale=0.125)
    row, col = _strongest(np.hypot(gx, gy), block_px)
    bend_x, bend_y = (cv2.filter2D(picture, cv2.CV_32F, each) for each in (SECOND_DIFFERENCE, SECOND_DIFFERENCE.T))
    scale_x, scale_y = frame.shape[1] / cols, frame.shape[0] / rows
    x, y = ((col + 0.5) * scale_x - 0.5, (row + 0.5) * scale_y - 0.5)
    values = picture[row, col]
    slope_x, slope_y = (gx[row, col] / np.float32(scale_x), gy[row, col] / np.float32(scale_y))
    u, v = x / (frame.shape[1] - 1), y / (frame.shape[0] - 1)
    shares = ((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v)
    told = np.stack([share * slope for share in shares for slope in (slope_x, slope_y)] + [np.zeros_like(u)], axis=-1)
    nuisance = _nuisance(values, x, y, sloping=reduction == 1)
    told -= np.swapaxes(nuisance, 1, 2) @ (nuisance @ told) / np.float32(values.shape[1])
    # Of white noise a Gaussian of s pixels leaves 1 / (2 sqrt(pi) s).
    left_k = noise_k / (2 * np.sqrt(np.pi) * SMOOTHING_PX * reduction)
    return InformativePixels(
        reduction,
        _float32(np.stack([x.ravel(), y.ravel(), np.ones(x.size)])),
        values,
        (_float32(slope_x), _float32(slope_y)),
        (_float32(bend_x[row, col]), _float32(bend_y[row, col])),
        _float32(told.reshape(-1, 9)),
        nuisance,
        values.std(axis=1) > CONTRAST * left_k,
    )


def _nuisance(values: Float32, x: NDArray[np.float64], y: NDArray[np.float64], *, sloping: bool) -> Float32:
    """An offset, a factor on the cell's picture, and a slope each way; rows orthogonal, with mean square 1."""
    columns = np.stack([np.ones_like(x), values, *([x, y] if sloping else [])], axis=2)
    columns[..., 1:] -= columns[..., 1:].mean(axis=1, keepdims=True)
    basis, _ = np.linalg.qr(columns)
    return _float32(np.sqrt(x.shape[1]) * np.swapaxes(basis, 1, 2))


def smoothed(frame: Float32, reduction: int) -> Float32:
    """The picture that is compared at a reduction."""
    size = (frame.shape[1] // reduction, frame.shape[0] // reduction)
    smaller = cv2.resize(frame, size, interpolation=cv2.INTER_AREA) if reduction > 1 else frame
    return _float32(cv2.GaussianBlur(smaller, (0, 0), SMOOTHING_PX))


def _float32(values: NDArray[Any]) -> Float32:
    return np.asarray(values, dtype=np.float32)


def _strongest(slope: Float32, block_px: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of the pixel with the largest gradient in every block; each of shape (cells, blocks a cell)."""
    border = min(BORDER_PX, min(slope.shape) // 8)
    rows, cols = (size - 2 * border for size in slope.shape)
    block = min(block_px, max(1, min(rows, cols) // (LEAST_CELLS * BLOCKS_A_CELL)))
    cell = block * BLOCKS_A_CELL
    down, across = rows // cell, cols // cell
    # What does not fill a cell is left out, half on each side.
    top, left = border + (rows - down * cell) // 2, border + (cols - across * cell) // 2
    inner = slope[top : top + down * cell, left : left + across * cell]
    blocks = inner.reshape(down * BLOCKS_A_CELL, block, across * BLOCKS_A_CELL, block).swapaxes(1, 2)
    best = blocks.reshape(*blocks.shape[:2], -1).argmax(axis=2)
    y, x = np.indices(best.shape)
    row, col = _by_cells(top + y * block + best // block), _by_cells(left + x * block + best % block)
    telling = np.sort(np.argsort(-(slope[row, col] ** 2).sum(axis=1), kind="stable")[:CELLS_KEPT])
    return row[telling], col[telling]


def _by_cells(places: NDArray[np.intp]) -> NDArray[np.intp]:
    down, across = (size // BLOCKS_A_CELL for size in places.shape)
    return places.reshape(down, BLOCKS_A_CELL, across, BLOCKS_A_CELL).swapaxes(1, 2).reshape(down * across, -1)
