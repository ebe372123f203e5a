"""What speaks for and against a frame: noise, resolution, saturation, dead pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from thermscan.frames.frame import Frame
from thermscan.frames.noise import spatial_noise, temporal_noise, value_step
from thermscan.frames.plausible import unit_outcomes
from thermscan.frames.quality_remarks import (
    COARSE_STEPS,
    DEAD_PIXELS,
    EIGHT_BIT,
    SATURATED_COLD,
    SATURATED_HOT,
    UNLIKELY_UNIT,
    QualityRemark,
)
from thermscan.frames.repair import repair_values
from thermscan.frames.units import COUNTS, celsius

# A camera gives at least tenths of a kelvin; steps half as coarse again were made by something else.
COARSE_STEP_K = 0.15
EIGHT_BIT_LEVELS = 256
# Noise spreads any real surface over several values; a plateau holds more pixels than the values just below together.
PLATEAU_PIXELS = 9
PLATEAU_LEVELS = 5
PLATEAU_OVER_BELOW = 2


@dataclass(frozen=True, slots=True)
class Quality:
    """
    How good a frame or recording is to measure on.

    Attributes
    ----------
    noise_k : float or None
        Standard deviation of a pixel's noise; None where it cannot be told, or in counts.
    step_k : float or None
        Usual step between neighbouring values.
    levels : int
        Different values in the first frame.
    dead_pixels, saturated_pixels : int
    remarks : tuple of QualityRemark
    """

    noise_k: float | None
    step_k: float | None
    levels: int
    dead_pixels: int
    saturated_pixels: int
    remarks: tuple[QualityRemark, ...] = field(default=())


def assess_frames(frames: Sequence[Frame], *, ambient_c: float | None = None) -> Quality:
    """
    How good the frames of one file are to measure on.

    Parameters
    ----------
    frames : sequence of Frame
        One frame, or a recording of one scene.
    ambient_c : float, optional

    Returns
    -------
    Quality
    """
    first = frames[0]
    if first.unit == COUNTS:
        pages: list[NDArray[np.float64]] = [frame.values for frame in frames]
    else:
        pages = [celsius(frame.values, frame.unit) for frame in frames]
    levels, step_k = value_step(pages[0])
    noise_k = temporal_noise(pages) if len(pages) > 1 else None
    noise_k = noise_k if noise_k is not None else spatial_noise(pages[0])
    remarks: list[QualityRemark] = []
    if step_k is not None and step_k > COARSE_STEP_K and first.unit != COUNTS:
        coarse = EIGHT_BIT if levels <= EIGHT_BIT_LEVELS else COARSE_STEPS
        remarks.append(coarse.about(step_k=step_k, levels=levels))
    dead = repair_values(pages[0]).count
    if dead:
        remarks.append(DEAD_PIXELS.about(count=dead))
    hot, cold = saturated_pixels(pages[0]), saturated_pixels(-pages[0])
    if hot:
        remarks.append(SATURATED_HOT.about(count=hot, end_c=float(np.nanmax(pages[0]))))
    if cold:
        remarks.append(SATURATED_COLD.about(count=cold, end_c=float(np.nanmin(pages[0]))))
    if first.unit != COUNTS:
        outcome = next(o for o in unit_outcomes(first.values, ambient_c=ambient_c) if o.unit == first.unit)
        if not outcome.plausible:
            remarks.append(UNLIKELY_UNIT.about(unit=first.unit, low_c=outcome.low_c, high_c=outcome.high_c))
    return Quality(noise_k, step_k, levels, dead, hot + cold, tuple(remarks))


def saturated_pixels(values: NDArray[np.float64]) -> int:
    """
    How many pixels stand at the top of the range: a plateau at the very highest value.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> field = 22.0 + 0.05 * rng.standard_normal((60, 80))
    >>> field[10:20, 10:20] += 40.0
    >>> saturated_pixels(field), saturated_pixels(np.minimum(field, 60.0))
    (0, 100)
    """
    finite = values[np.isfinite(values)]
    if finite.size == 0 or not spatial_noise(values):
        return 0  # without noise a part of one temperature and a plateau look the same
    _, counts = np.unique(finite, return_counts=True)
    top, below = int(counts[-1]), int(counts[-1 - PLATEAU_LEVELS : -1].sum())
    return top if top >= PLATEAU_PIXELS and top > PLATEAU_OVER_BELOW * below else 0
