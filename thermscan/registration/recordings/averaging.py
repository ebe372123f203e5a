"""Several hand-held frames: sorted into views; those of one view brought onto its first one's grid and averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres
from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.recordings.drift import Drift
from thermscan.registration.recordings.recording_motion import recording_motion
from thermscan.robust import MAD_TO_SIGMA

# Motion below this is left alone: interpolating would only blur.
STILL_PX = 0.05
# A shutter or a hand over the lens leaves a frame without detail: under this share of the usual contrast.
BLANK_SHARE = 0.1
# A pixel's reading this many robust deviations from the other frames' (and this many times the noise at least)
# is a hand, a probe or a flash, not the view; told from so many frames, and looked at in so many at most.
OUTLIER_DEVIATIONS, FEWEST_TO_TELL, LOOKED_AT = 6.0, 5, 25
# A frame that departs from a similarity with the first by more than this share of the width is seen from another side:
# 5 degrees about a usual slant of 30, which moves the top of a part 5 mm tall by a pixel where 2 pixels show 1 mm.
SAME_SIDE_SHARE = 0.015
# Aligned edges are displaced by this much still, which is no outlier.
ALIGNED_PX = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class AlignedViews:
    """
    Frames of one view, with their motion.

    Attributes
    ----------
    first : ThermalImage
        On whose grid the others are brought.
    others : tuple of (ThermalImage, Drift)
    remarks : tuple of str
        What was left out, and the used frames' own.
    numbers : tuple of int
        Which of the given frames these are, the first one first.
    """

    first: ThermalImage
    others: tuple[tuple[ThermalImage, Drift], ...] = ()
    remarks: tuple[str, ...] = field(default=())
    numbers: tuple[int, ...] = (0,)

    def mean(self) -> ThermalImage:
        """
        The mean on the first frame's grid.

        ``noise_k`` is what averaging leaves, ``frames`` how many were averaged; NaN only where no frame shows
        anything. What only a few of the frames show somewhere is not averaged.
        """
        if not self.others:
            return replace(self.first, remarks=self.remarks)
        used = [self.first, *(image for image, _ in self.others)]
        aligned = [_aligned(image, drift) for image, drift in self.others]
        return replace(
            self.first,
            apparent_c=_mean([_pixels(self.first), *aligned], noise_k=self.first.noise_k),
            noise_k=float(np.sqrt(sum(image.noise_k**2 for image in used))) / len(used),
            frames=sum(image.frames for image in used),
            remarks=self.remarks,
        )


def align_views(images: Sequence[ThermalImage]) -> AlignedViews:
    """
    The motion of several frames of one view.

    Parameters
    ----------
    images : sequence of ThermalImage
        One or more, of one shape and band, in time order.

    Returns
    -------
    AlignedViews
        Frames that are frozen (an exact repeat), blocked, or of another view are left out and counted in the
        remarks.

    Raises
    ------
    InputError
        No frames, frames of different shapes, or frames that show different views.
    """
    live, remarks = _usable(images)
    return _one_view(live, remarks, images=images)


def separate_views(images: Sequence[ThermalImage], files: Sequence[str]) -> tuple[AlignedViews, ...]:
    """
    Frames of one board from several sides, sorted into views; frames of one view with their motion.

    Parameters
    ----------
    images : sequence of ThermalImage
        One or more, of one shape and band.
    files : sequence of str
        The file that each came from: pages of one file are one recording, and one view.

    Returns
    -------
    tuple of AlignedViews
        In the order of their first frames. Pages of a recording that show something else are left out and counted.

    Raises
    ------
    InputError
        As `align_views`.
    """
    live, remarks = _usable(images)
    if len(set(files)) == 1:
        return (_one_view(live, remarks, images=images),)
    views: list[AlignedViews] = []
    seen_files: set[str] = set()
    left_out = 0
    while live:
        first, others = live[0], live[1:]
        same = {k: drift for k, drift in _motions(images, first, others).items() if _same_side(drift, images[k].shape)}
        live = [k for k in others if k not in same]
        numbers = (first, *same)
        if files[first] in seen_files:
            left_out += len(numbers)
            continue
        seen_files |= {files[k] for k in numbers}
        pairs = tuple((images[k], drift) for k, drift in same.items())
        views.append(AlignedViews(images[first], pairs, _merged([images[k] for k in numbers], []), numbers))
    if left_out:
        remarks.append(f"{left_out} of {len(images)} frames left out: they show another view, or something in the way")
    told = [replace(view, remarks=_merged([], [*view.remarks, *_moved(view)])) for view in views]
    told[0] = replace(told[0], remarks=(*told[0].remarks, *remarks))
    return tuple(told)


def _same_side(drift: Drift, shape: tuple[int, int]) -> bool:
    """Whether a frame is seen from the same side as the first: nothing but shifted, turned and brought nearer."""
    rows, cols = shape
    box = np.array([[0.0, 0.0], [cols - 1, 0.0], [cols - 1, rows - 1], [0.0, rows - 1]])
    there = map_points(drift.other_from_first, box)
    one, two = (places @ np.array([1.0, 1.0j]) for places in (box - box.mean(axis=0), there - there.mean(axis=0)))
    # A similarity is a multiplication in the complex plane.
    rest = two - one * (np.vdot(one, two) / np.vdot(one, one))
    return float(np.sqrt((np.abs(rest) ** 2).mean())) <= SAME_SIDE_SHARE * cols


def _usable(images: Sequence[ThermalImage]) -> tuple[list[int], list[str]]:
    """Numbers of the frames that show something, and what is said of the others."""
    if not images:
        raise InputError("no frames to average", fix="name one or more frames")
    shapes = {image.shape for image in images}
    if len(shapes) > 1:
        sizes = ", ".join(f"{cols} x {rows}" for rows, cols in sorted(shapes))
        raise InputError(
            f"the frames have different sizes ({sizes})", fix="inspect frames of one camera and setting together"
        )
    return _without_frozen_and_blank(images)


def _one_view(live: list[int], remarks: list[str], *, images: Sequence[ThermalImage]) -> AlignedViews:
    if len(live) == 1:
        return AlignedViews(images[live[0]], remarks=_merged([images[live[0]]], remarks), numbers=(live[0],))
    first, kept = _following(images, live)
    refused = len(live) - 1 - len(kept)
    if refused > (len(live) - 1) / 2:
        raise InputError(
            f"{refused} of {len(live)} frames do not show the same view as the first",
            fix="inspect different views one by one; average only frames taken without moving",
        )
    if first != live[0]:
        remarks.append("the first frame shows another view, or something in the way: corners are those of a later one")
    if refused:
        remarks.append(f"{refused} of {len(images)} frames left out: they show another view, or something in the way")
    numbers = (first, *kept)
    view = AlignedViews(images[first], tuple((images[k], drift) for k, drift in kept.items()), (), numbers)
    return replace(view, remarks=_merged([images[k] for k in numbers], [*remarks, *_moved(view)]))


def _moved(view: AlignedViews) -> list[str]:
    moved = max((drift.shift_px for _, drift in view.others), default=0.0)
    count = len(view.numbers)
    if moved <= STILL_PX:
        return []
    return [f"{count} frames averaged after alignment; they had drifted by up to {moved:.1f} pixels"]


def _following(images: Sequence[ThermalImage], live: list[int]) -> tuple[int, dict[int, Drift]]:
    """The first frame, and those that show the same view; a later one where the first shows what most do not."""
    kept: dict[int, Drift] = {}
    for first in (live[0], live[len(live) // 2]):
        others = [k for k in live if k != first]
        kept = _motions(images, first, others)
        if len(kept) >= len(others) / 2:
            return first, kept
    return first, kept


def _motions(images: Sequence[ThermalImage], first: int, others: list[int]) -> dict[int, Drift]:
    """The frames that show the same as the first, with their motion."""
    drifts = recording_motion(_pixels(images[first]), (_pixels(images[k]) for k in others))
    return {k: drift for k, drift in zip(others, drifts, strict=True) if drift is not None}


def _without_frozen_and_blank(images: Sequence[ThermalImage]) -> tuple[list[int], list[str]]:
    remarks = []
    live = list({images[k].apparent_c.tobytes(): k for k in reversed(range(len(images)))}.values())[::-1]
    if frozen := len(images) - len(live):
        remarks.append(f"{frozen} of {len(images)} frames left out: exact repeats, as when the picture freezes")
    contrast = np.array([_contrast(images[k]) for k in live])
    seeing = contrast >= BLANK_SHARE * np.median(contrast)
    if blank := int((~seeing).sum()):
        remarks.append(f"{blank} of {len(images)} frames left out: without detail, as when the shutter is closed")
        live = [k for k, good in zip(live, seeing, strict=True) if good]
    return live, remarks


def _contrast(image: ThermalImage) -> float:
    finite = image.apparent_c[np.isfinite(image.apparent_c)]
    return float(np.subtract(*np.percentile(finite, [98, 2]))) if finite.size else -1.0


def _pixels(image: ThermalImage) -> NDArray[np.float32]:
    return image.apparent_c.astype(np.float32)


def _aligned(image: ThermalImage, drift: Drift) -> NDArray[np.float32]:
    if drift.shift_px <= STILL_PX:
        return _pixels(image)
    at = map_points(drift.other_from_first, pixel_centres(image.shape)).astype(np.float32).reshape(*image.shape, 2)
    result: NDArray[np.float32] = cv2.remap(
        _pixels(image),
        at[..., 0],
        at[..., 1],
        cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    ).astype(np.float32)
    return result


def _mean(pictures: list[NDArray[np.float32]], *, noise_k: float) -> NDArray[np.float64]:
    """Pixel by pixel, without what only some of the frames show there."""
    total, count = np.zeros(pictures[0].shape), np.zeros(pictures[0].shape)
    middle, allowed = _usual(pictures, noise_k=noise_k)
    for picture in pictures:
        with np.errstate(invalid="ignore"):
            good = np.isfinite(picture) & ~(np.abs(picture - middle) > allowed)
        total += np.where(good, picture, 0.0)
        count += good
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _usual(pictures: list[NDArray[np.float32]], *, noise_k: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What each pixel usually reads, and how far a reading may be from that; NaN where that cannot be told."""
    nothing = np.full(pictures[0].shape, np.nan, np.float32)
    if len(pictures) < FEWEST_TO_TELL:
        return nothing, nothing
    stack = np.stack(pictures[:: -(-len(pictures) // LOOKED_AT)])
    told = np.isfinite(stack).sum(axis=0) >= FEWEST_TO_TELL
    stack[:, ~told] = 0.0
    middle = np.nanmedian(stack, axis=0)
    spread = MAD_TO_SIGMA * np.nanmedian(np.abs(stack - middle), axis=0)
    slope = np.hypot(*np.gradient(middle))
    allowed = OUTLIER_DEVIATIONS * np.maximum(spread, noise_k) + ALIGNED_PX * slope
    return np.where(told, middle, nothing), np.where(told, allowed, nothing)


def _merged(images: Sequence[ThermalImage], remarks: list[str]) -> tuple[str, ...]:
    said = [remark for image in images for remark in image.remarks]
    return tuple(dict.fromkeys(said + remarks))
