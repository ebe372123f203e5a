"""Would the layout explain the frame as well if its parts lay elsewhere? The test where few edges are seen."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.layout.board import Board
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.pattern import SINGULAR, TOLERANCE, board_raster, cover

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# The board is compared on a raster of so many pixels along its longer side.
RASTER = 96
# What is broader than this, in raster pixels, is warmth that spreads over the board and tells of no body.
BROAD = 3.0
# The outline and what is so near to it, in raster pixels, is left out of the test: a board's contrast to the bench
# outweighs all its bodies. Nor may one hot body outweigh all others: detail counts up to so many robust deviations.
INSET, CLIP = 2, 4.0
# So many places each way are tried for the parts, as they are and mirrored both ways; those nearer than two
# steps to where they belong are not counted as elsewhere.
STEPS, NEAREST_STEPS = 4, 2
# Right layouts at their right places show 23, 4.9 and 0.4 at least, other layouts and the right one turned 14, 3.4 and
# 0.28 at most, and one in a hundred of them above 6 and 1.7 (65 and 1,235 of them, in simulated views).
DEVIATIONS_NEEDED, TIMES_NEEDED, EXPLAINED_NEEDED = 12.0, 2.5, 0.3
# Where nothing else holds a place; one was seen four pixels off with 20, 3.9 and 0.44.
DEVIATIONS_ALONE, TIMES_ALONE, EXPLAINED_ALONE = 20.0, 4.0, 0.6
# While climbing, the first step and the last.
CLIMB_PX = (2.0, 0.25)


@dataclass(frozen=True, slots=True, eq=False)
class DetailPattern:
    """
    What the layout's bodies look like without what is broad: a basis, fixed for a board.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
        Centres of the raster, row by row.
    shape : tuple of int
    outline : ndarray of float32, shape (n,)
        Of unit length: the board without its bodies.
    bodies : ndarray of float32, shape (n, p)
        Orthonormal, and orthogonal to the outline.
    inside : ndarray of bool, shape (n,)
        Well inside the outline.
    inner_bodies : ndarray of float32, shape (n, q)
        As `bodies`, of what is inside only; 0 elsewhere.
    """

    points_mm: FloatArray
    shape: tuple[int, int]
    outline: Float32Array
    bodies: Float32Array
    inside: NDArray[np.bool_]
    inner_bodies: Float32Array


@dataclass(frozen=True, slots=True)
class Standing:
    """
    How much better the parts explain the frame where they are than anywhere else.

    Attributes
    ----------
    deviations : float
        Of the log likelihood, in standard deviations of what wrong places show in the same frame.
    times : float
        And as a multiple of what the best of the wrong places shows.
    explained : float
        Share of the detail that the bodies explain, 0 to 1.
    """

    deviations: float
    times: float
    explained: float

    @property
    def convincing(self) -> bool:
        """Whether no wrong place or layout explains a frame like this."""
        enough = self.deviations >= DEVIATIONS_NEEDED and self.times >= TIMES_NEEDED
        return enough and self.explained >= EXPLAINED_NEEDED

    @property
    def overwhelming(self) -> bool:
        """Whether no place a few pixels off explains it either."""
        enough = self.deviations >= DEVIATIONS_ALONE and self.times >= TIMES_ALONE
        return enough and self.explained >= EXPLAINED_ALONE


def detail_pattern(board: Board) -> DetailPattern:
    """
    The pattern of a board's layout.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board = Board("b", None, outline, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 0.0, surface),))
    >>> detail_pattern(board).bodies.shape[1]
    1
    """
    raster = board_raster(board, RASTER)
    covered = cover(board.outline_mm, raster)
    bodies = [cover(part.corners_mm(), raster) for part in board.parts]
    everywhere = np.ones(raster.shape, dtype=bool)
    disc = np.ones((2 * INSET + 1, 2 * INSET + 1), np.uint8)
    inside = cv2.erode((covered > 0.5).astype(np.uint8).reshape(raster.shape), disc) > 0
    outline = _detail(covered, everywhere)
    outline /= np.linalg.norm(outline)
    whole = np.column_stack([_detail(body, everywhere) for body in bodies])
    whole -= np.outer(outline, outline @ whole)
    inner = np.column_stack([_detail(body, inside) for body in bodies])
    return DetailPattern(
        raster.points_mm,
        raster.shape,
        outline.astype(np.float32),
        _orthonormal(whole),
        inside.ravel(),
        _orthonormal(inner),
    )


def standing(
    picture: Float32Array, pattern: DetailPattern, *, corners_mm: FloatArray, corners_px: FloatArray
) -> Standing:
    """
    The standing of a place among wrong ones.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Any monotonic function of temperature; no NaN.

    Notes
    -----
    With bodies of unknown temperatures and white residuals the log likelihood is -n/2 log(1 - E), E being the
    share of the detail that the bodies explain. The residuals are not white (heat spreads, neighbours shine), so
    its scale is taken from the same frame: the picture is shifted around the raster and mirrored, which leaves
    all its detail and no truth in it.
    """
    detail = _seen(picture, pattern, corners_mm, corners_px, inside=True)
    spread = 1.4826 * float(np.median(np.abs(detail[pattern.inside]))) if pattern.inside.any() else 0.0
    detail = np.clip(detail, -CLIP * spread, CLIP * spread)
    power = float(detail @ detail)
    if power <= 0:
        return Standing(0.0, 0.0, 0.0)
    here, elsewhere = (
        -np.log(np.maximum(1 - ((views @ pattern.inner_bodies) ** 2).sum(axis=1) / power, 1e-9))
        for views in (detail[None], _moved(detail.reshape(pattern.shape)))
    )
    deviations = (here[0] - elsewhere.mean()) / max(float(elsewhere.std()), 1e-9)
    return Standing(float(deviations), float(here[0] / max(elsewhere.max(), 1e-9)), float(-np.expm1(-here[0])))


def climb(
    picture: Float32Array, pattern: DetailPattern, *, corners_mm: FloatArray, corners_px: FloatArray
) -> FloatArray:
    """
    The corners moved, by a few pixels at most, to where outline and bodies explain most of the detail.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)

    Returns
    -------
    ndarray of shape (4, 2)

    Notes
    -----
    Compass search over the eight ways in which four corners move together (shift, stretch, shear and taper, each
    along x and y): steps that help are taken, the step is halved when none does.
    """
    ways = np.array([[1, 1, 1, 1], [1, -1, -1, 1], [1, 1, -1, -1], [1, -1, 1, -1]], dtype=np.float64)
    moves = [np.outer(way, axis) for way in ways for axis in np.eye(2)]

    def explained(corners: FloatArray) -> float:
        detail = _seen(picture, pattern, corners_mm, corners, inside=False)
        power = float(detail @ detail)
        return float(((detail @ pattern.bodies) ** 2).sum() + (detail @ pattern.outline) ** 2) / max(power, 1e-12)

    best, step = corners_px.astype(np.float64), CLIMB_PX[0]
    height = explained(best)
    while step >= CLIMB_PX[1]:
        before = height
        for move in moves:
            for way in (step, -step):
                tried = best + way * move
                reached = explained(tried)
                if reached > height:
                    best, height = tried, reached
                    break
        if height <= before:
            step /= 2
    return best


def _seen(
    picture: Float32Array, pattern: DetailPattern, corners_mm: FloatArray, corners_px: FloatArray, *, inside: bool
) -> Float32Array:
    """The picture's detail on the raster, 0 where the frame shows nothing; shape (n,)."""
    px = map_points(homography_from_corners(corners_mm, corners_px), pattern.points_mm)
    rows, cols = picture.shape
    at = np.where(np.isfinite(px), px, -1e6).astype(np.float32).reshape(*pattern.shape, 2)
    seen = (at >= 0).all(axis=2) & (at[..., 0] <= cols - 1) & (at[..., 1] <= rows - 1)
    values = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    where = seen & pattern.inside.reshape(pattern.shape) if inside else seen
    return _detail(cv2.GaussianBlur(values, (0, 0), TOLERANCE), where).astype(np.float32)


def _detail(values: FloatArray | cv2.typing.MatLike, where: NDArray[np.bool_]) -> FloatArray:
    """Without what is broad, from the pixels given alone; 0 elsewhere; shape (n,)."""
    weight = where.astype(np.float64)
    raster = np.asarray(values, dtype=np.float64).reshape(where.shape) * weight
    broad = cv2.GaussianBlur(raster, (0, 0), BROAD, borderType=cv2.BORDER_CONSTANT)
    share = cv2.GaussianBlur(weight, (0, 0), BROAD, borderType=cv2.BORDER_CONSTANT)
    return np.asarray((raster - broad / np.maximum(share, 1e-6)) * weight, dtype=np.float64).ravel()


def _orthonormal(columns: FloatArray) -> Float32Array:
    """A basis of what the columns span; shape (n, p)."""
    size = np.linalg.norm(columns, axis=0)
    scaled = columns / np.where(size > 1e-9, size, 1.0)
    power, turn = np.linalg.eigh(scaled.T @ scaled)
    sound = power > SINGULAR * power[-1]
    return np.asarray(scaled @ (turn[:, sound] / np.sqrt(power[sound])), dtype=np.float32)


def _moved(raster: Float32Array) -> Float32Array:
    """The raster mirrored each way, shifted around by whole steps; shape (k, n)."""
    rows, cols = raster.shape
    steps = [(down, across) for down in range(STEPS) for across in range(STEPS)]
    far = [way for way in steps if sum(min(step, STEPS - step) for step in way) >= NEAREST_STEPS]
    mirrored = [raster[::down, ::across] for down in (1, -1) for across in (1, -1)]
    shifts = [(down * rows // STEPS, across * cols // STEPS) for down, across in far]
    return np.array([np.roll(each, shift, (0, 1)).ravel() for each in mirrored for shift in shifts])
