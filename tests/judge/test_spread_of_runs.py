"""How much good runs differ is told without bias, from few of them."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.expected import expect_from
from thermscan.judge.spread import shrunk_scale

PARTS, RISE_K, SHARE, NOISE_K = 80, 12.0, 0.08, 0.05


def _runs_of_units(rng: np.random.Generator, count: int) -> Baseline:
    """So many units whose parts' rises differ by 8 %."""
    refs = [f"U{number}" for number in range(PARTS)]
    usual_k = RISE_K * rng.uniform(0.7, 1.3, PARTS)
    runs = []
    for number in range(count):
        seen_k = usual_k * (1 + SHARE * rng.normal(size=PARTS)) + NOISE_K * rng.normal(size=PARTS)
        rises, doubts = dict(zip(refs, seen_k.tolist(), strict=True)), dict.fromkeys(refs, NOISE_K)
        runs.append(BaselineRun(None, f"unit-{number}", None, 30.0, 22.0, None, (str(number),), rises, doubts))
    return Baseline("board", None, "digest", tuple(runs), np.zeros((2, 2)), 1.0)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_the_spread_learned_from_few_runs_is_the_units_own(count: int):
    rng = np.random.default_rng(4)
    ratios = []
    for _ in range(12):
        expected = expect_from(_runs_of_units(rng, count), same_serial=False)
        ratios.append(np.mean((expected.sd_k / (SHARE * expected.mean_k)) ** 2))
    # Twelve boards of 80 parts tell the root of the mean square within 5 %; the prior holds it a little towards its
    # own share. The spread about the runs' own mean, not corrected for their number, is 0.71 of it for two runs.
    assert np.sqrt(np.mean(ratios)) == pytest.approx(1.0, abs=0.12)


def test_noise_of_measuring_is_not_counted_as_natural_spread():
    rng = np.random.default_rng(5)
    nature, noise = np.full(800, 0.4), np.full(800, 0.8)
    seen = rng.normal(0.0, np.hypot(nature, noise))
    factor, degrees = shrunk_scale(seen, nature, noise=noise, degrees=8.0, bounds=(0.25, 4.0))
    assert factor == pytest.approx(1.0, abs=0.35)
    # And where noise is most of what is seen, the data are worth less than where there is none.
    assert degrees < shrunk_scale(seen, nature, noise=np.zeros(800), degrees=8.0, bounds=(0.25, 4.0))[1]
