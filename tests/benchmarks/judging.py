"""
What the judge finds, and whom it accuses wrongly, on simulated boards seen with a good registration.

    python tests/benchmarks/judging.py --boards 100 --workers 2 --fault-k 3

Boards, heat (finite elements) and camera come from samples/simulator, which shares no code with the analysis.
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

import numpy as np
from judging_trial import Options, Outcome, run_trial


def main() -> int:
    """Run the trials and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=int, default=240, help="rows of the camera, 4:3")
    parser.add_argument("--fault-k", type=float, default=3.0, help="rise that a hot fault adds to its part")
    parser.add_argument("--max-tilt", type=float, default=50.0)
    parser.add_argument(
        "--world", choices=("even", "uneven", "patchy", "flush"), default="uneven", help="the boards' heat"
    )
    parser.add_argument("--good-runs", type=int, default=3)
    parser.add_argument("--save", type=Path, help="write every outcome there as JSON lines")
    parser.add_argument("--cases", action="store_true", help="list what was missed and who was accused wrongly")
    given = parser.parse_args()
    options = Options(
        seed=given.seed,
        shape=(given.rows, given.rows * 4 // 3),
        fault_k=given.fault_k,
        max_tilt_deg=given.max_tilt,
        world=given.world,
        good_runs=given.good_runs,
    )
    outcomes = _run(range(given.first, given.first + given.boards), options, given.workers)
    if given.save:
        given.save.write_text("".join(json.dumps(asdict(outcome)) + "\n" for outcome in outcomes))
    print(f"{given.boards} boards, {options.shape[1]} x {options.shape[0]}, hot faults of {options.fault_k:g} K\n")
    for with_baseline in (False, True):
        _print_table([o for o in outcomes if o.with_baseline == with_baseline], with_baseline)
    _print_powers(outcomes)
    if given.cases:
        _print_cases(outcomes)
    return 0


def _run(numbers: Sequence[int], options: Options, workers: int) -> list[Outcome]:
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(run_trial, number, options) for number in numbers]
        for done, future in enumerate(as_completed(waiting), start=1):
            outcomes += future.result()
            if sys.stderr.isatty():
                print(f"\r{done} of {len(numbers)}", end="", file=sys.stderr)
    return sorted(outcomes, key=lambda outcome: outcome.number)


def _print_table(outcomes: Sequence[Outcome], with_baseline: bool) -> None:
    print(f"{'with known-good runs' if with_baseline else 'peers alone'}")
    print(f"  {'':34}{'cases':>6}{'act':>7}{'act or watch':>14}")
    rows = [
        ("hot, in a group" if not with_baseline else "hot", "hot", lambda o: with_baseline or o.grouped),
        ("warming a neighbour", "warmed", lambda o: with_baseline or o.grouped),
        ("dead, peers rise 5 K or more", "dead", lambda o: o.grouped and o.peers_rise_k >= 5),
        ("dead, peers rise less", "dead", lambda o: o.grouped and o.peers_rise_k < 5),
        ("heat where no part is", "unmapped", lambda _: True),
    ]
    for label, kind, holds in rows:
        chosen = [o for o in outcomes if o.kind == kind and holds(o) and (o.measurable or kind == "unmapped")]
        if chosen:
            found = np.mean([o.found for o in chosen])
            watched = np.mean([o.watched for o in chosen])
            print(f"  {label:34}{len(chosen):6}{found:7.1%}{watched:14.1%}")
    good = [o for o in outcomes if o.kind == "good"]
    print(f"  false 'act' a good board   {np.mean([len(o.false_acts) for o in good]):.3f}")
    print(f"  false 'watch' a good board {np.mean([len(o.false_watches) for o in good]):.3f}")
    faulty = [o for o in outcomes if o.kind != "good"]
    print(f"  wrong 'act' a faulty board {np.mean([len(o.false_acts) for o in faulty]):.3f}")
    scores = np.array([score for o in good for score in o.scores])
    if len(scores):
        print(f"  scores on good boards: spread {np.std(scores):.2f}, beyond 2: {np.mean(np.abs(scores) > 2):.1%}")
    warmed = [o for o in outcomes if o.kind == "warmed"]
    act, watch = np.mean([o.innocent_act for o in warmed]), np.mean([o.innocent_watch for o in warmed])
    print(f"  warmed neighbour: 'act' {act:.1%}, mentioned {watch:.1%} of {len(warmed)}\n")


def _print_powers(outcomes: Sequence[Outcome]) -> None:
    error = np.array([e for o in outcomes if not o.with_baseline for e in o.power_error])
    z = np.array([e for o in outcomes if not o.with_baseline for e in o.power_z])
    if len(error):
        print(
            f"powers of {len(error)} parts above 0.3 W: mean error {np.mean(np.abs(error)):.1%}, median "
            f"{np.median(np.abs(error)):.1%}; within 2 stated u: {np.mean(np.abs(z) < 2):.0%}"
        )


def _print_cases(outcomes: Sequence[Outcome]) -> None:
    for o in outcomes:
        missed = o.kind != "good" and not o.found and (o.measurable or o.kind == "unmapped")
        if missed or o.false_acts:
            what = "baseline" if o.with_baseline else "peers"
            print(f"board {o.number} {o.kind} {o.fault_ref} {what}{' MISSED' if missed else ''} false {o.false_acts}")
            for line in o.evidence:
                print("     ", line)


if __name__ == "__main__":
    sys.exit(main())
