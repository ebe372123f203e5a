"""Regions found without a layout, as files: results.json, results.csv, page, PDF and the numbered frame."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from thermscan.no_layout import RegionsFound
from thermscan.report.canvas import report_style
from thermscan.report.plates import Plate, plate_figure
from thermscan.report.regions_pages import draw_numbered_frame, numbered_frame_height_pt, regions_pages
from thermscan.report.regions_results import regions_document, regions_table
from thermscan.report.regions_web import regions_page
from thermscan.report.report import LAST_FILE, pdf_of, png_of, reserved_report
from thermscan.report.results import results_text
from thermscan.report.shown import Shown
from thermscan.report.tables import parts_csv
from thermscan.writing import ReservedFolder

PICTURE_NAME = "numbered-regions.png"


def write_regions_report(
    found: RegionsFound, out_dir: Path | ReservedFolder, *, shown: Shown | None = None
) -> tuple[Path, ...]:
    """
    Write what was found into a folder, which is made where it is missing.

    Parameters
    ----------
    found : RegionsFound
    out_dir : Path or ReservedFolder

    Returns
    -------
    tuple of Path
        ``results.json``, ``results.csv``, ``report.html``, ``report.pdf`` and the numbered frame; see
        `thermscan.report.report.write_report`.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    if not isinstance(out_dir, ReservedFolder):
        with reserved_report(out_dir) as folder:
            return write_regions_report(found, folder, shown=shown)
    contents = _contents(found, shown or Shown())
    return out_dir.put(contents, last=LAST_FILE, inputs=(*found.run.files, found.camera.path))


def _contents(found: RegionsFound, shown: Shown) -> dict[str, bytes]:
    document = regions_document(found)
    with report_style():
        draw = partial(draw_numbered_frame, found=found, shown=shown)
        picture = plate_figure(Plate(PICTURE_NAME, numbered_frame_height_pt(found), draw), shown)
        name, pages = found.frames[0].source.path.name, regions_pages(found, shown)
        return {
            "results.json": results_text(document).encode("utf-8"),
            "results.csv": parts_csv(regions_table(document)).encode("utf-8"),
            "report.html": regions_page(found, shown).encode("utf-8"),
            "report.pdf": pdf_of(pages, name, found.judgement.overall),
            PICTURE_NAME: png_of(picture),
        }
