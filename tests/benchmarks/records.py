"""
A folder of many small records: how long it takes to index, list and trend it.

    python -m tests.benchmarks.records --records 10000 --boards 50 --parts 12 --folder /tmp/records
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path

import numpy as np

from tests.archive.small_records import small_record
from thermscan.archive.history import Filters, list_document, list_records, looks_at
from thermscan.archive.index import INDEX_FILE, open_index
from thermscan.archive.trend import trend_document, trend_of


def make(folder: Path, *, records: int, boards: int, parts: int, seed: int) -> None:
    """Records of some boards, each looked at three times a specimen."""
    rng = np.random.default_rng(seed)
    usual = rng.uniform(3.0, 25.0, (boards, parts))
    for number in range(records):
        board, visit = number % boards, number // boards
        rises = usual[board] * rng.uniform(0.9, 1.1) + rng.normal(0.0, 0.3, parts) + rng.normal(0.0, 1.0)
        place = folder / f"{number:05d}.zip" if number % 2 else folder / f"{number:05d}"
        small_record(
            place,
            {f"U{index + 1}": float(rise) for index, rise in enumerate(rises)},
            board=f"board {board}",
            serial=f"{visit // 3:04d}",
            taken=f"20{10 + visit % 3 * 5:02d}-05-02T14:30:00Z",
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=int, default=10_000)
    parser.add_argument("--boards", type=int, default=50)
    parser.add_argument("--parts", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, required=True)
    given = parser.parse_args()
    if not given.folder.exists():
        given.folder.mkdir()
        make(given.folder, records=given.records, boards=given.boards, parts=given.parts, seed=given.seed)

    def timed(what: str, work) -> None:
        start, cpu = time.perf_counter(), time.process_time()
        told = work()
        print(f"{what}: {time.perf_counter() - start:.2f} s, processor {time.process_time() - cpu:.2f} s, {told}")

    def listed(**options):
        with open_index(given.folder, **options) as index:
            return len(list_document(list_records(index, Filters()))["records"])

    def trended(ref=None):
        with open_index(given.folder) as index:
            return len(trend_document(trend_of("board 0", looks_at(index, board="board 0"), ref=ref))["points"])

    timed("rebuild", lambda: listed(rebuild=True))
    timed("list", listed)
    timed("trend of one part", lambda: trended("U7"))
    timed("trend of all parts", trended)
    print(f"index {(given.folder / INDEX_FILE).stat().st_size / 1e6:.1f} MB")
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
