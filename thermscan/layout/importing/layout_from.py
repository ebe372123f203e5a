"""From a drawing of another program to the rows of our layout: one side, y down, bodies in place."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.layout.importing.drawn import Drawing, DrawnPart, Point, Side
from thermscan.layout.importing.matching import MatchedPackage, match_package
from thermscan.layout.outline import crossing_sides, overlaps, polygon_area, tidy_polygon
from thermscan.layout.surfaces import surface_named

# Where no outline is given, the board ends this far beyond its parts: one step of the usual grid.
MARGIN_MM = 2.54
# Files round to a micrometre or a hundredth of a mil.
ROUNDING_DIGITS = 3


@dataclass(frozen=True, slots=True)
class Imported:
    """
    A layout from another program's file.

    Attributes
    ----------
    outline_mm : list of points
        y down, from (0, 0).
    rows : tuple of dict
        Rows of a parts file, complete.
    incomplete : tuple of dict
        Rows that need a package or a body from a person.
    not_understood, remarks : tuple of str
    """

    name: str
    outline_mm: list[Point]
    rows: tuple[dict[str, object], ...]
    incomplete: tuple[dict[str, object], ...]
    not_understood: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Placed:
    """A part in the board's own coordinates, y still up and seen from the top."""

    drawn: DrawnPart
    x: float
    y: float
    length: float
    width: float
    along_deg: float  # counterclockwise from x to the body's length
    package: str | None


def layout_from(
    drawing: Drawing,
    *,
    side: Side = "top",
    size_mm: tuple[float, float] | None = None,
    origin_mm: Point | None = None,
    dual_rows: str | None = None,
    name: str = "imported",
) -> Imported:
    """
    One side of a drawn board as a layout.

    Parameters
    ----------
    drawing : Drawing
    side : str
        ``top``, or ``bottom`` as seen when the board is turned over from left to right.
    size_mm : pair of float, optional
        Width and height of the board, where the file does not draw it.
    origin_mm : pair of float, optional
        The board's lower left corner in the file's coordinates; (0, 0) where not given and the size is.
    dual_rows : str, optional
        How the rows of leads of dual-row packages run at rotation 0: ``upright`` (pin 1 top left) or ``level``.
        None: as fewer bodies overlap, and upright where that does not tell.
    name : str
        Of the board, where the file has none.

    Raises
    ------
    InputError
        No part on that side, or parts outside the board that was given.

    Examples
    --------
    >>> drawing = Drawing((DrawnPart("U1", 20.0, 30.0, 0.0, "top", package="0805"),))
    >>> layout_from(drawing, size_mm=(100.0, 80.0)).rows[0]["y_mm"]
    50.0
    """
    chosen = [part for part in drawing.parts if part.side == side]
    others = len(drawing.parts) - len(chosen)
    if not chosen:
        raise InputError(f"no part on the {side} side", fix=f"the file has {others} on the other side: give --side")
    remarks = list(drawing.remarks)
    if others:
        remarks.append(f"{others} parts on the other side were left out")
    unique = {part.ref: part for part in reversed(chosen)}
    lost = [f"{ref} is there more than once; the first was taken" for ref in _twice(chosen)]
    known = [
        (part, match_package(part.package) if part.package else None) for part in chosen if unique[part.ref] is part
    ]
    placed, bare, turned = _place(known, dual_rows)
    remarks += turned
    if drawing.outline and size_mm is None:
        outline = _sound_outline(drawing.outline, remarks)
    elif size_mm is not None:
        outline = _given_outline(placed, bare, size_mm, origin_mm or (0.0, 0.0))
    else:
        outline = _outline_round(placed, bare)
        wide, high = np.ptp(np.array(outline), axis=0)
        remarks.append(
            f"the file draws no outline: {wide:.1f} x {high:.1f} mm round the parts was taken; "
            "measure the board and give --width-mm, --height-mm and --origin"
        )
    edge = np.array(outline)
    left, top = float(edge[:, 0].min()), float(edge[:, 1].max())
    width = float(np.ptp(edge[:, 0]))

    def ours(x: float, y: float) -> Point:
        across = x - left
        return round(width - across if side == "bottom" else across, ROUNDING_DIGITS), round(top - y, ROUNDING_DIGITS)

    rows = tuple(_row(part, ours(part.x, part.y), side) for part in placed)
    incomplete = tuple(_bare_row(part, ours(part.x_mm, part.y_mm), side) for part in bare)
    lost += [f'{part.ref}: package "{(part.package or "")[:40]}" is not known' for part in bare]
    points = [ours(x, y) for x, y in outline]
    return Imported(
        name=drawing.name or name,
        outline_mm=[(float(x), float(y)) for x, y in tidy_polygon(points)],
        rows=rows,
        incomplete=incomplete,
        not_understood=(*drawing.not_understood, *lost),
        remarks=tuple(remarks),
    )


def _twice(parts: Sequence[DrawnPart]) -> list[str]:
    refs = [part.ref for part in parts]
    return sorted({ref for ref in refs if refs.count(ref) > 1})


def _place(
    known: Sequence[tuple[DrawnPart, MatchedPackage | None]], dual_rows: str | None
) -> tuple[list[_Placed], list[DrawnPart], list[str]]:
    """Bodies in place; parts without one; and what was assumed."""

    def all_placed(upright: bool) -> list[_Placed]:
        found = (_placed(part, match, upright=upright) for part, match in known)
        return [part for part in found if part]

    bare = [part for part, match in known if _placed(part, match, upright=True) is None]
    unsure = [part for part, match in known if match and match.two_rows and len(part.body_points) < 3]
    if not unsure:
        return all_placed(upright=True), bare, []
    if dual_rows:
        return all_placed(upright=dual_rows == "upright"), bare, []
    upright, level = all_placed(upright=True), all_placed(upright=False)
    better = _clashes(level) < _clashes(upright)
    how = "level" if better else "upright"
    remark = (
        f"{len(unsure)} dual-row packages were taken to stand {how} at rotation 0; "
        f"if they lie across, give --dual-rows {'upright' if better else 'level'}"
    )
    return (level if better else upright), bare, [remark]


def _placed(part: DrawnPart, match: MatchedPackage | None, *, upright: bool) -> _Placed | None:
    package = match.name if match else None
    if len(part.body_points) >= 3:
        x, y, across, along = _box(part.body_points, part.rotation_deg)
        quarter = 0.0 if across >= along else 90.0
        length, width = max(across, along), min(across, along)
        if match and (package or part.body_is == "courtyard"):
            # The drawing tells place and orientation; the table's body has no leads and no margin.
            length, width = match.length_mm, match.width_mm
        if width > 0:
            return _Placed(part, x, y, length, width, part.rotation_deg + quarter, package)
    if match is None:
        return None
    quarter = 90.0 if match.two_rows and upright else 0.0
    return _Placed(part, part.x_mm, part.y_mm, match.length_mm, match.width_mm, part.rotation_deg + quarter, package)


def _box(points: Sequence[Point], rotation_deg: float) -> tuple[float, float, float, float]:
    """Centre and extents of a body along the axes of its own rotation."""
    angle = math.radians(rotation_deg)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    own = np.array(points) @ turn
    low, high = own.min(axis=0), own.max(axis=0)
    x, y = turn @ ((low + high) / 2)
    across, along = np.round(high - low, 4)
    return float(x), float(y), float(across), float(along)


def _clashes(placed: Sequence[_Placed]) -> int:
    surface = surface_named("plastic")
    parts = [Part(p.drawn.ref, p.length, p.width, p.x, -p.y, -p.along_deg, surface) for p in placed]
    return len(overlaps(parts, deeper_than_mm=0.5))


def _sound_outline(drawn: Sequence[Point], remarks: list[str]) -> list[Point]:
    """The outline that was drawn, or the rectangle round it where its lines cross."""
    points = tidy_polygon(drawn)
    if len(points) >= 3 and crossing_sides(points) is None and polygon_area(points) > 0:
        return [(x, y) for x, y in points.tolist()]
    (x0, y0), (x1, y1) = np.min(drawn, axis=0).tolist(), np.max(drawn, axis=0).tolist()
    remarks.append(f"the outline drawn crosses itself: the rectangle round it, {x1 - x0:g} x {y1 - y0:g} mm, was taken")
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def _places(placed: Sequence[_Placed], bare: Sequence[DrawnPart]) -> NDArray[np.float64]:
    return np.array([*((part.x, part.y) for part in placed), *((part.x_mm, part.y_mm) for part in bare)])


def _given_outline(
    placed: Sequence[_Placed], bare: Sequence[DrawnPart], size_mm: tuple[float, float], origin_mm: Point
) -> list[Point]:
    """A board of a given size, with every part's place on it."""
    (x, y), (width, height) = origin_mm, size_mm
    points = _places(placed, bare)
    low, high = points.min(axis=0), points.max(axis=0)
    if low[0] < x or low[1] < y or high[0] > x + width or high[1] > y + height:
        what = f"places run from ({low[0]:g}, {low[1]:g}) to ({high[0]:g}, {high[1]:g}) mm, beyond the board given"
        fix = "give --origin X,Y: the board's lower left corner in the file's coordinates"
        raise InputError(what, fix=fix)
    return [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]


def _outline_round(placed: Sequence[_Placed], bare: Sequence[DrawnPart]) -> list[Point]:
    """A rectangle with some margin round all parts."""
    points = _places(placed, bare)
    pad = np.array([max(part.length, part.width) / 2 for part in placed] + [0.0] * len(bare))[:, None] + MARGIN_MM
    (x0, y0), (x1, y1) = (points - pad).min(axis=0).tolist(), (points + pad).max(axis=0).tolist()
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def _clockwise(counterclockwise_deg: float, side: Side) -> float:
    """Seen from the bottom, a turn runs the other way, which is ours already."""
    turned = counterclockwise_deg if side == "bottom" else -counterclockwise_deg
    return round(turned % 360.0, ROUNDING_DIGITS) % 360.0


def _row(part: _Placed, at: Point, side: Side) -> dict[str, object]:
    size = match_package(part.package) if part.package else None
    own_body = size is None or (size.length_mm, size.width_mm) != (part.length, part.width)
    return {
        **part.drawn.extra,
        "ref": part.drawn.ref,
        "kind": part.drawn.kind,
        "package": part.package or part.drawn.package,
        "length_mm": part.length if own_body else None,
        "width_mm": part.width if own_body else None,
        "x_mm": at[0],
        "y_mm": at[1],
        "rotation_deg": _clockwise(part.along_deg, side) or None,
        "value": part.drawn.value,
    }


def _bare_row(part: DrawnPart, at: Point, side: Side) -> dict[str, object]:
    return {
        **part.extra,
        "ref": part.ref,
        "kind": part.kind,
        "package": part.package,
        "x_mm": at[0],
        "y_mm": at[1],
        "rotation_deg": _clockwise(part.rotation_deg, side) or None,
        "value": part.value,
    }
