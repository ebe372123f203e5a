"""How much likelier an edge of each direction is at each pixel than a little beside it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.registration.placing.own_heights import STRONG, GradientField

FloatArray = NDArray[np.float64]

# Directions of edges that are told apart: 15 degrees, within which the gradient across an edge loses 1 % of itself.
DIRECTIONS = 12
# An edge at a pixel is held against what lies around it, this far to either side.
BESIDE_PX = 6
# A body or a piece of the outline may not be seen, being as warm as what is behind it, or be another's: so often its
# edges tell nothing of the place.
STRAY = 0.35
# From afar an edge counts up to these log odds.
MOST_ODDS = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class EdgeOdds:
    """
    Log odds of an edge, a map for each direction; computed once, then only looked up.

    Attributes
    ----------
    maps : ndarray of float32, shape (`DIRECTIONS`, 2 + rows, 2 + cols)
        With a border of zeros.
    """

    maps: NDArray[np.float32]

    def at(self, x_px: FloatArray, y_px: FloatArray, layer: NDArray[np.intp]) -> NDArray[np.float32]:
        """Log odds at the pixels that hold the points, for edges of a direction; 0 outside the frame."""
        _, rows, cols = self.maps.shape
        x = np.fmin(np.fmax(np.rint(x_px, dtype=np.float32), -1), cols - 2) + np.float32(1)
        y = np.fmin(np.fmax(np.rint(y_px, dtype=np.float32), -1), rows - 2) + np.float32(1)
        # One running number a look-up, which costs half of three indices; exact in float32 up to 2^24.
        place = (layer.astype(np.float32) * np.float32(rows) + y) * np.float32(cols) + x
        result: NDArray[np.float32] = self.maps.ravel().take(place.astype(np.intp))
        return result


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
    maps = np.zeros((DIRECTIONS, rows + 2, cols + 2), np.float32)
    square = (2 * BESIDE_PX + 1, 2 * BESIDE_PX + 1)
    for k in range(DIRECTIONS):
        angle = (k + 0.5) * np.pi / DIRECTIONS
        across = np.float32(np.cos(angle) / STRONG) * field.gx + np.float32(np.sin(angle) / STRONG) * field.gy
        here = 1.0 + across * across
        maps[k, 1:-1, 1:-1] = cv2.log(here / cv2.boxFilter(here, -1, square, borderType=cv2.BORDER_REFLECT))
    return EdgeOdds(maps)


def blurred(odds: EdgeOdds, wide_px: int) -> EdgeOdds:
    """
    The same seen from farther off: what is told within so many pixels, on average.

    An edge may tell nothing (`STRAY`), and counts up to `MOST_ODDS`: one bright spot must not outweigh the rest.
    """
    told = np.clip(np.log((1 - STRAY) * np.exp(odds.maps) + STRAY), 0.0, MOST_ODDS)
    inner = [cv2.blur(each, (wide_px, wide_px))[1:-1, 1:-1] for each in told]
    return EdgeOdds(np.pad(inner, ((0, 0), (1, 1), (1, 1))))


def layer_of(normals_px: FloatArray) -> NDArray[np.intp]:
    """Which map holds edges across these normals, whichever way they point."""
    angle = np.arctan2(normals_px[..., 1], normals_px[..., 0]) % np.pi
    result: NDArray[np.intp] = np.floor(angle / np.pi * DIRECTIONS).astype(np.intp) % DIRECTIONS
    return result
