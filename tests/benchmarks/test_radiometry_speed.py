"""How long the correction of a frame takes, beside one pass of np.exp; printed with ``pytest -n 0 -s``."""

import time

import numpy as np

from thermscan.radiometry.frame_correction import TOLERANCE_K, plan_correction
from thermscan.radiometry.surface import surface_temperature

ROWS, COLS, SURFACES = 512, 640, 120
ROUNDS = 15


def quickest_s(job):
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        job()
        times.append(time.perf_counter() - start)
    return min(times)


def test_a_frame_with_120_surfaces_is_corrected_in_a_few_passes_of_exp():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:ROWS, :COLS]
    apparent_c = 55 + 30 * np.sin(x / 90) * np.cos(y / 70) + rng.normal(0.0, 0.05, (ROWS, COLS))
    surface_index = ((y // 50) * 11 + x // 55) % SURFACES
    emissivity = rng.uniform(0.8, 0.97, SURFACES)
    range_c = (float(apparent_c.min()), float(apparent_c.max()))

    def plan():
        return plan_correction(surface_index, emissivity=emissivity, reflected_c=22.0, range_c=range_c)

    ready = plan()
    pass_s = quickest_s(lambda: np.exp(apparent_c))
    correct_s, plan_s = quickest_s(lambda: ready.correct(apparent_c)), quickest_s(plan)
    print(f"\none pass of np.exp {pass_s * 1e3:.2f} ms; correcting the frame {correct_s * 1e3:.2f} ms = "
          f"{correct_s / pass_s:.1f} passes; laying out its plan, once a view, {plan_s * 1e3:.1f} ms")  # fmt: skip
    exact_c = surface_temperature(apparent_c, emissivity=emissivity[surface_index], reflected_c=22.0)
    assert np.abs(ready.correct(apparent_c) - exact_c).max() < TOLERANCE_K
