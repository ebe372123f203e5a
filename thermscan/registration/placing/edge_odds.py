"""How much likelier an edge of each direction is at each pixel than a little beside it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.placing.own_heights import STRONG, GradientField

FloatArray = NDArray[np.float64]

# Directions of edges that are told apart: 15 degrees, within which the gradient across an edge loses 1 % of itself.
DIRECTIONS = 12
# From half a turn one way to half a turn the other.
LAYERS = np.arange(2 * DIRECTIONS + 1, dtype=np.intp) % DIRECTIONS
# An edge at a pixel is held against what lies around it, this far to either side.
BESIDE_PX = 6
# A body or a piece of the outline may not be seen, being as warm as what is behind it, or be another's: so often its
# edges tell nothing of the place.
STRAY = 0.35
# So many pixels around the frame tell nothing.
BORDER = 24
# From afar an edge counts up to these log odds.
MOST_ODDS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class EdgeOdds:
    """
    Log odds of an edge, a map for each direction; computed once, then only looked up.

    Attributes
    ----------
    maps : ndarray of float32, shape (`DIRECTIONS`, 2 `BORDER` + rows, 2 `BORDER` + cols)
        With a border of zeros.
    """

    maps: NDArray[np.float32]

    def at(
        self, x_px: NDArray[np.floating], y_px: NDArray[np.floating], layer: NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """Log odds at the pixels that hold the points, for edges of a direction; 0 outside the frame."""
        result: NDArray[np.float32] = self.maps.ravel().take(self._held(x_px, y_px, layer, beside=1))
        return result

    def around(
        self, x_px: FloatArray, y_px: FloatArray, layer: NDArray[np.intp], beside_px: NDArray[np.intp]
    ) -> NDArray[np.float32]:
        """
        The same at pixels beside those, down by each of some whole pixels and right by each; shape (…, points, n²).

        None of them may be farther than half of `BORDER`.
        """
        cols = self.maps.shape[2]
        away = (beside_px[:, None] * cols + beside_px).ravel()
        held = self._held(x_px, y_px, layer, beside=BORDER // 2)
        result: NDArray[np.float32] = self.maps.ravel().take(held[..., None] + away)
        return result

    def _held(
        self, x_px: NDArray[np.floating], y_px: NDArray[np.floating], layer: NDArray[np.intp], *, beside: int
    ) -> NDArray[np.intp]:
        """The running number of the pixel that holds each point, or of one so far beside the frame."""
        _, rows, cols = self.maps.shape
        # One running number a look-up, which costs half of three indices; exact in float32 up to 2^24.
        held = layer.astype(np.float32) * np.float32(rows) + _inside(y_px, rows, beside)
        held *= np.float32(cols)
        held += _inside(x_px, cols, beside)
        return held.astype(np.intp)


def _inside(at_px: NDArray[np.floating], size: int, beside: int) -> NDArray[np.float32]:
    """The pixel along one axis, in the border where it lies outside the frame."""
    low, high = np.float32(BORDER - beside), np.float32(size - 1 - BORDER + beside)
    inside: NDArray[np.float32] = np.rint(at_px, dtype=np.float32)
    inside += np.float32(BORDER)
    np.fmax(inside, low, out=inside)
    np.fmin(inside, high, out=inside)
    return inside


def edge_odds(field: GradientField) -> EdgeOdds:
    """
    The maps of a frame's gradient.

    Notes
    -----
    An edge s standard deviations of noise strong multiplies the density by 1 + (s / `STRONG`)^2 (Cauchy tails, as for
    the heights); its odds are against the mean of that in the square around it: where everything is full of edges one
    more tells little.
    """
    rows, cols = field.gx.shape
    maps = np.zeros((DIRECTIONS, rows + 2 * BORDER, cols + 2 * BORDER), np.float32)
    square = (2 * BESIDE_PX + 1, 2 * BESIDE_PX + 1)
    for k in range(DIRECTIONS):
        angle = (k + 0.5) * np.pi / DIRECTIONS
        across = np.float32(np.cos(angle) / STRONG) * field.gx + np.float32(np.sin(angle) / STRONG) * field.gy
        here = 1.0 + across * across
        around = cv2.boxFilter(here, -1, square, borderType=cv2.BORDER_REFLECT)
        maps[k, BORDER:-BORDER, BORDER:-BORDER] = cv2.log(here / around)
    return EdgeOdds(maps)


def blurred(odds: EdgeOdds, wide_px: int) -> EdgeOdds:
    """
    The same seen from farther off: what is told within so many pixels, on average.

    An edge may tell nothing (`STRAY`), and counts up to `MOST_ODDS`: one bright spot must not outweigh the rest.
    """
    flat = odds.maps.reshape(-1, odds.maps.shape[2])
    told = np.clip(cv2.log(np.float32(1 - STRAY) * cv2.exp(flat) + np.float32(STRAY)), 0.0, MOST_ODDS)
    maps = np.array([cv2.blur(each, (wide_px, wide_px)) for each in told.reshape(odds.maps.shape)], dtype=np.float32)
    for side in (np.s_[:, :BORDER], np.s_[:, -BORDER:], np.s_[:, :, :BORDER], np.s_[:, :, -BORDER:]):
        maps[side] = 0.0
    return EdgeOdds(maps)


def layer_of(normals_px: NDArray[np.floating]) -> NDArray[np.intp]:
    """Which map holds edges across these normals, whichever way they point."""
    # In single precision, which takes a tenth of the time.
    steps = np.arctan2(normals_px[..., 1], normals_px[..., 0], dtype=np.float32)
    steps *= np.float32(DIRECTIONS / np.pi)
    steps += np.float32(DIRECTIONS)
    result: NDArray[np.intp] = LAYERS.take(steps.astype(np.intp), mode="clip")
    return result
