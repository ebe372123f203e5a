"""
The sensor's unevenness in the budgets of parts: what part i and part j of one frame share, as lines of one name.

A covariance matrix between n parts is the sum of a few patterns over the parts, each an independent error of one size
(its eigenvectors). A pattern is a budget line of each part, of one ``shared`` name: so in any difference between parts,
or between a part and the mean of several, the patterns cancel exactly as far as the covariance says.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.radiometry.uncertainty import OF_TYPE
from thermscan.regions.measurement import BudgetLine, PartMeasurement

SOURCE = "unevenness of the sensor"
SHARED = "sensor:"
# Patterns smaller than this share of the largest one's variance are counted as each part's own.
_LEAST_SHARE = 1e-3
_MOST_PATTERNS = 40


def sensor_lines(
    image: ThermalImage, footprints: Sequence[Footprint], *, per_apparent: ArrayLike
) -> list[tuple[BudgetLine, ...]]:
    """
    The budget lines of what an image's sensor does to the means of parts.

    Parameters
    ----------
    image : ThermalImage
        Without ``sensor``, nothing is known and there are no lines.
    footprints : sequence of Footprint
        The pixels of each measured part.
    per_apparent : array_like of shape (n,)
        Kelvin of each part's surface temperature for one of its apparent temperature.

    Returns
    -------
    list of tuple of BudgetLine
        In the parts' order. Their names belong to this image: another frame's errors are others.
    """
    if image.sensor is None or not footprints:
        return [()] * len(footprints)
    gain = np.asarray(per_apparent, dtype=np.float64)
    covariance = image.sensor.covariance_k2(footprints, image.shape) * np.outer(gain, gain)
    variances, patterns = np.linalg.eigh(covariance)
    order = np.argsort(variances)[::-1][:_MOST_PATTERNS]
    kept = [k for k in order if variances[k] > _LEAST_SHARE * variances[order[0]] and variances[k] > 0]
    lines_k = patterns[:, kept] * np.sqrt(variances[kept])
    left_k = np.sqrt(np.maximum(np.diag(covariance) - np.sum(lines_k**2, axis=1), 0.0))
    image_id = f"{zlib.crc32(np.ascontiguousarray(image.apparent_c).data):08x}"
    names = [f"{SHARED}{image_id}:{number}" for number in range(len(kept))]
    return [
        (
            *(BudgetLine(SOURCE, float(u_k), name) for u_k, name in zip(row, names, strict=True)),
            BudgetLine(SOURCE, float(own_k)),
        )
        for row, own_k in zip(lines_k, left_k, strict=True)
    ]


def is_sensors(line: BudgetLine) -> bool:
    """Whether a line is a pattern of the sensor: shared in part, but not by all parts of a frame alike."""
    return line.shared is not None and line.shared.startswith(SHARED)


def sensor_u_k(measurement: PartMeasurement) -> float:
    """What the sensor's unevenness adds to the uncertainty of a part's temperature."""
    return float(np.sqrt(sum(line.u_k**2 for line in measurement.budget if is_sensors(line))))


def mean_sensor_u_k(measurements: Sequence[PartMeasurement]) -> float:
    """What the unevenness makes of such means, over all measured parts (root mean square); 0 where there is none."""
    each_k = [sensor_u_k(m) for m in measurements if m.measurable]
    return float(np.sqrt(np.mean(np.square(each_k)))) if each_k else 0.0


def with_sensor(measurement: PartMeasurement, times: float) -> PartMeasurement:
    """The measurement by a sensor that is so many times as uneven as its budget says."""
    if times == 1.0:
        return measurement
    lines = (
        BudgetLine(line.source, times * line.u_k, line.shared) if is_sensors(line) else line
        for line in measurement.budget
    )
    return replace(measurement, budget=tuple(lines))


def is_types(line: BudgetLine) -> bool:
    """Whether a line is shared by parts of one type: it cancels between them, and against no other part."""
    return line.shared is not None and line.shared.startswith(OF_TYPE)


def frame_u_k(measurement: PartMeasurement) -> float:
    """
    Standard uncertainty of a part's temperature against the rest of its frame: its own lines, its type's, the sensor's.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> lines = (BudgetLine("camera", 1.2, "camera"), BudgetLine("noise", 0.3), BudgetLine(SOURCE, 0.4, "sensor:0:0"))
    >>> part = Part("U1", 20, 7, 10, 10, 0, Surface("plastic", 0.93, 0.02))
    >>> frame_u_k(PartMeasurement(part, 50, 40.0, 40.0, 20.0, 2.0, budget=lines))
    0.5
    """
    lines = (line for line in measurement.budget if line.shared is None or is_sensors(line) or is_types(line))
    return float(np.sqrt(sum(line.u_k**2 for line in lines)))


def sensor_covariance_k2(measurements: Sequence[PartMeasurement]) -> NDArray[np.float64]:
    """
    Covariance between parts of the errors in ``mean_c`` that the sensor makes.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
        Of one frame or of several; errors of different frames are independent.

    Returns
    -------
    ndarray of shape (n, n)
        In square kelvin, in the given order; zeros for a part without a budget. What all parts of a frame share (the
        camera's offset) is not in it, nor is the white noise.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> def part(u_k):
    ...     lines = (BudgetLine(SOURCE, u_k, "sensor:0:0"), BudgetLine(SOURCE, 0.1))
    ...     return PartMeasurement(
    ...         Part("U1", 20, 7, 10, 10, 0, Surface("plastic", 0.93, 0.02)), 50, 40.0, 40.0, 20.0, 2.0, budget=lines)
    >>> sensor_covariance_k2([part(0.3), part(-0.3)]).round(3).tolist()
    [[0.1, -0.09], [-0.09, 0.1]]
    """
    names = sorted({line.shared or "" for m in measurements for line in m.budget if is_sensors(line)})
    place = {name: k for k, name in enumerate(names)}
    patterns = np.zeros((len(measurements), len(names)))
    own = np.zeros(len(measurements))
    for i, measurement in enumerate(measurements):
        for line in measurement.budget:
            if is_sensors(line):
                patterns[i, place[line.shared or ""]] += line.u_k
            elif line.source == SOURCE:
                own[i] += line.u_k**2
    result: NDArray[np.float64] = patterns @ patterns.T + np.diag(own)
    return result


def told_lines(budget: Sequence[BudgetLine]) -> tuple[BudgetLine, ...]:
    """
    A budget as it is shown: the sensor's patterns as one line of the root of their squares.

    Examples
    --------
    >>> told_lines([BudgetLine(SOURCE, 0.3, "sensor:0:0"), BudgetLine(SOURCE, 0.4)])
    (BudgetLine(source='unevenness of the sensor', u_k=0.5, shared='sensor', lasting=False),)
    """
    others = [line for line in budget if line.source != SOURCE]
    sensors = [line.u_k**2 for line in budget if line.source == SOURCE]
    return (*others, *([BudgetLine(SOURCE, float(np.sqrt(sum(sensors))), SHARED.rstrip(":"))] if sensors else []))
