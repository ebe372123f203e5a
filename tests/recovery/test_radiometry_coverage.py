"""The uncertainty that a part's budget states is the one that its errors have, absolute and in differences."""

from dataclasses import dataclass

import numpy as np
import pytest

from thermscan.radiometry.angle import dielectric_emissivity, emissivity_at_angle
from thermscan.radiometry.surface import apparent_temperature, surface_temperature
from thermscan.radiometry.uncertainty import SHARED_EMISSIVITY_VARIANCE, difference_budget, half_width_k, part_budget

PARTS = 2000
# Of 2,000 intervals that each hold the truth with 95 %, 93 to 97 % hold it unless something is wrong: 4.1 deviations.
LEAST, MOST = 0.93, 0.97

REFLECTED_C, U_REFLECTED_K = 22.0, 2.0
ACCURACY_HALF_WIDTH_K = 2.0


@dataclass(frozen=True)
class Kind:
    """A class of parts and how it is seen."""

    emissivity: float
    u_emissivity: float
    pixels: int
    noise_k: float
    blend_k: float
    placement_k: float
    view_angle_deg: float


KINDS = {
    "large matt part": Kind(0.94, 0.02, 400, 0.05, 0.05, 0.02, 20.0),
    "small part": Kind(0.94, 0.02, 9, 0.08, 0.8, 0.5, 20.0),
    "mid emissivity": Kind(0.65, 0.04, 100, 0.05, 0.2, 0.1, 20.0),
    "oblique view": Kind(0.92, 0.02, 100, 0.05, 0.2, 0.1, 58.0),
}


@dataclass(frozen=True)
class Shared:
    """Errors that all parts of one frame have alike."""

    offset_k: float
    reflected_k: float
    emissivity: float


def draw_shared(rng, kind):
    return Shared(
        offset_k=rng.uniform(-ACCURACY_HALF_WIDTH_K, ACCURACY_HALF_WIDTH_K),
        reflected_k=rng.normal(0.0, U_REFLECTED_K),
        emissivity=rng.normal(0.0, kind.u_emissivity * np.sqrt(SHARED_EMISSIVITY_VARIANCE)),
    )


def read_part(rng, kind, true_c, shared):
    """Apparent temperature of a part, with every error drawn; the drop with angle anything from none to Fresnel's."""
    own = rng.normal(0.0, kind.u_emissivity * np.sqrt(1 - SHARED_EMISSIVITY_VARIANCE))
    smooth = float(dielectric_emissivity(kind.view_angle_deg) / dielectric_emissivity(0.0))
    emissivity = (kind.emissivity + shared.emissivity + own) * (1 - rng.uniform() * (1 - smooth))
    apparent_c = apparent_temperature(
        true_c, emissivity=min(emissivity, 1.0), reflected_c=REFLECTED_C + shared.reflected_k
    )
    noise_k = rng.normal(0.0, kind.noise_k, kind.pixels).mean()
    other_k = rng.normal(0.0, kind.blend_k) + rng.normal(0.0, kind.placement_k)
    return float(apparent_c) + shared.offset_k + noise_k + other_k


def measured(kind, apparent_c):
    seen = emissivity_at_angle(kind.emissivity, view_angle_deg=kind.view_angle_deg)
    budget = part_budget(
        apparent_c,
        emissivity=kind.emissivity,
        u_emissivity=kind.u_emissivity,
        reflected_c=REFLECTED_C,
        u_reflected_k=U_REFLECTED_K,
        noise_k=kind.noise_k,
        pixels=kind.pixels,
        accuracy_k=ACCURACY_HALF_WIDTH_K / np.sqrt(3),
        surface_name="any",
        view_angle_deg=kind.view_angle_deg,
        blend_k=kind.blend_k,
        placement_k=kind.placement_k,
    )
    return float(surface_temperature(apparent_c, emissivity=seen.emissivity, reflected_c=REFLECTED_C)), budget


@pytest.mark.parametrize("name", KINDS)
def test_ninety_five_percent_intervals_hold_the_truth(name):
    kind, rng = KINDS[name], np.random.default_rng(20260502)
    absolute, difference = 0, 0
    for _ in range(PARTS):
        shared, true_c = draw_shared(rng, kind), rng.uniform(30.0, 90.0)
        peer_c = true_c + rng.normal(0.0, 5.0)
        (found_c, budget), (found_peer_c, peer_budget) = (
            measured(kind, read_part(rng, kind, temp_c, shared)) for temp_c in (true_c, peer_c)
        )
        absolute += abs(found_c - true_c) <= half_width_k(budget)
        apart_k = (found_c - found_peer_c) - (true_c - peer_c)
        difference += abs(apart_k) <= half_width_k(difference_budget(budget, peer_budget))
    print(f"{name}: absolute {absolute / PARTS:.3f}, difference {difference / PARTS:.3f} of {PARTS}")
    assert LEAST <= absolute / PARTS <= MOST
    assert LEAST <= difference / PARTS <= MOST
