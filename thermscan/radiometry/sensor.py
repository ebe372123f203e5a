"""
What an uncooled sensor does to parts of one frame, beyond the white noise of its pixels.

Rows and columns have offsets of their own, the whole is shaded smoothly and not the same from minute to minute, and
neighbouring pixels share some of their noise. Parts that lie near each other, or on the same lines, share much of it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

# A public recording of one uncooled 640 x 512 camera on a flat scene, 9 frames in 2 minutes, white noise 2.9 counts a
# pixel: 37 counts of smooth shading from edge to centre, 0.64 K at a noise of 0.05 K. A single camera: the difference
# between centre and edge is taken to have this standard deviation over cameras.
SHADING_K = 37.0 / 2.9 * 0.05
# How far along the frame shading stays alike: half the frame's width, from its centre to its edge, of one bowl.
SHADING_REACH = 0.5
# The same camera's noise is correlated by 0.44, 0.39 and 0.35 at 1 to 3 pixels: one half of its variance is white, and
# the other falls by e in 1 / ln(0.44 / 0.39) = 8.3 pixels. So correlated and white noise are alike in size.
CORRELATED_OVER_WHITE = 1.0
CORRELATION_PX = 8.3
# Where the frame is too small to show its stripes: rows of that camera move by 0.6 (neighbouring frames) to 2.7
# of its noise, columns by 0.6 to 0.7; in between.
STRIPES_OVER_WHITE = 1.0
# As many pixels of a part as tell how alike they are; spread evenly over it.
_SAMPLED_PIXELS = 64


@dataclass(frozen=True, slots=True, eq=False)
class Footprint:
    """
    The pixels that a part's mean is taken over.

    Attributes
    ----------
    rows, cols : ndarray of int, shape (n,)
    """

    rows: NDArray[np.intp]
    cols: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """
    How uneven a sensor is in one image: standard deviations, in kelvin of apparent temperature.

    Attributes
    ----------
    row_k, column_k : float
        Of the offsets that whole rows and whole columns have.
    shading_k : float
        Of the smooth unevenness between the frame's centre and the middle of its left or right edge.
    correlated_k : float
        Of the noise that neighbouring pixels share.
    source : str
        Where the figures come from, in words.
    """

    row_k: float
    column_k: float
    shading_k: float
    correlated_k: float
    source: str = ""

    def covariance_k2(self, footprints: Sequence[Footprint], shape: tuple[int, int]) -> NDArray[np.float64]:
        """
        Covariance of the errors that this sensor makes in the mean apparent temperatures of parts.

        Parameters
        ----------
        footprints : sequence of Footprint
            One or more pixels each.
        shape : tuple of int
            The frame's rows and columns.

        Returns
        -------
        ndarray of shape (n, n)
            In square kelvin; without the white noise, and without what all parts share (the camera's offset).

        Notes
        -----
        Rows and columns: each part takes the share of its pixels that lie on a line; two parts on the same lines share
        them. Shading: a smooth random surface, s^2 exp(-(d / reach)^2 / 2) between parts a distance d apart. Correlated
        noise: c^2 exp(-d / 8.3 px), averaged over the part's area.

        Examples
        --------
        >>> def block(top, left):
        ...     rows, cols = (index.ravel() for index in np.indices((10, 10)))
        ...     return Footprint(rows + top, cols + left)
        >>> stripes = SensorErrors(row_k=0.1, column_k=0.0, shading_k=0.0, correlated_k=0.0)
        >>> parts = [block(0, 0), block(0, 50), block(60, 0)]  # the first two lie on the same rows
        >>> cov = stripes.covariance_k2(parts, (120, 160))
        >>> def between(i, j):
        ...     return round(float(cov[i, i] + cov[j, j] - 2 * cov[i, j]), 5)
        >>> between(0, 1), between(0, 2)  # 2 times 0.1^2 / 10
        (0.0, 0.002)
        """
        n = len(footprints)
        if n == 0:
            return np.zeros((0, 0))
        rows, cols = shape
        on_rows = np.array([np.bincount(part.rows, minlength=rows) / len(part.rows) for part in footprints])
        on_cols = np.array([np.bincount(part.cols, minlength=cols) / len(part.cols) for part in footprints])
        whole = self.row_k**2 * on_rows @ on_rows.T + self.column_k**2 * on_cols @ on_cols.T
        middles = np.array([[part.cols.mean(), part.rows.mean()] for part in footprints])
        apart_px = np.linalg.norm(middles[:, None] - middles[None], axis=2)
        reach_px = SHADING_REACH * cols
        # From centre to edge is one reach: the difference's variance there is 2 s^2 (1 - exp(-1/2)).
        surface_k2 = self.shading_k**2 / (2 * (1 - np.exp(-0.5)))
        whole += surface_k2 * np.exp(-((apart_px / reach_px) ** 2) / 2)
        alike = np.sqrt([_alikeness(part) for part in footprints])
        nearby = np.exp(-apart_px / CORRELATION_PX) * np.outer(alike, alike)
        np.fill_diagonal(nearby, alike**2)
        whole += self.correlated_k**2 * nearby
        # What all parts share is no difference between any.
        whole -= whole.mean(axis=0)
        result: NDArray[np.float64] = whole - whole.mean(axis=1, keepdims=True)
        return result


def _alikeness(part: Footprint) -> float:
    """How much of the correlated noise's variance is left in the mean over a part."""
    step = max(-(-len(part.rows) // _SAMPLED_PIXELS), 1)
    places = np.column_stack([part.cols, part.rows])[::step].astype(np.float64)
    apart_px = np.linalg.norm(places[:, None] - places[None], axis=2)
    return float(np.exp(-apart_px / CORRELATION_PX).mean())
