"""Whether the layout lies where the board is: the whole frame, and the part where it matters most."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.registration.geometry.homography import corner_jacobian
from thermscan.report.canvas import INK, TITLE_PT, Sheet, titled
from thermscan.report.first_page import registration_text
from thermscan.report.layout_sheet import ENDS
from thermscan.report.lettering import fitted_text
from thermscan.report.marking import Body, draw_bodies, name_picture
from thermscan.report.pictures import picture_axes, picture_height_pt, thermal_map
from thermscan.report.plate_frame import draw_camera_view, frame_bodies
from thermscan.report.shown import Shown

# Share of the sheet's width that the whole frame gets; the magnified view has the rest.
_FRAME_SHARE, _GUTTER_PT, _NOTE_PT = 0.62, 6.0, 22.0

# Share of the magnified view that the part's body takes up.
_BODY_SHARE = 0.35


def draw_registration_check(sheet: Sheet, inspection: Inspection) -> None:
    """The outline and the bodies over the frame, and a magnified view of the part that is placed worst."""
    room = titled(sheet, sheet.shown.say("plate.check"), registration_text(inspection, sheet.shown))
    rows, cols = inspection.image.shape
    bodies = frame_bodies(inspection)
    split = room.width_pt * _FRAME_SHARE
    axes, _ = picture_axes(room.part(0.0, 0.0, split, room.height_pt), cols, rows, bar=False)
    draw_camera_view(axes, inspection, None, sheet.shown)
    draw_bodies(axes, bodies, markers=False)
    name_picture(axes, bodies)
    _draw_ends(axes, inspection, bodies)
    _draw_top_left(axes, inspection, sheet.shown)
    if bodies:
        spreads = [place_covariance_px2(inspection, body.corners.mean(axis=0)) for body in bodies]
        worst = int(np.argmax([_severity(body, spread) for body, spread in zip(bodies, spreads, strict=True)]))
        beside = room.part(split + _GUTTER_PT, 0.0, room.width_pt - split - _GUTTER_PT, room.height_pt)
        _draw_magnified(beside, inspection, bodies, worst, spreads[worst])
        _draw_window(axes, bodies[worst])


def registration_height_pt(inspection: Inspection, width_pt: float) -> float:
    """Height of a sheet on which the frame fills its share of the width."""
    rows, cols = inspection.image.shape
    return TITLE_PT + max(
        picture_height_pt(width_pt * _FRAME_SHARE, cols, rows, bar=False),
        picture_height_pt(width_pt * (1.0 - _FRAME_SHARE) - _GUTTER_PT, 1.0, 1.0, bar=False) + _NOTE_PT,
    )


def place_covariance_px2(inspection: Inspection, point_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """How well a point of the board is placed in the frame, from the corners' covariance; shape (2, 2), px^2."""
    found = inspection.registration
    slopes = corner_jacobian(found.px_from_mm, inspection.board.corners_mm, found.mm(point_px[None]))[0]
    covariance: NDArray[np.float64] = slopes @ found.corner_covariance_px2 @ slopes.T
    return covariance


def _draw_ends(axes: Axes, inspection: Inspection, bodies: list[Body]) -> None:
    """An arrow from the middle to the marked end of each part that has one."""
    ends = []
    for body in bodies:
        part = body.verdict.measurement.part
        side = ENDS.get((part.polarity or "").strip().lower())
        if side is not None:
            middle = body.corners.mean(axis=0)
            # As the picture shows the body: its corners, moved by how its top is displaced.
            end_mm = part.board_from_body(np.array([side]) * [part.length_mm / 2, part.width_mm / 2])
            foot_mm = part.board_from_body(np.zeros((1, 2)))
            end, foot = inspection.registration.px(np.vstack([end_mm, foot_mm]))
            ends.append([*(middle + 0.35 * (end - foot)), *(0.65 * (end - foot))])
    if ends:
        x, y, dx, dy = np.array(ends).T
        look: dict[str, Any] = {
            "angles": "xy",
            "scale_units": "xy",
            "scale": 1.0,
            "headwidth": 4.5,
            "headlength": 5.0,
            "zorder": 3.5,
        }
        for colour, width in (("black", 0.006), ("white", 0.0035)):
            axes.quiver(x, y, dx, dy, color=colour, width=width, **look)


def _draw_top_left(axes: Axes, inspection: Inspection, shown: Shown) -> None:
    x, y = inspection.registration.px(np.zeros((1, 2)))[0]
    for colour, size in (("black", 7.0), ("white", 4.5)):
        axes.plot([x], [y], "o", color=colour, markersize=size, zorder=4, scalex=False, scaley=False)
    frame = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": INK, "linewidth": 0.6}
    look: dict[str, Any] = {"xytext": (4.0, 4.0), "textcoords": "offset points", "fontsize": 6.0, "zorder": 5}
    axes.annotate(shown.say("plate.top_left"), (x, y), bbox=frame, **look)


def _severity(body: Body, covariance: NDArray[np.float64]) -> float:
    """The misplacement as a share of the body's smaller side."""
    sides = np.linalg.norm(np.roll(body.corners, -1, axis=0) - body.corners, axis=1)
    return float(np.sqrt(max(np.trace(covariance), 0.0)) / max(sides.min(), 1e-6))


def _window(body: Body) -> tuple[float, float, float]:
    low, high = body.corners.min(axis=0), body.corners.max(axis=0)
    half = max(float((high - low).max()) / 2 / _BODY_SHARE, 4.0)
    x, y = (low + high) / 2
    return float(x), float(y), half


def _draw_window(axes: Axes, body: Body) -> None:
    x, y, half = _window(body)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * half + [x, y]
    for colour, width in (("black", 1.8), ("white", 0.8)):
        axes.plot(*square.T, color=colour, linewidth=width, linestyle=(0, (4.0, 2.0)), scalex=False, scaley=False)


def _draw_magnified(
    sheet: Sheet, inspection: Inspection, bodies: list[Body], worst: int, covariance: NDArray[np.float64]
) -> None:
    body = bodies[worst]
    x, y, half = _window(body)
    axes, _ = picture_axes(sheet.part(0.0, 0.0, sheet.width_pt, sheet.height_pt - _NOTE_PT), 1.0, 1.0, bar=False)
    apparent = inspection.image.apparent_c
    rows, cols = apparent.shape
    left, right = max(int(x - half) - 1, 0), min(int(x + half) + 2, cols)
    top, bottom = max(int(y - half) - 1, 0), min(int(y + half) + 2, rows)
    axes.imshow(
        apparent[top:bottom, left:right],
        cmap=thermal_map(),
        aspect="auto",
        interpolation="nearest",
        extent=(left - 0.5, right - 0.5, bottom - 0.5, top - 0.5),
    )
    axes.set(xlim=(x - half, x + half), ylim=(y + half, y - half), xlabel=sheet.shown.say("plate.pixels_x"))
    draw_bodies(axes, bodies, markers=False)
    ring = _ellipse(body.corners.mean(axis=0), covariance)
    axes.plot(*ring.T, color="white", linewidth=2.2, scalex=False, scaley=False)
    axes.plot(*ring.T, color=INK, linewidth=1.0, scalex=False, scaley=False)
    note = fitted_text(sheet.shown.say("plate.check_worst", ref=body.ref), sheet.width_pt, 7.5)
    sheet.text(0.0, sheet.height_pt - 8.0, note, fontsize=7.5)
    sheet.text(0.0, sheet.height_pt - 18.0, sheet.shown.say("plate.check_ring"), fontsize=7.5)


def _ellipse(centre: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    # Chi-square with two degrees of freedom: 95 % lie within -2 ln 0.05 = 5.99.
    values, vectors = np.linalg.eigh(covariance)
    turn = np.linspace(0.0, 2 * np.pi, 73)
    axes = vectors * np.sqrt(np.clip(values, 0.0, None) * -2 * np.log(0.05))
    ring: NDArray[np.float64] = centre + np.column_stack([np.cos(turn), np.sin(turn)]) @ axes.T
    return ring
