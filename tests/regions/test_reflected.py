"""What the room's reflection leaves in doubt, against Planck's law integrated here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from tests.regions.rendering import frontal, make_board, make_part, make_registration, render
from thermscan.layout.board import Surface
from thermscan.regions.measure import measure_parts

# CODATA 2018: second radiation constant, m K.
C2 = 1.438776877e-2
BAND_UM = (8.0, 14.0)
# A room's walls, lamps and people differ from its air by this, one standard uncertainty (common practice).
ROOM_U_K = 2.0


def _radiance_per_k(temp_c: float) -> float:
    """Change of the band's radiance with temperature, but for a constant factor."""
    t = temp_c + 273.15

    def slope(um: float) -> float:
        x = C2 / (um * 1e-6 * t)
        return x / t * np.exp(x) / np.expm1(x) ** 2 / um**5

    return float(quad(slope, *BAND_UM)[0])


@pytest.mark.parametrize("emissivity", [0.6, 0.8, 0.93])
def test_the_doubt_of_the_reflected_temperature_is_two_kelvin_of_what_is_reflected(emissivity: float):
    surface = Surface("known", emissivity, 0.001)
    part = make_part(surface=surface, length_mm=30.0, width_mm=30.0)
    board = make_board(part)
    image = render(board, frontal(1.3), {"U1": 40.0}, board_c=39.0)
    (measured,) = measure_parts(image, make_registration(board, frontal(1.3)), board, ambient_c=22.0, reflected_c=22.0)
    assert measured.mean_c is not None
    line = next(line for line in measured.budget if line.source == "reflected temperature")
    # e L(T) + (1 - e) L(Tr) = L(read): dT = -(1 - e) / e * L'(Tr) / L'(T) dTr.
    expected_k = (1 - emissivity) / emissivity * _radiance_per_k(22.0) / _radiance_per_k(measured.mean_c) * ROOM_U_K
    # The emissivity seen from straight above is the surface's; the slope is taken at the mean.
    assert abs(line.u_k) == pytest.approx(expected_k, rel=0.02)
    # All parts see one room.
    assert line.shared == "reflected"
