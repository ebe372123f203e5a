"""
The simulator's solver against closed forms of a thin sheet that loses heat from its faces.

Source of the forms: H. S. Carslaw and J. C. Jaeger, Conduction of Heat in Solids, 2nd edition (1959), the thin
sheet with a continuous source: dT = Q / (2 pi k t) K0(m r), m = sqrt(h / (k t)), and its integral over a disc
(from memory). The figures were computed independently of the project, with scipy's Bessel functions, for
k = 20 W/(m K), t = 1.6 mm, h = 20 W/(m2 K), 1 W: m = 25 per metre.
"""

import numpy as np
import pytest

from samples.simulator import HeatDisc, solve_board, warm_up
from thermscan.layout.board import Board, Surface

SHEET_W_PER_K = 20.0 * 1.6e-3


def bare_board(width_mm, height_mm):
    outline = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], dtype=float)
    surface = Surface("solder-mask", 0.91, 0.02)
    return Board("bare", None, outline, thickness_mm=1.6, surface=surface, parts=())


@pytest.fixture(scope="module")
def disc_field():
    # 480 mm is six fin lengths from the middle to each edge: exp(-6) of the middle's rise is left there.
    source = HeatDisc(240.0, 240.0, 10.0, 1.0)
    return solve_board(
        bare_board(480.0, 480.0),
        {},
        ambient_c=20.0,
        sheet_w_per_k=SHEET_W_PER_K,
        loss_w_per_m2k=20.0,
        extra_heat=[source],
        mesh_mm=2.5,
    )


@pytest.mark.parametrize(("away_mm", "rise_k"), [(0.0, 10.065517), (10.0, 7.726879)])
def test_a_uniform_disc_of_10_mm_has_the_published_rise_at_centre_and_edge(disc_field, away_mm, rise_k):
    spot = np.array([[240.0 + away_mm, 240.0]])
    # Triangles of 2.5 mm cut the disc's edge in steps: 2 % at the edge, 1 % in the middle.
    assert disc_field.board_c(spot)[0] - 20.0 == pytest.approx(rise_k, rel=0.02)


@pytest.mark.parametrize(("away_mm", "point_rise_k"), [(20.0, 4.597683), (40.0, 2.094004), (100.0, 0.310091)])
def test_away_from_the_source_the_rise_falls_as_k0(disc_field, away_mm, point_rise_k):
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = 240.0 + away_mm * np.column_stack([np.cos(angles), np.sin(angles)])
    # Outside itself a disc of radius a is a point source times 2 I1(ma)/(ma); I1(0.25) = 0.12598, series.
    as_disc = 2 * 0.12598 / 0.25
    # 100 mm lies half way to the insulated edge, whose image adds up to 2 %.
    assert np.mean(disc_field.board_c(ring)) - 20.0 == pytest.approx(point_rise_k * as_disc, rel=0.02)


def test_one_watt_spread_evenly_over_a_tenth_of_a_metre_square_gives_5_kelvin():
    everywhere = HeatDisc(50.0, 50.0, 1000.0, 1.0)
    field = solve_board(bare_board(100.0, 100.0), {}, ambient_c=20.0, loss_w_per_m2k=20.0, extra_heat=[everywhere])
    assert np.ptp(field.board_raster_c) < 1e-6
    assert field.board_raster_c.mean() - 20.0 == pytest.approx(5.0, abs=1e-6)


def test_a_plate_warms_up_with_the_lumped_time_constant():
    # rho c t / h = 1850 x 1100 x 1.6 mm / 20 = 162.8 s; 1 - exp(-n) at n = 1, 2, 3.
    everywhere = HeatDisc(50.0, 50.0, 1000.0, 1.0)
    times_s = [0.0, 162.8, 325.6, 488.4]
    fields = warm_up(bare_board(100.0, 100.0), {}, times_s, ambient_c=20.0, extra_heat=[everywhere], step_s=0.814)
    rises = [field.board_raster_c.mean() - 20.0 for field in fields]
    # Backward Euler is first order: half a step over the time constant, 0.25 %.
    assert rises == pytest.approx([0.0, 5 * 0.632121, 5 * 0.864665, 5 * 0.950213], rel=0.003)
