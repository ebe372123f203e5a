"""A place of the board as four corners with their covariance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """
    A place improved on the frame.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
    px_from_mm : ndarray of shape (3, 3)
    corner_covariance_px2 : ndarray of shape (8, 8)
    residual_px : float
        Root mean square of what the evidence leaves unexplained.
    """

    corners_px: NDArray[np.float64]
    px_from_mm: NDArray[np.float64]
    corner_covariance_px2: NDArray[np.float64]
    residual_px: float
