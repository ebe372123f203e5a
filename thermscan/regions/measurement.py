"""What was measured of each part, and the board's raster."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Part
from thermscan.regions.reasons import Reason
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True, eq=False)
class Rectified:
    """
    The board seen from straight above, in millimetres.

    Attributes
    ----------
    apparent_c : ndarray of shape (rows, cols)
        Apparent temperature; NaN where the frame does not show the board. The centre of
        pixel (0, 0) lies at (mm_per_px / 2, mm_per_px / 2).
    mm_per_px : float
    on_board : ndarray of bool, shape (rows, cols)
        Inside the outline.
    overhung : ndarray of bool, shape (rows, cols), or None
        Where a body that stands up is seen, on its foot or leaning over the board behind it; None: not known.
    """

    apparent_c: NDArray[np.float64]
    mm_per_px: float
    on_board: NDArray[np.bool_]
    overhung: NDArray[np.bool_] | None = None

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "apparent_c", read_only(self.apparent_c))
        object.__setattr__(self, "on_board", read_only(self.on_board, np.bool_))
        if self.overhung is not None:
            object.__setattr__(self, "overhung", read_only(self.overhung, np.bool_))

    def centres_mm(self) -> NDArray[np.float64]:
        """Board coordinates of each pixel's centre; shape (rows, cols, 2)."""
        rows, cols = np.indices(self.apparent_c.shape)
        return np.stack([(cols + 0.5) * self.mm_per_px, (rows + 0.5) * self.mm_per_px], axis=-1)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """
    One source of uncertainty of a part's temperature, as a standard uncertainty in kelvin.

    ``shared`` names what makes it common to parts (``camera``, ``reflected``, ``emissivity:plastic``):
    lines of the same name cancel, as far as their ``sensitivity`` agrees, when two parts are compared.
    None: the part's own. ``u_k`` carries the sign of the sensitivity. ``lasting``: the part's own, and the same from
    whichever side it is seen.
    """

    source: str
    u_k: float
    shared: str | None = None
    lasting: bool = False


@dataclass(frozen=True, slots=True, repr=False)
class PartMeasurement:
    """
    The temperature of one part, or why there is none.

    Attributes
    ----------
    mean_c, max_c, rise_k, u_c : float or None
        None where not measurable.
    pixels : int
        Camera pixels in the inner body.
    apparent_mean_c : float or None
        Before the emissivity correction; had even where not measurable, if any pixel was seen.
    budget : tuple of BudgetLine
    reason : Reason or None
        Why it could not be measured.
    seen_in : tuple of int
        The views that the temperature rests on, from 0; empty where not measurable.
    """

    part: Part
    pixels: int
    mean_c: float | None
    max_c: float | None
    rise_k: float | None
    u_c: float | None
    apparent_mean_c: float | None = None
    view_angle_deg: float | None = None
    budget: tuple[BudgetLine, ...] = field(default=())
    reason: Reason | None = None
    seen_in: tuple[int, ...] = field(default=())

    @property
    def measurable(self) -> bool:
        """Whether there is a temperature to judge."""
        return self.reason is None

    def __repr__(self) -> str:
        if self.mean_c is None or self.u_c is None:
            return f"<{self.part.ref}: not measurable ({self.reason.code if self.reason else 'no reading'})>"
        return f"<{self.part.ref}: {self.mean_c:.2f} °C, standard uncertainty {self.u_c:.2f} K, {self.pixels} pixels>"
