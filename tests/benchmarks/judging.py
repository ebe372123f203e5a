"""
What inspect finds, and whom it accuses wrongly, on boards that nobody has seen, through files as a user has them.

    python tests/benchmarks/judging.py --first 1000 --boards 60 --save trials.jsonl --workers 2
    python tests/benchmarks/judging.py --tables trials.jsonl [--against older.jsonl | --short]

    python tests/benchmarks/judging.py --first 1000 --boards 60 --save trials.jsonl --seen FOLDER
    python tests/benchmarks/judging.py --first 1000 --boards 60 --save judged-again.jsonl --rejudge FOLDER

Each board is another type, solved by finite elements (samples/simulator, and worlds of judging_world.py), looked at
by a camera with a real sensor's faults. Its three good runs and four looks (good, hot, and in turn two of: hot, dead,
warming a neighbour, heat where no part is) are written as TIFF and TOML files without corners and without heights,
and go through read_run and inspect_run; so do two more that are judged as lone boards only (a part at three times
what its data sheet calls typical, and a dead one). One JSON line a look and way of judging; a board that is in the
file is not run again. What the judge was given is kept with `--seen`; `--rejudge` puts another judge before the same.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
OWN_TREE = HERE.parents[1]
sys.path[:0] = [str(OWN_TREE), str(HERE)]


@dataclass(frozen=True, slots=True)
class Options:
    """How the trials are run."""

    seed: int
    tree: Path
    ways: str
    keep: Path | None
    seen: Path | None
    rejudge: Path | None


def main() -> int:
    """Run the boards that are missing, or print the tables of those that are there."""
    given = _arguments()
    if given.tables:
        from judging_compare import print_comparison
        from judging_tables import print_tables

        lines = [line for path in given.tables for line in _kept(path)]
        if given.short:
            from judging_short import print_short

            print_short(lines)
        elif given.against:
            print_comparison(_kept(given.against), lines)
        else:
            print_tables(lines)
        return 0
    options = Options(given.seed, given.tree.resolve(), given.ways, given.keep, given.seen, given.rejudge)
    failed = _run(options, range(given.first, given.first + given.boards), save=given.save, workers=given.workers)
    for number, why in sorted(failed.items()):
        print(f"board {number} failed: {why}", file=sys.stderr)
    return 1 if failed else 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=60)
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--ways", default="peers,baseline,lone", help="ways of judging")
    parser.add_argument("--tree", type=Path, default=OWN_TREE, help="source tree of the thermscan that judges")
    parser.add_argument("--keep", type=Path, help="keep the boards' files there, for another version of the code")
    parser.add_argument("--seen", type=Path, help="keep there what the judge was given at each look")
    parser.add_argument("--rejudge", type=Path, help="judge again what was kept there, draw and place nothing")
    parser.add_argument("--save", type=Path, default=Path("trials.jsonl"), help="where the lines are added")
    parser.add_argument("--tables", type=Path, nargs="+", help="print the tables of these lines, run nothing")
    parser.add_argument("--against", type=Path, help="with --tables: beside these lines of an older version")
    parser.add_argument("--short", action="store_true", help="with --tables: one line a seed")
    return parser.parse_args()


def _run(options: Options, numbers: range, *, save: Path, workers: int) -> dict[int, str]:
    """Why boards could not be run, by number; each board's lines are added as soon as it is done."""
    done = {(line["seed"], line["board"]) for line in _kept(save)}
    missing = [number for number in numbers if (options.seed, number) not in done]
    failed: dict[int, str] = {}
    with ThreadPoolExecutor(workers) as pool:
        waiting = {pool.submit(_judged, options, number): number for number in missing}
        for future in as_completed(waiting):
            try:
                text = future.result()
            except RuntimeError as error:
                failed[waiting[future]] = str(error)
                continue
            # Whole or not at all, so that a run that is killed goes on where it was.
            fresh = save.with_name(f"{save.name}.new")
            fresh.write_text((save.read_text() if save.exists() else "") + text)
            fresh.replace(save)
            if sys.stderr.isatty():
                print(f"\rboard {waiting[future]} done", end="", file=sys.stderr)
    return failed


def _kept(save: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in save.read_text().splitlines()] if save.exists() else []


def _judged(options: Options, number: int) -> str:
    """One board's lines: drawn by one process of this tree, judged by one of the tree under test."""
    file = f"board-{options.seed}-{number}.seen"
    script = [sys.executable, str(HERE / "judging_looks.py")]
    if options.rejudge:
        return _process([*script, str(options.rejudge / file), "--ways", options.ways], options.tree)
    with tempfile.TemporaryDirectory() as temporary:
        folder = (options.keep or Path(temporary)) / f"board-{options.seed}-{number}"
        draw = f"from judging_draw import draw_board; from pathlib import Path; draw_board({options.seed}, {number}, "
        _process([sys.executable, "-c", f"{draw}Path({str(folder)!r}))"], OWN_TREE)
        keep = ["--seen", str(options.seen / file)] if options.seen else []
        return _process([*script, str(folder), "--ways", options.ways, *keep], options.tree)


def _process(command: list[str], tree: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tree), str(HERE)])}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "no reason given")
    return done.stdout


if __name__ == "__main__":
    sys.exit(main())
