"""What speaks for and against a frame or recording."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.frames import quality_remarks as say
from thermscan.frames.focus import edge_blur_px
from thermscan.frames.frame import Frame
from thermscan.frames.noise import spatial_noise, temporal_noise
from thermscan.frames.plausible import unit_outcomes
from thermscan.frames.quality_remarks import QualityRemark
from thermscan.frames.recording import (
    AVERAGED_CORRELATION,
    MAX_FRAMES,
    averaging_correlation,
    flickering_pixels,
    repeated_frames,
)
from thermscan.frames.repair import repair_values
from thermscan.frames.steps import ValueSteps, value_steps
from thermscan.frames.stripes import Stripes, find_stripes
from thermscan.frames.units import COUNTS, celsius, kelvin_a_step
from thermscan.frozen import dataclass

# A camera gives at least tenths of a kelvin; steps half as coarse again were made by something else.
COARSE_STEP_K = 0.15
# Inexpensive cameras state 0.03 to 0.1 K; thrice the worst of these is a fault, or a much too short exposure.
NOISY_K = 0.3
# At this width a part of 3 x 3 pixels keeps less than a fifth of its rise, and no part stands apart from its neighbour.
SOFT_EDGE_PX = 2.5
# Stripes below the pixel noise vanish in the mean over a part; smaller ones than this matter to nobody.
STRIPES_K = 0.03
# More missing pixels than one in fifty are no longer single defects.
MANY_BAD_FRACTION = 0.02
# Noise spreads any real surface over several values, so that no value at the end of the range holds thrice the pixels
# of any of the next few; a plateau does. Where steps are as coarse as the noise, only a large one shows, and where
# they are much coarser, none.
PLATEAU_PIXELS, PLATEAU_PIXELS_COARSE = 9, 50
PLATEAU_LEVELS = 5
PLATEAU_OVER_NEXT = 3
COARSE_OVER_NOISE = 2.5


@dataclass(frozen=True, slots=True)
class Quality:
    """
    How good a frame or recording is to measure on.

    In kelvin; where the frame is in counts, in counts, and no remark needs a temperature.

    Attributes
    ----------
    noise_k : float or None
        Standard deviation of a pixel's noise, from differences between frames where there are several.
    noise_from : str
        ``frames`` (differences in time), ``pixels`` (one frame's fine residue) or ``nothing``.
    blur_px : float or None
        Width of the sharpest edges; None where no edge stands clear of the noise.
    stripes : Stripes
    steps : ValueSteps
    bad_pixels, dead_pixels, flickering_pixels, saturated_pixels : int
        Of the first frame, but for the flickering ones, which only a recording shows.
    repeated_frames : int
    averaging : float or None
        Share of a frame's noise that the next one repeats; None where it cannot be told.
    remarks : tuple of QualityRemark
    """

    noise_k: float | None
    noise_from: str
    blur_px: float | None
    stripes: Stripes
    steps: ValueSteps
    bad_pixels: int
    dead_pixels: int
    flickering_pixels: int
    saturated_pixels: int
    repeated_frames: int
    averaging: float | None
    remarks: tuple[QualityRemark, ...] = field(default=())


def assess_frames(frames: Sequence[Frame], *, ambient_c: float | None = None) -> Quality:
    """
    How good the frames of one file are to measure on.

    Reflections of a warm operator are not looked for: in one frame they cannot be told from warm parts.

    Parameters
    ----------
    frames : sequence of Frame
        One frame, or a recording of one view in time order; of a long one the first 64 frames are looked at.
    ambient_c : float, optional

    Returns
    -------
    Quality

    Examples
    --------
    >>> from pathlib import Path
    >>> from thermscan.frames.frame import FrameSource
    >>> rng = np.random.default_rng(1)
    >>> scene = 22.0 + 0.05 * rng.standard_normal((60, 80))
    >>> scene[20:40, 30:60] += 15.0
    >>> frame = Frame(scene, "C", "given", FrameSource(Path("idle.tiff"), 0, "", "TIFF", "float32"))
    >>> quality = assess_frames([frame])
    >>> round(quality.noise_k, 2), quality.noise_from, quality.remarks
    (0.05, 'pixels', ())
    """
    first = frames[0]
    in_counts = first.unit == COUNTS
    pages = [frame.values if in_counts else celsius(frame.values, frame.unit) for frame in frames[:MAX_FRAMES]]
    raw = spatial_noise(pages[0])
    repaired = repair_values(pages[0], noise=raw or 0.0, **({"clear": 0.0} if in_counts else {}))
    fine = spatial_noise(repaired.values) if repaired.count else raw
    noise = temporal_noise(pages) if len(pages) > 1 else None
    noise_from = "frames" if noise is not None else "pixels"
    noise = noise if noise is not None else fine
    digit = _last_digit(first.values) * (1.0 if in_counts else kelvin_a_step(first.unit))
    hot, cold = saturated_pixels(repaired.values), saturated_pixels(-repaired.values)
    quality = Quality(
        noise_k=noise,
        noise_from=noise_from if noise is not None else "nothing",
        blur_px=edge_blur_px(repaired.values, noise=fine),
        stripes=find_stripes(repaired.values, noise=fine),
        steps=value_steps(pages[0], digit=digit),
        bad_pixels=int(np.isnan(pages[0]).sum()),
        dead_pixels=repaired.count,
        flickering_pixels=int(flickering_pixels(pages).sum()),
        saturated_pixels=hot + cold,
        repeated_frames=repeated_frames(pages),
        averaging=averaging_correlation(pages),
    )
    remarks = [] if any(_has_detail(page) for page in pages) else [say.NO_DETAIL]
    remarks += [*_about_pixels(quality, first), *_about_time(quality, len(pages))]
    if not in_counts:
        remarks += [*_about_range(repaired.values, hot, cold), *_about_kelvin(quality, first, ambient_c)]
    return Quality(**{name: getattr(quality, name) for name in _FACTS}, remarks=tuple(remarks))


_FACTS = tuple(name for name in Quality.__dataclass_fields__ if name != "remarks")


def _about_pixels(quality: Quality, frame: Frame) -> list[QualityRemark]:
    remarks = []
    if quality.bad_pixels > MANY_BAD_FRACTION * frame.values.size:
        remarks.append(say.MANY_BAD.about(percent=100.0 * quality.bad_pixels / frame.values.size))
    if quality.dead_pixels:
        remarks.append(say.DEAD_PIXELS.about(count=quality.dead_pixels))
    if quality.flickering_pixels:
        remarks.append(say.FLICKERING_PIXELS.about(count=quality.flickering_pixels))
    if quality.blur_px is not None and quality.blur_px > SOFT_EDGE_PX:
        remarks.append(say.SOFT_EDGES.about(blur_px=quality.blur_px))
    if quality.steps.from_bytes or frame.source.stored_as == "uint8":
        remarks.append(say.EIGHT_BIT.about(levels=quality.steps.levels, step=quality.steps.step or 0.0))
    return remarks


def _about_time(quality: Quality, frames: int) -> list[QualityRemark]:
    remarks = []
    if quality.repeated_frames:
        remarks.append(say.REPEATED_FRAMES.about(count=quality.repeated_frames, frames=frames))
    if quality.averaging is not None and quality.averaging > AVERAGED_CORRELATION:
        remarks.append(say.AVERAGED_BY_CAMERA.about(percent=100.0 * quality.averaging))
    return remarks


def _about_range(temp_c: NDArray[np.float64], hot: int, cold: int) -> list[QualityRemark]:
    remarks = []
    if hot:
        remarks.append(say.SATURATED_HOT.about(count=hot, end_c=float(np.nanmax(temp_c))))
    if cold:
        remarks.append(say.SATURATED_COLD.about(count=cold, end_c=float(np.nanmin(temp_c))))
    return remarks


def _about_kelvin(quality: Quality, frame: Frame, ambient_c: float | None) -> list[QualityRemark]:
    remarks = []
    step, noise = quality.steps.step, quality.noise_k
    coarse = step is not None and step > COARSE_STEP_K
    if coarse and not quality.steps.from_bytes and frame.source.stored_as != "uint8":
        remarks.append(say.COARSE_STEPS.about(step_k=step or 0.0))
    if noise is not None and noise > NOISY_K and not coarse:
        remarks.append(say.NOISY.about(noise_k=noise))
    for direction, size in (("column", quality.stripes.columns), ("row", quality.stripes.rows)):
        if size is not None and size > max(noise or 0.0, STRIPES_K) and not coarse:
            remarks.append(say.STRIPES.about(direction=direction, size_k=size))
    outcomes = unit_outcomes(frame.values, ambient_c=ambient_c)
    outcome = next(outcome for outcome in outcomes if outcome.unit == frame.unit)
    if not outcome.plausible:
        better = [other.unit for other in outcomes if other.plausible]
        hint = f"; {' or '.join(better)} would be likelier" if better else ""
        remarks.append(say.UNLIKELY_UNIT.about(unit=frame.unit, low_c=outcome.low_c, high_c=outcome.high_c, hint=hint))
    return remarks


def saturated_pixels(values: NDArray[np.float64]) -> int:
    """
    How many pixels stand at the top of the range: a plateau at the very highest value.

    Frames without noise show none, since a part of one temperature and a plateau look the same there.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> field = 22.0 + 0.05 * rng.standard_normal((60, 80))
    >>> field[10:20, 10:20] += 40.0
    >>> saturated_pixels(field), saturated_pixels(np.minimum(field, 60.0))
    (0, 100)
    """
    known = values[np.isfinite(values)]
    # To count all values is to sort them; most frames have one pixel at their top.
    if np.count_nonzero(known == known.max(initial=-np.inf)) < PLATEAU_PIXELS:
        return 0
    different, counts = np.unique(known, return_counts=True)
    if different.size < 2:
        return 0
    top, step = int(counts[-1]), float(np.median(np.diff(different)))
    if top < PLATEAU_PIXELS or top <= PLATEAU_OVER_NEXT * counts[-1 - PLATEAU_LEVELS : -1].max():
        return 0
    noise = spatial_noise(np.where(values == different[-1], np.nan, values)) or 0.0
    if step > COARSE_OVER_NOISE * noise:
        return 0
    enough = top >= PLATEAU_PIXELS_COARSE or step <= noise
    return top if enough else 0


def _last_digit(values: NDArray[np.float64]) -> float:
    """What the last digit written is worth: 1 for whole numbers, down to a thousandth; 0 for free floats."""
    finite = values[np.isfinite(values)][:4096]
    for digit in (1.0, 0.1, 0.01, 0.001):
        scaled = finite / digit
        # Four-byte floats hold a bench's temperatures to some hundred-thousandths.
        if np.abs(scaled - np.round(scaled)).max(initial=0.0) * digit < 1e-4 and digit > 1e-3:
            return digit
    return 0.0


def _has_detail(values: NDArray[np.float64]) -> bool:
    finite = values[np.isfinite(values)]
    return bool(np.any(finite != finite[:1]))


def check_detail(frames: Sequence[Frame]) -> None:
    """
    Refuse a run none of whose frames shows anything.

    Parameters
    ----------
    frames : sequence of Frame
        All that are there: one with detail is enough, since a closed shutter's are left out later.

    Raises
    ------
    CannotJudge
        In each frame every pixel holds the same value.
    """
    if not any(_has_detail(frame.values) for frame in frames):
        raise CannotJudge(say.NO_DETAIL.sentence, where=str(frames[0].source.path), fix=say.NO_DETAIL.remedy)


def quality_remarks(frames: Sequence[Frame], *, ambient_c: float | None = None) -> tuple[str, ...]:
    """
    What speaks against a run's frames, file by file, in sentences.

    Parameters
    ----------
    frames : sequence of Frame
        Of one or several files; repaired ones, where dead pixels are counted already.
    ambient_c : float, optional

    Returns
    -------
    tuple of str
        Each begins with the file's name. Empty where nothing speaks against them.

    Raises
    ------
    CannotJudge
        The values are the levels of eight-bit data: a picture, or temperatures too coarse to compare parts by.

    Examples
    --------
    >>> from pathlib import Path
    >>> from thermscan.frames.frame import FrameSource
    >>> scene = np.round(22.0 + 9.0 * np.random.default_rng(1).random((60, 80)))
    >>> quality_remarks([Frame(scene, "C", "given", FrameSource(Path("idle.csv"), 0, "", "CSV", "text"))])[0][:58]
    'idle.csv: its values come in steps of 1 K, coarser than an'
    """
    files: dict[Path, list[Frame]] = {}
    for frame in frames:
        files.setdefault(frame.source.path, []).append(frame)
    said: dict[str, list[tuple[str, str]]] = {}
    for path, group in files.items():
        for remark in assess_frames(group, ambient_c=ambient_c).remarks:
            if remark.code == say.EIGHT_BIT.code:
                raise CannotJudge(f"{remark.sentence}, which is not judged", where=str(path), fix=remark.remedy)
            if remark.code != say.DEAD_PIXELS.code:  # told already by the frame that was repaired
                # The same of many files is told once, with the first one's figures.
                alike = re.sub(r"[-+]?\d[\d.]*", "", str(remark))
                said.setdefault(alike, []).append((path.name, str(remark)))
    return tuple(
        f"{each[0][0]}{f' and {len(each) - 1} more' if len(each) > 1 else ''}: {each[0][1]}" for each in said.values()
    )
