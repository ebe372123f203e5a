"""
What the judge finds, and whom it accuses wrongly, on simulated boards seen with a good registration.

    python tests/benchmarks/judging.py --boards 100 --workers 2 --fault-k 1,2,3,5

Each board is judged in 2 + 3 n views for n sizes of fault, each with and without known-good runs. Boards, heat
(finite elements) and camera come from samples/simulator, which shares no code with the analysis.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

# One thread a worker: the workers share the machine among themselves.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from judging_looks import Options
from judging_tables import print_cases, print_powers, print_suspicions, print_table
from judging_trial import Outcome, run_trial


def main() -> int:
    """Run the trials and print the tables."""
    given = _arguments()
    options = Options(
        seed=given.seed,
        shape=(given.rows, given.rows * 4 // 3),
        good_shape=(given.good_rows, given.good_rows * 4 // 3) if given.good_rows else None,
        fault_k=given.fault_k,
        max_tilt_deg=given.max_tilt,
        world=given.world,
        good_runs=given.good_runs,
        load=given.load,
        other_ambient_k=given.other_ambient,
    )
    outcomes = _run(range(given.first, given.first + given.boards), options, given.workers)
    if given.save:
        given.save.write_text("".join(json.dumps(asdict(outcome)) + "\n" for outcome in outcomes))
    sizes = ", ".join(f"{size:g}" for size in options.fault_k)
    camera = f"{options.shape[1]} x {options.shape[0]}"
    print(f"{given.boards} boards, {camera}, faults of {sizes} K, {len(outcomes)} judged views")
    for with_baseline in (False, True):
        print_table([o for o in outcomes if o.with_baseline == with_baseline], with_baseline=with_baseline)
    print_suspicions(outcomes)
    print_powers(outcomes)
    if given.cases:
        print_cases(outcomes)
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=int, default=240, help="rows of the camera, 4:3")
    parser.add_argument("--good-rows", type=int, help="rows of the camera of the known-good runs, where it is another")
    parser.add_argument(
        "--fault-k", type=_numbers, default=(3.0,), help="rises that hot faults add to their part: 1,2,3,5"
    )
    parser.add_argument("--max-tilt", type=float, default=50.0)
    parser.add_argument(
        "--world", choices=("even", "uneven", "patchy", "flush"), default="uneven", help="the boards' heat"
    )
    parser.add_argument("--good-runs", type=int, default=3)
    parser.add_argument(
        "--load", type=_numbers, default=(0.9, 1.1), help="bounds of the load against the usual: 0.7,1.3"
    )
    parser.add_argument("--other-ambient", type=float, default=0.0, help="kelvin warmer than at the known-good runs")
    parser.add_argument("--save", type=Path, help="write every outcome there as JSON lines")
    parser.add_argument("--cases", action="store_true", help="list what was missed and who was accused wrongly")
    return parser.parse_args()


def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(each) for each in text.split(","))


def _run(numbers: Sequence[int], options: Options, workers: int) -> list[Outcome]:
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(run_trial, number, options) for number in numbers]
        for done, future in enumerate(as_completed(waiting), start=1):
            outcomes += future.result()
            if sys.stderr.isatty():
                print(f"\r{done} of {len(numbers)}", end="", file=sys.stderr)
    return sorted(outcomes, key=lambda outcome: outcome.number)


if __name__ == "__main__":
    sys.exit(main())
