"""
Two of a part's stated uncertainties hold its errors, absolute and in differences, whatever the errors' law.

The errors drawn here are none of the budget's: people who are there or not, cameras at one of their limits, tape and
dust that only lower an emissivity, noise with outliers. Those of the sensor are in tests/benchmarks/sensor.py.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from thermscan.judge.comparison import difference_u_k
from thermscan.layout.board import Part, Surface
from thermscan.radiometry.angle import dielectric_emissivity, emissivity_at_angle
from thermscan.radiometry.surface import apparent_temperature, surface_temperature
from thermscan.radiometry.uncertainty import SHARED_EMISSIVITY_VARIANCE, part_budget
from thermscan.regions.measurement import BudgetLine, PartMeasurement

PARTS = 1000
# Two standard uncertainties hold 95 % of a normal law's errors and 89 % of those of any law with one mode (4 / (9 k^2):
# Vysochanskij and Petunin 1980); the laws drawn here lie between them.
LEAST = 0.89

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


def one_sided(rng, sd):
    """Mean 0, mostly a little above, now and then far below: dust and tape only lower an emissivity."""
    return sd * (1.0 - rng.exponential())


def draw_shared(rng, kind):
    # Somebody stands there, or nobody does: the same standard deviation, and no law with one mode.
    somebody = rng.random() < 0.2
    return Shared(
        offset_k=ACCURACY_HALF_WIDTH_K * np.sin(rng.uniform(0.0, 2 * np.pi)),  # mostly near one of its limits
        reflected_k=U_REFLECTED_K * (2.0 if somebody else -0.5),
        emissivity=one_sided(rng, kind.u_emissivity * np.sqrt(SHARED_EMISSIVITY_VARIANCE)),
    )


def read_part(rng, kind, true_c, shared):
    """Apparent temperature of a part, with every error drawn; the drop with angle mostly nearly Fresnel's or none."""
    own = one_sided(rng, kind.u_emissivity * np.sqrt(1 - SHARED_EMISSIVITY_VARIANCE))
    smooth = float(dielectric_emissivity(kind.view_angle_deg) / dielectric_emissivity(0.0))
    emissivity = (kind.emissivity + shared.emissivity + own) * (1 - rng.beta(0.5, 0.5) * (1 - smooth))
    apparent_c = apparent_temperature(
        true_c, emissivity=float(np.clip(emissivity, 0.05, 1.0)), reflected_c=REFLECTED_C + shared.reflected_k
    )
    # Student's law with 3 degrees of freedom has a standard deviation of sqrt(3).
    noise_k = (kind.noise_k / np.sqrt(3) * rng.standard_t(3, kind.pixels)).mean()
    other_k = one_sided(rng, kind.blend_k) + np.sqrt(3) * rng.uniform(-1, 1) * kind.placement_k
    return float(apparent_c) + shared.offset_k + noise_k + other_k


def measured(kind, apparent_c):
    seen = emissivity_at_angle(kind.emissivity, view_angle_deg=kind.view_angle_deg)
    lines = part_budget(
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
    mean_c = float(surface_temperature(apparent_c, emissivity=seen.emissivity, reflected_c=REFLECTED_C))
    part = Part("U1", 20, 7, 10, 10, 0, Surface("any", kind.emissivity, kind.u_emissivity))
    budget = tuple(BudgetLine(line.source, line.u_k, line.shared) for line in lines)
    u_c = float(np.sqrt(sum(line.u_k**2 for line in budget)))
    return PartMeasurement(part, kind.pixels, mean_c, mean_c, mean_c - 22.0, u_c, budget=budget)


@pytest.mark.parametrize("name", KINDS)
def test_two_stated_uncertainties_hold_errors_of_other_laws_than_the_budgets(name):
    kind, rng = KINDS[name], np.random.default_rng(20260502)
    absolute, difference = [], []
    for _ in range(PARTS):
        shared, true_c = draw_shared(rng, kind), rng.uniform(30.0, 90.0)
        peer_c = true_c + rng.normal(0.0, 5.0)
        one, peer = (measured(kind, read_part(rng, kind, temp_c, shared)) for temp_c in (true_c, peer_c))
        absolute.append((one.mean_c - true_c) / one.u_c)
        difference.append(((one.mean_c - peer.mean_c) - (true_c - peer_c)) / difference_u_k(one, [peer]))
    held = [float(np.mean(np.abs(errors) <= 2.0)) for errors in (absolute, difference)]
    print(f"{name}: within 2u: absolute {held[0]:.3f}, difference {held[1]:.3f} of {PARTS}")
    assert min(held) >= LEAST
    # And they are no wider than they need be: the errors' own scatter is what is stated.
    for errors in (absolute, difference):
        assert 0.75 < np.std(errors) < 1.35
