"""Results of many views, one JSON line each as soon as it is there."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path


def write_lines(out: Path, run: Callable[..., dict[str, object]], *given: Sequence[object], workers: int) -> None:
    """Write what ``run`` says of each of what is given, in that order; several sequences are its arguments."""
    with out.open("w", encoding="utf-8") as file, ProcessPoolExecutor(workers) as pool:
        for result in pool.map(run, *given):
            file.write(json.dumps(result) + "\n")
            file.flush()


def view_options(description: str | None, *, views: int, out: str) -> argparse.ArgumentParser:
    """Which views are run, where their lines go, and whether tables of kept lines are printed instead."""
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=views)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(out))
    parser.add_argument("--tables", type=Path, help="print these results instead")
    return parser
