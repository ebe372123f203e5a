"""Warm-up and lock-in against textbook results: the source stands beside each."""

import numpy as np
import pytest

from thermscan.dynamics.exponentials import fit_exponentials
from thermscan.dynamics.fin_kernel import BOARD_J_PER_M3K, fin_kernel
from thermscan.dynamics.lockin import Basis
from thermscan.dynamics.spectrum import fit_spectrum

# Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, section 5.1: T = Ta + dT (1 - exp(-t/tau)).
# Shares of the way gone at 0.5, 1, 2, 3 and 5 time constants; computed from the closed form.
STEP_SHARES = ((0.5, 0.393469), (1.0, 0.632121), (2.0, 0.864665), (3.0, 0.950213), (5.0, 0.993262))
# A bare board: rho 1850 kg/m3, cp 1100 J/(kg K), 1.6 mm, 10 W/(m2 K) on each side: tau = rho cp t / h.
BOARD_TAU_S = 1850.0 * 1100.0 * 1.6e-3 / 20.0


def test_a_first_order_step_passes_the_tabulated_shares():
    assert abs(BOARD_TAU_S - 162.8) < 0.05
    t = np.arange(0.0, 5.2 * BOARD_TAU_S, 2.0)
    found = fit_exponentials(t, 22.0 + 10.0 * (1.0 - np.exp(-t / BOARD_TAU_S)))
    assert found.tau_s == pytest.approx((BOARD_TAU_S,), rel=1e-6)
    for constants, share in STEP_SHARES:
        # The shares have six digits.
        assert found.curve_c(np.array([constants * BOARD_TAU_S]))[0] - 22.0 == pytest.approx(10.0 * share, abs=2e-5)


@pytest.mark.parametrize(("ratio", "parted"), [(8.0, True), (3.0, True), (1.15, False)])
def test_two_exponentials_part_as_their_ratio_allows(ratio, parted):
    """
    C. Lanczos, Applied Analysis (1956), IV.23: near rates cannot be told apart at the noise of any reading.

    At a signal of 3000 times the noise a ratio of 3 parts (Istratov and Vyvenko, Rev. Sci. Instrum. 70 (1999) 1233: the
    limit of resolution falls to about 2 as the noise does); one of 1.15 is told as a single one.
    """
    t = np.arange(0.0, 500.0, 1.0)
    taus = (40.0, 40.0 * ratio)
    noise = np.random.default_rng(3).normal(0.0, 15.0 / 3000.0, len(t))
    found = fit_exponentials(t, 50.0 - 7.0 * np.exp(-t / taus[0]) - 8.0 * np.exp(-t / taus[1]) + noise)
    assert len(found.tau_s) == (2 if parted else 1)
    if parted:
        assert found.tau_s == pytest.approx(taus, rel=0.12)


def test_the_end_of_a_board_is_held_by_its_interval():
    """Four lumped parts on one board, two time constants each, seen for twice the slower: known ends (closed form)."""
    t = np.arange(0.0, 240.0, 0.5)
    rng = np.random.default_rng(8)
    ends = np.array([14.0, 20.0, 9.0, 30.0])
    fast = np.array([0.3, 0.5, 0.2, 0.6])
    curves = ends * (1.0 - fast * np.exp(-t / 25.0)[:, None] - (1 - fast) * np.exp(-t / 120.0)[:, None])
    found = fit_spectrum(t, 22.0 + curves + rng.normal(0.0, 0.01, curves.shape))
    end_k, u_k = found.told(np.eye(len(found.taus) + 1)[0])
    error = found.level_c + end_k - 22.0 - ends
    assert np.all(np.abs(error) < 2.5 * u_k)
    assert np.all(u_k < 0.2 * ends)


def _amplitude(times_s, values, *, period_s, slow=4):
    """Complex amplitude of one series, as every pixel's is found."""
    basis = Basis(period_s, float(times_s[0]), float(np.ptp(times_s)), slow)
    design = np.column_stack([basis.slow_terms(times_s), basis.waves(times_s)])
    found = np.linalg.lstsq(design, values, rcond=None)[0]
    return found[slow + 1] - 1j * found[slow + 2]


# Lumped R, C under a sine: P R / sqrt(1 + (w tau)^2), -atan(w tau); R 40 K/W, C 1 J/K, P 0.5 W (closed form).
LUMPED = ((0.001, 19.396777, -14.107802), (0.003978874, 14.142136, -45.0), (0.01, 7.393956957, -68.303016))


@pytest.mark.parametrize(("hz", "amplitude_k", "phase_deg"), LUMPED)
def test_a_lumped_body_follows_a_sine_by_the_textbook(hz, amplitude_k, phase_deg):
    """The body's own differential equation, stepped in time and read by the lock-in."""
    step = 0.002 / hz
    t = np.arange(0.0, 40.0 / hz, step)
    rise = np.zeros(len(t))
    decay = np.exp(-step / 40.0)
    heat = 0.5 * np.cos(2 * np.pi * hz * (t + step / 2))
    for n in range(1, len(t)):
        rise[n] = rise[n - 1] * decay + 40.0 * heat[n - 1] * (1 - decay)
    late = t > 20.0 / hz
    found = _amplitude(t[late][::5], rise[late][::5], period_s=1.0 / hz)
    # Steps of 1 / 500 of a period: second order, some 1e-5.
    assert abs(found) == pytest.approx(amplitude_k, rel=1e-4)
    assert np.degrees(np.angle(found)) == pytest.approx(phase_deg, abs=0.02)


def test_the_fundamental_of_a_square_wave_is_four_over_pi():
    """Fourier: 4 / pi of the swing about its mean, 2 / pi of on against off; sampled off the period's grid."""
    t = np.sort(np.random.default_rng(6).uniform(0.0, 600.0, 60000))
    square = np.where((t % 20.0) < 10.0, 1.0, -1.0)
    # 60,000 random times: the other harmonics leave about 1 / sqrt(60000).
    assert abs(_amplitude(t, square, period_s=20.0)) == pytest.approx(1.2732395, rel=0.01)
    assert abs(_amplitude(t, (square + 1) / 2, period_s=20.0)) == pytest.approx(0.6366198, rel=0.01)


def test_a_thermally_thick_wall_lags_by_45_degrees_and_falls_with_the_root_of_frequency():
    """Carslaw and Jaeger, Conduction of Heat in Solids, 2.6 (from memory): a half space, by differences."""
    amplitudes = []
    for period_s in (4.0, 16.0):
        cells, dx, diffusivity = 160, 4e-4, 1e-5
        dt = 0.4 * dx**2 / diffusivity
        steps = int(12 * period_s / dt)
        rise, seen = np.zeros(cells), np.zeros(steps)
        for n in range(steps):
            flow = np.zeros(cells + 1)
            flow[1:-1] = -np.diff(rise) / dx
            flow[0] = np.cos(2 * np.pi * (n + 0.5) * dt / period_s)
            rise = rise + dt * diffusivity * -np.diff(flow) / dx
            # The surface lies half a cell before the first cell's middle.
            seen[n] = rise[0] + flow[0] * dx / 2
        times = (np.arange(steps) + 1.0) * dt
        late = times > 6 * period_s
        found = _amplitude(times[late][::7], seen[late][::7], period_s=period_s)
        amplitudes.append(abs(found))
        assert np.degrees(np.angle(found)) == pytest.approx(-45.0, abs=2.0)  # cells of a ninth of the diffusion length
    assert amplitudes[1] / amplitudes[0] == pytest.approx(2.0, rel=0.04)


def test_the_noise_of_a_lock_in_amplitude_is_two_netd_over_root_n():
    """Breitenstein, Warta, Langenkamp, Lock-in Thermography (Springer), 2.6 (from memory): 2 NETD / sqrt(N)."""
    t = np.arange(1000) / 9.0
    noise = np.random.default_rng(1).normal(0.0, 0.05, (1000, 4000))
    found = _amplitude(t, noise, period_s=11.1, slow=3)
    rms = float(np.sqrt(np.mean(np.abs(found) ** 2)))
    # 4000 pixels: 1.1 %; frequencies fitted 2.5 cycles beside it, which are not orthogonal to it, cost some 3 %.
    assert rms == pytest.approx(2 * 0.05 / np.sqrt(1000), rel=0.05)
    assert float(np.mean(np.abs(found))) == pytest.approx(np.sqrt(np.pi / 1000) * 0.05, rel=0.05)


# Point source on an infinite sheet: Q / (2 pi k t) K0(m r); k 20 W/(m K), t 1.6 mm, h 20 W/(m2 K), 1 W (tables of K0).
POINT_SOURCE = ((5.0, 10.981040), (10.0, 7.666826), (20.0, 4.597683), (40.0, 2.094004))


@pytest.mark.parametrize(("distance_mm", "rise_k"), POINT_SOURCE)
def test_the_fins_answer_to_a_point_is_the_bessel_function(distance_mm, rise_k):
    kernel = fin_kernel(sheet_w_per_k=0.032, omega_per_s=0.0, thickness_mm=1.6, spread_mm=0.3, loss_w_per_m2k=20.0)
    # The blur of 0.3 mm lifts the value at 5 mm by some 1e-4; tables are interpolated to 1e-3.
    assert kernel.at(np.array([distance_mm]))[0].real == pytest.approx(rise_k, rel=2e-3)


def test_all_heat_of_a_switched_point_is_stored_in_the_board_or_lost():
    """Conservation: i w C + h times the integral of the amplitude is the heat put in."""
    omega = 2 * np.pi / 20.0
    kernel = fin_kernel(sheet_w_per_k=0.016, omega_per_s=omega, thickness_mm=1.6, spread_mm=0.6, loss_w_per_m2k=20.0)
    r = np.linspace(0.0, 8 * kernel.decay_mm, 20000)
    whole = np.trapezoid(kernel.at(r) * 2 * np.pi * r, r) * 1e-6
    stored = 20.0 + 1j * omega * BOARD_J_PER_M3K * 1.6e-3
    assert whole * stored == pytest.approx(1.0, abs=0.01)
