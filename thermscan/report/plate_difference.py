"""What changed since the known-good runs, as a map."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from contourpy import contour_generator
from matplotlib.axes import Axes
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.inspection import Inspection
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import RASTER_SAMPLE
from thermscan.judge.board_wide import FEWEST_FOR_SCALE, BoardWide, fit_board_wide
from thermscan.report.canvas import INK, Sheet, titled
from thermscan.report.marking import draw_bodies, draw_unmapped, label_picture, name_picture, note_left_out
from thermscan.report.pictures import draw_bar, draw_map_key, thermal_map
from thermscan.report.plate_board import board_axes, board_bodies, draw_raster, in_place

# Diverging, and apart for colour-blind readers; both ends are dark in grey, so that contours carry the sign there.
DIFFERENCE_MAP = "RdBu_r"

# The scale never gets so fine that noise looks like a fault.
_LEAST_RANGE_K = 2.0
_LEAST_CONTOUR_K = 1.0


def draw_difference(sheet: Sheet, inspection: Inspection, baseline: Baseline) -> None:
    """The board's rise minus the baseline's, board-wide shift and scale taken out; contours tell the sign in grey."""
    difference, level = picture_difference_k(inspection, baseline)
    shown = sheet.shown
    said = ""
    if level is not None:
        shift = shown.diff(level.shift_k, signed=True)
        said = shown.say("plate.difference_level", scale=shown.number(level.scale, 2), shift=shift)
    step = shown.diff(difference_range_k(difference)[1])
    caption = shown.say("plate.difference_caption", n=len(baseline.runs), level=said, step=step)
    room = titled(sheet, shown.say("plate.difference"), caption)
    draw_difference_map(
        draw_map_key(room, inspection),
        inspection,
        difference,
        shown.say("plate.difference_scale", unit=shown.diff_unit),
    )


def draw_difference_map(
    sheet: Sheet,
    inspection: Inspection,
    difference: NDArray[np.float64],
    scale: str,
    *,
    named: Collection[str] = (),
) -> None:
    """A difference on the run's raster, with its contours, the parts and what was found; further parts by name."""
    end, contour = difference_range_k(difference)
    shown = sheet.shown
    axes, beside = board_axes(sheet, inspection)
    mm_per_px = inspection.rectified.mm_per_px
    picture = draw_raster(
        axes,
        inspection,
        raster=difference,
        mm_per_px=mm_per_px,
        colours=thermal_map(DIFFERENCE_MAP),
        limits=(-end, end),
    )
    draw_bar(beside, picture, difference, shown, difference=True, label=scale)
    if np.isfinite(difference).any():
        _draw_contours(axes, difference, mm_per_px, contour)
    bodies = board_bodies(inspection)
    draw_bodies(axes, bodies, on_white=True)
    draw_unmapped(axes, inspection, in_place)
    note_left_out(axes, label_picture(axes, bodies, inspection, in_place, others=False, shown=shown), shown)
    found = {finding.ref for finding in inspection.judgement.findings}
    name_picture(axes, [body for body in bodies if body.ref in named and body.ref not in found])


def picture_difference_k(inspection: Inspection, baseline: Baseline) -> tuple[NDArray[np.float64], BoardWide | None]:
    """
    The run's apparent rise minus the baseline's, on the run's raster, and the level of the whole board.

    Returns
    -------
    difference_k : ndarray of shape (rows, cols)
        NaN off the board and where either was not seen.
    level : BoardWide or None
        Shift and scale that were taken out: the judge's, or else fitted to the picture; None where too little is seen.
    """
    now = apparent_rise_k(inspection)
    usual = on_raster_of(inspection, baseline.rise_raster_k, baseline.mm_per_px)
    both = np.flatnonzero(np.isfinite(now) & np.isfinite(usual))
    if len(both) < FEWEST_FOR_SCALE:
        return np.full(now.shape, np.nan), None
    sample = both[:: max(len(both) // RASTER_SAMPLE, 1)]
    then = usual.ravel()[sample]
    expected_sd = np.hypot(thresholds.REPEAT_SHARE * then, thresholds.REPEAT_FLOOR_K)
    # One statement of the whole board in all of the report: the judge's, where it made one.
    evidence = inspection.judgement.evidence
    judged = evidence.board_wide if evidence else None
    level = judged or fit_board_wide(now.ravel()[sample], then, expected_sd)
    return now - (level.shift_k + level.scale * usual), level


def apparent_rise_k(inspection: Inspection) -> NDArray[np.float64]:
    """The board from straight above, above its ambient, before any correction for the surfaces; NaN off the board."""
    rectified = inspection.rectified
    return np.where(rectified.on_board, rectified.apparent_c - inspection.run.ambient_c, np.nan)


def on_raster_of(inspection: Inspection, raster: NDArray[np.float64], mm_per_px: float) -> NDArray[np.float64]:
    """Another raster of the same board at the places of this run's own."""
    places = inspection.rectified.centres_mm().reshape(-1, 2) / mm_per_px - 0.5
    sampled: NDArray[np.float64] = sample_bilinear(raster, places)
    return sampled.reshape(inspection.rectified.apparent_c.shape)


def difference_range_k(difference_k: NDArray[np.float64]) -> tuple[float, float]:
    """End of the colour scale on either side, and the contours' level; never so fine that noise looks like a fault."""
    finite = difference_k[np.isfinite(difference_k)]
    end = max(_LEAST_RANGE_K, float(np.percentile(np.abs(finite), 99.8)) if finite.size else 0.0)
    return end, max(_LEAST_CONTOUR_K, end / 4)


def contours_mm(difference_k: NDArray[np.float64], mm_per_px: float, level_k: float) -> list[NDArray[np.float64]]:
    """Lines of one difference on the board, each of shape (n, 2)."""
    rows, cols = difference_k.shape
    if min(rows, cols) < 2 or not np.isfinite(difference_k).any():
        return []
    x, y = (np.arange(cols) + 0.5) * mm_per_px, (np.arange(rows) + 0.5) * mm_per_px
    lines = contour_generator(x, y, np.ma.masked_invalid(difference_k)).lines(level_k)
    return [np.asarray(line, dtype=np.float64) for line in lines]


def _draw_contours(axes: Axes, difference: NDArray[np.float64], mm_per_px: float, contour: float) -> None:
    for level, style in ((contour, "solid"), (-contour, "dotted")):
        for line in contours_mm(difference, mm_per_px, level):
            axes.plot(*line.T, color=INK, linewidth=0.9, linestyle=style, scalex=False, scaley=False)
