"""Whether a frame's values come in the steps of eight-bit data."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from thermscan.frozen import dataclass

_BYTE_LEVELS = 256
# Fewer values than this, or fewer pixels a value, may leave out levels and look like any steps.
_MIN_LEVELS = 24
_MIN_PIXELS_A_LEVEL = 8
# Rounding moves a value by half its last digit at most; steps less than four digits wide cannot be told from it.
_MIN_STEP_OVER_DIGIT = 4.0
# Whole hundredths of a kelvin, or whole 64ths, are how a camera counts and not the steps of a byte: a picture's range
# over 255 is near one of them by chance once in some twenty times.
_CAMERA_STEPS_K = (0.01, 1.0 / 64.0)
# How far off a step may be found, its levels rounded to hundredths.
_STEP_TOLERANCE_K = 2e-4


@dataclass(frozen=True, slots=True)
class ValueSteps:
    """How many different values there are, their usual distance, and whether they are a byte's levels."""

    levels: int
    step: float | None
    from_bytes: bool


def value_steps(values: ArrayLike, *, digit: float = 0.01) -> ValueSteps:
    """
    In what steps a frame's values come.

    Parameters
    ----------
    values : array_like
        Kelvin or degrees Celsius. NaN does not count.
    digit : float
        What the last digit or count of the storage is worth, in kelvin; 0 for floats.

    Returns
    -------
    ValueSteps
        ``from_bytes`` where all values lie on 256 equal levels whose distance is no round number: eight-bit data
        stretched over a temperature range.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> scene = 22.0 + 14.0 * rng.random((60, 80))
    >>> value_steps(np.round(scene, 2)).from_bytes
    False
    >>> value_steps(np.round(22.0 + 14.0 / 255 * np.round(255 * (scene - 22.0) / 14.0), 2)).from_bytes
    True
    """
    array = np.asarray(values, dtype=np.float64)
    finite = array[np.isfinite(array)]
    different = np.unique(finite)
    if different.size < 2:
        return ValueSteps(int(different.size), None, False)
    step = float(np.median(np.diff(different)))
    few = _MIN_LEVELS <= different.size <= _BYTE_LEVELS and finite.size >= _MIN_PIXELS_A_LEVEL * different.size
    return ValueSteps(int(different.size), step, bool(few and _on_byte_levels(different, step, digit)))


def _on_byte_levels(different: np.ndarray, step: float, digit: float) -> bool:
    # The mean of neighbouring levels' distances is free of rounding; it is then refined on ever more levels, so that
    # small errors do not add up to a wrong count.
    distances = np.diff(different)
    step = float(np.mean(distances[distances <= 1.5 * step]))
    offsets = different - different[0]
    for count in np.unique(np.geomspace(8, offsets.size, 6).astype(int)):
        numbers = np.round(offsets[:count] / step)
        if numbers[-1] > 0:
            step = float(np.dot(numbers, offsets[:count]) / np.dot(numbers, numbers))
    if step < _MIN_STEP_OVER_DIGIT * digit or offsets[-1] / step > _BYTE_LEVELS - 0.5:
        return False
    off_level = np.abs(offsets - step * np.round(offsets / step)).max()
    is_round = any(abs(step - size * max(round(step / size), 1)) < _STEP_TOLERANCE_K for size in _CAMERA_STEPS_K)
    return bool(off_level <= 1.05 * digit + 1e-6 * step and not is_round)
