"""What the camera reads on one body: mean, peak, and what the surroundings mix into it."""

from __future__ import annotations

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


def read_body(image: ThermalImage, body: InnerBody) -> Reading | None:
    """Mean, peak and blend of the inner body; None where no pixel has a reading."""
    values = image.apparent_c[body.rows, body.cols]
    counts = np.isfinite(values)
    if not counts.any():
        return None
    centre = float(np.median(values[counts]))
    spread = robust_sd(values[counts], centre=centre)
    counts &= np.abs(np.where(counts, values, centre) - centre) <= OUTLIER_DEVIATIONS * max(spread, image.noise_k)
    mean_c = float(values[counts].mean())
    blend_k, wider_k = _blends_k(image, body, mean_c)
    return Reading(
        mean_c=mean_c + blend_k,
        peak_c=_peak_c(image, body, counts) + blend_k,
        u_blend_k=float(np.hypot(BLEND_DOUBT * blend_k, wider_k - blend_k)),
        slope_k_per_px=_slope(values[counts], body.rows[counts], body.cols[counts]),
        footprint=Footprint(body.rows[counts], body.cols[counts]),
    )


def _blends_k(image: ThermalImage, body: InnerBody, mean_c: float) -> tuple[float, float]:
    """
    What to add to the mean to undo the surroundings' share in it, at the frame's blur and at a wider one.

    Two mean radiances (inner body, ring) are two known mixtures of two unknown ones.
    """
    ring = image.apparent_c[body.ring_rows, body.ring_cols]
    ring = ring[np.isfinite(ring)]
    inner, beside = np.array([[each.inner, each.ring] for each in (body.coverage, body.wider_coverage)]).T
    if ring.size < LEAST_PIXELS:
        return 0.0, 0.0
    apart = np.where(inner > beside, inner - beside, np.nan)
    radiance = band_radiance(np.append(ring, mean_c), band_um=image.band)
    seen, around = radiance[-1], radiance[:-1].mean()
    corrected = band_temperature_c(seen + (1.0 - inner) * (seen - around) / apart, band_um=image.band)
    blend_k, wider_k = np.where(np.isfinite(corrected), corrected - mean_c, 0.0)
    return float(blend_k), float(wider_k)


def _peak_c(image: ThermalImage, body: InnerBody, counts: NDArray[np.bool_]) -> float:
    """The hottest 3 x 3 neighbourhood's median; the hottest pixel would be noise."""
    rows, cols = body.rows[counts], body.cols[counts]
    padded = np.full((np.ptp(rows) + 3, np.ptp(cols) + 3), np.nan)
    padded[rows - rows.min() + 1, cols - cols.min() + 1] = image.apparent_c[rows, cols]
    # In order, what has no reading last: the median is in the middle of those that have.
    around = np.sort(sliding_window_view(padded, (3, 3)).reshape(-1, 9), axis=1)
    known = np.isfinite(around).sum(axis=1)
    around, known = around[known >= LEAST_PEAK_PIXELS], known[known >= LEAST_PEAK_PIXELS]
    if not len(known):
        return float(np.median(image.apparent_c[rows, cols]))
    each = np.arange(len(known))
    return float((0.5 * (around[each, (known - 1) // 2] + around[each, known // 2])).max())


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
