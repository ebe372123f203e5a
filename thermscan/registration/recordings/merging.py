"""Several frames of one hand-held view, merged to a picture finer and sharper than the camera's own pixels."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres
from thermscan.frozen import dataclass
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import PIXEL_BLUR_PX, filled
from thermscan.registration.recordings.averaging import AlignedViews
from thermscan.registration.registration import Registration

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# Points of the merged picture a pixel and direction: the optics of such cameras leave little beyond the pixels'
# own limit, and nothing beyond twice that.
FINENESS = 2
# Fewer frames leave too much noise to sharpen.
FEWEST_FRAMES = 8
# More of a long recording would take long and show hardly more.
MOST_FRAMES = 32
# Each quarter of a pixel (two phases each way) must be seen by this share of the frames: even spread gives 0.25.
LEAST_PHASE_SHARE = 0.1
# Sharpening goes on for so many rounds at most, while a point's noise stays below this share of a frame's.
MOST_ROUNDS, MOST_NOISE_SHARE = 8, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class MergedView:
    """
    A view on a grid finer than the camera's pixels.

    For pictures: parts are measured in the camera's own pixels, since whether a part is large enough is a matter
    of those and of the optics.

    Attributes
    ----------
    image : ThermalImage
        Of shape (fineness * rows, fineness * cols).
    fineness : int
        Points a camera pixel and direction.
    """

    image: ThermalImage
    fineness: int

    @property
    def remarks(self) -> tuple[str, ...]:
        """How the picture came about."""
        return (
            f"the picture of the board is merged from {self.image.frames} frames, {self.fineness} times as fine as"
            " the camera's pixels; parts were measured in the camera's own",
        )

    def registered(self, registration: Registration) -> Registration:
        """A registration of the first frame on this grid."""
        matrix = fine_grid(self.fineness)
        return replace(
            registration,
            px_from_mm=matrix @ registration.px_from_mm,
            corners_px=map_points(matrix, registration.corners_px),
            corner_covariance_px2=registration.corner_covariance_px2 * self.fineness**2,
            residual_px=registration.residual_px * self.fineness,
        )


def merge_views(views: AlignedViews, *, blur_px: float) -> MergedView | None:
    """
    One finer picture of frames whose drift shows all phases of a pixel; None where it does not.

    Parameters
    ----------
    views : AlignedViews
    blur_px : float
        Standard deviation of the optics' spread, without the pixel's own area.

    Returns
    -------
    MergedView or None

    Notes
    -----
    Every frame is brought on the finer grid by its motion and averaged, which cancels what single frames fold
    back from beyond their pixels' limit. What optics and pixel blur is then undone in a few rounds (Van Cittert's
    iteration), as far as the noise allows.

    References
    ----------
    .. [1] S. C. Park, M. K. Park, M. G. Kang, Super-resolution image reconstruction: a technical overview, IEEE
       Signal Processing Magazine 20 (2003) 21-36: shifted frames, interpolation, restoration.
    .. [2] P. A. Jansson (ed.), Deconvolution of Images and Spectra, 2nd ed. 1997, chapter 3: Van Cittert.
    """
    views = replace(views, others=views.others[:: -(-len(views.others) // MOST_FRAMES) or 1])
    count = 1 + len(views.others)
    if count < FEWEST_FRAMES or _least_phase_share(views) < LEAST_PHASE_SHARE:
        return None
    mean = _fine_mean(views)
    spread = FINENESS * float(np.hypot(blur_px, PIXEL_BLUR_PX))
    share = noise_shares(spread) / np.sqrt(count)
    rounds = int((share <= MOST_NOISE_SHARE).sum()) - 1
    if rounds < 1:
        return None
    known = np.isfinite(mean)
    sharp = _sharpened(filled(mean), spread, rounds)
    image = replace(
        views.first,
        apparent_c=np.where(known, sharp, np.nan),
        noise_k=float(share[rounds]) * views.first.noise_k,
        frames=count,
        remarks=(),
    )
    return MergedView(image, FINENESS)


def fine_grid(fineness: int) -> FloatArray:
    """
    Homography from pixels to a finer grid over the same area, shape (3, 3).

    Examples
    --------
    >>> map_points(fine_grid(2), [[0.0, 0.0], [-0.25, 0.25]]).tolist()
    [[0.5, 0.5], [0.0, 1.0]]
    """
    shift = (fineness - 1) / 2
    return np.array([[fineness, 0, shift], [0, fineness, shift], [0, 0, 1.0]])


def noise_shares(spread: float) -> FloatArray:
    """
    Standard deviation of a frame's white noise after 0, 1, 2 ... rounds of sharpening; shape (MOST_ROUNDS + 1,).

    Examples
    --------
    >>> noise_shares(1.3)[[0, 8]].round(1).tolist()
    [1.0, 4.3]
    """
    # The noise of a frame reaches up to the pixels' limit; a Gaussian's transform is one.
    cycles = np.linspace(0, 0.5 / FINENESS, 33)
    squared = cycles[:, None] ** 2 + cycles[None, :] ** 2
    kept = 1 - np.exp(-2 * np.pi**2 * spread**2 * squared)
    gain, shares = np.ones_like(kept), [1.0]
    for _ in range(MOST_ROUNDS):
        gain = 1 + kept * gain
        shares.append(float(np.sqrt((gain**2).mean())))
    return np.array(shares)


def _sharpened(blurred: Float32, spread: float, rounds: int) -> Float32:
    sharp = blurred
    for _ in range(rounds):
        sharp = sharp + (blurred - cv2.GaussianBlur(sharp, (0, 0), spread))
    return sharp


def _fine_mean(views: AlignedViews) -> Float32:
    """All frames on the finer grid, averaged; NaN where none shows anything."""
    rows, cols = views.first.shape
    shape = (rows * FINENESS, cols * FINENESS)
    points = map_points(np.linalg.inv(fine_grid(FINENESS)), pixel_centres(shape))
    total, seen_by = np.zeros(shape), np.zeros(shape)
    motions = [(views.first, np.eye(3)), *((image, drift.other_from_first) for image, drift in views.others)]
    for image, motion in motions:
        x, y = map_points(motion, points).astype(np.float32).T.reshape(2, *shape)
        seen = cv2.remap(
            image.apparent_c.astype(np.float32),
            np.ascontiguousarray(x),
            np.ascontiguousarray(y),
            cv2.INTER_LANCZOS4,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
        good = np.isfinite(seen)
        total += np.where(good, seen, 0)
        seen_by += good
    return np.where(seen_by > 0, total / np.maximum(seen_by, 1), np.nan).astype(np.float32)


def _least_phase_share(views: AlignedViews) -> float:
    """Of the frames, the share that sees the quarter of a pixel that is seen least; mean over places in the frame."""
    rows, cols = views.first.shape
    across, down = np.meshgrid(np.linspace(0.2, 0.8, 4) * cols, np.linspace(0.2, 0.8, 3) * rows)
    places = np.round(np.column_stack([across.ravel(), down.ravel()]))
    seen = np.stack([places, *(map_points(drift.other_from_first, places) for _, drift in views.others)])
    quarter = (np.floor(2 * seen).astype(int) % 2) @ [1, 2]
    shares = np.stack([(quarter == k).mean(axis=0) for k in range(4)])
    return float(shares.min(axis=0).mean())
