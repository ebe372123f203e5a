"""How one frame has moved against another: the whole picture is used, and what changed is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.registration.evidence import filled
from thermscan.registration.homography import homography_from_corners

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# Slower changes than this many pixels (warming, the camera's own drift) are taken out before comparing.
SLOW_PX = 12.0
# The picture is compared at these reductions, coarse first; the coarsest keeps about 40 pixels.
LEAST_SIDE_PX = 40
STEPS = 25
STEP_END_PX = 0.003
# Where the pictures differ by more than this many robust standard deviations, something changed.
TUKEY = 4.685
# A difference that a shift of so many (reduced) pixels would make is not yet a change.
SLACK_PX = 1.5
# A homography is fitted only where the picture has this much more to say than a shift needs: below this
# ratio of the information's eigenvalues the extra numbers would follow noise.
CONDITION = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """
    Where the pixels of the first frame are found in another.

    Attributes
    ----------
    other_from_first : ndarray of shape (3, 3)
    likeness : float
        Correlation of the two after alignment, slow changes taken out; 1 where only the noise differs.
    shift_px : float
        Root mean square displacement of the frame's corners.
    """

    other_from_first: FloatArray
    likeness: float
    shift_px: float


def frame_drift(first: Float32, other: Float32) -> Drift:
    """
    The motion between two frames of one hand-held view.

    Parameters
    ----------
    first, other : ndarray of float32, shape (rows, cols)
        NaN where a pixel does not count.

    Returns
    -------
    Drift

    Notes
    -----
    Phase correlation gives the shift to a pixel; Gauss-Newton on the four corners of the frame refines it
    coarse to fine to a homography, with pixels that changed refused by Tukey's biweight.

    References
    ----------
    .. [1] C. D. Kuglin, D. C. Hines, The phase correlation image alignment method, IEEE Conference on
       Cybernetics and Society 1975, 163-165.
    .. [2] S. Baker, I. Matthews, Lucas-Kanade 20 years on, Int. J. Computer Vision 56 (2004) 221-255:
       the inverse compositional form.

    Examples
    --------
    >>> rows, cols = np.indices((60, 80), dtype=np.float32)
    >>> scene = lambda x: (np.sin(x / 4) * np.cos(rows / 5) + np.sin(x * rows / 300)).astype(np.float32)
    >>> drift = frame_drift(scene(cols), scene(cols - 1.5))
    >>> bool(np.allclose(map_points(drift.other_from_first, [[40.0, 30.0]]), [[41.5, 30.0]], atol=0.1))
    True
    """
    one, two = _details(first, other)
    rows, cols = one.shape
    window = cv2.createHanningWindow((cols, rows), cv2.CV_32F)
    shift, _ = cv2.phaseCorrelate(one, two, window)
    box = np.array([[0.0, 0.0], [cols - 1.0, 0.0], [cols - 1.0, rows - 1.0], [0.0, rows - 1.0]])
    starts = [np.zeros(2), np.array(shift)]
    likely = [_likeness(one, two, homography_from_corners(box, box + start)) for start in starts]
    corners = box + starts[int(np.argmax(likely))]
    for reduction in _reductions((rows, cols)):
        corners = _aligned(one, two, box, corners, reduction)
    matrix = homography_from_corners(box, corners)
    moved = float(np.sqrt(((corners - box) ** 2).sum(axis=1).mean()))
    return Drift(matrix, _likeness(one, two, matrix), moved)


def _details(first: Float32, other: Float32) -> tuple[Float32, Float32]:
    """Both frames without what changes slowly over them, compressed alike so that one hot part does not rule."""
    rest = [filled(each) - cv2.GaussianBlur(filled(each), (0, 0), SLOW_PX) for each in (first, other)]
    spread = 1.4826 * float(np.median(np.abs(rest[0] - np.median(rest[0])))) + 1e-3
    one, two = (np.arcsinh(each / (4 * spread)).astype(np.float32) for each in rest)
    return one, two


def _reductions(shape: tuple[int, int]) -> list[int]:
    deepest = max(0, int(np.floor(np.log2(min(shape) / LEAST_SIDE_PX))))
    return [2**k for k in range(min(deepest, 3), -1, -1)]


def _aligned(one: Float32, two: Float32, box: FloatArray, corners: FloatArray, reduction: int) -> FloatArray:
    """Gauss-Newton at one reduction; a shift first where the picture is coarse."""
    size = (one.shape[1] // reduction, one.shape[0] // reduction)
    smaller = (cv2.resize(picture, size, interpolation=cv2.INTER_AREA) for picture in (one, two))
    here, there = (_blurred(picture, 1.0) for picture in smaller)
    scale = np.array([one.shape[1] / size[0], one.shape[0] / size[1]])
    design, points, slack = _design(here, box, scale)
    # Near the border the slow part that was taken out is a guess, and differs between the two.
    edge = int(np.ceil(min(SLOW_PX / reduction, min(here.shape) / 6)))
    inner = np.zeros(here.shape, bool)
    inner[edge:-edge, edge:-edge] = True
    there = np.where(inner, there, np.nan).astype(np.float32)
    start = corners
    for _ in range(STEPS):
        matrix = homography_from_corners(box, corners)
        at = (map_points(matrix, points) + 0.5) / scale - 0.5
        seen = _sampled(there, at, here.shape, fine=reduction == 1)
        rest = (seen - here).ravel().astype(np.float64)
        good = np.isfinite(rest) & inner.ravel()
        if good.mean() < 0.2:
            return start
        rest = np.where(good, rest - np.median(rest[good]), 0.0)
        spread = 1.4826 * float(np.median(np.abs(rest[good]))) + 1e-6
        allowed = TUKEY * spread + slack
        weights = np.where(good, np.clip(1 - (rest / allowed) ** 2, 0.0, None) ** 2, 0.0)
        normal = design.T @ (design * weights[:, None])
        normal += np.eye(8) * CONDITION * np.trace(normal)
        step = -np.linalg.solve(normal, design.T @ (weights * rest)).reshape(4, 2)
        # The step was found on the first frame, so it comes before the motion so far.
        corners = map_points(matrix, box + step)
        if np.abs(step).max() < STEP_END_PX * reduction:
            break
    return corners if np.isfinite(corners).all() else start


def _design(here: Float32, box: FloatArray, scale: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How each pixel's value changes as the frame's corners move (bilinear), its place, and what a shift may do."""
    rows, cols = here.shape
    gx = cv2.Sobel(here, cv2.CV_32F, 1, 0, scale=0.125).astype(np.float64).ravel() / scale[0]
    gy = cv2.Sobel(here, cv2.CV_32F, 0, 1, scale=0.125).astype(np.float64).ravel() / scale[1]
    y, x = np.indices((rows, cols), dtype=np.float64)
    points = (np.column_stack([x.ravel(), y.ravel()]) + 0.5) * scale - 0.5
    u, v = (points / box[2]).T
    shares = np.column_stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])
    design = np.empty((len(points), 8))
    design[:, 0::2] = shares * gx[:, None]
    design[:, 1::2] = shares * gy[:, None]
    slack = SLACK_PX * np.hypot(gx * scale[0], gy * scale[1])
    return design, points, slack


def _blurred(picture: NDArray[Any], blur_px: float) -> Float32:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), dtype=np.float32)


def _sampled(picture: Float32, at: FloatArray, shape: tuple[int, ...], *, fine: bool = False) -> FloatArray:
    """
    The picture at given places; NaN outside.

    Linear interpolation blurs most halfway between pixels, which pulls places by up to a tenth of a pixel:
    ``fine`` takes the cubic one.
    """
    spots = at.astype(np.float32).reshape(*shape, 2)
    result: FloatArray = cv2.remap(
        picture,
        spots[..., 0],
        spots[..., 1],
        cv2.INTER_CUBIC if fine else cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    ).astype(np.float64)
    return result


def _likeness(one: Float32, two: Float32, matrix: FloatArray) -> float:
    """Correlation where both show something, after a blur that takes most of the noise out."""
    rows, cols = one.shape
    y, x = np.indices((rows, cols), dtype=np.float64)
    at = map_points(matrix, np.column_stack([x.ravel(), y.ravel()]))
    a, b = _blurred(one, 1.5), _blurred(two, 1.5)
    seen = _sampled(b, at, (rows, cols))
    good = np.isfinite(seen)
    if good.mean() < 0.3:
        return 0.0
    p, q = a[good] - a[good].mean(), seen[good] - seen[good].mean()
    return float((p * q).sum() / max(np.sqrt((p**2).sum() * (q**2).sum()), 1e-12))
