"""
How well the end of a warm-up is told from its beginning: ``tests/benchmarks/warmup_trials.py --boards 14 --seed 500``.

Random boards are warmed up by finite elements (the simulator's, which the analysis does not share). Their parts are
read as the camera would give them: means of some pixels at 9 Hz with noise, a slow wander that all share in part, and
rounding. The recording ends after so many time constants (the time to 63.2 % of the usual part).
"""

import argparse
import time

import numpy as np

from samples.simulator import sample_board, sample_powers, solve_board, warm_up
from thermscan.dynamics.warmup import fit_curves

RATE_HZ, NETD_K, PIXELS = 9.0, 0.05, 25
LEAST_RISE_K = 2.0


def trial(seed: int, constants: float) -> list[tuple[float, float, float, float, float]]:
    """For each part that rises: error, uncertainty, interval's ends about the truth, and the rise."""
    rng = np.random.default_rng(seed)
    board = sample_board(rng, parts=int(rng.integers(20, 45)))
    powers = sample_powers(rng, board)
    facts = {"sheet_w_per_k": float(rng.uniform(0.006, 0.03)), "loss_w_per_m2k": float(rng.uniform(12.0, 25.0))}
    solved_s = np.unique(np.round(np.geomspace(1.0, 1500.0, 90)))
    fields = warm_up(board, powers, solved_s, ambient_c=22.0, step_s=1.0, **facts)
    steady = solve_board(board, powers, ambient_c=22.0, **facts)
    parts = [part for part in board.parts if part.surface.emissivity > 0.5]
    curves = np.array([[22.0] * len(parts)] + [[field.body_c[part.ref] for part in parts] for field in fields])
    ends = np.array([steady.body_c[part.ref] for part in parts])
    at = np.concatenate([[0.0], solved_s])
    t63 = np.median([np.interp(0.632, (curve - 22.0) / (end - 22.0), at)
                     for curve, end in zip(curves.T, ends, strict=True) if end - 22.0 > LEAST_RISE_K])  # fmt: skip
    times = np.arange(-5.0, constants * t63, 1 / RATE_HZ)
    seen = np.array([np.interp(np.maximum(times, 0), at, curve) for curve in curves.T]).T
    wander = np.cumsum(rng.normal(0, 1, len(times))) * 0.02 / np.sqrt(len(times))
    own = np.cumsum(rng.normal(0, 1, seen.shape), axis=0) * 0.02 / np.sqrt(len(times))
    seen = seen + rng.normal(0, NETD_K / np.sqrt(PIXELS), seen.shape) + wander[:, None] + own
    fits = fit_curves(times, np.round(seen, 3), power_on_s=0.0)
    told = []
    for fit, end in zip(fits, ends, strict=True):
        if end - 22.0 > LEAST_RISE_K:
            low, high = fit.steady_interval_c
            told.append((fit.steady_c - end, fit.steady_u_k, low - end, high - end, end - 22.0))
    return told


def main() -> None:
    """Print one line a number of time constants."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=14)
    parser.add_argument("--seed", type=int, default=500)
    parser.add_argument("--constants", default="1,2,3")
    given = parser.parse_args()
    for constants in (float(each) for each in given.constants.split(",")):
        began = time.process_time()
        told = np.array([row for n in range(given.boards) for row in trial(given.seed + n, constants)])
        error, u, low, high, rise = told.T
        inside = (low <= 0) & (high >= 0)
        print(
            f"{constants:g} time constants: {len(told)} parts of {given.boards} boards, rise {np.median(rise):.1f} K: "
            f"error {np.sqrt((error**2).mean()):.2f} K rms, bias {error.mean():+.2f}, u {np.median(u):.2f} K (median), "
            f"95 % interval holds {100 * inside.mean():.1f} %; {time.process_time() - began:.0f} s"
        )


if __name__ == "__main__":
    main()
