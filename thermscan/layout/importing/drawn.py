"""What another program's file says of a board, before it becomes a layout: millimetres, y up, seen from the top."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Side = Literal["top", "bottom"]
Point = tuple[float, float]

MM_PER = {"mm": 1.0, "inch": 25.4, "mil": 0.0254, "um": 0.001}


@dataclass(frozen=True, slots=True)
class DrawnPart:
    """
    One part as a file tells it.

    Attributes
    ----------
    x_mm, y_mm : float
        Its place, y up.
    rotation_deg : float
        Counterclockwise as seen from the top.
    body_points : tuple of Point
        The body's outline on the board, where the file draws it; empty otherwise.
    body_is : str
        What that outline encloses: ``body``, or ``courtyard`` (larger than the body).
    extra : dict
        Further columns of a parts file that the source fills in.
    """

    ref: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    side: Side
    package: str | None = None
    value: str | None = None
    kind: str | None = None
    body_points: tuple[Point, ...] = ()
    body_is: str = "body"
    extra: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Drawing:
    """
    A board as a file tells it.

    Attributes
    ----------
    outline : tuple of Point or None
        The board's edge, y up.
    not_understood : tuple of str
        What was left out, in sentences.
    remarks : tuple of str
        What was assumed.
    """

    parts: tuple[DrawnPart, ...]
    outline: tuple[Point, ...] | None = None
    name: str | None = None
    not_understood: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
