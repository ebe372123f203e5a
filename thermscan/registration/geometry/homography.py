"""
The plane homography: from points, with its covariance, and what that means for a place on the board.

Everything is parametrised by where the four corners of the board's bounding box appear in the frame:
eight numbers, all in pixels, so that step sizes and covariances mean the same for every pose.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.coordinates import map_points
from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.registration.registration import Registration
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Gauss-Newton on reprojection converges quadratically; more steps than this mean that it does not.
MAX_STEPS = 30
# Steps below this many pixels change nothing that a camera could see.
STEP_END_PX = 1e-9
# Of the normalised design matrix: where the second smallest singular value is this much below the
# largest, a family of homographies fits alike (collinear or coincident points).
DEGENERATE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class HomographyFit:
    """
    A homography and how well the points fix it.

    Attributes
    ----------
    px_from_mm : ndarray of shape (3, 3)
        Last element 1.
    corners_px : ndarray of shape (4, 2)
        Of the box that parametrises it.
    corner_covariance_px2 : ndarray of shape (8, 8)
    residuals_px : ndarray of shape (n, 2)
        Seen minus fitted.
    """

    px_from_mm: FloatArray
    corners_px: FloatArray
    corner_covariance_px2: FloatArray
    residuals_px: FloatArray

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("px_from_mm", "corners_px", "corner_covariance_px2", "residuals_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def fit_homography(
    points_mm: ArrayLike, points_px: ArrayLike, *, corners_mm: ArrayLike, u_px: float | ArrayLike = 1.0
) -> HomographyFit:
    """
    The homography that carries points of the board to points of the frame, by least squares.

    Parameters
    ----------
    points_mm, points_px : array_like of shape (n, 2)
        Four or more, in corresponding order; finite.
    corners_mm : array_like of shape (4, 2)
        The box whose corners carry the covariance.
    u_px : float or array_like of shape (n,)
        Standard uncertainty of each coordinate of ``points_px``.

    Returns
    -------
    HomographyFit

    Raises
    ------
    InputError
        Fewer than four points, or points that lie on a line or fall together.

    Notes
    -----
    Normalised direct linear transform, then Gauss-Newton on the distance in the frame. Four points
    are met exactly.

    References
    ----------
    .. [1] R. Hartley, A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed. 2004,
       sections 4.1 (direct linear transform), 4.4 (normalisation), 5.2 (covariance).

    Examples
    --------
    >>> square = [[0, 0], [1, 0], [1, 1], [0, 1]]
    >>> fit = fit_homography(square, [[0, 0], [2, 0], [1.5, 1], [0.5, 1]], corners_mm=square)
    >>> np.allclose(fit.px_from_mm, [[2, 1, 0], [0, 2, 0], [0, 1, 1]])
    True
    """
    mm = np.asarray(points_mm, dtype=np.float64)
    px = np.asarray(points_px, dtype=np.float64)
    box = np.asarray(corners_mm, dtype=np.float64)
    weights = 1.0 / np.broadcast_to(np.asarray(u_px, dtype=np.float64), (len(mm),))
    corners = map_points(_direct_linear_transform(mm, px), box)
    rows = np.repeat(weights, 2)
    for _ in range(MAX_STEPS):
        px_from_mm = homography_from_corners(box, corners)
        design = corner_jacobian(px_from_mm, box, mm).reshape(-1, 8)
        misfit = (px - map_points(px_from_mm, mm)).ravel()
        step = np.linalg.lstsq(design * rows[:, None], misfit * rows, rcond=None)[0]
        corners = corners + step.reshape(4, 2)
        if np.abs(step).max() < STEP_END_PX * (1 + np.abs(corners).max()):
            break
    px_from_mm = homography_from_corners(box, corners)
    design = corner_jacobian(px_from_mm, box, mm).reshape(-1, 8) * rows[:, None]
    covariance: FloatArray = np.linalg.pinv(design.T @ design).astype(np.float64)
    return HomographyFit(px_from_mm, corners, covariance, px - map_points(px_from_mm, mm))


def homography_from_corners(corners_mm: ArrayLike, corners_px: ArrayLike) -> FloatArray:
    """
    The one homography that carries four corners to four corners, scaled to a last element of 1.

    Examples
    --------
    >>> box = [[0, 0], [4, 0], [4, 2], [0, 2]]
    >>> homography_from_corners(box, [[1, 1], [9, 1], [9, 5], [1, 5]]).round(9).tolist()
    [[2.0, 0.0, 1.0], [0.0, 2.0, 1.0], [0.0, 0.0, 1.0]]
    """
    mm, px = np.asarray(corners_mm, dtype=np.float64), np.asarray(corners_px, dtype=np.float64)
    design, elements = np.zeros((8, 8)), np.ones(9)
    design[:4, 0:2] = design[4:, 3:5] = mm
    design[:4, 2] = design[4:, 5] = 1.0
    design[:, 6:] = -(px.T[:, :, None] * mm).reshape(8, 2)
    elements[:8] = np.linalg.solve(design, px.T.ravel())
    return elements.reshape(3, 3)


def homographies(corners_mm: FloatArray, corners_px: FloatArray) -> FloatArray:
    """
    As `homography_from_corners` of a rectangle, for many places of its corners; NaN where there is none.

    Parameters
    ----------
    corners_mm : ndarray of shape (4, 2)
        Of a rectangle (any parallelogram).
    corners_px : ndarray of shape (k, 4, 2)

    Returns
    -------
    ndarray of shape (k, 3, 3)

    References
    ----------
    .. [1] P. S. Heckbert, Fundamentals of Texture Mapping and Image Warping, M.Sc. thesis, University of California,
       Berkeley 1989, section 2.2.3: a square to a quadrilateral in closed form.
    """
    first, second, third, fourth = np.moveaxis(corners_px, 1, 0)
    across, down, skew = second - third, fourth - third, first - second + third - fourth
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = np.stack([_cross(skew, down), _cross(across, skew)], axis=1) / _cross(across, down)[:, None]
        matrices = np.ones((len(corners_px), 3, 3))
        matrices[:, :2, 0] = second - first + bend[:, :1] * second
        matrices[:, :2, 1] = fourth - first + bend[:, 1:] * fourth
        matrices[:, :2, 2] = first
        matrices[:, 2, :2] = bend
        # The square's own corners are 0 and 1 along the rectangle's sides.
        origin = corners_mm[0]
        from_square = np.column_stack([corners_mm[1] - origin, corners_mm[3] - origin, origin])
        matrices = matrices @ np.linalg.inv(np.vstack([from_square, [0.0, 0.0, 1.0]]))
        matrices /= matrices[:, 2:, 2:]
    matrices[~np.isfinite(matrices).all(axis=(1, 2))] = np.nan
    return matrices


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    result: FloatArray = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    return result


def mapped(px_from_mm: FloatArray, points_mm: FloatArray) -> FloatArray:
    """Points of shape (n, 2) through each of many homographies, of shape (k, 3, 3); shape (k, n, 2)."""
    seen = np.column_stack([points_mm, np.ones(len(points_mm))]) @ px_from_mm.swapaxes(1, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        result: FloatArray = seen[..., :2] / seen[..., 2:]
    return result


def corner_jacobian(px_from_mm: FloatArray, corners_mm: ArrayLike, points_mm: ArrayLike) -> FloatArray:
    """
    How points in the frame move when the four corners move, of one homography or of many.

    Parameters
    ----------
    px_from_mm : ndarray of shape (3, 3) or (k, 3, 3)
    corners_mm : array_like of shape (4, 2)
    points_mm : array_like of shape (n, 2)

    Returns
    -------
    ndarray of shape (n, 2, 8) or (k, n, 2, 8)
        d (x, y) / d (x0, y0, x1, y1 …), dimensionless.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])
    >>> corner_jacobian(homography_from_corners(box, box), box, [[2.0, 1.0]])[0, 0, ::2].round(6).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    elements = _element_jacobian(px_from_mm, np.asarray(points_mm, dtype=np.float64))
    corners = _element_jacobian(px_from_mm, np.asarray(corners_mm, dtype=np.float64))
    by_corners = np.linalg.inv(corners.reshape(*px_from_mm.shape[:-2], 8, 8))
    result: FloatArray = elements @ by_corners[..., None, :, :]
    return result


def local_scale(px_from_mm: FloatArray, points_mm: ArrayLike) -> FloatArray:
    """
    Pixels per millimetre at points of the board, as the derivative of the homography; shape (n, 2, 2).

    Examples
    --------
    >>> local_scale(np.diag([2.0, 3.0, 1.0]), [[1.0, 1.0]])[0].tolist()
    [[2.0, 0.0], [0.0, 3.0]]
    """
    mm = np.asarray(points_mm, dtype=np.float64)
    depth = mm @ px_from_mm[2, :2] + px_from_mm[2, 2]
    px = map_points(px_from_mm, mm)
    result: FloatArray = (px_from_mm[:2, :2] - px[:, :, None] * px_from_mm[2, :2]) / depth[:, None, None]
    return result


def part_uncertainty_mm(registration: Registration, points_mm: ArrayLike) -> FloatArray:
    """
    Standard uncertainty of places on the board, from the covariance of the four corners.

    Parameters
    ----------
    registration : Registration
    points_mm : array_like of shape (n, 2)
        Such as part centres.

    Returns
    -------
    ndarray of shape (n,)
        Of one coordinate, in millimetres: root mean square over the two directions.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])
    >>> found = Registration("corners", np.diag([2.0, 2.0, 1.0]), 2 * box, np.eye(8), 0.0, 0.0, 0.0)
    >>> part_uncertainty_mm(found, [[0.0, 0.0], [2.0, 1.0]]).round(6).tolist()
    [0.5, 0.441942]
    """
    mm = np.asarray(points_mm, dtype=np.float64)
    box = map_points(registration.mm_from_px, registration.corners_px)
    return place_uncertainty_mm(registration.px_from_mm, box, registration.corner_covariance_px2, mm)


def place_uncertainty_mm(
    px_from_mm: FloatArray, corners_mm: FloatArray, covariance_px2: FloatArray, points_mm: FloatArray
) -> FloatArray:
    """
    As `part_uncertainty_mm`, before there is a Registration to ask; shape (n,).

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])
    >>> place_uncertainty_mm(np.eye(3), box, np.eye(8), box[:1]).round(6).tolist()
    [1.0]
    """
    shift_px = corner_jacobian(px_from_mm, corners_mm, points_mm)
    shift_mm = np.linalg.solve(local_scale(px_from_mm, points_mm), shift_px)
    variance = np.einsum("nij,jk,nik->n", shift_mm, covariance_px2, shift_mm)
    result: FloatArray = np.sqrt(np.maximum(variance, 0.0) / 2)
    return result


def _element_jacobian(px_from_mm: FloatArray, mm: FloatArray) -> FloatArray:
    """d (x, y) / d (the first eight elements of each homography); shape (…, n, 2, 8)."""
    homogeneous = np.column_stack([mm, np.ones(len(mm))])
    seen = homogeneous @ px_from_mm.swapaxes(-1, -2)
    px, ray = seen[..., :2] / seen[..., 2:], homogeneous / seen[..., 2:]
    result = np.zeros((*px.shape, 8))
    result[..., 0, 0:3] = ray
    result[..., 1, 3:6] = ray
    result[..., 6:8] = -px[..., None] * ray[..., None, :2]
    return result


def _direct_linear_transform(mm: FloatArray, px: FloatArray) -> FloatArray:
    if len(mm) < 4:
        raise InputError(f"{len(mm)} points do not fix a homography", fix="give four or more")
    to_mm, to_px = _normalising(mm), _normalising(px)
    a, b = map_points(to_mm, mm), map_points(to_px, px)
    ray = np.column_stack([a, np.ones(len(a))])
    zero = np.zeros_like(ray)
    design = np.vstack([np.hstack([ray, zero, -b[:, :1] * ray]), np.hstack([zero, ray, -b[:, 1:] * ray])])
    _, singular, rows = np.linalg.svd(design)
    normalised = rows[-1].reshape(3, 3)
    if singular[7] < DEGENERATE * singular[0] or abs(np.linalg.det(normalised)) < DEGENERATE:
        raise InputError(
            "the points lie too nearly on a line to fix a homography", fix="give points spread over the board"
        )
    whole = np.linalg.inv(to_px) @ normalised @ to_mm
    result: FloatArray = whole / whole[2, 2]
    return result


def _normalising(points: FloatArray) -> FloatArray:
    """Centre at the origin, root mean square distance sqrt(2), as Hartley advises."""
    centre = points.mean(axis=0)
    spread = float(np.sqrt(((points - centre) ** 2).sum(axis=1).mean() / 2)) or 1.0
    return np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, spread]]) / spread
