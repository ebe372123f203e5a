"""A frame file's facts, for a person and for a program."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.frames.frame import Frame
from thermscan.frames.quality import Quality, assess_frames
from thermscan.frames.reading import read_frames
from thermscan.frames.units import COUNTS, celsius
from thermscan.frozen import dataclass

_NOISE_FROM = {"frames": "differences between frames", "pixels": "one frame's fine residue"}
SCHEMA = "thermscan.frame/1"
_FROM = {"file": "as the file states", "given": "as given", "assumed": "assumed"}


@dataclass(frozen=True, slots=True)
class Range:
    """Lowest, 5 %, median, 95 % and highest value; in °C, or in counts."""

    lowest: float
    low: float
    median: float
    high: float
    highest: float


@dataclass(frozen=True, slots=True, eq=False)
class FileFacts:
    """What one frame file holds."""

    path: Path
    frames: tuple[Frame, ...]
    range: Range
    quality: Quality

    @property
    def in_counts(self) -> bool:
        """The values are counts, which need a camera file."""
        return self.frames[0].unit == COUNTS


def file_facts(path: Path, *, unit: str | None = None, ambient_c: float | None = None) -> FileFacts:
    """
    What is in one frame file.

    Raises
    ------
    InputError
        As `read_frames`.
    """
    frames = read_frames(path, unit=unit, ambient_c=ambient_c)
    values = np.concatenate([frame.values.ravel() for frame in frames])
    finite = values[np.isfinite(values)]
    shown = finite if frames[0].unit == COUNTS else celsius(finite, frames[0].unit)
    five = [round(float(value), 4) for value in np.percentile(shown, [0, 5, 50, 95, 100])]
    return FileFacts(path, frames, Range(*five), assess_frames(frames, ambient_c=ambient_c))


def facts_text(facts: FileFacts) -> str:
    """The facts as lines for a person."""
    first, quality, span = facts.frames[0], facts.quality, facts.range
    rows, cols = first.shape
    measure = "counts" if facts.in_counts else "°C"
    values = f"{first.unit}, {_FROM[first.unit_source]}"
    lines = [
        str(facts.path),
        f"  format      {first.source.file_format}, {first.source.stored_as}",
        f"  size        {cols} x {rows} pixels, {_pages(len(facts.frames))}{_duration(facts.frames)}",
        f"  unit        {values}",
        f"  range       {span.lowest:.2f} … {span.highest:.2f} {measure}; median {span.median:.2f}, "
        f"5 % {span.low:.2f}, 95 % {span.high:.2f}",
        f"  bad pixels  {quality.bad_pixels}{_dead(quality)}",
        f"  noise       {_noise(quality, measure)}",
        f"  sha256      {first.source.sha256}",
    ]
    if quality.blur_px is not None:
        lines.insert(-1, f"  sharpness   {_sharpness(quality.blur_px)}")
    lines.extend(f"  note: {remark}" for remark in dict.fromkeys(r for frame in facts.frames for r in frame.remarks))
    lines.extend(f"  quality: {remark}" for remark in quality.remarks)
    if not quality.remarks:
        lines.append("  quality: nothing speaks against this file")
    return "\n".join(lines)


def facts_document(files: Sequence[FileFacts]) -> dict[str, Any]:
    """The facts of several files as one document for ``--json``."""
    return {"schema": SCHEMA, "files": [_document(facts) for facts in files]}


def _document(facts: FileFacts) -> dict[str, Any]:
    first, quality = facts.frames[0], facts.quality
    rows, cols = first.shape
    unit = "counts" if facts.in_counts else "c"
    span = facts.range
    return {
        "path": str(facts.path),
        "format": first.source.file_format,
        "stored_as": first.source.stored_as,
        "sha256": first.source.sha256,
        "rows": rows,
        "cols": cols,
        "pages": len(facts.frames),
        "times_s": None if first.time_s is None else [frame.time_s for frame in facts.frames],
        "unit": first.unit,
        "unit_source": first.unit_source,
        f"range_{unit}": {
            "min": span.lowest,
            "p5": span.low,
            "median": span.median,
            "p95": span.high,
            "max": span.highest,
        },
        "bad_pixels": quality.bad_pixels,
        "noise_k": None if facts.in_counts else quality.noise_k,
        "noise_from": quality.noise_from,
        "step_k": None if facts.in_counts else quality.steps.step,
        "levels": quality.steps.levels,
        "edge_blur_px": quality.blur_px,
        "column_pattern_k": None if facts.in_counts else quality.stripes.columns,
        "row_pattern_k": None if facts.in_counts else quality.stripes.rows,
        "dead_pixels": quality.dead_pixels,
        "flickering_pixels": quality.flickering_pixels,
        "saturated_pixels": quality.saturated_pixels,
        "repeated_frames": quality.repeated_frames,
        "averaging": quality.averaging,
        "remarks": list(dict.fromkeys(remark for frame in facts.frames for remark in frame.remarks)),
        "quality": [{"code": r.code, "text": r.sentence, "remedy": r.remedy} for r in quality.remarks],
    }


def _pages(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


def _duration(frames: Sequence[Frame]) -> str:
    last = frames[-1].time_s
    return "" if last is None else f" over {last:.2f} s"


def _noise(quality: Quality, measure: str) -> str:
    if quality.noise_k is None:
        return "cannot be told"
    size = f"{quality.noise_k * 1000:.0f} mK" if measure == "°C" else f"{quality.noise_k:.3g} {measure}"
    return f"{size} a pixel, from {_NOISE_FROM[quality.noise_from]}"


def _dead(quality: Quality) -> str:
    return f", and {quality.dead_pixels} dead" if quality.dead_pixels else ""


def _sharpness(blur_px: float) -> str:
    # Below a pixel the figure is vague; see edge_blur_px.
    return "edges within a pixel" if blur_px < 1.0 else f"edges {blur_px:.1f} pixels wide (standard deviation)"
