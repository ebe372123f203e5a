"""
With which period the supply was switched, as the data show it, and what else swings in the picture.

A switched supply is told from breath, a fan or a swaying camera by what only it does: its heat enters at few places of
the board and spreads from there as in a fin, later the farther away; and it keeps its period to the end. Breath and
warmth that the board reflects are smooth over the whole picture, bench included; a sway shows at edges, as the
picture's own slope. Both are taken out first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from thermscan.dynamics.blocks import Blocks
from thermscan.dynamics.heat_patterns import Explained, HeatPatterns
from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# Fewer cycles than this do not tell a period from warming up.
FEWEST_CYCLES = 3.0
FEWEST_MOMENTS = 16
# Terms of slow change.
SLOW = 5
# Something must be seen this clearly: power at its frequency over the usual power, in the blocks that show it best.
LEAST_RATIO, BEST_SHARE = 25.0, 0.01
ZERO_PADDED, COLUMNS_AT_ONCE = 4, 256
MOST_CANDIDATES = 8
# Heat at few places explains nearly all that a drive does; of a smooth or an edged picture it explains a part
# (tests/benchmarks/period_trials.py prints the shares of both: 0.8 and more, and up to 0.45).
LEAST_SHARE = 0.6
# Parts of the recording agree in amplitude and phase: 1 where the period is kept, 1 / parts for chance. Breath whose
# phase wanders by a radian comes to 0.6.
LEAST_STEADY, MOST_PIECES = 0.8, 4
# What chance reaches at the best of some thousand places (exp(-s^2) each) once in fifty recordings is 3.5.
LEAST_SCORE = 5.0
# Another drive-like swing is a rival from this share of the strongest one's power on.
RIVAL_SHARE = 0.25
# Frequencies beside it, in cycles over the recording: Hann's window reaches two either way.
BESIDE = (-5.0, -4.0, -3.0, 3.0, 4.0, 5.0)
# A period that is off by this many cycles over the recording costs (pi d)^2 / 6 of the amplitude: 0.4 %.
NOTICEABLE_CYCLES = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Swing:
    """
    Something that comes back with a period.

    Attributes
    ----------
    share : float
        Of its power over the picture, what heat at few places of the board explains.
    steady : float
        How far the recording's parts agree, 0 to 1.
    power : float
        What that heat explains, in blocks times kelvin squared.
    score : float
        Of the best single place, in standard deviations of chance.
    """

    period_s: float
    share: float
    steady: float
    power: float
    score: float

    @property
    def is_drive(self) -> bool:
        """Whether it does what only a switched supply does."""
        return self.share >= LEAST_SHARE and self.steady >= LEAST_STEADY and self.score >= LEAST_SCORE


@dataclass(frozen=True, slots=True, eq=False)
class PeriodSearch:
    """
    What swings in a recording.

    Attributes
    ----------
    drive : Swing or None
        The switched supply; None where none is seen, or two that cannot be told apart.
    others : tuple of Swing
        The other swings, the strongest in the picture first.
    rival : Swing or None
        As likely a drive as the first.
    """

    drive: Swing | None
    others: tuple[Swing, ...]
    rival: Swing | None
    at: Callable[[float], Swing]
    span_s: float

    def apart_cycles(self, period_s: float) -> float:
        """How many cycles over the recording a period is off the one that the data show."""
        assert self.drive is not None
        return abs(1.0 / period_s - 1.0 / self.drive.period_s) * self.span_s

    def contradicts(self, period_s: float) -> bool:
        """Whether the data show clearly another period than the one stated."""
        if self.drive is None or self.apart_cycles(period_s) <= NOTICEABLE_CYCLES:
            return False
        # Near it, what is stated shares the drive's peak; farther away it may be a drive of its own.
        return self.apart_cycles(period_s) < 1.5 or not self.at(period_s).is_drive


def search_period(blocks: Blocks, patterns: HeatPatterns) -> PeriodSearch | None:
    """
    What swings in a recording, and which of it is the switched supply.

    Parameters
    ----------
    blocks : Blocks
    patterns : HeatPatterns
        What heat at a place of this board looks like.

    Returns
    -------
    PeriodSearch or None
        None where the recording is too short.

    References
    ----------
    .. [1] Y. C. Pati, R. Rezaiifar, P. S. Krishnaprasad, Asilomar Conf. Signals (1993) 40-44: few places that
       together explain a map, one after the other.
    """
    times, span = blocks.times_s, float(np.ptp(blocks.times_s))
    if len(times) < FEWEST_MOMENTS or span <= 0:
        return None
    slow = _slow(times)
    q, _ = np.linalg.qr(slow)
    series = patterns.without_nuisances(blocks.means_k.astype(np.float64))
    series = series - q @ (q.T @ series)

    def look(hz: float) -> Swing:
        return _swing(times, series, hz, patterns, span)

    swings = [look(hz) for hz in _refined_peaks(times, series, span)]
    drives = sorted((each for each in swings if each.is_drive), key=lambda each: -each.power)
    drive = drives[0] if drives else None
    # The heat that a harmonic brings is the fundamental's, which is stronger, and must be seen to be a drive itself.
    if drive is not None and any(
        _harmonic(drive, each, span) and drive.period_s < each.period_s and each.power > drive.power
        for each in swings if each is not drive
    ):  # fmt: skip
        drive = None
    rivals = [
        each for each in drives[1:]
        if drive is not None and each.power > RIVAL_SHARE * drive.power and not _harmonic(each, drive, span)
    ]  # fmt: skip
    others = tuple(each for each in swings if each is not drive)
    return PeriodSearch(drive, others, rivals[0] if rivals else None, lambda period_s: look(1.0 / period_s), span)


def _slow(times_s: FloatArray) -> FloatArray:
    along = 2 * (times_s - times_s[0]) / float(np.ptp(times_s)) - 1
    return np.asarray(np.polynomial.legendre.legvander(along, SLOW), dtype=np.float64)


def _harmonic(each: Swing, drive: Swing, span_s: float) -> bool:
    """Whether a swing is a harmonic of the drive's, or the other way round."""
    ratio = drive.period_s / each.period_s
    whole = max(round(ratio), 1) if ratio >= 1 else 1.0 / max(round(1.0 / ratio), 1)
    return bool(whole != 1 and abs(1.0 / each.period_s - whole / drive.period_s) < 1.0 / span_s)


def _refined_peaks(times_s: FloatArray, series: FloatArray, span_s: float) -> list[float]:
    """Frequencies that stand out in some blocks, as exactly as the frames' own times allow."""
    hz, told = _spectrum(times_s, series, span_s)
    if len(hz) < 9:
        return []
    # A peak is as wide as the window's lobe, four cycles over the recording; one at the edge is no peak but drift.
    peaks, _ = find_peaks(told, height=LEAST_RATIO, distance=2 * ZERO_PADDED)
    strongest = sorted(peaks, key=lambda at: -told[at])[:MOST_CANDIDATES]
    found: list[float] = []
    for at in strongest:
        size = np.abs(_pointers(times_s, series, float(hz[at]), _slow(times_s), _window(times_s))) ** 2
        best = np.argsort(size)[-max(int(BEST_SHARE * series.shape[1]), 1) :]
        refined = _refined(times_s, series[:, best], float(hz[at]), span_s)
        if all(abs(refined - other) > 1.0 / span_s for other in found):
            found.append(refined)
    return found


def _spectrum(times_s: FloatArray, series: FloatArray, span_s: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies, and the power there over the usual power: the mean of the blocks that show it best."""
    n = len(times_s)
    even = np.linspace(times_s[0], times_s[-1], n)
    size = ZERO_PADDED * n
    hz = np.fft.rfftfreq(size, span_s / (n - 1))
    lowest, highest = int(np.searchsorted(hz, FEWEST_CYCLES / span_s)), int(0.45 * len(hz))
    if highest <= lowest + 8:
        return np.zeros(0), np.zeros(0)
    window = np.hanning(n)[:, None]
    keep = max(int(BEST_SHARE * series.shape[1]), 1)
    best = np.zeros((highest - lowest, 0))
    for first in range(0, series.shape[1], COLUMNS_AT_ONCE):
        some = series[:, first : first + COLUMNS_AT_ONCE]
        evenly = np.array([np.interp(even, times_s, column) for column in some.T]).T
        power = np.abs(np.fft.rfft(evenly * window, size, axis=0)[lowest:highest]) ** 2
        usual = np.maximum(np.median(power, axis=0) / np.log(2.0), 1e-30)
        best = np.sort(np.concatenate([best, power / usual], axis=1), axis=1)[:, -keep:]
    told: FloatArray = best.mean(axis=1)
    return np.asarray(hz[lowest:highest], dtype=np.float64), told


def _refined(times_s: FloatArray, series: FloatArray, hz: float, span_s: float) -> float:
    """The frequency that explains most, by least squares at the frames' own times."""
    slow = _slow(times_s)

    def explained(f: float) -> float:
        angle = 2 * np.pi * f * times_s
        waves = [part(n * angle) for n in (1, 3) for part in (np.cos, np.sin)]
        q, _ = np.linalg.qr(np.column_stack([slow, *waves]))
        return float(((q.T @ series) ** 2).sum())

    width = 1.0 / span_s
    for _ in range(4):
        tried = np.linspace(hz - width, hz + width, 21)
        hz = float(tried[int(np.argmax([explained(each) for each in tried]))])
        width /= 6
    return hz


def _pointers(times_s: FloatArray, series: FloatArray, hz: float, slow: FloatArray, weight: FloatArray) -> ComplexArray:
    """Complex amplitude of each block at a frequency, fitted together with slow change."""
    angle = 2 * np.pi * hz * times_s
    design = np.column_stack([np.cos(angle), np.sin(angle), slow])
    found = np.linalg.solve(
        (design * weight[:, None]).T @ design + 1e-9 * np.eye(design.shape[1]), (design * weight[:, None]).T @ series
    )
    return np.asarray(found[0] - 1j * found[1])


def _window(times_s: FloatArray) -> FloatArray:
    """Hann's window at the frames' own times: what swings elsewhere leaks no farther than two cycles."""
    along = (times_s - times_s[0]) / float(np.ptp(times_s))
    return np.asarray(np.sin(np.pi * along) ** 2 + 1e-3)


def _swing(times_s: FloatArray, series: FloatArray, hz: float, patterns: HeatPatterns, span_s: float) -> Swing:
    slow, weight = _slow(times_s), _window(times_s)
    at = [hz + step / span_s for step in BESIDE if hz + step / span_s > FEWEST_CYCLES / span_s]
    # Of the quieter half: something else may swing beside it.
    beside = sorted((np.abs(_pointers(times_s, series, each, slow, weight)) ** 2 for each in at), key=np.sum)
    noise2 = float(np.median(np.mean(beside[:2], axis=0))) / np.log(2.0)
    whole = _pointers(times_s, series, hz, slow, weight)
    found = patterns.explain(whole, omega_per_s=2 * np.pi * hz)
    total = float((np.abs(whole) ** 2).sum()) - noise2 * len(whole)
    share = found.power / max(total, found.power) if found.power > 0 else 0.0
    score = float(np.sqrt(found.best_power / max(noise2, 1e-30)))
    return Swing(1.0 / hz, share, _steadiness(times_s, series, hz, found, span_s), found.power, score)


def _steadiness(times_s: FloatArray, series: FloatArray, hz: float, found: Explained, span_s: float) -> float:
    """Whether the parts of the recording say the same of the explained pattern: 1 where they do."""
    pieces = int(np.clip(hz * span_s / 1.5, 1, MOST_PIECES))
    size = float((np.abs(found.model) ** 2).sum())
    if pieces < 2 or size <= 0:
        return 1.0 if size > 0 else 0.0
    edges = np.linspace(times_s[0], times_s[-1] + 1e-9, pieces + 1)
    told = []
    for low, high in pairwise(edges):
        within = (times_s >= low) & (times_s < high)
        if within.sum() < 8:
            continue
        along = (times_s[within] - low) / (high - low)
        slow = np.column_stack([np.ones(len(along)), along])
        pointer = _pointers(times_s[within], series[within], hz, slow, np.ones(len(along)))
        told.append(complex((found.model.conj() * pointer).sum()) / size)
    return _agreement(told)


def _agreement(pointers: Sequence[complex]) -> float:
    """
    One where all pointers are alike, one over their number for chance.

    Examples
    --------
    >>> _agreement([1j, 1j, 1j]), round(_agreement([1, 1j, -1, -1j]), 3)
    (1.0, 0.0)
    """
    sizes = float(np.sum(np.abs(pointers) ** 2))
    return float(np.abs(np.sum(pointers)) ** 2 / (len(pointers) * sizes)) if sizes > 0 else 0.0
