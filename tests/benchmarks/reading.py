"""
What reading a frame costs, as a ratio to the bare library call that gets the same numbers: one run, one table.

    python tests/benchmarks/reading.py [--repeats 15]

Processor time, best of the repeats. A reading includes what the bare call does not: the unit settled by the values,
impossible pixels marked, the file's SHA-256.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import tifffile

from thermscan.frames.files import file_digest
from thermscan.frames.quality import assess_frames
from thermscan.frames.reading import read_frames
from thermscan.frames.tiff import read_tiff

SHAPE = (512, 640)


def best_ms(call: Callable[[], object], repeats: int) -> float:
    """Milliseconds of processor time, the least of some."""
    call()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return 1e3 * min(times)


def fastest_table(path: Path) -> dict[str, Callable[[], object]]:
    """General readers of tables that are installed."""
    readers: dict[str, Callable[[], object]] = {"numpy.loadtxt": lambda: np.loadtxt(path, delimiter=";")}
    try:
        import pandas as pd

        readers["pandas.read_csv"] = lambda: pd.read_csv(path, sep=";", header=None).to_numpy()
    except ImportError:
        pass
    try:
        import polars as pl

        readers["polars.read_csv"] = lambda: pl.read_csv(path, separator=";", has_header=False).to_numpy()
    except ImportError:
        pass
    return readers


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--repeats", type=int, default=15)
    repeats = options.parse_args().repeats
    rng = np.random.default_rng(1)
    scene_c = 22.0 + 15.0 * rng.random(SHAPE)
    with tempfile.TemporaryDirectory() as folder:
        tiff, table = Path(folder, "idle.tiff"), Path(folder, "idle.csv")
        tifffile.imwrite(tiff, np.round(100 * (scene_c + 273.15)).astype(np.uint16), photometric="minisblack")
        table.write_text("\n".join(";".join(f"{value:.2f}" for value in row) for row in scene_c) + "\n")
        frames = read_frames(tiff)
        imread = best_ms(lambda: tifffile.imread(tiff), repeats)
        general = {name: best_ms(call, repeats) for name, call in fastest_table(table).items()}
        fastest = min(general.values())
        rows = [
            ("TIFF: tifffile.imread", imread, imread),
            ("TIFF: read_tiff (numbers only)", best_ms(lambda: read_tiff(tiff), repeats), imread),
            ("TIFF: SHA-256 of the file", best_ms(lambda: file_digest(tiff), repeats), imread),
            ("TIFF: read_frames", best_ms(lambda: read_frames(tiff), repeats), imread),
            *((f"CSV: {name}", cost, fastest) for name, cost in general.items()),
            ("CSV: read_frames", best_ms(lambda: read_frames(table), repeats), fastest),
            ("quality: assess_frames", best_ms(lambda: assess_frames(frames), max(repeats // 5, 1)), imread),
        ]
        print(f"{SHAPE[1]} x {SHAPE[0]} pixels; ratios to imread and to the fastest general reader of tables")
        for name, cost, base in rows:
            print(f"{name:34} {cost:9.2f} ms {cost / base:8.1f}")


if __name__ == "__main__":
    main()
