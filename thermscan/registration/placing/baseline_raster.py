"""The raster of known-good runs as evidence for where the board is, robust to what has changed since."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True, eq=False)
class BaselineRaster:
    """
    What good boards looked like from straight above.

    Attributes
    ----------
    rise_k : ndarray of shape (rows, cols)
        Apparent rise above ambient; NaN where unseen. The centre of pixel (0, 0) lies at
        (mm_per_px / 2, mm_per_px / 2).
    mm_per_px : float
    """

    rise_k: NDArray[np.float64]
    mm_per_px: float

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "rise_k", read_only(self.rise_k))
