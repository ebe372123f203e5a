"""Frames written as a camera's software would."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import tifffile

from samples.simulator.shapes import Array
from samples.simulator.solver import DEFAULT_HEIGHT_MM
from thermscan.layout.board import Board

_SIZE = ("length_mm", "width_mm", "height_mm")


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


def write_layout(folder: Path, board: Board) -> Path:
    """``board.toml`` and ``parts.csv`` of a board, with every body given in millimetres; the layout's path."""
    outline = ", ".join(f"[{x:.4f}, {y:.4f}]" for x, y in np.asarray(board.outline_mm))
    lines = [
        "[board]",
        f'name = "{board.name}"',
        *([f'revision = "{board.revision}"'] if board.revision else []),
        f"outline_mm = [{outline}]",
        f"thickness_mm = {board.thickness_mm}",
        f'surface = "{board.surface.name}"',
        'parts = "parts.csv"',
    ]
    path = folder / "board.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    with (folder / "parts.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["ref", "kind", *_SIZE, "x_mm", "y_mm", "rotation_deg", "group", "surface"])
        for part in board.parts:
            size = [part.length_mm, part.width_mm, DEFAULT_HEIGHT_MM if part.height_mm is None else part.height_mm]
            place = [part.x_mm, part.y_mm, part.rotation_deg]
            table.writerow([part.ref, part.kind or "", *size, *place, part.group or "", part.surface.name])
    return path
