"""What another program's file says of a board, before it becomes a layout: millimetres, y up, seen from the top."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Literal

from thermscan.frozen import dataclass
from thermscan.layout.outline import polygon_area

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


# A quarter circle in eight chords strays from it by 0.5 % of its radius: well under what an outline is known to.
ARC_STEP_RAD = math.pi / 16


def arc_points(start: Point, end: Point, centre: Point, *, clockwise: bool) -> list[Point]:
    """
    Points along an arc after its start, the end included; an arc that ends where it starts is a whole circle.

    Examples
    --------
    >>> arc_points((1.0, 0.0), (0.0, 1.0), (0.0, 0.0), clockwise=False)[-1]
    (0.0, 1.0)
    >>> len(arc_points((1, 0), (1, 0), (0, 0), clockwise=True))
    32
    """
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    sweep = (first - last if clockwise else last - first) % (2 * math.pi) or 2 * math.pi
    radius = math.hypot(start[0] - centre[0], start[1] - centre[1])
    steps = max(1, math.ceil(sweep / ARC_STEP_RAD - 1e-9))
    way = -1.0 if clockwise else 1.0
    turns = (first + way * sweep * step / steps for step in range(1, steps))
    return [*((centre[0] + radius * math.cos(t), centre[1] + radius * math.sin(t)) for t in turns), end]


# Programs round the ends of lines to a micrometre or a hundredth of a mil.
SAME_END_MM = 0.02


def largest_contour(lines: list[list[Point]]) -> list[Point]:
    """
    The closed outline that holds the most, from lines in any order and direction; empty where none closes.

    Examples
    --------
    >>> largest_contour([[(0, 0), (4, 0)], [(0, 3), (0, 0)], [(4, 0), (0, 3)]])
    [(0, 0), (4, 0), (0, 3)]
    """
    left = [line for line in lines if len(line) > 1]
    best: list[Point] = []
    while left:
        chain = list(left.pop(0))
        while not _same(chain[0], chain[-1]) or len(chain) < 3:
            found = next(
                (i for i, line in enumerate(left) if _same(chain[-1], line[0]) or _same(chain[-1], line[-1])), None
            )
            if found is None:
                break
            line = left.pop(found)
            chain += (line if _same(chain[-1], line[0]) else line[::-1])[1:]
        if (
            len(chain) > 3
            and _same(chain[0], chain[-1])
            and abs(polygon_area(chain)) > (abs(polygon_area(best)) if best else 0.0)
        ):
            best = chain[:-1]
    return best


def _same(one: Point, other: Point) -> bool:
    return math.hypot(one[0] - other[0], one[1] - other[1]) <= SAME_END_MM
