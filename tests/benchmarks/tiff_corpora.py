"""
Every TIFF that general-purpose image packages carry for their own tests: a frame, or one line.

    python tests/benchmarks/tiff_corpora.py            fetches Pillow's source package into a temporary folder
    python tests/benchmarks/tiff_corpora.py FOLDER     reads what is there

What is read is compared with what tifffile reads, where it does. An internal fault or a difference ends with status 1.
"""

from __future__ import annotations

import logging
import subprocess
import sys
import tarfile
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
import tifffile

from thermscan.errors import ThermscanError
from thermscan.frames.reading import read_frames

SOURCE_PACKAGES = ("pillow",)
SLOW_S = 2.0


def fetch(folder: Path) -> None:
    """The source packages, unpacked."""
    for package in SOURCE_PACKAGES:
        command = [
            sys.executable,
            "-m",
            "pip",
            "download",
            "--no-binary",
            ":all:",
            "--no-deps",
            "-d",
            str(folder),
            package,
        ]
        subprocess.run(command, check=True, capture_output=True)
    for archive in folder.glob("*.tar.gz"):
        with tarfile.open(archive) as packed:
            packed.extractall(folder, filter="data")


def outcome(path: Path) -> tuple[str, str]:
    """A word for the table, and what there is to say."""
    start = time.process_time()
    try:
        frames = read_frames(path, unit="counts")
    except ThermscanError as error:
        lines = error.lines()
        return ("refused" if len(lines) == 1 else "MANY LINES"), lines[0].replace(str(path), "").strip(":, ")
    except Exception as error:  # what the table is for
        return "FAULT", f"{type(error).__name__}: {error}"
    if time.process_time() - start > SLOW_S:
        return "SLOW", f"{time.process_time() - start:.1f} s"
    said = f"{len(frames)} x {frames[0].shape} {frames[0].source.stored_as}"
    try:
        with tifffile.TiffFile(path) as tiff:
            references = [page.asarray() for page in tiff.pages]
    except Exception as error:  # of the reference, which is not under test
        return "read", f"{said}; the reference fails: {type(error).__name__}"
    # Planes of one page are frames here and one array there; pages left out here are arrays there.
    planes = [plane for array in references for plane in array.reshape(-1, *array.shape[-2:])]
    return ("same" if any(np.array_equal(plane, frames[0].values) for plane in planes) else "DIFFERS"), said


def main() -> int:
    warnings.simplefilter("error")
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(made)
        if len(sys.argv) == 1:
            fetch(folder)
        counted: Counter[str] = Counter()
        for path in sorted(path for path in folder.rglob("*") if path.suffix.lower() in {".tif", ".tiff"}):
            word, said = outcome(path)
            counted[word] += 1
            print(f"{word:10} {path.name[:48]:48} {said[:140]}")
    print(", ".join(f"{count} {word}" for word, count in sorted(counted.items())))
    return int(any(word.isupper() for word in counted))


if __name__ == "__main__":
    sys.exit(main())
