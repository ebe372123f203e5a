"""
An uncooled sensor as real ones are: uneven rows, columns and shading that change, and noise that neighbours share.

Sizes are those of one public recording of an uncooled 640 x 512 camera (9 frames of a flat scene in 2 minutes), over
its white noise of 2.9 counts a pixel: rows move by 7.8 counts over the recording and by 1.8 between neighbouring
frames, columns by 1.7 and 2.1, the whole frame by 10; shading of 37 from edge to centre that changes; noise correlated
by 0.44, 0.39 and 0.35 at 1 to 3 pixels. Each camera drawn here has its own multiple of each. What is fixed
was not published and is made up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from samples.simulator.shapes import Array

WHITE = 2.9
ROW_SLOW, ROW_QUICK, COLUMN_QUICK = 7.8 / WHITE, 1.8 / np.sqrt(2) / WHITE, 2.1 / np.sqrt(2) / WHITE
WHOLE_FRAME, SHADING = 10.0 / WHITE, 37.0 / WHITE
# Standard deviation of the logarithm of each camera's multiple: 95 % between a third and three times.
VARIETY = 0.55
# Made up: what stays since the shutter closed.
FIXED_ROW, FIXED_COLUMN = 0.5, 1.0
# Noise over 2 and 9 pixels and its share of all noise's variance, so that the three correlations come out.
PATCHES_PX = ((2.0, 0.16), (9.0, 0.29))
SHARED = float(np.sqrt(0.45 / 0.55))


@dataclass(frozen=True, slots=True)
class Sensor:
    """
    One camera's sensor; sizes are standard deviations in kelvin at 30 degrees, but for shading, edge less centre.

    Attributes
    ----------
    seed : int
        Of what belongs to this camera and stays, or changes slowly.
    row_slow_k, row_quick_k, row_fixed_k : float
        Offsets of rows: over minutes, from frame to frame, and for good.
    column_quick_k, column_fixed_k : float
    frame_k : float
        The whole frame, over minutes.
    shading_k, shading_change_k : float
        Edge less centre: for good, and over minutes.
    shared_noise_k : float
        Of the noise that neighbours share, from frame to frame.
    """

    seed: int = 0
    row_slow_k: float = 0.0
    row_quick_k: float = 0.0
    row_fixed_k: float = 0.0
    column_quick_k: float = 0.0
    column_fixed_k: float = 0.0
    frame_k: float = 0.0
    shading_k: float = 0.0
    shading_change_k: float = 0.0
    shared_noise_k: float = 0.0

    def unevenness_k(self, rng: np.random.Generator, shape: tuple[int, int], *, minute: float = 0.0) -> Array:
        """
        What the sensor adds to one frame, white noise apart.

        Parameters
        ----------
        rng : Generator
            Of what is new in each frame.
        shape : tuple of int
        minute : float
            On the camera's clock.

        Returns
        -------
        ndarray of the shape, K at 30 degrees
        """
        own = np.random.default_rng(self.seed)
        rows, cols = shape
        lines = self.row_fixed_k * _lines(own, rows) + self.row_slow_k * _slow(own, rows, minute)
        lines += self.row_quick_k * rng.standard_normal(rows)
        columns = self.column_fixed_k * _lines(own, cols) + self.column_quick_k * rng.standard_normal(cols)
        field = lines[:, None] + columns[None, :]
        field += self.shading_k * _bowl(own, shape)
        change = self.shading_change_k * _slow(own, 1, minute)[0]
        field += change * _bowl(own, shape)
        field += self.frame_k * _slow(own, 1, minute)[0]
        if self.shared_noise_k:
            field += self.shared_noise_k * _patches(rng, shape)
        result: Array = field
        return result


IDEAL = Sensor()


def sample_sensor(rng: np.random.Generator, *, netd_k: float, shading_k: float | None = None) -> Sensor:
    """A camera of a given white noise; all sizes vary from camera to camera by a factor of 3 either way."""

    def size(over_white: float) -> float:
        return float(over_white * netd_k * np.exp(VARIETY * rng.standard_normal()))

    shading = size(SHADING) if shading_k is None else shading_k
    return Sensor(
        seed=int(rng.integers(2**31)),
        row_slow_k=size(ROW_SLOW),
        row_quick_k=size(ROW_QUICK),
        row_fixed_k=size(FIXED_ROW),
        column_quick_k=size(COLUMN_QUICK),
        column_fixed_k=size(FIXED_COLUMN),
        frame_k=size(WHOLE_FRAME),
        shading_k=shading,
        shading_change_k=shading * float(rng.uniform(0.05, 0.4)),
        shared_noise_k=size(SHARED),
    )


def _lines(rng: np.random.Generator, count: int) -> Array:
    """Offsets of lines that stay: some by themselves, some a few lines wide, and now and then a bad one."""
    single, wide = rng.standard_normal(count), gaussian_filter1d(rng.standard_normal(count), 4.0, mode="wrap")
    bad = np.where(rng.random(count) < 0.01, rng.normal(0.0, 4.0, count), 0.0)
    result: Array = 0.8 * single + 0.6 * wide / wide.std() + bad
    return result


def _slow(rng: np.random.Generator, count: int, minute: float) -> Array:
    """Random walks of their own around 0, of standard deviation 1, with periods of 2 to 15 minutes."""
    periods, phases = rng.uniform(2.0, 15.0, (count, 3)), rng.uniform(0.0, 2 * np.pi, (count, 3))
    result: Array = np.sqrt(2 / 3) * np.sin(2 * np.pi * minute / periods + phases).sum(axis=1)
    return result


def _bowl(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Smooth shading, edge less centre about 1 either way: a bowl off the middle, a slope, and a warm corner."""
    rows, cols = shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    x0, y0, power = rng.normal(0.0, 0.2), rng.normal(0.0, 0.2), rng.uniform(1.5, 4.0)
    turn, corner = rng.uniform(0.0, 2 * np.pi), rng.choice([-1.0, 1.0], 2)
    slope, warm = rng.normal(0.0, 0.2), rng.normal(0.0, 0.4)
    bowl = np.hypot((x - x0) / 1.1, (y - y0) / 1.1) ** power
    bowl += slope * (x * np.cos(turn) + y * np.sin(turn))
    bowl += warm * np.exp(-((x - corner[0]) ** 2 + (y - corner[1]) ** 2) / 0.5)
    result: Array = rng.choice([-1.0, 1.0]) * (bowl - bowl.mean())
    return result


def _patches(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Noise that neighbours share, over a few scales, of standard deviation 1."""
    total = np.zeros(shape)
    for sigma_px, share in PATCHES_PX:
        white = rng.standard_normal(shape)
        # A Gaussian filter of width s leaves 1 / (4 pi s^2) of white noise's variance.
        total += np.sqrt(share * 4 * np.pi) * sigma_px * gaussian_filter(white, sigma_px, mode="wrap")
    result: Array = total / np.sqrt(sum(share for _, share in PATCHES_PX))
    return result
