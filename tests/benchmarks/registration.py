"""
How often, how well and how honestly the board is found, against reference libraries in the same run.

    python tests/benchmarks/registration.py --boards 500 --workers 2
    python tests/benchmarks/registration.py --boards 500 --workers 2 --only automatic foreign
    python tests/benchmarks/registration.py --profile 9004
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

# Before numpy comes in: the workers share the processors between them.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np  # noqa: E402
from scipy.stats import beta  # noqa: E402

from tests.benchmarks.registration_trial import KINDS, WRONG_PX, Outcome, Trial, attempt, run_trial  # noqa: E402
from tests.benchmarks.registration_views import benchmark_view  # noqa: E402

TILTS_DEG = (30.0, 45.0)
PROFILED = 14


def upper_bound(wrong: int, tried: int) -> float:
    """
    What the rate of wrong places is below, with 95 % confidence.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413.
    """
    return float(beta.ppf(0.95, wrong + 1, tried - wrong)) if wrong < tried else 1.0


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--cols", type=int, nargs="+", default=[160, 320, 640])
    parser.add_argument("--heights", choices=["flat", "stated", "unstated"], default="flat", help="of the parts")
    parser.add_argument("--only", choices=KINDS, nargs="+", default=KINDS, help="kinds of attempts")
    parser.add_argument("--profile", type=int, metavar="SEED", help="where the time goes in that seed's 640x480 view")
    given = parser.parse_args()
    if given.profile is not None:
        _profile(given.profile, given.heights)
        return
    seeds = range(given.first, given.first + given.boards)
    cols = [given.cols[seed // 2 % len(given.cols)] for seed in seeds]
    same = [given.heights] * len(cols), [tuple(given.only)] * len(cols)
    if given.workers > 1:
        with ProcessPoolExecutor(given.workers) as pool:
            trials = list(pool.map(run_trial, seeds, cols, *same))
    else:
        trials = list(map(run_trial, seeds, cols, *same))
    _print_cases(trials)
    _print_table(trials)
    _print_speed(trials)


def _print_cases(trials: list[Trial]) -> None:
    for trial in trials:
        for name, outcome in trial.outcomes.items():
            if "other view given" in name:
                continue
            meant = "refuse!" in name
            if outcome.error_px is None and not meant:
                what = f"refused: {outcome.said}"
            elif outcome.wrong or (outcome.error_px is not None and meant):
                what = f"WRONG, {outcome.error_px:.1f} px off"
            else:
                continue
            kind = "cool" if trial.cool else "warm"
            where = f"seed {trial.seed}, {trial.cols} px, tilt {trial.tilt_deg:.0f}, {kind}, {name}"
            print(f"{where}: {what}", file=sys.stderr)


def _print_table(trials: list[Trial]) -> None:
    table: dict[str, list[Outcome]] = defaultdict(list)
    for trial in trials:
        for name, outcome in trial.outcomes.items():
            table[name if "refuse!" in name else f"{trial.cols} px, {name}"].append(outcome)
        if "automatic" in trial.outcomes:
            tilt = np.searchsorted(TILTS_DEG, trial.tilt_deg, side="right")
            table[f"tilt {('0-30', '30-45', '45-55')[tilt]} degrees, automatic"].append(trial.outcomes["automatic"])
            table[f"{'cool' if trial.cool else 'warm'} board, automatic"].append(trial.outcomes["automatic"])
            table["all, automatic"].append(trial.outcomes["automatic"])
    print(f"{'':42s} views right% wrong  refused RMS px cover%  CPU s")
    for name in sorted(table):
        print(_row(name, table[name]))
    print(f"right: RMS over part centres at most {WRONG_PX} px; RMS px and cover% (k = 2, per coordinate) of those")
    if table.get("all, automatic"):
        tried = table["all, automatic"]
        wrong = sum(outcome.wrong for outcome in tried)
        bound = 100 * upper_bound(wrong, len(tried))
        print(f"wrong but confident: {wrong} of {len(tried)}; below {bound:.2f} % with 95 % confidence")


def _row(name: str, outcomes: list[Outcome]) -> str:
    errors = np.array([each.error_px for each in outcomes if each.error_px is not None])
    right = errors[errors <= WRONG_PX]
    wrong = len(errors) - len(right)
    covered = [each.covered for each in outcomes if each.error_px is not None and not each.wrong]
    rms = f"{np.sqrt((right**2).mean()):6.3f}" if len(right) else "     -"
    cover = f"{100 * np.nanmean(covered):5.1f}" if covered and np.isfinite(covered).any() else "    -"
    seconds = np.mean([each.seconds for each in outcomes])
    share = 100 * len(right) / len(outcomes)
    refused = len(outcomes) - len(errors)
    return f"{name:42s} {len(outcomes):5d} {share:6.1f} {wrong:6d} {refused:8d} {rms} {cover} {seconds:8.2f}"


def _print_speed(trials: list[Trial]) -> None:
    for cols in sorted({trial.cols for trial in trials}):
        both = [
            (trial.outcomes["automatic"].seconds, trial.floor_seconds)
            for trial in trials
            if trial.cols == cols and "automatic" in trial.outcomes
        ]
        if both:
            ours, floor = np.median(both, axis=0)
            print(
                f"{cols} px: {1e3 * ours:.0f} ms CPU a frame from scratch (median), {ours / floor:.0f} times one",
                end="",
            )
            print(f" warpPerspective plus one Canny of it ({1e3 * floor:.2f} ms)")


def _profile(seed: int, heights: str) -> None:
    view = benchmark_view(seed, cols=640, heights=heights)
    profile = cProfile.Profile()
    profile.enable()
    attempt(view, view)
    profile.disable()
    pstats.Stats(profile).sort_stats("cumulative").print_stats("thermscan|remap|sort|einsum|solve", PROFILED)
    pstats.Stats(profile).sort_stats("tottime").print_stats(PROFILED)


if __name__ == "__main__":
    main()
