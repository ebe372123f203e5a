"""The annotated frame, as the camera saw it."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Colormap
from matplotlib.image import AxesImage
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.registration.geometry.parallax import pose_seen, top_corners_px
from thermscan.report.canvas import TITLE_PT, Sheet, titled
from thermscan.report.gathering import verdicts_in_layout_order
from thermscan.report.marking import Body, draw_bodies, draw_unmapped, label_picture, note_left_out
from thermscan.report.pictures import (
    KEY_PT,
    NO_READING_COLOUR,
    colour_range,
    draw_bar,
    draw_map_key,
    picture_axes,
    picture_height_pt,
    thermal_map,
)
from thermscan.report.shown import Shown


def draw_annotated_frame(sheet: Sheet, inspection: Inspection) -> None:
    """The frame with the board's outline and the parts' bodies drawn over it; flagged parts are labelled."""
    frames = inspection.image.frames
    shown = sheet.shown
    caption = shown.say("plate.frame_caption")
    if frames > 1:
        caption += f" {shown.say('plate.averaged', n=frames)}"
    room = draw_map_key(titled(sheet, shown.say("plate.frame"), caption), inspection)
    rows, cols = inspection.image.shape
    axes, beside = picture_axes(room, cols, rows)
    draw_camera_view(axes, inspection, beside, shown)
    bodies = frame_bodies(inspection)
    draw_bodies(axes, bodies)
    draw_unmapped(axes, inspection, inspection.registration.px)
    left_out = label_picture(axes, bodies, inspection, inspection.registration.px, others=False, shown=shown)
    note_left_out(axes, left_out, shown)


def annotated_frame_height_pt(inspection: Inspection, width_pt: float) -> float:
    """Height of a sheet whose width the frame fills."""
    rows, cols = inspection.image.shape
    return picture_height_pt(width_pt, cols, rows) + TITLE_PT + KEY_PT


def draw_camera_view(axes: Axes, inspection: Inspection, beside: Axes | None, shown: Shown) -> None:
    """The averaged frame in grey-proof colours, with the board's outline."""
    apparent = inspection.image.apparent_c
    picture = draw_frame(axes, inspection, colour_range(apparent), thermal_map())
    axes.set(xlabel=shown.say("plate.pixels_x"), ylabel=shown.say("plate.pixels_y"))
    draw_bar(beside, picture, apparent, shown)


def draw_frame(axes: Axes, inspection: Inspection, limits: tuple[float, float], colours: Colormap) -> AxesImage:
    """A frame with the board's outline, on a scale that it may share with others."""
    apparent = inspection.image.apparent_c
    rows, cols = apparent.shape
    low, high = limits
    axes.set_facecolor(NO_READING_COLOUR)
    picture = axes.imshow(apparent, cmap=colours, vmin=low, vmax=high, aspect="auto", interpolation="nearest")
    axes.set(xlim=(-0.5, cols - 0.5), ylim=(rows - 0.5, -0.5))
    outline = outline_px(inspection)
    closed = np.vstack([outline, outline[:1]])
    for colour, width in (("black", 2.2), ("white", 1.0)):
        axes.plot(closed[:, 0], closed[:, 1], color=colour, linewidth=width, scalex=False, scaley=False)
    return picture


def frame_bodies(inspection: Inspection) -> list[Body]:
    """The parts that the frame shows at least in part, in pixels: their tops, where they were measured."""
    rows, cols = inspection.image.shape
    camera, board, found = inspection.camera, inspection.board, inspection.registration
    fov_deg = camera.fov_deg[0] if camera.fov_deg else None
    pose = pose_seen(found, shape=(rows, cols), corners_mm=board.corners_mm, fov_deg=fov_deg)
    bodies = []
    for verdict in verdicts_in_layout_order(inspection):
        corners = top_corners_px(verdict.measurement.part, found, pose)
        x, y = corners.T
        if np.isfinite(corners).all() and x.max() > 0 and y.max() > 0 and x.min() < cols - 1 and y.min() < rows - 1:
            bodies.append(Body(verdict, corners))
    return bodies


def outline_px(inspection: Inspection) -> NDArray[np.float64]:
    """The board's outline in the frame; shape (n, 2)."""
    return inspection.registration.px(inspection.board.outline_mm)
