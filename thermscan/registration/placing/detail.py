"""How much of the picture's detail the layout's bodies explain: at many places, and against wrong ones."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.placing.bodies import Scale
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# The board is compared on a raster of so many pixels along its longer side, and of so much around it.
RASTER, MARGIN = 72, 0.05
# Samples a raster pixel and direction, for what share of it a body covers.
FINE = 4
# What a candidate may be wrong by before it is refined, in raster pixels: everything is blurred by this. What is
# broader than the other is warmth that spreads over the board and tells of no body.
TOLERANCE, BROAD = 0.8, 2.4
# Bodies that are alike on the raster make the basis singular; directions below this share of power are dropped.
SINGULAR = 1e-4
# The outline and what is so near to it, in raster pixels, is left out of the test: a board's contrast to the bench
# outweighs all its bodies. Nor may one hot body outweigh all others: detail counts up to so many robust deviations.
INSET, CLIP = 2, 4.0
# So many places each way are tried for the parts, as they are and mirrored both ways; those nearer than two
# steps to where they belong are not counted as elsewhere.
STEPS, NEAREST_STEPS = 4, 2


@dataclass(frozen=True, slots=True, eq=False)
class DetailPattern:
    """
    What the layout's bodies look like without what is broad: a basis, fixed for a board.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
        Centres of the raster, row by row.
    shape : tuple of int
    whole : ndarray of float32, shape (n, p)
        Orthonormal: outline and bodies.
    inside : ndarray of bool, shape (n,)
        Well inside the outline.
    bodies : ndarray of float32, shape (n, q)
        Orthonormal: bodies, of what is inside only; 0 elsewhere.
    """

    points_mm: FloatArray
    shape: tuple[int, int]
    whole: Float32Array
    inside: NDArray[np.bool_]
    bodies: Float32Array


def detail_pattern(board: Board) -> DetailPattern:
    """
    The pattern of a board's layout.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board = Board("b", None, outline, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 0.0, surface),))
    >>> pattern = detail_pattern(board)
    >>> pattern.shape, pattern.whole.shape[1], pattern.bodies.shape[1]
    ((44, 80), 2, 1)
    """
    size = max(board.width_mm, board.height_mm)
    margin, mm_per_px = MARGIN * size, size / RASTER
    shape = (
        int(np.ceil((board.height_mm + 2 * margin) / mm_per_px)),
        int(np.ceil((board.width_mm + 2 * margin) / mm_per_px)),
    )
    row, col = np.indices(shape, dtype=np.float64)
    points = np.column_stack([(col.ravel() + 0.5) * mm_per_px, (row.ravel() + 0.5) * mm_per_px]) - margin
    shapes = [board.outline_mm] + [part.corners_mm() for part in board.parts]
    covers = np.array([_cover((each + margin) / mm_per_px, shape) for each in shapes], dtype=np.float32)
    everywhere = np.ones(shape, dtype=np.float32)
    disc = np.ones((2 * INSET + 1, 2 * INSET + 1), np.uint8)
    inside = cv2.erode((covers[0] > 0.5).astype(np.uint8), disc) > 0
    whole = np.array([_detail(each, everywhere).ravel() for each in covers])
    inner = np.array([_detail(each, inside.astype(np.float32)).ravel() for each in covers[1:]])
    return DetailPattern(points, shape, _orthonormal(whole.T), inside.ravel(), _orthonormal(inner.T))


def explained(picture: Float32Array, pattern: DetailPattern, matrices: FloatArray) -> FloatArray:
    """
    Share of the detail that outline and bodies explain, at each of many places; shape (k,).

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Any monotonic function of temperature; no NaN.
    matrices : ndarray of shape (k, 3, 3)
        Homographies from board to picture.
    """
    count = len(pattern.points_mm)
    result = np.zeros(len(matrices))
    for k, matrix in enumerate(matrices):
        detail, share = _seen(picture, pattern, matrix)
        power = float(detail @ detail)
        if share * count > count / 2 and power > 0:
            told = detail @ pattern.whole
            result[k] = float(told @ told) / power
    return result


def others_detail(picture: Float32Array, pattern: DetailPattern, matrix: FloatArray) -> Scale:
    """What the picture's detail gets shifted around the raster and mirrored: all of it is there, and no truth."""
    detail = _clipped(picture, pattern, matrix)
    told = _log_likelihood(_moved(detail.reshape(pattern.shape)), pattern)
    return Scale(float(told.mean()), max(float(told.std()), 1e-9))


def detail_odds(picture: Float32Array, pattern: DetailPattern, matrix: FloatArray) -> float:
    """
    Log likelihood of the layout's bodies given the detail at a place, but for its scale (`others_detail`).

    Notes
    -----
    With bodies of unknown temperatures and white residuals the log likelihood is -n/2 log(1 - E), E being the
    share of the detail that the bodies explain. The residuals are not white (heat spreads, neighbours shine), so
    its scale is taken from the same frame.
    """
    return float(_log_likelihood(_clipped(picture, pattern, matrix)[None], pattern)[0])


def _clipped(picture: Float32Array, pattern: DetailPattern, matrix: FloatArray) -> Float32Array:
    detail, _ = _seen(picture, pattern, matrix, inside=True)
    spread = robust_sd(detail[pattern.inside], centre=0.0) if pattern.inside.any() else 0.0
    return np.clip(detail, -CLIP * spread, CLIP * spread)


def _log_likelihood(views: Float32Array, pattern: DetailPattern) -> FloatArray:
    power = float(views[0] @ views[0])
    if power <= 0:
        return np.zeros(len(views))
    told = ((views @ pattern.bodies) ** 2).sum(axis=1) / power
    return np.asarray(-np.log(np.maximum(1 - told, 1e-9)), dtype=np.float64)


def compressed(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """
    A monotonic function of temperature in which one very hot part does not outweigh all others.

    Examples
    --------
    >>> compressed(np.array([[20.0, 21.0, 22.0, 23.0, 120.0]], np.float32)).round(1)
    array([[-0.9, -0.5,  0. ,  0.5,  4.6]], dtype=float32)
    """
    middle = float(np.median(picture))
    spread = float(np.median(np.abs(picture - middle)))
    result: NDArray[np.float32] = np.arcsinh((picture - middle) / max(2 * spread, 0.2)).astype(np.float32)
    return result


def _seen(
    picture: Float32Array, pattern: DetailPattern, matrix: FloatArray, *, inside: bool = False
) -> tuple[Float32Array, float]:
    """The picture's detail on the raster, 0 where the frame shows nothing, shape (n,); and the share it shows."""
    px = map_points(matrix, pattern.points_mm)
    rows, cols = picture.shape
    at = np.where(np.isfinite(px), px, -1e6).astype(np.float32).reshape(*pattern.shape, 2)
    seen = (at >= 0).all(axis=2) & (at[..., 0] <= cols - 1) & (at[..., 1] <= rows - 1)
    values = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    where = seen & pattern.inside.reshape(pattern.shape) if inside else seen
    detail = _detail(cv2.GaussianBlur(values, (0, 0), TOLERANCE), where.astype(np.float32))
    return np.ascontiguousarray(detail, dtype=np.float32).ravel(), float(seen.mean())


def _detail(raster: cv2.typing.MatLike, weight: Float32Array) -> Float32Array:
    """Without what is broad, from the pixels given alone; 0 elsewhere."""
    broad = cv2.GaussianBlur(raster * weight, (0, 0), BROAD, borderType=cv2.BORDER_CONSTANT)
    share = cv2.GaussianBlur(weight, (0, 0), BROAD, borderType=cv2.BORDER_CONSTANT)
    result: Float32Array = np.asarray((raster - broad / np.maximum(share, 1e-6)) * weight, dtype=np.float32)
    return result


def _cover(polygon_px: FloatArray, shape: tuple[int, int]) -> Float32Array:
    """Share of each raster pixel that a polygon covers, blurred like the samples; shape (rows, cols)."""
    result = np.zeros(shape, np.float32)
    low = np.clip(np.floor(polygon_px.min(axis=0)).astype(int) - 4, 0, shape[::-1])
    high = np.clip(np.ceil(polygon_px.max(axis=0)).astype(int) + 4, 0, shape[::-1])
    size = high - low
    if (size <= 0).any():
        return result
    fine = np.zeros((size[1] * FINE, size[0] * FINE), np.float32)
    # fillPoly takes whole numbers with so many binary places.
    cv2.fillPoly(fine, [np.round(((polygon_px - low) * FINE - 0.5) * 16).astype(np.int32)], 1.0, shift=4)
    coarse = cv2.resize(fine, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
    result[low[1] : high[1], low[0] : high[0]] = cv2.GaussianBlur(coarse, (0, 0), TOLERANCE)
    return result


def _orthonormal(columns: Float32Array) -> Float32Array:
    """A basis of what the columns span; shape (n, p)."""
    size = np.linalg.norm(columns, axis=0)
    scaled = (columns / np.where(size > 1e-9, size, 1.0)).astype(np.float32)
    power, turn = np.linalg.eigh((scaled.T @ scaled).astype(np.float64))
    sound = power > SINGULAR * power[-1]
    return np.asarray(scaled @ (turn[:, sound] / np.sqrt(power[sound])).astype(np.float32), dtype=np.float32)


def _moved(raster: Float32Array) -> Float32Array:
    """The raster mirrored each way, shifted around by whole steps; shape (k, n)."""
    rows, cols = raster.shape
    steps = [(down, across) for down in range(STEPS) for across in range(STEPS)]
    far = [way for way in steps if sum(min(step, STEPS - step) for step in way) >= NEAREST_STEPS]
    mirrored = [raster[::down, ::across] for down in (1, -1) for across in (1, -1)]
    shifts = [(down * rows // STEPS, across * cols // STEPS) for down, across in far]
    return np.array([np.roll(each, shift, (0, 1)).ravel() for each in mirrored for shift in shifts])
