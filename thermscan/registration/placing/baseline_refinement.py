"""Register to the picture of a good board, piece by piece, so that a piece that changed does not pull."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.layout.outline import polygon_area
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.refined import Refined
from thermscan.robust import biweight, robust_sd

FloatArray = NDArray[np.float64]

# The board is cut into pieces of about so many pixels: large enough to hold edges both ways, small enough
# that what changed since the baseline (a hot part, its halo) is one piece among many.
PIECE_PX = 22.0
FEWEST_PIECES = 6
FEWEST_PIXELS = 60
STEPS = 8
STEP_END_PX = 0.005
# A piece that moves farther than this in one step is not believed.
FARTHEST_PX = 3.0
# What a piece's place is wrong by even without noise: warmth has spread differently.
PIECE_FLOOR_PX = 0.08
TUKEY = 4.685


def refine_to_baseline(
    evidence: Evidence, baseline: BaselineRaster, *, corners_mm: FloatArray, corners_px: FloatArray
) -> Refined | None:
    """
    Move the corners until the baseline's picture lies on the frame's.

    Parameters
    ----------
    evidence : Evidence
    baseline : BaselineRaster
    corners_px : ndarray of shape (4, 2)
        Where to start, within about two pixels.

    Returns
    -------
    Refined or None
        None where too little of the baseline's picture is found in the frame.

    Notes
    -----
    In each piece the frame is the baseline's picture times a free factor, plus a free plane, moved by
    a small shift: a linear regression. A part that now runs at another temperature changes the factor,
    not the shift. Shifts are weighted by their covariance, and those that disagree are refused.

    References
    ----------
    .. [1] B. D. Lucas, T. Kanade, An iterative image registration technique, Proc. Imaging
       Understanding Workshop 1981, 121-130; one shift a piece, then least squares over the pieces.
    """
    corners = corners_px.astype(np.float64)
    last = None
    for _ in range(STEPS):
        matrix = homography_from_corners(corners_mm, corners)
        pieces = _shifts(evidence, baseline, matrix, corners_mm)
        if len(pieces[0]) < FEWEST_PIECES:
            return None
        last = _solve(pieces, matrix, corners_mm)
        step, covariance, residual, used = last
        corners = corners + step.reshape(4, 2)
        if used < FEWEST_PIECES or not np.isfinite(corners).all() or np.abs(corners - corners_px).max() > 40:
            return None
        if np.abs(step).max() < STEP_END_PX:
            break
    if last is None:
        return None
    return Refined(corners, homography_from_corners(corners_mm, corners), covariance, residual)


Pieces = tuple[FloatArray, FloatArray, FloatArray]


def _shifts(evidence: Evidence, baseline: BaselineRaster, matrix: FloatArray, corners_mm: FloatArray) -> Pieces:
    """Centre (mm), shift (px) and information (px^-2) of each piece that tells anything."""
    predicted, piece = _predicted(evidence.apparent.shape, baseline, matrix, corners_mm)
    gx = np.gradient(predicted, axis=1)
    gy = np.gradient(predicted, axis=0)
    good = np.isfinite(predicted) & np.isfinite(gx) & np.isfinite(gy) & np.isfinite(evidence.apparent) & (piece >= 0)
    rows, cols = np.nonzero(good)
    order = np.argsort(piece[rows, cols], kind="stable")
    rows, cols = rows[order], cols[order]
    _, starts = np.unique(piece[rows, cols], return_index=True)
    to_mm = np.linalg.inv(matrix)
    centres, shifts, informations = [], [], []
    for first, end in pairwise([*starts, len(rows)]):
        if end - first < FEWEST_PIXELS:
            continue
        r, c = rows[first:end], cols[first:end]
        shift = _one_shift(
            evidence.apparent[r, c].astype(np.float64),
            np.column_stack([predicted[r, c], gx[r, c], gy[r, c], np.ones(len(r)), c - c.mean(), r - r.mean()]),
            evidence.noise_k,
        )
        if shift is not None:
            centres.append([c.mean(), r.mean()])
            shifts.append(shift[0])
            informations.append(shift[1])
    points = map_points(to_mm, np.array(centres).reshape(-1, 2))
    return points, np.array(shifts).reshape(-1, 2), np.array(informations).reshape(-1, 2, 2)


def _predicted(
    shape: tuple[int, ...], baseline: BaselineRaster, matrix: FloatArray, corners_mm: FloatArray
) -> tuple[FloatArray, NDArray[np.intp]]:
    """The baseline's picture as the camera would see it, and which piece each pixel belongs to (-1: none)."""
    rows, cols = np.indices(shape, dtype=np.float64)
    mm = map_points(np.linalg.inv(matrix), np.column_stack([cols.ravel(), rows.ravel()]))
    at = (mm / baseline.mm_per_px - 0.5).astype(np.float32).reshape(*shape, 2)
    at = np.where(np.isfinite(at), at, -1e6).astype(np.float32)
    raster = _not_finer_than_pixels(baseline, matrix, corners_mm)
    predicted = cv2.remap(
        raster, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    ).astype(np.float64)
    size = corners_mm[2]
    extent = np.linalg.norm(np.diff(map_points(matrix, corners_mm)[[0, 1, 2]], axis=0), axis=1)
    count = np.maximum(np.round(extent / PIECE_PX), 2).astype(int)
    with np.errstate(invalid="ignore"):
        share = mm / size
        inside = ((share >= 0) & (share < 1)).all(axis=1)
    cell = np.where(inside[:, None], np.floor(np.where(inside[:, None], share, 0) * count), 0).astype(int)
    piece = np.where(inside, cell[:, 1] * count[0] + cell[:, 0], -1)
    return predicted, piece.reshape(shape)


def _not_finer_than_pixels(baseline: BaselineRaster, matrix: FloatArray, corners_mm: FloatArray) -> NDArray[np.float32]:
    """The raster blurred so that a camera pixel does not skip over its detail."""
    corners = map_points(matrix, corners_mm)
    mm_per_px = float(np.sqrt(corners_mm[2].prod() / abs(polygon_area(corners))))
    ratio = mm_per_px / baseline.mm_per_px
    raster = baseline.rise_k.astype(np.float32)
    if ratio <= 1.5:
        return raster
    seen = np.isfinite(raster)
    spread = 0.29 * ratio
    weight = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), spread)
    mean = cv2.GaussianBlur(np.where(seen, raster, 0).astype(np.float32), (0, 0), spread) / np.maximum(weight, 1e-6)
    result: NDArray[np.float32] = np.where(seen, mean, np.nan).astype(np.float32)
    return result


def _one_shift(seen: FloatArray, design: FloatArray, noise_k: float) -> tuple[FloatArray, FloatArray] | None:
    """Shift of a piece and its information matrix, by robust regression; None where it tells nothing."""
    if np.ptp(design[:, 0]) < 4 * noise_k:
        return None
    weights: FloatArray = np.ones(len(seen))
    coefficients: FloatArray = np.zeros(6)
    spread = noise_k
    for _ in range(5):
        coefficients = np.linalg.lstsq(design * weights[:, None], seen * weights, rcond=None)[0].astype(np.float64)
        rest = seen - design @ coefficients
        spread = max(robust_sd(rest, centre=0.0), noise_k)
        weights = np.clip(1 - (rest / (TUKEY * spread)) ** 2, 0.0, None)
    normal = design.T @ (design * (weights**2)[:, None])
    factor = coefficients[0]
    covariance = np.linalg.pinv(normal) * spread**2
    # A picture that may be there with either sign, or not at all, has no place.
    if factor < 3 * np.sqrt(covariance[0, 0]) or factor < 0.05:
        return None
    shift = -coefficients[1:3] / factor
    if np.abs(shift).max() > FARTHEST_PX:
        return None
    # Neighbouring pixels share their blur: about two count for one.
    shift_covariance = 2 * covariance[1:3, 1:3] / factor**2 + np.eye(2) * PIECE_FLOOR_PX**2
    return shift, np.linalg.inv(shift_covariance)


def _solve(pieces: Pieces, matrix: FloatArray, corners_mm: FloatArray) -> tuple[FloatArray, FloatArray, float, int]:
    """Corner step, its covariance, residual (px) and the number of pieces used."""
    points, shifts, informations = pieces
    design = corner_jacobian(matrix, corners_mm, points)
    step = np.zeros(8)
    spread = 3.0
    for _ in range(15):
        rest = shifts - design @ step
        distance = np.sqrt(np.einsum("ni,nij,nj->n", rest, informations, rest))
        spread = max(float(np.median(distance)) / 1.1774, 1.0)
        weights = biweight(distance / (TUKEY * spread))
        weighted = informations * weights[:, None, None]
        normal = np.einsum("nia,nij,njb->ab", design, weighted, design)
        normal += np.eye(8) * 1e-4
        step = np.linalg.solve(normal, np.einsum("nia,nij,nj->a", design, weighted, shifts))
    used = weights > 0.05
    freedom = max(2 * int(used.sum()) - 8, 1)
    inflation = max(float((weights * distance**2).sum()) / freedom, 1.0)
    residual = float(np.sqrt((rest[used] ** 2).sum(axis=1).mean())) if used.any() else float("inf")
    return step, np.linalg.inv(normal) * inflation, residual, int(used.sum())


def combined(one: Refined, other: Refined, corners_mm: FloatArray) -> Refined:
    """
    Two registrations from different evidence, weighted by their covariances.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])
    >>> first = Refined(box, np.eye(3), np.eye(8), 0.1)
    >>> second = Refined(box + 1.0, np.eye(3), np.eye(8), 0.1)
    >>> combined(first, second, box).corners_px[0].tolist()
    [0.5, 0.5]
    """
    a, b = np.linalg.inv(one.corner_covariance_px2), np.linalg.inv(other.corner_covariance_px2)
    covariance = np.linalg.inv(a + b)
    corners = (covariance @ (a @ one.corners_px.ravel() + b @ other.corners_px.ravel())).reshape(4, 2)
    # Where the two differ by more than they state, both are worse than stated.
    apart = (one.corners_px - other.corners_px).ravel()
    ratio = float(apart @ np.linalg.solve(one.corner_covariance_px2 + other.corner_covariance_px2, apart)) / 8
    residual = float(np.sqrt((one.residual_px**2 + other.residual_px**2) / 2))
    return Refined(
        corners,
        homography_from_corners(corners_mm, corners),
        covariance * max(ratio, 1.0),
        residual,
    )
