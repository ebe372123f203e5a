"""Regions found without a layout, as files in a folder: results.json, results.csv and the numbered frame."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from thermscan.no_layout import RegionsFound
from thermscan.report.canvas import report_style
from thermscan.report.pictures import NO_READING_COLOUR, colour_range, thermal_map
from thermscan.report.regions_results import regions_document, regions_table
from thermscan.report.report import LAST_FILE, reserved_report
from thermscan.report.results import results_text
from thermscan.report.tables import parts_csv
from thermscan.report.verdicts import VERDICT_MARKS
from thermscan.writing import ReservedFolder

PICTURE_NAME = "numbered-regions.png"
WIDTH_INCH = 9.0
DOTS_AN_INCH = 160


def write_regions_report(found: RegionsFound, out_dir: Path | ReservedFolder) -> tuple[Path, ...]:
    """
    Write what was found into a folder, which is made where it is missing.

    Parameters
    ----------
    found : RegionsFound
    out_dir : Path or ReservedFolder

    Returns
    -------
    tuple of Path
        ``results.json``, ``results.csv`` and the numbered frame; see `thermscan.report.report.write_report`.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    if not isinstance(out_dir, ReservedFolder):
        with reserved_report(out_dir) as folder:
            return write_regions_report(found, folder)
    document = regions_document(found)
    contents = {
        "results.json": results_text(document).encode("utf-8"),
        "results.csv": parts_csv(regions_table(document)).encode("utf-8"),
        PICTURE_NAME: _png(found),
    }
    return out_dir.put(contents, last=LAST_FILE, inputs=(*found.run.files, found.camera.path))


def numbered_frame(found: RegionsFound) -> Figure:
    """The frame in grey-proof colours, with each region's rectangle and number, coloured by its verdict."""
    apparent = found.image.apparent_c
    rows, cols = apparent.shape
    low, high = colour_range(apparent)
    figure = Figure(figsize=(WIDTH_INCH, WIDTH_INCH * rows / cols * 0.9 + 0.6), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_facecolor(NO_READING_COLOUR)
    picture = axes.imshow(apparent, cmap=thermal_map(), vmin=low, vmax=high, interpolation="nearest")
    axes.set(xlabel="x, pixels", ylabel="y, pixels", xlim=(-0.5, cols - 0.5), ylim=(rows - 0.5, -0.5))
    axes.set_title(f"{len(found.regions)} regions found without a layout; apparent temperature", fontsize=8)
    figure.colorbar(picture, ax=axes, label="apparent temperature, °C", shrink=0.8)
    if found.registration is not None:
        _draw_outline(axes, found.registration.corners_px, "white", 1.0)
    for region, verdict in zip(found.regions, found.judgement.parts, strict=True):
        corners = region.part_px.corners_mm()
        _draw_outline(axes, corners, "black", 1.8)
        _draw_outline(axes, corners, VERDICT_MARKS[verdict.verdict].colour, 0.9)
        x, y = corners.mean(axis=0)
        label = axes.text(x, y, region.ref[1:], ha="center", va="center", fontsize=5, color="white")
        label.set_bbox({"facecolor": "black", "edgecolor": "none", "pad": 0.6, "alpha": 0.6})
    return figure


def _draw_outline(axes: Axes, corners: np.ndarray, colour: str, width: float) -> None:
    closed = np.vstack([corners, corners[:1]])
    axes.plot(closed[:, 0], closed[:, 1], color=colour, linewidth=width, scalex=False, scaley=False)


def _png(found: RegionsFound) -> bytes:
    stream = io.BytesIO()
    with report_style():
        numbered_frame(found).savefig(stream, format="png", dpi=DOTS_AN_INCH, metadata={"Software": "thermscan"})
    return stream.getvalue()
