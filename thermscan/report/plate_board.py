"""The rectified board: every part outlined and, where there is room, named."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import Colormap
from matplotlib.image import AxesImage
from matplotlib.patches import Polygon
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.report.canvas import INK, TITLE_PT, Sheet, titled
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

# Ground around the board, as a share of its longer side: room for labels of parts at the edge.
_MARGIN = 0.05


def draw_rectified_board(sheet: Sheet, inspection: Inspection) -> None:
    """The board from straight above with its parts outlined; flagged parts are labelled, others where they fit."""
    room = titled(
        sheet,
        sheet.shown.say("plate.board"),
        sheet.shown.say("plate.board_caption"),
    )
    axes, beside = board_axes(draw_map_key(room, inspection), inspection)
    rectified = inspection.picture or inspection.rectified
    apparent = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    picture = draw_raster(
        axes,
        inspection,
        raster=apparent,
        mm_per_px=rectified.mm_per_px,
        colours=thermal_map(),
        limits=colour_range(apparent),
    )
    draw_bar(beside, picture, apparent, sheet.shown)
    bodies = board_bodies(inspection)
    draw_bodies(axes, bodies)
    draw_unmapped(axes, inspection, in_place)
    note_left_out(axes, label_picture(axes, bodies, inspection, in_place, others=True, shown=sheet.shown), sheet.shown)


def board_height_pt(inspection: Inspection, width_pt: float) -> float:
    """Height of a sheet whose width the board fills."""
    board = inspection.board
    margin = 2 * _MARGIN * max(board.width_mm, board.height_mm)
    return picture_height_pt(width_pt, board.width_mm + margin, board.height_mm + margin) + TITLE_PT + KEY_PT


def board_axes(sheet: Sheet, inspection: Inspection) -> tuple[Axes, Axes | None]:
    """Axes in millimetres with a little ground around the board, and axes for the colour bar."""
    board = inspection.board
    margin = _MARGIN * max(board.width_mm, board.height_mm)
    axes, beside = picture_axes(sheet, board.width_mm + 2 * margin, board.height_mm + 2 * margin)
    axes.set(
        xlim=(-margin, board.width_mm + margin),
        ylim=(board.height_mm + margin, -margin),
        xlabel="x, mm",
        ylabel="y, mm",
    )
    return axes, beside


def draw_raster(
    axes: Axes,
    inspection: Inspection,
    *,
    raster: NDArray[np.float64],
    mm_per_px: float,
    colours: Colormap,
    limits: tuple[float, float],
) -> AxesImage:
    """A raster of the board in its place, with the outline; where it has no reading the board is light grey."""
    outline = inspection.board.outline_mm
    axes.add_patch(Polygon(outline, closed=True, facecolor=NO_READING_COLOUR, edgecolor="none", zorder=0))
    view = axes.get_xlim(), axes.get_ylim()
    rows, cols = raster.shape
    picture = axes.imshow(
        raster,
        cmap=colours,
        vmin=limits[0],
        vmax=limits[1],
        aspect="auto",
        interpolation="nearest",
        extent=(0.0, cols * mm_per_px, rows * mm_per_px, 0.0),
    )
    axes.set(xlim=view[0], ylim=view[1])
    axes.add_patch(Polygon(outline, closed=True, facecolor="none", edgecolor=INK, linewidth=1.0))
    return picture


def board_bodies(inspection: Inspection) -> list[Body]:
    """All parts, in millimetres."""
    return [Body(verdict, verdict.measurement.part.corners_mm()) for verdict in verdicts_in_layout_order(inspection)]


def in_place(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Board millimetres are these pictures' own units."""
    return points_mm
