"""Several frames of one hand-held view, brought onto the first one's grid and averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres
from thermscan.errors import InputError
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.drift import Drift, frame_drift

# Frames that correlate less than this after alignment show something else, or something in the way.
LEAST_LIKENESS = 0.6
# A frame that moved by more than this share of its width is another view: too little is common to both.
FARTHEST_SHARE = 0.25
# Motion below this is left alone: interpolating would only blur.
STILL_PX = 0.05
# A shutter or a hand over the lens leaves a frame without detail: under this share of the usual contrast.
BLANK_SHARE = 0.1


def average_views(images: Sequence[ThermalImage]) -> ThermalImage:
    """
    The mean of several frames of one view, with hand-held drift removed.

    Parameters
    ----------
    images : sequence of ThermalImage
        One or more, of one shape and band.

    Returns
    -------
    ThermalImage
        On the grid of the first frame that is kept. ``noise_k`` is what averaging leaves, ``frames`` how
        many were averaged; NaN only where no frame shows anything. Frames that are frozen (an exact
        repeat), blocked, or of another view are left out and counted in the remarks.

    Raises
    ------
    InputError
        No frames, frames of different shapes, or frames that show different views.

    Examples
    --------
    >>> frame = np.random.default_rng(0).normal(25, 0.1, (48, 64))
    >>> image = ThermalImage(frame, 0.1, 2.0, (8.0, 14.0), 0.6)
    >>> average_views([image]).frames
    1
    """
    if not images:
        raise InputError("no frames to average", fix="name one or more frames")
    shapes = {image.shape for image in images}
    if len(shapes) > 1:
        sizes = ", ".join(f"{cols} x {rows}" for rows, cols in sorted(shapes))
        raise InputError(
            f"the frames have different sizes ({sizes})", fix="inspect frames of one camera and setting together"
        )
    live, remarks = _without_frozen_and_blank(images)
    if len(live) == 1:
        return replace(live[0], remarks=_merged(live, remarks))
    first, *others = live
    drifts = [frame_drift(_pixels(first), _pixels(other)) for other in others]
    kept = [(image, drift) for image, drift in zip(others, drifts, strict=True) if _same_view(drift, first.shape)]
    refused = len(others) - len(kept)
    if refused > len(others) / 2:
        likeness = np.median([drift.likeness for drift in drifts])
        raise InputError(
            f"{refused} of {len(live)} frames do not show the same view as the first (likeness {likeness:.2f},"
            f" {LEAST_LIKENESS:g} needed)",
            fix="inspect different views one by one; average only frames taken without moving",
        )
    if refused:
        remarks.append(f"{refused} of {len(images)} frames left out: they show another view, or something in the way")
    used = [first, *(image for image, _ in kept)]
    moved = max((drift.shift_px for _, drift in kept), default=0.0)
    if moved > STILL_PX:
        remarks.append(f"{len(used)} frames averaged after alignment; they had drifted by up to {moved:.1f} pixels")
    mean = _mean([_pixels(first)] + [_aligned(image, drift) for image, drift in kept])
    noise_k = float(np.sqrt(sum(image.noise_k**2 for image in used))) / len(used)
    return replace(
        first,
        apparent_c=mean,
        noise_k=noise_k,
        frames=sum(image.frames for image in used),
        remarks=_merged(used, remarks),
    )


def _without_frozen_and_blank(images: Sequence[ThermalImage]) -> tuple[list[ThermalImage], list[str]]:
    remarks = []
    live: list[ThermalImage] = []
    for image in images:
        if not any(np.array_equal(image.apparent_c, other.apparent_c, equal_nan=True) for other in live):
            live.append(image)
    if frozen := len(images) - len(live):
        remarks.append(f"{frozen} of {len(images)} frames left out: exact repeats, as when the picture freezes")
    contrast = np.array([_contrast(image) for image in live])
    seeing = contrast > BLANK_SHARE * np.median(contrast)
    if blank := int((~seeing).sum()):
        remarks.append(f"{blank} of {len(images)} frames left out: without detail, as when the shutter is closed")
        live = [image for image, good in zip(live, seeing, strict=True) if good]
    return live, remarks


def _contrast(image: ThermalImage) -> float:
    finite = image.apparent_c[np.isfinite(image.apparent_c)]
    return float(np.subtract(*np.percentile(finite, [98, 2]))) if finite.size else -1.0


def _pixels(image: ThermalImage) -> NDArray[np.float32]:
    return image.apparent_c.astype(np.float32)


def _same_view(drift: Drift, shape: tuple[int, int]) -> bool:
    return drift.likeness >= LEAST_LIKENESS and drift.shift_px <= FARTHEST_SHARE * shape[1]


def _aligned(image: ThermalImage, drift: Drift) -> NDArray[np.float32]:
    if drift.shift_px <= STILL_PX:
        return _pixels(image)
    at = map_points(drift.other_from_first, pixel_centres(image.shape)).astype(np.float32).reshape(*image.shape, 2)
    result: NDArray[np.float32] = cv2.remap(
        _pixels(image),
        at[..., 0],
        at[..., 1],
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    ).astype(np.float32)
    return result


def _mean(pictures: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    stack = np.array(pictures, dtype=np.float64)
    seen = np.isfinite(stack)
    count = seen.sum(axis=0)
    total = np.where(seen, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _merged(images: Sequence[ThermalImage], remarks: list[str]) -> tuple[str, ...]:
    said = [remark for image in images for remark in image.remarks]
    return tuple(dict.fromkeys(said + remarks))
