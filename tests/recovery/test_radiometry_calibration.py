"""A calibration from six noisy reference points holds the truth within what it states."""

import numpy as np
import pytest

from thermscan.radiometry.fitting import fit_calibration
from thermscan.radiometry.planck import band_radiance

REFERENCE_C = np.array([2.0, 20.0, 40.0, 60.0, 80.0, 98.0])
AT_C = np.array([0.0, 25.0, 50.0, 75.0, 100.0])
NOISE_K = 0.3
# Of five places the lowest is looked at, so three deviations of a share of so many draws are allowed below 95 %.
LEAST = {draws: 0.95 - 3 * np.sqrt(0.95 * 0.05 / draws) for draws in (250, 500)}


def offset_camera(temp_c):
    return temp_c + 1.2


def gain_camera(temp_c):
    return 1.03 * temp_c - 0.7


def slight_gain_camera(temp_c):
    """The hardest: six points can hardly tell this gain from none."""
    return 1.0075 * temp_c - 0.7


def counting_camera(temp_c):
    return 8000.0 + 60.0 * band_radiance(temp_c)


@pytest.mark.parametrize(
    ("camera", "of", "draws"),
    [
        (offset_camera, "C", 500),
        (gain_camera, "C", 500),
        (slight_gain_camera, "C", 500),
        # A fit takes ten times as long.
        (counting_camera, "counts", 250),
    ],
    ids=lambda item: getattr(item, "__name__", item),
)
def test_the_truth_lies_within_the_stated_uncertainty(camera, of, draws):
    rng = np.random.default_rng(7)
    held, values = np.zeros(AT_C.size), camera(AT_C)
    for _ in range(draws):
        noisy_c = REFERENCE_C + rng.normal(0.0, NOISE_K, REFERENCE_C.size)
        fit = fit_calibration(camera(REFERENCE_C), noisy_c, of=of, leave_one_out=False)
        held += np.abs(fit.calibration.temperature_c(values) - AT_C) <= fit.half_width_k(values)
    print(f"{camera.__name__}: held at {AT_C.tolist()} C in {(held / draws).round(3).tolist()} of {draws} draws")
    assert held.min() / draws >= LEAST[draws]
    assert held.mean() / draws >= 0.94


def test_without_noise_the_parameters_come_back():
    temp_c = np.linspace(0.0, 100.0, 9)
    fit = fit_calibration(counting_camera(temp_c), temp_c, of="counts")
    check_c = np.array([10.0, 55.0, 97.0])
    # The Planck form follows the band's radiance to 3 mK over the range.
    assert fit.calibration.temperature_c(counting_camera(check_c)) == pytest.approx(check_c, abs=5e-3)
