"""What each view reads of the parts, and the camera's offset in each view, told by the parts that several show."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.regions.measurement import BudgetLine, PartMeasurement
from thermscan.regions.sensor_lines import is_sensors
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]

# So many views at least tell which one of them differs.
FEWEST_TO_TELL = 3
# The offset of a camera without cooling moves by some tenths of a kelvin while a person walks around the board (common
# practice: the shutter's correction is good to about that); the parts that two views share soon know better.
DRIFT_K = 0.5
# The least that a part's reading from another side may differ: what no budget holds, such as a body's warmer side.
LEAST_VIEW_K = 0.1
ROUNDS, MIDDLE_ROUNDS = 60, 10
# Residuals count as those of Student's t with so few degrees of freedom: a mirrored part hardly pulls (K. L. Lange,
# R. J. A. Little, J. M. G. Taylor, Robust statistical modeling using the t distribution, JASA 84 (1989) 881-896).
STUDENT_DEGREES = 4.0


def read_views(views: Sequence[Sequence[PartMeasurement]]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Mean temperatures, and what is each view's own of their uncertainty: private to the part, and the sensor's.

    Each of shape (views, parts), NaN where there is no reading.
    """
    shape = (len(views), len(views[0]))
    readings, private, sensor = (np.full(shape, np.nan) for _ in range(3))
    for view, measurements in enumerate(views):
        for part, measured in enumerate(measurements):
            if measured.mean_c is not None and measured.measurable:
                readings[view, part] = measured.mean_c
                private[view, part] = _root_sum(line for line in measured.budget if is_private(line))
                sensor[view, part] = _root_sum(line for line in measured.budget if is_sensors(line))
    return readings, private, sensor


def is_private(line: BudgetLine) -> bool:
    """Whether a line is the part's own in one view alone."""
    return line.shared is None and not line.lasting


def _root_sum(lines: Iterable[BudgetLine]) -> float:
    return float(np.sqrt(sum(line.u_k**2 for line in lines)))


def drift_and_ratio(readings: FloatArray, own_k: FloatArray) -> tuple[FloatArray, float]:
    """Each view's offset, shape (views, 1), and the Birge ratio, from the parts that two or more views saw."""
    several = np.isfinite(readings).sum(axis=0) > 1
    drift, ratio = np.zeros((len(readings), 1)), 1.0
    if not several.any():
        return drift, ratio
    seen = np.isfinite(readings[:, several])
    values, own = np.where(seen, readings[:, several], 0.0), np.where(seen, own_k[:, several], 1.0)
    # A residual against the mean of n readings has lost 1/n of its variance.
    freed = np.sqrt(seen.sum(axis=0) / (seen.sum(axis=0) - 1))
    weights = seen.astype(np.float64)
    for _ in range(ROUNDS):
        middle = (weights * (values - drift)).sum(axis=0) / weights.sum(axis=0)
        rest = np.where(seen, values - drift - middle, 0.0)
        # Told from the middle of the scatter: one part that mirrors something does not widen all others.
        ratio = max(1.0, robust_sd((rest * freed / np.hypot(own, LEAST_VIEW_K))[seen], centre=0.0))
        spread = np.hypot(own * ratio, LEAST_VIEW_K)
        weights = seen / (spread**2 * (1 + (rest / spread) ** 2 / STUDENT_DEGREES))
        # The prior pulls each offset towards none.
        drift = drift + ((weights * rest).sum(axis=1, keepdims=True) - drift / DRIFT_K**2) / (
            weights.sum(axis=1, keepdims=True) + 1 / DRIFT_K**2
        )
        drift = drift - drift.mean()
    return drift - middle_offset(drift), ratio


def middle_offset(offsets_k: FloatArray) -> float:
    """
    The middle of the views' offsets, which one view that is far off hardly moves.

    Examples
    --------
    >>> round(middle_offset(np.array([0.0, 0.3])), 3), round(middle_offset(np.array([0.0, 0.1, -0.1, 6.0])), 2)
    (0.15, 0.06)
    """
    middle = float(np.median(offsets_k))
    for _ in range(MIDDLE_ROUNDS):
        weights = 1 / (1 + ((offsets_k - middle) / DRIFT_K) ** 2 / STUDENT_DEGREES)
        middle = float((weights * offsets_k).sum() / weights.sum())
    return middle
