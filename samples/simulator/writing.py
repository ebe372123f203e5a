"""Frames written as a camera's software would."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import tifffile

from samples.simulator.shapes import Array


def write_tiff(path: Path, frames_c: Sequence[Array], *, unit: str = "cK", times_s: Sequence[float] = ()) -> None:
    """
    One page a frame: 16 bits in ``cK`` or ``dK``, 32-bit floats in ``C`` or ``K``; the description states the unit.

    Raises
    ------
    ValueError
        Another unit.
    """
    with tifffile.TiffWriter(path) as writer:
        for page, frame_c in enumerate(frames_c):
            text = f"unit: {unit}" + (f"; time_s: {times_s[page]:.2f}" if len(times_s) else "")
            values = _stored(frame_c, unit)
            predictor = 2 if values.dtype.kind == "u" else None
            writer.write(
                values,
                description=text,
                compression="zlib",
                predictor=predictor,
                photometric="minisblack",
                contiguous=False,
                metadata=None,
                software="",
            )


def _stored(frame_c: Array, unit: str) -> np.ndarray:
    if unit in ("cK", "dK"):
        scale = {"cK": 100.0, "dK": 10.0}[unit]
        return np.clip(np.round((frame_c + 273.15) * scale), 0, 65535).astype(np.uint16)
    if unit in ("C", "K"):
        return (frame_c + (273.15 if unit == "K" else 0.0)).astype(np.float32)
    raise ValueError(f"no such unit: {unit}")


def write_csv(
    path: Path,
    frame_c: Array,
    *,
    separator: str = ",",
    decimal: str = ".",
    header: Sequence[str] = (),
    indices: bool = False,
    digits: int = 2,
    encoding: str = "utf-8",
) -> None:
    """One frame in degrees Celsius as text, in one of the dialects that programs write."""
    lines = list(header)
    if indices:
        lines.append(separator.join(["", *(str(col) for col in range(frame_c.shape[1]))]))
    for number, row in enumerate(frame_c):
        cells = [f"{value:.{digits}f}".replace(".", decimal) for value in row]
        lines.append(separator.join([str(number), *cells] if indices else cells))
    path.write_text("\n".join(lines) + "\n", encoding=encoding, newline="")
