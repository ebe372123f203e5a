"""
The part of every pixel's temperature that follows a switched supply: one pass over the frames, whatever their number.

Each pixel is a sum of a few functions of time that all pixels share: the fundamental and harmonics of the drive, slow
drift and warming, and the bench's reading. Frame times need not lie on any grid. Frequencies beside the drive's, at
which nothing was done, are fitted along: they show what chance and drift make of this recording.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.part_pixels import PartPixels
from thermscan.frames.stream import StreamFrame
from thermscan.frozen import dataclass
from thermscan.registration import Drift
from thermscan.registration.evidence import filled

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Float32 = NDArray[np.float32]

HARMONICS = (2, 3)
# Frequencies at which nothing happened, in cycles of the whole recording away from the drive's: far enough for a
# rectangular window's main lobe (one cycle), near enough to share the drift.
BESIDE_CYCLES = (-2.5, 2.5, 3.5, -3.5)
# Slow terms: polynomials up to about one wave in two drive cycles, so that they leave the fundamental alone.
FEWEST_SLOW, MOST_SLOW = 3, 9
# Frames put together before they are added: a matrix product is much quicker than as many sums.
BLOCK = 32
STILL_PX = 0.02


@dataclass(frozen=True, slots=True)
class Basis:
    """The functions of time: ``period_s`` of the drive, the recording's span, how many slow terms."""

    period_s: float
    start_s: float
    span_s: float
    slow: int

    @property
    def beside_hz(self) -> tuple[float, ...]:
        """Frequencies at which nothing was done."""
        f = 1.0 / self.period_s
        near = [f + cycles / self.span_s for cycles in BESIDE_CYCLES]
        lowest = max(0.5 * f, 1.5 / self.span_s)
        return tuple(each for each in near if each > lowest)

    def waves(self, times_s: FloatArray) -> FloatArray:
        """Cosine and sine of the fundamental, the harmonics and the frequencies beside; shape (n, 2 * waves)."""
        f = 1.0 / self.period_s
        all_hz = np.array([f, *(n * f for n in HARMONICS), *self.beside_hz])
        angle = 2 * np.pi * np.asarray(times_s)[:, None] * all_hz
        return np.stack([np.cos(angle), np.sin(angle)], axis=2).reshape(len(angle), -1)

    def slow_terms(self, times_s: FloatArray) -> FloatArray:
        """Legendre polynomials of time, the constant first; shape (n, slow + 1)."""
        along = 2 * (np.asarray(times_s) - self.start_s) / max(self.span_s, 1e-9) - 1
        return np.asarray(np.polynomial.legendre.legvander(along, self.slow), dtype=np.float64)


def basis_for(period_s: float, times_s: FloatArray) -> Basis:
    """The functions of time for a drive period and the frames' times."""
    span = float(times_s[-1] - times_s[0])
    slow = int(np.clip(span / period_s / 2, FEWEST_SLOW, MOST_SLOW))
    return Basis(period_s, float(times_s[0]), span, slow)


@dataclass(frozen=True, slots=True, eq=False)
class LockIn:
    """
    The result at every pixel of the reference picture.

    Attributes
    ----------
    amplitude : ndarray of complex, shape (rows, cols)
        T(t) = Re(amplitude exp(i w t)), w = 2 pi / period, in apparent kelvin; NaN where a pixel was not seen.
    beside : ndarray of complex, shape (k, rows, cols)
        The same at frequencies at which nothing was done.
    noise_k : float
        Standard deviation of a pixel's reading about the fit (median over the pixels).
    frames : int
    """

    amplitude: ComplexArray
    beside: ComplexArray
    mean_c: FloatArray
    noise_k: float
    basis: Basis
    frames: int


def lock_in(
    frames: Iterable[tuple[StreamFrame, Drift | None]],
    pixels: PartPixels,
    basis: Basis,
    *,
    before_c: FloatArray,
    also: Callable[[float, Float32], None] | None = None,
) -> LockIn:
    """
    Amplitude and phase of every pixel at the drive's period.

    Parameters
    ----------
    frames : iterable of (StreamFrame, Drift or None)
        As `thermscan.dynamics.part_series.followed` gives them; those with None are left out.
    pixels : PartPixels
        For the bench.
    basis : Basis
    before_c : ndarray of shape (rows, cols)
        About what each pixel reads: taken off first, so that small numbers are added.
    also : callable, optional
        Called with the time and the pixels of each frame that was used, less ``before_c``.

    References
    ----------
    .. [1] O. Breitenstein, W. Warta, M. Langenkamp, Lock-in Thermography, 2nd ed. (Springer 2010), chapter 2.
    """
    shape = before_c.shape
    whole = filled(before_c.astype(np.float32))
    sums = _Sums(shape)
    for frame, drift in frames:
        if drift is None:
            continue
        bench_c = pixels.read_bench(frame.values, drift.other_from_first)
        moved = aligned(frame.values, drift) - whole
        if also is not None:
            also(frame.time_s, moved)
        # Not the view's own motion: breath that sways the view is also reflected, so that motion would stand for its
        # warmth, and what little the heat pulls the tracking would come back as heat wherever that is reflected.
        own = np.array([0.0 if np.isnan(bench_c) else bench_c])
        time = np.array([frame.time_s])
        row = np.concatenate([basis.slow_terms(time)[0], basis.waves(time)[0], own])
        sums.add(row, moved)
    return sums.solved(basis, whole)


class _Sums:
    """Normal equations of all pixels, added up block by block."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.shape = shape
        self.rows: list[FloatArray] = []
        self.frames: list[Float32] = []
        self.squares = np.zeros(shape[0] * shape[1])
        self.missing = np.zeros(shape[0] * shape[1], bool)
        self.normal: FloatArray | None = None
        self.right: FloatArray | None = None
        self.count = 0

    def add(self, row: FloatArray, frame: Float32) -> None:
        self.rows.append(row)
        self.frames.append(frame.ravel())
        if len(self.rows) == BLOCK:
            self._flush()

    def _flush(self) -> None:
        if not self.rows:
            return
        design, block = np.array(self.rows), np.array(self.frames)
        holes = np.isnan(block)
        if holes.any():
            self.missing |= holes.mean(axis=0) > 0.5
            block[holes] = 0.0
        added = (design.T.astype(np.float32) @ block).astype(np.float64)
        self.normal = design.T @ design if self.normal is None else self.normal + design.T @ design
        self.right = added if self.right is None else self.right + added
        self.squares += np.einsum("ij,ij->j", block, block)
        self.count += len(self.rows)
        self.rows, self.frames = [], []

    def solved(self, basis: Basis, before: Float32) -> LockIn:
        self._flush()
        assert self.normal is not None
        assert self.right is not None
        size = np.sqrt(np.maximum(np.diag(self.normal), 1e-12))
        # Terms that say the same (a bench that is not in view, a camera on a stand) get no weight by a slight ridge.
        scaled = self.normal / np.outer(size, size) + 1e-9 * np.eye(len(size))
        found = np.linalg.solve(scaled, self.right / size[:, None]) / size[:, None]
        left = np.maximum(self.squares - (found * self.right).sum(axis=0), 0.0)
        noise = np.sqrt(left / max(self.count - len(size), 1))
        found[:, self.missing] = np.nan
        first = basis.slow + 1
        waves = 1 + len(HARMONICS) + len(basis.beside_hz)
        pairs = found[first : first + 2 * waves].reshape(waves, 2, *self.shape)
        # cos and sin as the real part of a turning pointer.
        pointers = pairs[:, 0] - 1j * pairs[:, 1]
        return LockIn(
            pointers[0], pointers[1 + len(HARMONICS) :], found[0].reshape(self.shape) + before,
            float(np.median(noise)), basis, self.count,
        )  # fmt: skip


def aligned(frame: Float32, drift: Drift) -> Float32:
    """A frame on the reference picture's pixels; NaN where it does not show them."""
    if drift.shift_px < STILL_PX:
        return frame
    result: Float32 = cv2.warpPerspective(
        frame,
        drift.other_from_first,
        frame.shape[::-1],
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    ).astype(np.float32)
    return result
