import math

import pytest

from thermscan.errors import InputError
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.propagation import propagate
from thermscan.radiometry.surface import surface_temperature
from thermscan.radiometry.uncertainty import combined_u_k, part_budget

PART = {
    "emissivity": 0.94,
    "u_emissivity": 0.02,
    "reflected_c": 22.0,
    "u_reflected_k": 2.0,
    "noise_k": 0.05,
    "pixels": 64,
    "accuracy_k": 1.155,
    "surface_name": "plastic",
}


def line(budget, source):
    return next(item for item in budget if item.source == source)


def test_the_closed_form_is_that_of_numeric_propagation():
    found = propagate(
        lambda x: surface_temperature(x[0], emissivity=x[1], reflected_c=x[2]),
        [60.0, 0.94, 22.0],
        covariance=[math.hypot(1.155, 0.05 / 8), 0.02, 2.0],
    )
    assert combined_u_k(part_budget(60.0, **PART)) == pytest.approx(found.u[0], rel=1e-4)


def test_signs_tell_which_way_an_error_goes():
    budget = part_budget(60.0, **PART)
    # A part warmer than what it reflects reads too hot with too low an emissivity, and with too cold a reflection.
    assert line(budget, "emissivity of the kind of surface").u_k < 0
    assert line(budget, "reflected temperature").u_k < 0
    assert line(budget, "camera").u_k > 0
    assert line(part_budget(5.0, **PART), "emissivity of the kind of surface").u_k > 0


def test_a_reading_below_its_reflection_has_no_budget():
    assert part_budget(20.0, **(PART | {"emissivity": 0.05, "reflected_c": 60.0})) == ()


def test_an_oblique_view_costs_emissivity_and_certainty():
    flat, steep = (emissivity_at_angle(0.94, view_angle_deg=angle) for angle in (30.0, 75.0))
    # Fresnel, n 1.5: 0.9585 / 0.96 at 30 degrees, 0.7469 / 0.96 at 75; half of the drop is taken off.
    assert flat.emissivity == pytest.approx(0.94 * (1 - (1 - 0.9585 / 0.96) / 2), abs=1e-4)
    assert steep.emissivity == pytest.approx(0.94 * (1 - (1 - 0.7469 / 0.96) / 2), abs=1e-4)
    assert steep.u_angle == pytest.approx((0.94 - steep.emissivity) / math.sqrt(3))
    assert emissivity_at_angle(0.94, view_angle_deg=0.0).u_angle == 0.0


@pytest.mark.parametrize("key", ["u_emissivity", "u_reflected_k", "noise_k", "accuracy_k", "blend_k", "placement_k"])
@pytest.mark.parametrize("value", [-0.1, float("nan")])
def test_an_uncertainty_below_zero_is_refused(key, value):
    with pytest.raises(InputError, match=f"{key}: \\S+ is not an uncertainty; give 0 or more"):
        part_budget(60.0, **(PART | {key: value}))


def test_no_pixels_and_no_emissivity_are_refused():
    with pytest.raises(InputError, match="pixels: 0 pixels carry no reading"):
        part_budget(60.0, **(PART | {"pixels": 0}))
    with pytest.raises(InputError, match="is not an emissivity"):
        part_budget(60.0, **(PART | {"emissivity": 1.2}))


def test_what_a_type_of_part_shares_cancels_between_two_of_it_and_adds_to_nothing():
    plain, typed = part_budget(60.0, **PART), part_budget(60.0, **PART, type_name="sram")
    assert combined_u_k(typed) == pytest.approx(combined_u_k(plain), rel=1e-12)
    own, was = line(typed, "emissivity of the part"), line(plain, "emissivity of the part")
    assert (line(typed, "emissivity of the type of part").shared, own.shared) == ("type:sram", None)
    assert own.u_k**2 == pytest.approx(was.u_k**2 / 2)
