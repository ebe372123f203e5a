"""What one or more known-good runs of a board type looked like."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True)
class BaselineRun:
    """One known-good run: what it was, and each part's rise (parts that were not measurable are left out)."""

    taken: str | None
    board_serial: str | None
    stage: str | None
    minutes_on: float | None
    ambient_c: float
    supply_w: float | None
    frame_sha256: tuple[str, ...]
    rise_k: dict[str, float]
    u_k: dict[str, float]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Baseline:
    """
    Known-good runs of one layout.

    Attributes
    ----------
    board_name, board_revision : str
        Of the layout; other boards are refused.
    layout_digest : str
        SHA-256 over the outline and the parts' geometry, so that a changed layout is noticed.
    runs : tuple of BaselineRun
    rise_raster_k : ndarray of shape (rows, cols)
        Mean apparent rise above ambient on the rectified board; NaN where unseen.
    mm_per_px : float
        Of that raster.
    """

    board_name: str
    board_revision: str | None
    layout_digest: str
    runs: tuple[BaselineRun, ...]
    rise_raster_k: NDArray[np.float64]
    mm_per_px: float
    remarks: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "rise_raster_k", read_only(self.rise_raster_k))

    def __repr__(self) -> str:
        return f"<baseline of {self.board_name}: {len(self.runs)} known-good runs>"
