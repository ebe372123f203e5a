"""Frames that anything can read in ten years: kelvin as 32-bit floats in TIFF, and as text in CSV."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import PurePosixPath

import numpy as np
import tifffile
from numpy.typing import NDArray

from thermscan.archive.names import free_path
from thermscan.frames.frame import Frame
from thermscan.frames.reading import read_frames
from thermscan.frames.units import COUNTS, celsius
from thermscan.radiometry.camera import Camera, read_camera
from thermscan.radiometry.imaging import form_image
from thermscan.runs.run import Run
from thermscan.scales import abs_k_from_c
from thermscan.writing.tree import Tree

FOLDER = "kelvin"


def write_plain_frames(run: Run, tree: Tree) -> tuple[str, ...]:
    """
    Write every frame of a run as kelvin, one TIFF a file and one CSV a page.

    A pixel that has no number is NaN in both. Counts are turned into apparent temperatures by the run's camera file.

    Parameters
    ----------
    run : Run
    tree : Tree
        The record's ``data/`` folder.

    Returns
    -------
    tuple of str
        What was written, by its path in the tree.
    """
    camera = read_camera(run.camera)
    unit = COUNTS if camera.reads_counts else run.unit
    written: list[str] = []
    taken: set[str] = set()
    for path in (*run.frames, *getattr(run, "off_frames", ())):
        frames = read_frames(path, unit=unit, ambient_c=run.ambient_c)
        name = PurePosixPath(free_path(FOLDER, f"{path.stem}.tiff", taken))
        tree.put(str(name), tiff_bytes([_kelvin(frame, camera, run) for frame in frames]))
        written.append(str(name))
        for number, frame in enumerate(frames):
            page = "" if len(frames) == 1 else f"-page-{number:05d}"
            text = f"{name.parent}/{name.stem}{page}.csv"
            tree.put(text, ("\n".join(csv_rows(_kelvin(frame, camera, run))) + "\n").encode("ascii"))
            written.append(text)
    return tuple(written)


def _kelvin(frame: Frame, camera: Camera, run: Run) -> NDArray[np.float32]:
    if frame.unit == COUNTS:
        image = form_image(frame, camera, camera_emissivity=run.camera_emissivity, reflected_c=run.reflected_c)
        return abs_k_from_c(image.apparent_c).astype(np.float32)
    return abs_k_from_c(celsius(frame.values, frame.unit)).astype(np.float32)


def tiff_bytes(pages: list[NDArray[np.float32]]) -> bytes:
    """Pages of kelvin as a TIFF whose bytes hang on them alone."""
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as tiff:
        for page in pages:
            tiff.write(
                page,
                photometric="minisblack",
                compression="zlib",
                description="apparent temperature, unit=K",
                software="thermscan",
                metadata=None,
                contiguous=False,
            )
    return stream.getvalue()


def csv_rows(values: NDArray[np.float32]) -> Iterator[str]:
    """
    Rows of a CSV: each number in the fewest digits that give the same 32-bit float again.

    Examples
    --------
    >>> list(csv_rows(np.array([[295.15, np.nan]], dtype=np.float32)))
    ['295.15,nan']
    """
    for row in values.astype(np.str_):
        yield ",".join(row)
