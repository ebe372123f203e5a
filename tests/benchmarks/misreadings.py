"""
How often a good part is read wrongly, by how many of a board's good runs could measure it.

    python tests/benchmarks/misreadings.py FOLDER [FOLDER ...]

Each folder holds what the judge was given at looks (`judging.py --seen`). A reading is wrong where, less what all
parts of its look are off by (their median, the camera's offset), it is off by more than four of its own standard
uncertainties within the frame and by more than 1 K. The looks judged stand for the good runs: both are made alike, and
of good runs the truth is not kept part by part.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from judging_seen import FromSeen
from judging_tables import bounds

from thermscan.judge.comparison import own_u_k

WRONG_DEVIATIONS, WRONG_K = 4.0, 1.0
Part = tuple[str, str]


@dataclass
class Count:
    """Readings and parts, and those of them that were wrong."""

    readings: int = 0
    wrong: int = 0
    parts: set[Part] = field(default_factory=set)
    wrong_parts: set[Part] = field(default_factory=set)


def main() -> int:
    """Print a row for each number of good runs that measured the part."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    counts: dict[tuple[int, int], Count] = defaultdict(Count)
    for folder in parser.parse_args().folders:
        for path in sorted(folder.glob("*.seen")):
            _add(counts, path.stem, FromSeen(path))
    print("| measured in | wrong readings | wrong parts | boards of those | of parts, 95 % |\n|" + " --- |" * 5)
    for (measured, runs), count in sorted(counts.items()):
        print(f"| {measured} of {runs} good runs | {_row(count)} |")
    return 0


def _add(counts: dict[tuple[int, int], Count], board: str, kept: FromSeen) -> None:
    """Count the good parts of a board's looks, as they were read without its good runs."""
    readings = {
        name: {m.part.ref: m for m in given.positional[0] if m.measurable}
        for (name, with_good_runs), given in kept.given.items()
        if not with_good_runs and given.refused is None
    }
    good_runs = [seen for name, seen in readings.items() if name.startswith("good-")]
    for look in kept.truth["looks"]:
        at_fault = look["fault"]["ref"] if look["fault"] else None
        seen = readings.get(look["name"], {})
        off_k = {ref: m.mean_c - look["parts"][ref][0] for ref, m in seen.items() if ref in look["parts"]}
        shared_k = float(np.median(list(off_k.values()))) if off_k else 0.0
        for ref in off_k.keys() - {at_fault}:
            error_k = abs(off_k[ref] - shared_k)
            count = counts[sum(ref in run for run in good_runs), len(good_runs)]
            count.readings += 1
            count.parts.add((board, ref))
            if error_k > max(WRONG_DEVIATIONS * own_u_k(seen[ref]), WRONG_K):
                count.wrong += 1
                count.wrong_parts.add((board, ref))


def _row(count: Count) -> str:
    wrong, parts = len(count.wrong_parts), len(count.parts)
    low, high = bounds(wrong, parts)
    boards = len({board for board, _ in count.wrong_parts}), len({board for board, _ in count.parts})
    return (
        f"{count.wrong} of {count.readings} | {wrong} of {parts} | {boards[0]} of {boards[1]} | "
        f"{100 * low:.2f} to {100 * high:.2f} %"
    )


if __name__ == "__main__":
    raise SystemExit(main())
