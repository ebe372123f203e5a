"""The board's outline and its parts, in millimetres, seen from the component side."""

from __future__ import annotations

import math
from dataclasses import field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True)
class Surface:
    """
    What a camera sees of a part.

    Attributes
    ----------
    name : str
        As in the emissivity table: plastic, solder-mask, metal …
    emissivity : float
        In the camera's band, near the normal.
    u_emissivity : float
        Its standard uncertainty.
    """

    name: str
    emissivity: float
    u_emissivity: float


@dataclass(frozen=True, slots=True)
class Part:
    """
    One component, named by its reference designator.

    Attributes
    ----------
    length_mm, width_mm : float
        The body; length lies along x at rotation 0.
    x_mm, y_mm : float
        The body's centre.
    rotation_deg : float
        Clockwise as seen (x to the right, y down).
    group : str or None
        Peer group.
    max_c : float or None
        Limit of the surface temperature.
    psi_jt_k_per_w, max_junction_c : float or None
        Junction over the top's centre for each watt (JESD51-12), and the junction's limit.
    polarity : str or None
        Where the marked end (pin 1, plus, a diode's band) lies on the body at rotation 0: left, right, up or down. Any
        other text is printed as it is.
    round_body : bool
        A disc of diameter ``length_mm``: the corners of its square show the board.
    watts : tuple of float or None
        What its data sheet lets it draw: typical, and the most.
    family : str or None
        A row of calibration/powers.csv that says so.
    usual_height_mm : float or None
        How high the top of such a package usually stands, without a socket; not what the layout states of this part.
    """

    ref: str
    length_mm: float
    width_mm: float
    x_mm: float
    y_mm: float
    rotation_deg: float
    surface: Surface
    kind: str | None = None
    package: str | None = None
    group: str | None = None
    max_c: float | None = None
    height_mm: float | None = None
    value: str | None = None
    polarity: str | None = None
    note: str | None = None
    psi_jt_k_per_w: float | None = None
    round_body: bool = False
    max_junction_c: float | None = None
    usual_height_mm: float | None = None
    watts: tuple[float, float] | None = None
    family: str | None = None

    def corners_mm(self, shrink_mm: float = 0.0) -> NDArray[np.float64]:
        """
        Corners of the body, each side moved inwards by ``shrink_mm``; shape (4, 2).

        The order is clockwise as seen, from the corner that is top left at rotation 0. A shrink
        of more than half the body collapses that side to the middle.
        """
        half_length = max(self.length_mm / 2 - shrink_mm, 0.0)
        half_width = max(self.width_mm / 2 - shrink_mm, 0.0)
        corners = [
            (-half_length, -half_width),
            (half_length, -half_width),
            (half_length, half_width),
            (-half_length, half_width),
        ]
        return self.board_from_body(np.array(corners))

    def board_from_body(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points given along the body's own length and width, on the board; shape (n, 2)."""
        angle = math.radians(self.rotation_deg)
        cos, sin = math.cos(angle), math.sin(angle)
        moved: NDArray[np.float64] = points_mm @ np.array(((cos, sin), (-sin, cos))) + (self.x_mm, self.y_mm)
        return moved

    def along_and_across(
        self, x_mm: NDArray[np.float64], y_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How far along the body's length, and across it, places of the board lie from its centre; broadcast."""
        angle = math.radians(self.rotation_deg)
        cos, sin = math.cos(angle), math.sin(angle)
        right, down = x_mm - self.x_mm, y_mm - self.y_mm
        return cos * right + sin * down, cos * down - sin * right

    def body_from_board(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the board along the body's own length and width; shape (n, 2)."""
        return np.column_stack(self.along_and_across(points_mm[:, 0], points_mm[:, 1]))


@dataclass(frozen=True, slots=True)
class Sticker:
    """
    A sticker or label on the board, part of its history: what it says, and where it was found.

    Attributes
    ----------
    x_mm, y_mm : float
        Its centre.
    width_mm, height_mm : float
        Its extent along the board's x and y.
    text : str or None
        What is on it.
    note : str or None
        What there is to say of it; a sticker has a text or a note.
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    text: str | None = None
    note: str | None = None

    def corners_mm(self) -> NDArray[np.float64]:
        """Its corners, clockwise as seen from the top left; shape (4, 2)."""
        half = np.array([self.width_mm, self.height_mm]) / 2
        corners: NDArray[np.float64] = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + [self.x_mm, self.y_mm]
        return corners


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Board:
    """
    One side of a board with its parts.

    Attributes
    ----------
    outline_mm : ndarray of shape (n, 2)
        Corner points in order, clockwise as seen. The bounding box starts at (0, 0).
    surface : Surface
        Of the bare board.
    remarks : tuple of str
        Warnings from reading: overlapping bodies and the like.
    parts_path, parts_sha256
        The parts file beside the layout, where it has one.
    photo : Path or None
        A photo of the board from straight above, beside the layout, as ``thermscan layout photo`` writes it.
    stickers : tuple of Sticker
    """

    name: str
    revision: str | None
    outline_mm: NDArray[np.float64]
    thickness_mm: float
    surface: Surface
    parts: tuple[Part, ...]
    path: Path | None = None
    sha256: str | None = None
    remarks: tuple[str, ...] = field(default=())
    parts_path: Path | None = None
    parts_sha256: str | None = None
    photo: Path | None = None
    stickers: tuple[Sticker, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline_mm", read_only(self.outline_mm))

    @property
    def files(self) -> tuple[Path, ...]:
        """What it was read from: layout, parts file, photo."""
        return tuple(path for path in (self.path, self.parts_path, self.photo) if path)

    @property
    def width_mm(self) -> float:
        """Extent of the outline along x."""
        return float(self.outline_mm[:, 0].max())

    @property
    def height_mm(self) -> float:
        """Extent of the outline along y."""
        return float(self.outline_mm[:, 1].max())

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """The bounding box: top left, top right, bottom right, bottom left; shape (4, 2)."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])

    def part(self, ref: str) -> Part | None:
        """The part of that name, or None."""
        return next((part for part in self.parts if part.ref == ref), None)

    def __repr__(self) -> str:
        return f"<board {self.name}: {self.width_mm:g} x {self.height_mm:g} mm, {len(self.parts)} parts>"
