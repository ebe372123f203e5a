"""
Put a known truth in, get it back: simulated boards through the whole of ``inspect``.

    python tests/benchmarks/recovery.py --boards 200 --workers 2

Prints registration error, temperature error, coverage of the stated uncertainties, recall of faults and false
alarms, by camera class. Boards, heat and camera come from samples/simulator, which shares no code with the analysis.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

# Before numpy comes in: the trials share the processors between them, and threads that wait in turns only burn them.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np  # noqa: E402
from recovery_trial import MODES, SHAPES, Options, Outcome, run_trial  # noqa: E402

# A registration further off than this, and not refused, misleads.
WRONG_PX = 1.5
# 95 % of a normal distribution.
TWO_SIDED_95 = 1.959964


def main() -> int:
    """Run the trials and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--first", type=int, default=0, help="number of the first board")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--max-tilt", type=float, default=50.0)
    parser.add_argument("--fault-k", type=float, default=3.0, help="rise that a hot fault adds to its part")
    parser.add_argument("--heights", action="store_true", help="draw parts as boxes, displaced by parallax")
    parser.add_argument("--save", type=Path, help="keep outcomes there as JSON lines; those it has are not run again")
    given = parser.parse_args()
    options = Options(given.seed, given.max_tilt, given.fault_k, given.heights)
    known = _kept(given.save)
    wanted = range(given.first, given.first + given.boards)
    missing = [number for number in wanted if number not in known]
    outcomes, failures = _run(missing, options, workers=given.workers, save=given.save)
    outcomes = sorted([*known.values(), *outcomes], key=lambda outcome: outcome.number)
    print_tables(outcomes)
    for number, failure in failures:
        print(f"board {number} failed: {failure}")
    return 1 if failures else 0


def _kept(path: Path | None) -> dict[int, Outcome]:
    """Outcomes of an earlier run with the same options."""
    if path is None or not path.exists():
        return {}
    outcomes = [Outcome(**json.loads(line)) for line in path.read_text().splitlines()]
    return {outcome.number: outcome for outcome in outcomes}


def _run(
    numbers: Sequence[int], options: Options, *, workers: int, save: Path | None
) -> tuple[list[Outcome], list[tuple[int, str]]]:
    outcomes, failures = [], []
    with ProcessPoolExecutor(workers, initializer=_one_thread) as pool:
        waiting = {pool.submit(run_trial, number, options): number for number in numbers}
        for done, future in enumerate(as_completed(waiting), start=1):
            error = future.exception()
            if error is not None:
                failures.append((waiting[future], f"{type(error).__name__}: {error}"))
            else:
                outcomes.append(future.result())
                if save:
                    with save.open("a") as file:
                        file.write(json.dumps(asdict(outcomes[-1])) + "\n")
            if sys.stderr.isatty():
                print(f"\r{done} of {len(numbers)}", end="", file=sys.stderr)
    return outcomes, sorted(failures)


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def print_tables(outcomes: Sequence[Outcome]) -> None:
    """All tables, and the worst cases for whoever mends them."""
    refused = [outcome for outcome in outcomes if outcome.refused]
    print(
        f"\n{len(outcomes)} boards, {len(refused)} refused in their own mode; clicks are 0.5 px off along each axis\n"
    )
    _registration_table(outcomes)
    _temperature_table(outcomes)
    _fault_table(outcomes)
    _worst(outcomes)


def _registration_table(outcomes: Sequence[Outcome]) -> None:
    print("Registration: error of part centres in pixels, over boards (the mode tried on every frame)")
    print(
        f"{'camera':>9} {'mode':>10} {'tried':>6} {'refused':>8} {'rms':>6} {'median':>7} {'95 %':>6} "
        f"{'max':>6} {'wrong':>6} {'in 2u':>6}"
    )
    for shape, chosen in _classes(outcomes):
        for mode in MODES:
            tried = [outcome for outcome in chosen if mode in outcome.registration_px]
            errors = [
                (o.registration_px[mode], o.stated_px[mode]) for o in tried if o.registration_px[mode] is not None
            ]
            if not tried:
                continue
            px = np.array([error for error, _ in errors])
            within = np.mean([error <= 2.0 * stated for error, stated in errors]) if errors else np.nan
            line = f"{shape:>9} {mode:>10} {len(tried):6d} {len(tried) - len(px):8d}"
            if len(px):
                line += (
                    f" {_rms(px):6.2f} {np.median(px):7.2f} {np.quantile(px, 0.95):6.2f} {px.max():6.2f}"
                    f" {int((px > WRONG_PX).sum()):6d} {within:6.0%}"
                )
            print(line)
    print()


def _temperature_table(outcomes: Sequence[Outcome]) -> None:
    print(
        "Temperature of parts: error after the camera's offset; share of truths within 95 % of the stated uncertainty"
    )
    print(
        f"{'camera':>9} {'parts':>6} {'not m.':>6} {'rms K':>6} {'mean K':>7} {'95 % K':>7} {'max K':>6} "
        f"{'u_c 95 %':>9} {'peers':>6} {'rms K':>6} {'u_k 95 %':>9}"
    )
    for shape, chosen in _classes(outcomes):
        parts = np.array([row for outcome in chosen for row in outcome.parts])
        peers = np.array([row for outcome in chosen for row in outcome.peers])
        if not len(parts):
            continue
        error = parts[:, 0]
        absolute = np.mean(np.abs(parts[:, 1]) <= TWO_SIDED_95 * parts[:, 2])
        line = (
            f"{shape:>9} {len(parts):6d} {sum(o.not_measurable for o in chosen):6d} {_rms(error):6.2f}"
            f" {error.mean():+7.2f} {np.quantile(np.abs(error), 0.95):7.2f} {np.abs(error).max():6.2f} {absolute:9.1%}"
        )
        if len(peers):
            relative = np.mean(np.abs(peers[:, 0]) <= TWO_SIDED_95 * peers[:, 1])
            line += f" {len(peers):6d} {_rms(peers[:, 0]):6.2f} {relative:9.1%}"
        print(line)
    print()


def _fault_table(outcomes: Sequence[Outcome]) -> None:
    print("Findings: 'act' (any finding) of faults whose part could be measured and compared; false 'act' a board")
    print(
        f"{'camera':>9} {'compared':>9} {'boards':>6} {'hot':>14} {'dead':>14} {'culprit':>14} {'unmapped':>14}"
        f" {'innocent act':>13} {'false act':>10}"
    )
    for with_baseline, name in ((False, "peers"), (True, "baseline")):
        for shape, chosen in _classes([o for o in outcomes if o.with_baseline == with_baseline and not o.refused]):
            cells = [_recall(chosen, kind) for kind in ("hot", "dead", "warmed", "unmapped")]
            innocent = [o.innocent_act for o in chosen if o.innocent_act is not None]
            false = sum(len(o.false_acts) for o in chosen) / max(len(chosen), 1)
            print(
                f"{shape:>9} {name:>9} {len(chosen):6d} "
                + " ".join(f"{cell:>14}" for cell in cells)
                + f" {f'{sum(innocent)}/{len(innocent)}':>13} {false:10.2f}"
            )
    print()


def _recall(outcomes: Sequence[Outcome], kind: str) -> str:
    chosen = [o for o in outcomes if o.fault == kind and o.fault_measurable and o.fault_compared]
    found, seen = sum(bool(o.found) for o in chosen), sum(bool(o.found_watch) for o in chosen)
    return f"{found}/{len(chosen)} ({seen})"


def _worst(outcomes: Sequence[Outcome]) -> None:
    judged = [outcome for outcome in outcomes if not outcome.refused]

    def show(title: str, chosen: Sequence[Outcome], tell: Callable[[Outcome], str]) -> None:
        if chosen:
            print(title)
        for o in chosen:
            print(f"  board {o.number} {_name(o.shape)} {o.mode} tilt {o.tilt_deg:.0f} fault {o.fault}: {tell(o)}")

    far = [o for o in judged if max((e or 0.0) for e in o.registration_px.values()) > WRONG_PX]
    show("Wrong but not refused:", far, lambda o: str({m: e and round(e, 2) for m, e in o.registration_px.items()}))
    off = sorted((o for o in judged if o.parts), key=lambda o: -max(abs(row[0]) for row in o.parts))[:8]
    show(
        "Largest temperature errors:",
        off,
        lambda o: f"{o.worst_part}, registered to {o.registration_px[o.mode]:.2f} px",
    )
    false = [o for o in judged if o.false_acts]
    show("False 'act':", false, lambda o: ("baseline; " if o.with_baseline else "peers; ") + ", ".join(o.false_acts))
    missed = [o for o in judged if o.found is False and o.fault_measurable]
    show("Faults not found:", missed, _why_missed)
    show("Refused:", [o for o in outcomes if o.refused], lambda o: str(o.refused))
    seconds = [o.seconds for o in judged]
    if seconds:
        print(f"One inspection: median {np.median(seconds):.2f} s, longest {max(seconds):.2f} s")


def _why_missed(outcome: Outcome) -> str:
    if not outcome.fault_compared:
        return "nothing to compare it with"
    return "baseline" if outcome.with_baseline else "peers"


def _classes(outcomes: Sequence[Outcome]) -> list[tuple[str, list[Outcome]]]:
    by_shape = [(_name(shape), [o for o in outcomes if tuple(o.shape) == shape]) for shape in SHAPES]
    return [(name, chosen) for name, chosen in [*by_shape, ("all", list(outcomes))] if chosen]


def _name(shape: Sequence[int]) -> str:
    return f"{shape[1]}x{shape[0]}"


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    raise SystemExit(main())
