"""Where the board lies in the frame, and how well that is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.camera import Lens
from thermscan.scales import read_only

# Of the bounding box of the outline, as the board is seen from its component side; the order of all corners.
CORNER_NAMES = ("top left", "top right", "bottom right", "bottom left")


@dataclass(frozen=True, slots=True)
class PartHeight:
    """
    How high the top of a part stands above the board, as all that is known tells.

    Attributes
    ----------
    height_mm, u_mm : float
        With its standard uncertainty.
    seen : bool
        Whether the frame told more than was known before.
    """

    height_mm: float
    u_mm: float
    seen: bool = False


@dataclass(frozen=True, eq=False, repr=False)
class Registration:
    """
    The plane homography from board millimetres to frame pixels.

    Attributes
    ----------
    method : str
        ``corners``, ``landmarks``, ``outline`` or ``baseline``.
    px_from_mm : ndarray of shape (3, 3)
        Scaled so that the last element is 1.
    corners_px : ndarray of shape (4, 2)
        The bounding box of the outline: top left, top right, bottom right, bottom left.
    corner_covariance_px2 : ndarray of shape (8, 8)
        Of ``corners_px`` in the order x0, y0, x1, y1 …
    residual_px : float
        Root mean square of what the evidence leaves unexplained.
    uncertainty_mm : float
        Of a part's place in the board's plane, root mean square over the parts: twice it holds 95 %.
    view_angle_deg : float
        Between the board's normal and the line of sight at the board's centre.
    remarks : tuple of str
    focal_scale : float
        Factor on the focal length that is stated, told from the view or assumed, as the heights show it.
    heights : mapping of ref to PartHeight
        How high the top of each part stands, as layout, package and frame together tell; empty: as the layout states.
    top_doubts_px : ndarray of shape (n,)
        Standard uncertainty of where each part's top is seen, in the layout's order, from what is not known of its
        height; empty where nothing is known of that.
    lens : Lens or None
        How the lens bends the view, where that was fitted: all else is of the frame straightened by it.
    """

    method: str
    px_from_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    corner_covariance_px2: NDArray[np.float64]
    residual_px: float
    uncertainty_mm: float
    view_angle_deg: float
    remarks: tuple[str, ...] = field(default=())
    focal_scale: float = 1.0
    heights: Mapping[str, PartHeight] = field(default_factory=lambda: MappingProxyType({}))
    top_doubts_px: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    lens: Lens | None = None

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "heights", MappingProxyType(dict(self.heights)))
        for name in ("px_from_mm", "corners_px", "corner_covariance_px2", "top_doubts_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @cached_property
    def mm_from_px(self) -> NDArray[np.float64]:
        """The inverse homography, shape (3, 3)."""
        inverse = np.linalg.inv(self.px_from_mm)
        return read_only(inverse / inverse[2, 2])

    def px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the board in the frame; shape (n, 2)."""
        return map_points(self.px_from_mm, points_mm)

    def mm(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the frame on the board's plane; shape (n, 2)."""
        return map_points(self.mm_from_px, points_px)

    def __repr__(self) -> str:
        return f"<registered by {self.method}: {self.view_angle_deg:.0f} degrees, to {self.uncertainty_mm:.2f} mm>"
