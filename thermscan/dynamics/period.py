"""With which period the supply was switched, where nobody says: what many places of the board do together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Fewer cycles than this do not tell a period from warming up.
FEWEST_CYCLES = 3.0
# A drive must be seen this clearly: power at its frequency over the usual power beside it, at some place.
LEAST_RATIO = 25.0
# A harmonic may stand out more than the fundamental of a lopsided drive; then the longer period explains both.
ZERO_PADDED = 4
# Places taken together: the fewest that show it best.
BEST_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Period:
    """A period in seconds, and how many times its power stands above that of its neighbours."""

    period_s: float
    ratio: float


def find_period(times_s: FloatArray, places_k: FloatArray) -> Period | None:
    """
    The period that stands out in some places of a recording.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
    places_k : ndarray of shape (n, places)
        Means of small blocks of the picture.

    Returns
    -------
    Period or None
        None where nothing stands out.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> t = np.sort(np.arange(0.0, 200.0, 0.5) + rng.uniform(-0.1, 0.1, 400))
    >>> places = rng.normal(0.0, 0.05, (400, 60)) + 0.02 * t[:, None]
    >>> places[:, 7] += 0.1 * np.sign(np.sin(2 * np.pi * t / 13.7))
    >>> bool(abs(find_period(t, places).period_s - 13.7) < 0.1)
    True
    """
    n, span = len(times_s), float(times_s[-1] - times_s[0])
    if n < 16 or span <= 0:
        return None
    even = np.linspace(times_s[0], times_s[-1], n)
    along = np.linspace(-1.0, 1.0, n)
    q, _ = np.linalg.qr(np.polynomial.legendre.legvander(along, 5))
    series = np.array([np.interp(even, times_s, column) for column in places_k.T]).T
    series = series - q @ (q.T @ series)
    # What all places do together is the camera's.
    series -= np.median(series, axis=1, keepdims=True)
    size = ZERO_PADDED * n
    power = np.abs(np.fft.rfft(series * np.hanning(n)[:, None], size, axis=0)) ** 2
    hz = np.fft.rfftfreq(size, span / (n - 1))
    lowest, highest = np.searchsorted(hz, FEWEST_CYCLES / span), int(0.45 * len(hz))
    if highest <= lowest + 8:
        return None
    usual = np.median(power[lowest:highest], axis=0) / np.log(2.0)
    ratio = power[lowest:highest] / np.maximum(usual, 1e-30)
    best = max(int(BEST_SHARE * ratio.shape[1]), 1)
    told = np.sort(ratio, axis=1)[:, -best:].mean(axis=1)
    at = int(np.argmax(told))
    if told[at] < LEAST_RATIO:
        return None
    places = np.argsort(ratio[at])[-best:]
    own = places_k[:, places] - np.median(places_k, axis=1, keepdims=True)
    return Period(1.0 / _refined(times_s, own, float(hz[lowest + at]), span), float(told[at]))


def _refined(times_s: FloatArray, series: FloatArray, hz: float, span: float) -> float:
    """The frequency that explains most, by least squares at the frames' own times."""
    along = 2 * (times_s - times_s[0]) / span - 1
    slow = np.polynomial.legendre.legvander(along, 5)

    def explained(f: float) -> float:
        angle = 2 * np.pi * f * times_s
        waves = [part(n * angle) for n in (1, 3) for part in (np.cos, np.sin)]
        q, _ = np.linalg.qr(np.column_stack([slow, *waves]))
        return float(((q.T @ series) ** 2).sum())

    width = 1.0 / span
    for _ in range(4):
        tried = np.linspace(hz - width, hz + width, 21)
        hz = float(tried[int(np.argmax([explained(each) for each in tried]))])
        width /= 6
    return hz
