"""The photo of the board with the temperatures laid over it: which part that is, on the board as the eye sees it."""

from __future__ import annotations

import cv2
import numpy as np
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.layout.photo import BoardPhoto, board_photo
from thermscan.report.canvas import INK, Sheet, titled
from thermscan.report.gathering import flagged_verdicts
from thermscan.report.marking import draw_bodies, draw_unmapped, label_picture, note_left_out
from thermscan.report.pictures import colour_range, draw_bar, draw_map_key, thermal_map
from thermscan.report.plate_board import board_axes, board_bodies, draw_raster, in_place

# The temperatures' share of what is seen; the photo has the rest.
SHARE = 0.5
# Finer than a page can show.
LONGEST_PX = 1600
# At most about this many steps of temperature; closer together contours would hide the photo.
CONTOUR_STEPS = 6
# Contours smoothed by this many camera pixels follow the heat and not the noise.
SMOOTHED_PX = 1.5
# The photo in grey is lifted: under a half-transparent map, black parts would swallow the colours.
DARKEST, BRIGHTEST = 0.3, 1.0
# A board is dark as a whole; what lies between these shades is spread over all.
SHADES_PERCENT = (0.5, 99.0)
# Above the ground that a raster's gaps show, below all lines.
PHOTO_ORDER = 0.5


def photo_of(inspection: Inspection) -> BoardPhoto | None:
    """The photo that the layout names, if it can be used, no finer than a page shows."""
    photo = board_photo(inspection.board)
    if photo is None:
        return None
    shrink = max(photo.pixels.shape[:2]) / LONGEST_PX
    if shrink <= 1.0:
        return photo
    rows, cols = (max(1, round(size / shrink)) for size in photo.pixels.shape[:2])
    pixels = cv2.resize(photo.pixels, (cols, rows), interpolation=cv2.INTER_AREA)
    return BoardPhoto(np.asarray(pixels, np.uint8), photo.mm_per_px * photo.pixels.shape[1] / cols)


def draw_photo(sheet: Sheet, inspection: Inspection, photo: BoardPhoto) -> None:
    """The photo in grey, the temperatures half-transparent over it, contours, and the flagged parts marked."""
    rectified = inspection.rectified
    apparent = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    limits = colour_range(apparent)
    levels = contour_levels(limits)
    shown = sheet.shown
    step = shown.say("plate.photo_contours", step=shown.diff(levels[1] - levels[0])) if len(levels) > 1 else ""
    room = titled(
        sheet,
        shown.say("plate.photo"),
        f"{shown.say('plate.photo_caption')} {step}",
    )
    axes, beside = board_axes(draw_map_key(room, inspection, flagged_only=True), inspection)
    draw_grey(axes, photo)
    picture = draw_raster(
        axes,
        inspection,
        raster=apparent,
        mm_per_px=rectified.mm_per_px,
        colours=thermal_map(),
        limits=limits,
    )
    picture.set(alpha=SHARE, zorder=PHOTO_ORDER + 0.1)
    draw_bar(beside, picture, apparent, shown)
    _draw_contours(axes, apparent, rectified.mm_per_px, levels)
    bodies = board_bodies(inspection)
    flagged = {each.measurement.part.ref for each in flagged_verdicts(inspection)}
    draw_bodies(axes, [body for body in bodies if body.ref in flagged])
    draw_unmapped(axes, inspection, in_place)
    note_left_out(axes, label_picture(axes, bodies, inspection, in_place, others=False, shown=shown), shown)


def contour_levels(limits: tuple[float, float]) -> list[float]:
    """
    Round temperatures between two limits, a few of them.

    Examples
    --------
    >>> contour_levels((21.3, 47.9))
    [25.0, 30.0, 35.0, 40.0, 45.0]
    """
    ticks = MaxNLocator(CONTOUR_STEPS, steps=[1, 2, 5, 10]).tick_values(*limits)
    return [float(level) for level in ticks if limits[0] < level < limits[1]]


def draw_grey(axes: Axes, photo: BoardPhoto, *, darkest: float = DARKEST, brightest: float = BRIGHTEST) -> None:
    """A photo of the board in its place, in shades of grey between the two; the axes' limits stay as they were."""
    view = axes.get_xlim(), axes.get_ylim()
    shades = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)
    low, high = (float(end) for end in np.percentile(shades, SHADES_PERCENT))
    grey = np.clip((shades - low) / max(high - low, 1.0), 0.0, 1.0)
    rows, cols = grey.shape
    axes.imshow(
        darkest + grey * (brightest - darkest),
        cmap="gray",
        vmin=0.0,
        vmax=1.0,
        aspect="auto",
        interpolation="antialiased",
        extent=(0.0, cols * photo.mm_per_px, rows * photo.mm_per_px, 0.0),
        zorder=PHOTO_ORDER,
    )
    axes.set(xlim=view[0], ylim=view[1])


def _draw_contours(axes: Axes, apparent: NDArray[np.float64], mm_per_px: float, levels: list[float]) -> None:
    calm = _smoothed(apparent)
    finite = calm[np.isfinite(calm)]
    # matplotlib warns where a level is never reached.
    reached = [level for level in levels if finite.size and finite.min() < level < finite.max()]
    if not reached or min(calm.shape) < 2:
        return
    rows, cols = calm.shape
    x, y = (np.arange(cols) + 0.5) * mm_per_px, (np.arange(rows) + 0.5) * mm_per_px
    lines = axes.contour(x, y, np.ma.masked_invalid(calm), levels=reached, colors=INK, linewidths=0.6)
    for text in axes.clabel(lines, fontsize=5.5, fmt="%g", inline_spacing=2):
        text.set_path_effects([patheffects.withStroke(linewidth=1.5, foreground="white")])


def _smoothed(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smoothed, where there is a reading, by what has one."""
    seen = np.isfinite(values)
    weight = cv2.GaussianBlur(seen.astype(np.float64), (0, 0), SMOOTHED_PX)
    total = cv2.GaussianBlur(np.where(seen, values, 0.0), (0, 0), SMOOTHED_PX)
    return np.where(seen, total / np.maximum(weight, 1e-9), np.nan)
