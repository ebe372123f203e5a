"""What a small source of switched heat looks like on a board: the fin's answer to a point, blurred by the optics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# FR-4: 1850 kg/m3, 1100 J/(kg K) (usual figures); with its copper, 5 to 15 % either way.
BOARD_J_PER_M3K = 1850.0 * 1100.0
# Moulded packages: epoxy with 70 % silica (1900 kg/m3, 1000 J/(kg K)) about copper or iron leads (3.4e6 J/(m3 K)).
BODY_J_PER_M3K = 1.9e6
# Both faces of a board in still air, radiation included: 2 x 8 to 12 W/(m2 K) (natural convection after Holman).
LOSS_W_PER_M2K = 20.0
# Sheet conductance (conductivity times thickness) of boards: bare laminate of 1.6 mm 0.0016 W/K, two layers of 35 um at
# half cover 0.016, inner planes 0.05 (parallel rule, copper 400 W/(m K)). From one to the next the watts change by a
# fifth, so that the nearest leaves a tenth at most, 5 % rms: well within what the heat capacity leaves open.
SHEETS_W_PER_K = tuple(float(each) for each in np.geomspace(0.0025, 0.06, 15))
_TABLE_SIZE, _FINE_A_LENGTH = 200, 16


@dataclass(frozen=True, slots=True, eq=False)
class FinKernel:
    """
    Complex amplitude of the board's face, kelvin for one watt of amplitude entering at a point.

    Attributes
    ----------
    sheet_w_per_k : float
    decay_mm : float
        Distance over which the amplitude falls to 1/e, far from the source.
    radius_mm : ndarray
    value : ndarray of complex
    """

    sheet_w_per_k: float
    decay_mm: float
    radius_mm: FloatArray
    value: ComplexArray

    def at(self, distance_mm: FloatArray) -> ComplexArray:
        """Amplitude at distances from the source; shape of the distances."""
        real = np.interp(distance_mm, self.radius_mm, self.value.real, right=0.0)
        imaginary = np.interp(distance_mm, self.radius_mm, self.value.imag, right=0.0)
        return np.asarray(real + 1j * imaginary)


def fin_kernel(
    *, sheet_w_per_k: float, omega_per_s: float, thickness_mm: float, spread_mm: float,
    loss_w_per_m2k: float = LOSS_W_PER_M2K,
) -> FinKernel:  # fmt: skip
    """
    The answer of an infinite thin fin, T (i w C + h) - k t lap T = q, to a point, seen through a Gaussian blur.

    Parameters
    ----------
    sheet_w_per_k : float
        k t.
    omega_per_s : float
        0 for steady heat.
    thickness_mm : float
        Of the board, for its heat capacity.
    spread_mm : float
        Standard deviation of what the optics, the pixel and the source's own size smear.

    References
    ----------
    .. [1] H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed. (Oxford 1959), 2.6 and 10.4: periodic
       sources; without blur the answer is K0(m r) / (2 pi k t), m^2 = (h + i w C) / (k t).

    Examples
    --------
    >>> kernel = fin_kernel(sheet_w_per_k=0.032, omega_per_s=0.0, thickness_mm=1.6, spread_mm=0.3, loss_w_per_m2k=20.0)
    >>> round(float(kernel.at(np.array([10.0]))[0].real), 1)  # 7.667 K: the fin's K0 at a quarter of its length
    7.7
    """
    stored = BOARD_J_PER_M3K * thickness_mm * 1e-3 * omega_per_s
    m = np.sqrt((loss_w_per_m2k + 1j * stored) / sheet_w_per_k) * 1e-3  # per millimetre
    decay_mm = float(1.0 / m.real)
    cell = min(decay_mm / _FINE_A_LENGTH, spread_mm / 2)
    # A Hankel transform: the blur is a factor there. Wave numbers up to where the blur leaves nothing.
    reach = 8.0 * decay_mm
    radius = np.concatenate([[0.0], np.geomspace(cell / 4, reach, _TABLE_SIZE)])
    highest = 6.0 / spread_mm
    k = np.linspace(0.0, highest, int(np.clip(4 * highest * reach, 4000, 30000)))
    spectrum = np.exp(-0.5 * (k * spread_mm) ** 2) / (k**2 + m**2) * k
    summed = np.array([np.trapezoid(_bessel(k * r) * spectrum, k) for r in radius], dtype=np.complex128)
    value: ComplexArray = summed / (2 * np.pi * sheet_w_per_k)
    return FinKernel(sheet_w_per_k, decay_mm, radius, value)


def quick_kernel(
    *, sheet_w_per_k: float, omega_per_s: float, thickness_mm: float, spread_mm: float,
    loss_w_per_m2k: float = LOSS_W_PER_M2K,
) -> FinKernel:  # fmt: skip
    """
    As `fin_kernel` to a tenth, with the blur told by a distance that is never below it; quick to have.

    Examples
    --------
    >>> facts = {"sheet_w_per_k": 0.016, "omega_per_s": 0.3, "thickness_mm": 1.6, "spread_mm": 1.0}
    >>> quick, whole = (kernel(**facts).at(np.array([5.0]))[0] for kernel in (quick_kernel, fin_kernel))
    >>> bool(abs(quick - whole) < 0.1 * abs(whole))
    True
    """
    from scipy.special import kv  # noqa: PLC0415 - one use

    stored = BOARD_J_PER_M3K * thickness_mm * 1e-3 * omega_per_s
    m = np.sqrt((loss_w_per_m2k + 1j * stored) / sheet_w_per_k) * 1e-3
    decay_mm = float(1.0 / m.real)
    radius = np.concatenate([[0.0], np.geomspace(spread_mm / 8, 8.0 * decay_mm, _TABLE_SIZE)])
    value = kv(0, m * np.hypot(radius, spread_mm)) / (2 * np.pi * sheet_w_per_k)
    return FinKernel(sheet_w_per_k, decay_mm, radius, np.asarray(value, np.complex128))


def _bessel(x: FloatArray) -> FloatArray:
    from scipy.special import j0  # noqa: PLC0415 - one use

    result: FloatArray = j0(x)
    return result
