"""
Whole frames corrected quickly: the radiance balance of every surface, laid out as straight pieces.

For a given reflected temperature the surface temperature of one surface is a smooth function of its apparent
temperature alone. A plan holds that function for each surface, as pieces so short that a straight line is
within `TOLERANCE_K` of it; to correct a frame is then to find each pixel's piece. One plan serves
all frames of a recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band
from thermscan.radiometry.surface import checked_emissivity, surface_sensitivities, surface_temperature
from thermscan.scales import read_only

# A tenth of the millikelvin that the correction is to keep.
TOLERANCE_K = 1e-4
# Pieces are never wider, since a probe of the bend could miss something; a surface that would need narrower ones
# (bright metal, which reads hardly more than its reflection) is worked out pixel by pixel.
_WIDEST_STEP_K, _NARROWEST_STEP_K = 2.0, 0.125
# Working arrays of this many pixels stay in the processor's second cache.
_CHUNK = 32768


@dataclass(frozen=True, slots=True, eq=False)
class CorrectionPlan:
    """
    The correction of one view's frames.

    Attributes
    ----------
    surface_index : ndarray of int, shape (rows, cols)
        Which surface each pixel shows; below 0: none.
    emissivity : ndarray of shape (surfaces,)
    reflected_c : float
    band_um : pair of float or SpectralResponse
    range_c : tuple of float
        Apparent temperatures that the plan covers; pixels more than two pieces beyond become NaN.
    """

    surface_index: NDArray[np.intp]
    emissivity: NDArray[np.float64]
    reflected_c: float
    band_um: Band
    range_c: tuple[float, float]
    _step_k: float
    _clip_c: tuple[float, float]
    _start: NDArray[np.float64]
    _intercept: NDArray[np.float64]
    _slope: NDArray[np.float64]
    _exact: NDArray[np.intp]

    def correct(self, apparent_c: ArrayLike) -> NDArray[np.float64]:
        """
        Surface temperatures of one frame.

        Parameters
        ----------
        apparent_c : array_like of shape (rows, cols)

        Returns
        -------
        ndarray of shape (rows, cols)
            NaN where there is no reading or no surface, where the reflection exceeds the reading, and where
            the reading is outside ``range_c``. Within 0.1 mK of `surface_temperature`.

        Raises
        ------
        InputError
            The frame has another size than the plan.
        """
        frame = np.ascontiguousarray(apparent_c, dtype=np.float64)
        if frame.shape != self.surface_index.shape:
            raise InputError(f"a frame of {frame.shape} does not fit a plan of {self.surface_index.shape}")
        flat, result = frame.ravel(), np.empty(frame.size)
        index, slope = np.empty(_CHUNK, np.intp), np.empty(_CHUNK)
        low, high = self._clip_c  # in the NaN piece at either end
        with np.errstate(invalid="ignore"):
            for first in range(0, flat.size, _CHUNK):
                chunk = slice(first, first + _CHUNK)
                read, out = flat[chunk], result[chunk]
                piece, gain = index[: read.size], slope[: read.size]
                np.clip(read, low, high, out=out)
                out *= 1 / self._step_k
                out += self._start[chunk]
                np.copyto(piece, out, casting="unsafe")
                self._slope.take(piece, out=gain, mode="clip")
                self._intercept.take(piece, out=out, mode="clip")
                gain *= read
                out += gain
        if self._exact.size:
            result[self._exact] = self._work_out(flat[self._exact])
        return result.reshape(frame.shape)

    def _work_out(self, apparent_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """The same by the balance itself, for the pixels that no straight piece serves."""
        low, high = self.range_c
        covered = np.where((apparent_c >= low - self._step_k) & (apparent_c <= high + self._step_k), apparent_c, np.nan)
        emissivity = self.emissivity[self.surface_index.ravel()[self._exact]]
        return surface_temperature(covered, emissivity=emissivity, reflected_c=self.reflected_c, band_um=self.band_um)


def plan_correction(
    surface_index: ArrayLike,
    *,
    emissivity: ArrayLike,
    reflected_c: float,
    range_c: tuple[float, float] = (-40.0, 500.0),
    band_um: Band = DEFAULT_BAND_UM,
) -> CorrectionPlan:
    """
    Lay out the correction of a view's frames.

    Parameters
    ----------
    surface_index : array_like of int, shape (rows, cols)
        Which surface each pixel shows; below 0: none.
    emissivity : array_like of shape (surfaces,)
    reflected_c : float
        Apparent temperature of what all of them reflect.
    range_c : pair of float
        Lowest and highest apparent temperature to expect; a narrow range is quicker to lay out.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    CorrectionPlan

    Raises
    ------
    InputError
        An emissivity out of range, an index without a surface, or an empty range.

    Examples
    --------
    >>> plan = plan_correction([[0, 1]], emissivity=[0.95, 0.5], reflected_c=26.85)
    >>> plan.correct([[74.72936, 54.16899]]).round(3).tolist()
    [[76.85, 76.85]]
    """
    which = np.asarray(surface_index, dtype=np.intp)
    e = np.atleast_1d(checked_emissivity(emissivity))
    if which.size and which.max() >= e.size:
        raise InputError(f"surface {which.max()} has no emissivity; there are {e.size}", where="surface_index")
    low, high = (float(limit) for limit in range_c)
    if not (np.isfinite(low) and np.isfinite(high) and low < high):
        raise InputError(f"{low:g} to {high:g} C is not a range", where="range_c", fix="give the lower limit first")
    values, group = np.unique(e, return_inverse=True)
    needed_k = _steps(values, reflected_c, (low, high), band_um)
    straight = needed_k >= _NARROWEST_STEP_K
    step_k = float(needed_k[straight].min(initial=_WIDEST_STEP_K))
    # Half a piece to spare at either end, so that no reading at a limit is lost to rounding.
    ends = low + step_k * (np.arange(-1, int(np.ceil((high - low) / step_k)) + 3) - 0.5)
    surface_c = surface_temperature(ends, emissivity=values[straight, None], reflected_c=reflected_c, band_um=band_um)
    slope = np.diff(surface_c, axis=1) / step_k
    slope[:, [0, -1]] = np.nan  # these two take what lies outside the range
    intercept = surface_c[:, :-1] - slope * ends[:-1]
    # All pieces stand in one row: number = apparent / step + start. The last is for pixels with no straight pieces.
    row = np.full(values.size + 1, slope.size)
    row[:-1][straight] = np.arange(len(slope)) * slope.shape[1]
    start = np.where(row < slope.size, row - ends[0] / step_k, np.inf)
    kind = np.where(which >= 0, group[np.maximum(which, 0)], values.size).ravel()
    exact = np.flatnonzero(~np.append(straight, True)[kind])
    return CorrectionPlan(
        surface_index=read_only(which, np.intp),
        emissivity=read_only(e),
        reflected_c=float(reflected_c),
        band_um=band_um,
        range_c=(low, high),
        _clip_c=(float(ends[1]) - step_k / 2, float(ends[-2]) + step_k / 2),
        _step_k=step_k,
        _start=start[kind],
        _intercept=np.append(intercept, np.nan),
        _slope=np.append(slope, np.nan),
        _exact=exact,
    )


def _steps(
    emissivity: NDArray[np.float64], reflected_c: float, range_c: tuple[float, float], band_um: Band
) -> NDArray[np.float64]:
    """The widest piece for each surface that bends less than the tolerance; 0 where none does."""
    probe_c = np.linspace(*range_c, 65)
    slope = surface_sensitivities(
        probe_c, emissivity=emissivity[:, None], reflected_c=reflected_c, band_um=band_um
    ).per_apparent
    bend = np.abs(np.gradient(slope, probe_c, axis=1))
    partly = np.isnan(slope).any(axis=1)
    worst = np.where(partly, np.inf, np.nanmax(np.where(np.isnan(bend), 0.0, bend), axis=1))
    # A chord of width h leaves its curve by h^2 / 8 times the second derivative; half of it for what the probe misses.
    step: NDArray[np.float64] = np.minimum(np.sqrt(8 * 0.5 * TOLERANCE_K / np.maximum(worst, 1e-12)), _WIDEST_STEP_K)
    return step
