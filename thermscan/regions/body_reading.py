"""What the camera reads on one body: mean, peak, and what the surroundings mix into it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.radiometry.planck import band_radiance, band_temperature_c
from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.inner_body import LEAST_PIXELS, InnerBody
from thermscan.robust import robust_sd

# Glints and dust on single pixels; a body's own warm middle stays within this many robust deviations.
OUTLIER_DEVIATIONS = 8.0
# Pixels lie on one line where the determinant of their moments is below this share of the larger moment squared.
FLAT_SHARE = 1e-9
# A 3 x 3 neighbourhood counts where most of it lies on the inner body.
LEAST_PEAK_PIXELS = 6
# The surroundings are not one temperature: a quarter of what was corrected for blending stays as standard
# uncertainty, besides what the blur's own uncertainty changes.
BLEND_DOUBT = 0.25


@dataclass(frozen=True, slots=True)
class Reading:
    """Apparent temperatures of one part's inner body."""

    mean_c: float
    peak_c: float
    u_blend_k: float
    slope_k_per_px: tuple[float, float]
    footprint: Footprint

    @property
    def pixels(self) -> int:
        return len(self.footprint.rows)


def read_bodies(image: ThermalImage, bodies: Sequence[InnerBody]) -> list[Reading | None]:
    """Mean, peak and blend of each inner body; None where no pixel has a reading."""
    found = [_Clean.of(image, body) for body in bodies]
    told = [(body, one) for body, one in zip(bodies, found, strict=True) if one is not None]
    blends = _blends_k(image, [body for body, _ in told], np.array([one.values_c.mean() for _, one in told]))
    peaks_c = _peaks_c([one for _, one in told])
    readings = iter(
        [
            Reading(
                mean_c=float(one.values_c.mean()) + blend_k,
                peak_c=peak_c + blend_k,
                u_blend_k=float(np.hypot(BLEND_DOUBT * blend_k, wider_k - blend_k)),
                slope_k_per_px=_slope(one.values_c, one.rows, one.cols),
                footprint=Footprint(one.rows, one.cols),
            )
            for (_, one), (blend_k, wider_k), peak_c in zip(told, blends.tolist(), peaks_c, strict=True)
        ]
    )
    return [None if one is None else next(readings) for one in found]


@dataclass(frozen=True, slots=True, eq=False)
class _Clean:
    """A body's pixels without those that have no reading or stand out by themselves."""

    rows: NDArray[np.intp]
    cols: NDArray[np.intp]
    values_c: NDArray[np.float64]

    @classmethod
    def of(cls, image: ThermalImage, body: InnerBody) -> _Clean | None:
        """None where no pixel has a reading."""
        values = image.apparent_c[body.rows, body.cols]
        counts = np.isfinite(values)
        if not counts.any():
            return None
        centre = float(np.median(values[counts]))
        spread = robust_sd(values[counts], centre=centre)
        counts &= np.abs(np.where(counts, values, centre) - centre) <= OUTLIER_DEVIATIONS * max(spread, image.noise_k)
        return cls(body.rows[counts], body.cols[counts], values[counts])


def _blends_k(image: ThermalImage, bodies: Sequence[InnerBody], mean_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    What to add to each mean to undo the surroundings' share in it, at the frame's blur and at a wider one; (n, 2).

    Two mean radiances (inner body, ring) are two known mixtures of two unknown ones.
    """
    if not bodies:
        return np.zeros((0, 2))
    rows, cols = (np.concatenate([getattr(body, name) for body in bodies]) for name in ("ring_rows", "ring_cols"))
    ring_c, of = image.apparent_c[rows, cols], np.repeat(np.arange(len(bodies)), [len(b.ring_rows) for b in bodies])
    known = np.isfinite(ring_c)
    radiance = band_radiance(np.append(ring_c[known], mean_c), band_um=image.band)
    seen, count = radiance[-len(bodies) :], np.bincount(of[known], minlength=len(bodies))
    around = np.bincount(of[known], weights=radiance[: -len(bodies)], minlength=len(bodies)) / np.maximum(count, 1)
    shares = [[[each.inner, each.ring] for each in (body.coverage, body.wider_coverage)] for body in bodies]
    inner, beside = np.moveaxis(np.array(shares), 2, 0)
    apart = np.where(inner > beside, inner - beside, np.nan)
    corrected = band_temperature_c(seen[:, None] + (1.0 - inner) * (seen - around)[:, None] / apart, band_um=image.band)
    told = np.isfinite(corrected) & (count >= LEAST_PIXELS)[:, None]
    return np.where(told, corrected - mean_c[:, None], 0.0)


def _peaks_c(bodies: Sequence[_Clean]) -> list[float]:
    """Each one's hottest 3 x 3 neighbourhood's median; the hottest pixel would be noise."""
    if not bodies:
        return []
    windows = []
    for body in bodies:
        padded = np.full((np.ptp(body.rows) + 3, np.ptp(body.cols) + 3), np.nan)
        padded[body.rows - body.rows.min() + 1, body.cols - body.cols.min() + 1] = body.values_c
        windows.append(sliding_window_view(padded, (3, 3)).reshape(-1, 9))
    of = np.repeat(np.arange(len(bodies)), [len(each) for each in windows])
    around = np.concatenate(windows)
    known = np.isfinite(around).sum(axis=1)
    enough = known >= LEAST_PEAK_PIXELS
    # In order, what has no reading last: the median is in the middle of those that have.
    around, known = np.sort(around[enough], axis=1), known[enough]
    each = np.arange(len(known))
    peaks_c = np.full(len(bodies), -np.inf)
    np.maximum.at(peaks_c, of[enough], 0.5 * (around[each, (known - 1) // 2] + around[each, known // 2]))
    return [
        float(np.median(body.values_c) if peak_c == -np.inf else peak_c)
        for body, peak_c in zip(bodies, peaks_c, strict=True)
    ]


def _slope(values: NDArray[np.float64], rows: NDArray[np.intp], cols: NDArray[np.intp]) -> tuple[float, float]:
    """
    How the mean over the region would move with the region, in kelvin a pixel along x and y.

    A plane's slope by least squares over the region's pixels.
    """
    x, y = cols - cols.mean(), rows - rows.mean()
    xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
    apart = xx * yy - xy**2
    if apart <= FLAT_SHARE * max(xx, yy) ** 2:
        # All pixels on one line: the slope along it is all there is.
        along = np.linalg.lstsq(np.column_stack([x, y]), values - values.mean(), rcond=None)[0]
        return float(along[0]), float(along[1])
    xv, yv = float(x @ values), float(y @ values)
    return (yy * xv - xy * yv) / apart, (xx * yv - xy * xv) / apart
