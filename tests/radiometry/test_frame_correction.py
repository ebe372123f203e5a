import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.radiometry.frame_correction import TOLERANCE_K, plan_correction
from thermscan.radiometry.surface import surface_temperature


@pytest.mark.parametrize("range_c", [(-40.0, 500.0), (10.0, 120.0), (30.0, 35.0)])
@pytest.mark.parametrize("emissivity", [0.03, 0.1, 0.4, 0.8, 0.95, 1.0])
def test_the_plan_is_within_its_tolerance_of_the_balance(emissivity, range_c):
    plan = plan_correction(np.zeros((40, 50), int), emissivity=[emissivity], reflected_c=22.0, range_c=range_c)
    apparent_c = np.linspace(*plan.range_c, 2000).reshape(40, 50)
    found_c = plan.correct(apparent_c)
    exact_c = surface_temperature(apparent_c, emissivity=emissivity, reflected_c=22.0)
    assert np.array_equal(np.isnan(found_c), np.isnan(exact_c))
    both = np.isfinite(exact_c)
    assert np.abs(found_c[both] - exact_c[both]).max(initial=0.0) < TOLERANCE_K


def test_each_pixel_is_corrected_as_its_own_surface():
    rng = np.random.default_rng(3)
    emissivity = np.concatenate([rng.uniform(0.5, 1.0, 30), [0.05, 0.1, 0.9, 0.9]])
    index = rng.integers(0, emissivity.size, (60, 80))
    apparent_c = rng.uniform(24.0, 90.0, (60, 80))
    found_c = plan_correction(index, emissivity=emissivity, reflected_c=22.0, range_c=(20.0, 95.0)).correct(apparent_c)
    exact_c = surface_temperature(apparent_c, emissivity=emissivity[index], reflected_c=22.0)
    assert found_c == pytest.approx(exact_c, abs=TOLERANCE_K)


def test_no_reading_no_surface_and_beyond_the_range_are_nan():
    plan = plan_correction([[0, 0, -1, 0, 0]], emissivity=[0.9], reflected_c=22.0, range_c=(0.0, 100.0))
    found_c = plan.correct([[50.0, np.nan, 50.0, 1000.0, -1000.0]])
    assert np.isnan(found_c).tolist() == [[False, True, True, True, True]]


def test_faults_are_told():
    with pytest.raises(InputError, match="surface 2 has no emissivity; there are 2"):
        plan_correction([[0, 2]], emissivity=[0.9, 0.8], reflected_c=22.0)
    with pytest.raises(InputError, match="range_c: 50 to 20 C is not a range"):
        plan_correction([[0]], emissivity=[0.9], reflected_c=22.0, range_c=(50.0, 20.0))
    plan = plan_correction([[0, 0]], emissivity=[0.9], reflected_c=22.0)
    with pytest.raises(InputError, match="does not fit a plan"):
        plan.correct([[20.0]])
