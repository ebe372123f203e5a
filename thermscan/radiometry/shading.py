"""A sensor's unevenness as a camera file carries it: smooth shading, and offsets of rows and columns."""

from __future__ import annotations

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.stripes import line_profile
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.planck import Band, band_radiance_slope
from thermscan.robust import robust_sd
from thermscan.scales import read_only

# The smooth part: products of Legendre polynomials of x and y up to this degree together. A bowl, its steeper corners
# and a warm edge take it (28 numbers), and no part of a board is as wide.
DEGREE = 6
# A line that differs from the stored pattern by more than this many deviations shows the board.
_STRAY_DEVIATIONS = 3.0
_FEWEST_LINES = 12


@dataclass(frozen=True, slots=True, eq=False)
class Shading:
    """
    A camera's unevenness on a flat scene, in kelvin of apparent temperature at that scene.

    Attributes
    ----------
    pixels : tuple of int
        Columns and rows of the frames that it is for.
    at_c : float
        Apparent temperature of the flat scene.
    coefficients : ndarray of shape (28,)
        Of the smooth part, in the order of `smooth_terms`.
    rows_k, columns_k : ndarray of shape (rows,), (cols,)
        Offsets of the lines.
    left_k : float
        Standard uncertainty of the smooth part between centre and edge once it is taken out: the scene's own
        unevenness, and what the sensor has changed since.
    """

    pixels: tuple[int, int]
    at_c: float
    coefficients: NDArray[np.float64]
    rows_k: NDArray[np.float64]
    columns_k: NDArray[np.float64]
    left_k: float

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        cols, rows = self.pixels
        wanted = {"coefficients": terms_count(), "rows_k": rows, "columns_k": cols}
        for name, count in wanted.items():
            values = np.asarray(getattr(self, name), dtype=np.float64)
            if values.shape != (count,):
                raise InputError(
                    f"{values.size} numbers where {count} belong", where=name, fix="make it with 'camera shading'"
                )
            object.__setattr__(self, name, read_only(values))

    def removed_from(
        self, apparent_c: NDArray[np.float64], *, band_um: Band, where: str | None = None
    ) -> tuple[NDArray[np.float64], str]:
        """
        A frame without the unevenness.

        Parameters
        ----------
        apparent_c : ndarray of shape (rows, cols)
            NaN stays NaN.
        band_um : pair of float or SpectralResponse
        where : str, optional
            For messages.

        Returns
        -------
        apparent_c : ndarray of shape (rows, cols)
        remark : str
            What was done.

        Raises
        ------
        InputError
            The frame has another size than the flat one had.

        Notes
        -----
        A sensor's unevenness is one of radiance, whatever it looks at: the warmer the pixel, the fewer kelvin it makes.
        Rows and columns move by themselves from minute to minute. So as much of their stored pattern is taken out as
        the frame itself still shows (its share by least squares, between 0 and 1).
        """
        cols, rows = self.pixels
        if apparent_c.shape != (rows, cols):
            raise InputError(
                f"the frame has {apparent_c.shape[1]} x {apparent_c.shape[0]} pixels, the camera file's [shading] is "
                f"for {cols} x {rows}",
                where=where,
                fix="make it again with 'thermscan camera shading', or name another camera file",
            )
        smooth_k = smooth_terms(apparent_c.shape) @ self.coefficients
        scale = self._kelvin_here(apparent_c, band_um)
        even_c = apparent_c - smooth_k * scale
        of_rows = _share(even_c.T, self.rows_k)
        of_columns = _share(even_c, self.columns_k)
        even_c -= (of_rows * self.rows_k[:, None] + of_columns * self.columns_k[None, :]) * scale
        remark = (
            f"the camera file's shading was taken out ({np.ptp(smooth_k):.2g} K over the frame; "
            f"its pattern of rows to {100 * of_rows:.0f} %, of columns to {100 * of_columns:.0f} %)"
        )
        return even_c, remark

    def _kelvin_here(self, apparent_c: NDArray[np.float64], band_um: Band) -> NDArray[np.float64]:
        """Kelvin that an error of radiance makes in each pixel, over what it makes at the flat scene."""
        finite = apparent_c[np.isfinite(apparent_c)]
        if not finite.size:
            return np.ones(apparent_c.shape)
        nodes_c = np.linspace(finite.min(), max(finite.max(), finite.min() + 1.0), 64)
        slope = band_radiance_slope(nodes_c, band_um=band_um)
        here: NDArray[np.float64] = np.interp(
            apparent_c, nodes_c, float(band_radiance_slope(self.at_c, band_um=band_um)) / slope
        )
        return here


def terms_count() -> int:
    """How many terms the smooth part has."""
    return (DEGREE + 1) * (DEGREE + 2) // 2


def smooth_terms(shape: tuple[int, int]) -> NDArray[np.float64]:
    """
    The smooth part's terms over a frame, the constant first.

    Returns
    -------
    ndarray of shape (rows, cols, terms)
    """
    rows, cols = shape
    along_x = legendre.legvander(np.linspace(-1, 1, cols), DEGREE)
    along_y = legendre.legvander(np.linspace(-1, 1, rows), DEGREE)
    pairs = [(i, total - i) for total in range(DEGREE + 1) for i in range(total + 1)]
    return np.stack([np.outer(along_y[:, i], along_x[:, j]) for i, j in pairs], axis=-1)


def shading_lines(shading: Shading) -> list[str]:
    """The table [shading] of a camera file."""
    lines = ["[shading]", f"pixels = [{shading.pixels[0]}, {shading.pixels[1]}]", f"at_c = {shading.at_c:.3f}"]
    lines.append(f"left_k = {shading.left_k:.4f}")
    for key in ("coefficients", "rows_k", "columns_k"):
        values = getattr(shading, key)
        lines.append(f"{key} = [{', '.join(f'{value:.5f}' for value in values)}]")
    return lines


def _share(values: NDArray[np.float64], pattern: NDArray[np.float64]) -> float:
    """How much of a pattern of columns a frame still shows, between 0 and 1."""
    if pattern.size < _FEWEST_LINES or not np.any(pattern):
        return 0.0
    seen, stored = line_profile(values), line_profile(pattern[None, :])
    known = np.isfinite(seen) & np.isfinite(stored)
    if known.sum() < _FEWEST_LINES:
        return 0.0
    share = 0.5
    for _ in range(5):
        left = seen - share * stored
        middle = float(np.median(left[known]))
        spread = robust_sd(left[known], centre=middle)
        good = known & (np.abs(left - middle) <= _STRAY_DEVIATIONS * max(spread, 1e-9))
        power = float(np.sum(stored[good] ** 2))
        if power == 0.0:
            return 0.0
        share = float(np.clip(np.sum(stored[good] * (seen[good] - middle)) / power, 0.0, 1.0))
    return share
