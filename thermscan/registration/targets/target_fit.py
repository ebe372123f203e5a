"""Does a frame show a target where a homography puts it, and by how much is it shifted?"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.registration.evidence import Evidence
from thermscan.registration.targets.target_design import CARD_MM, CENTRE_MM, Target
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Each pixel is an average over so many points across: after blurring, an edge is right to a twentieth of a pixel.
SUBSAMPLES = 3
# Beyond the card's pixels by so much, for the blur at its edge to be right.
BORDER_PX = 3
# Seven unknowns (level, two slopes, foil, bench, two shifts) need more pixels than that.
FEWEST_PIXELS = 16


@dataclass(frozen=True, slots=True, eq=False)
class TargetFit:
    """
    One target's picture, compared with what it should be.

    Attributes
    ----------
    contrast_k : float
        Of the foil against the card; below 0 for a foil that looks cold.
    explained : float
        Share of the card's unevenness, beyond a plane and the bench at its edges, that the foil explains once it is
        shifted to where it fits best.
    shift_px : ndarray of shape (2,)
        Seen minus predicted.
    u_px : float
        Standard uncertainty of one coordinate of the shift, from what the fit leaves unexplained.
    """

    contrast_k: float
    explained: float
    shift_px: FloatArray
    u_px: float

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "shift_px", read_only(self.shift_px))


def fit_target(
    evidence: Evidence, target: Target, corner_mm: FloatArray, *, px_from_mm: FloatArray
) -> TargetFit | None:
    """
    Fit a target's picture to the frame about the place where a homography puts it.

    Parameters
    ----------
    evidence : Evidence
    target : Target
    corner_mm : ndarray of shape (2,)
        The board's corner that the card lies on.
    px_from_mm : ndarray of shape (3, 3)

    Returns
    -------
    TargetFit or None
        None where the card shows on too few pixels or reaches out of the frame.

    Notes
    -----
    On the card's pixels the frame is a plane, plus the blurred foil, plus the blurred bench beyond the board's edges,
    plus the foil's derivatives for a small shift: linear least squares.
    """
    rows, cols = evidence.apparent.shape
    card_px = map_points(px_from_mm, target.card_mm(corner_mm))
    low = np.floor(card_px.min(axis=0)).astype(int) - BORDER_PX
    high = np.ceil(card_px.max(axis=0)).astype(int) + BORDER_PX + 1
    if (card_px < 0).any() or (card_px > [cols - 1, rows - 1]).any() or (high - low).max() > max(rows, cols):
        return None
    (left, top), (width, height) = low, high - low
    inward_mm = _inward_mm((left, top), (width, height), target, corner_mm, px_from_mm)
    along, down = inward_mm[..., 0], inward_mm[..., 1]
    half_along, half_down = np.array(target.patch_mm) / 2
    on_foil = (np.abs(along - CENTRE_MM) <= half_along) & (np.abs(down - CENTRE_MM) <= half_down)
    foil = _coverage(on_foil, evidence.blur_px)
    bench = _coverage((along < 0) | (down < 0), evidence.blur_px)
    middle = inward_mm[SUBSAMPLES // 2 :: SUBSAMPLES, SUBSAMPLES // 2 :: SUBSAMPLES]
    row, col = np.indices(foil.shape)
    y, x = row + top, col + left
    here = (y >= 0) & (y < rows) & (x >= 0) & (x < cols)
    seen = np.full(foil.shape, np.nan)
    seen[here] = evidence.apparent[y[here], x[here]]
    on_card = ((middle >= 0) & (middle <= CARD_MM)).all(axis=-1) & np.isfinite(seen)
    if on_card.sum() < FEWEST_PIXELS:
        return None
    dy, dx = np.gradient(foil)
    columns = [np.ones_like(foil), col - col.mean(), row - row.mean(), bench, foil, dx, dy]
    design = np.column_stack([column[on_card] for column in columns])
    return _solve(design, seen[on_card])


def _solve(design: FloatArray, values: FloatArray) -> TargetFit | None:
    """Least squares; the last three columns are the foil and its two derivatives."""
    without = design[:, :4]
    before = values - without @ np.linalg.lstsq(without, values, rcond=None)[0]
    inverse = np.linalg.pinv(design.T @ design)
    answer = inverse @ (design.T @ values)
    after = float(((values - design @ answer) ** 2).sum())
    contrast_k = float(answer[4])
    if contrast_k == 0.0:
        return None
    variance = after / max(len(values) - design.shape[1], 1)
    u_px = float(np.sqrt(variance * (inverse[5, 5] + inverse[6, 6]) / 2) / abs(contrast_k))
    explained = 1.0 - after / max(float((before**2).sum()), 1e-12)
    return TargetFit(contrast_k, explained, -answer[5:7] / contrast_k, u_px)


def _inward_mm(
    start: tuple[int, int], size: tuple[int, int], target: Target, corner_mm: FloatArray, px_from_mm: FloatArray
) -> FloatArray:
    """Millimetres from the board's corner inwards, at points between pixels; shape (rows, cols, 2)."""
    x = start[0] - 0.5 + (np.arange(size[0] * SUBSAMPLES) + 0.5) / SUBSAMPLES
    y = start[1] - 0.5 + (np.arange(size[1] * SUBSAMPLES) + 0.5) / SUBSAMPLES
    points = np.column_stack([np.tile(x, len(y)), np.repeat(y, len(x))])
    mm = map_points(np.linalg.inv(px_from_mm), points)
    result: FloatArray = ((mm - corner_mm) * target.inward).reshape(len(y), len(x), 2)
    return result


def _coverage(inside: NDArray[np.bool_], blur_px: float) -> FloatArray:
    """Share of each pixel that a shape covers, after the optics' blur."""
    sigma = blur_px * SUBSAMPLES
    fine = cv2.GaussianBlur(inside.astype(np.float64), (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    rows, cols = (size // SUBSAMPLES for size in fine.shape)
    result: FloatArray = fine.reshape(rows, SUBSAMPLES, cols, SUBSAMPLES).mean(axis=(1, 3))
    return result
