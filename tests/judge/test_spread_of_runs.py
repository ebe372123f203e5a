"""How much good runs differ is told without bias, from few of them."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.expected import expect_from
from thermscan.judge.spread import shrunk_scales

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
    told = shrunk_scales(seen, nature, noise=noise, degrees=8.0, bounds=(0.25, 4.0))
    assert told.nature == pytest.approx(1.0, abs=0.35)
    # And where noise is most of what is seen, the data are worth less than where there is none.
    assert told.degrees < shrunk_scales(seen, nature, noise=np.zeros(800), degrees=8.0, bounds=(0.25, 4.0)).degrees


@pytest.mark.parametrize(("nature", "steady"), [(1.0, 0.3), (0.7, 1.0), (1.6, 0.5)])
def test_what_grows_with_the_heat_and_what_does_not_are_told_apart_blind_to_faults(nature: float, steady: float):
    rng = np.random.default_rng(6)
    # Half of the parts give little heat, half much: 0.1 and 0.8 K by nature beside 0.4 K of the camera.
    grown_k = np.where(np.arange(400) % 2, 0.1, 0.8)
    seen_k = rng.normal(0.0, np.hypot(nature * grown_k, steady * 0.4))
    faulty_k = seen_k + np.where(np.arange(400) % 20 == 0, 15.0, 0.0)
    for excess_k in (seen_k, faulty_k):
        told = shrunk_scales(excess_k, grown_k, noise=0.0, steady=0.4, degrees=8.0, bounds=(0.25, 4.0))
        # 200 values each tell a standard deviation to 5 %; what was expected holds them a little towards 1.
        assert (told.nature, told.steady) == pytest.approx((nature, steady), rel=0.2)


def test_without_data_the_mean_squares_are_what_was_expected():
    # One part that shows nothing out of the way hardly moves what is known before.
    told = shrunk_scales([1.0], [0.5], noise=0.0, steady=np.sqrt(0.75), degrees=8.0, bounds=(0.25, 4.0))
    assert told.nature**2 * 0.25 + told.steady**2 * 0.75 == pytest.approx(1.0, abs=0.15)
