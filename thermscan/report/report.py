"""The report's files in a folder: results.json, results.csv, report.html, report.pdf and the figures."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from thermscan.errors import InputError
from thermscan.inspection import Inspection
from thermscan.report.canvas import report_style
from thermscan.report.lettering import printable
from thermscan.report.pages import report_pages
from thermscan.report.plates import plate_figure, plates_of, registration_plate
from thermscan.report.results import results_document, results_text, software_versions
from thermscan.report.shown import Shown
from thermscan.report.tables import parts_csv
from thermscan.report.web_page import report_page
from thermscan.writing import ReservedFolder, check_place, put_file, reserved_folder

# Fine enough to print; a figure is then about 1500 pixels wide.
_PNG_DOTS_AN_INCH = 200

_ANOTHER_PICTURE = "name another file with --show-registration"

# Every name that a report can have: asked for before the work is done, so that it is not done in vain.
_OWN_FILES = ("results.json", "results.csv", "report.html", "report.pdf")
_OWN_FIGURES = re.compile(
    r"(annotated-frame|rectified-board|photo-overlay|views|before-and-after|change-since-before|difference-from-baseline|registration-check|numbered-regions"
    r"|ranked-parts-[1-9][0-9]*|uncertainty-budget-[1-9][0-9]*)\.png"
)
# A report without it is not whole.
LAST_FILE = "results.json"


@contextmanager
def reserved_report(out_dir: Path, *, inputs: Iterable[Path | None] = ()) -> Iterator[ReservedFolder]:
    """
    A folder kept for a report until it is written; to be asked for before the work is done.

    Parameters
    ----------
    out_dir : Path
        Made where it is missing.
    inputs : iterable of Path
        Files that the command reads: none of them is replaced.

    Raises
    ------
    InputError
        It cannot be had, or holds a file of someone else under a name that the report needs.
    """
    with reserved_folder(Path(out_dir), inputs=inputs) as folder:
        there = [path.name for path in folder.path.iterdir()]
        folder.check(name for name in there if name in _OWN_FILES or _OWN_FIGURES.fullmatch(name))
        yield folder


def write_report(
    inspection: Inspection, out_dir: Path | ReservedFolder, *, shown: Shown | None = None
) -> tuple[Path, ...]:
    """
    Write the report into a folder, which is made where it is missing.

    The folder holds the whole report or, without ``results.json``, none. A report that was there is replaced; files
    that thermscan did not write, or that were changed since, are never touched.

    Parameters
    ----------
    inspection : Inspection
    out_dir : Path or ReservedFolder
    shown : Shown, optional
        Language and units of page and PDF; English and degrees Celsius unless given.

    Returns
    -------
    tuple of Path
        What was written: ``results.json``, ``results.csv``, ``report.html``, ``report.pdf`` and the figures.

    Raises
    ------
    InputError
        The folder cannot be made or written to, or a name is taken by someone else's file.
    """
    if not isinstance(out_dir, ReservedFolder):
        with reserved_report(out_dir) as folder:
            return write_report(inspection, folder, shown=shown)
    inputs = (*inspection.run.files, *inspection.board.files, inspection.camera.path)
    return out_dir.put(report_contents(inspection, shown), last=LAST_FILE, inputs=inputs)


def write_registration_check(inspection: Inspection, path: Path, *, inputs: Iterable[Path | None] = ()) -> Path | None:
    """
    Write the one picture that shows whether the layout lies where the board is.

    Parameters
    ----------
    inspection : Inspection
    path : Path
        Of a PNG; such a picture that is there is replaced, any other file kept as a backup.
    inputs : iterable of Path
        More files that the command reads, besides those of the inspection.

    Returns
    -------
    Path or None
        The backup, if there was something to keep.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    read = (*inputs, *inspection.run.files, *inspection.board.files, inspection.camera.path)
    check_picture(path, inputs=read)
    with report_style():
        content = png_of(plate_figure(registration_plate(inspection)))
    return put_file(path, content, drawn=True, inputs=read, fix=_ANOTHER_PICTURE)


def check_picture(path: Path, *, inputs: Iterable[Path | None] = ()) -> None:
    """
    Refuse a place where a picture cannot be; quick, so that it can be asked before the work is done.

    Raises
    ------
    InputError
        Not named .png, a folder, in no folder, or an input.

    Examples
    --------
    >>> check_picture(Path("check.png"))
    """
    if path.suffix.lower() != ".png":
        raise InputError("the name does not end in .png", where=str(path), fix=_ANOTHER_PICTURE)
    check_place(path, inputs, fix=_ANOTHER_PICTURE)


def report_contents(
    inspection: Inspection, shown: Shown | None = None, *, made: datetime | None = None
) -> dict[str, bytes]:
    """The report's files, by name, before they are written; ``made``: the PDF's date instead of today's."""
    shown = shown or Shown()
    document = results_document(inspection)
    contents = {
        "results.json": results_text(document).encode("utf-8"),
        "results.csv": parts_csv(document).encode("utf-8"),
        "report.html": report_page(inspection, shown).encode("utf-8"),
    }
    with report_style():
        plates = plates_of(inspection)
        pages = report_pages(inspection, plates, shown)
        contents["report.pdf"] = pdf_of(pages, inspection.board.name, inspection.judgement.overall, made)
        for plate in plates:
            contents[f"{plate.name}.png"] = png_of(plate_figure(plate, shown))
    return contents


def pdf_of(pages: list[Figure], name: str, overall: str, made: datetime | None = None) -> bytes:
    """Pages as a PDF that says whose report it is."""
    about: dict[str, str | datetime] = {
        "Title": printable(f"Thermal inspection of {name}", most=200),
        "Subject": f"Overall: {overall}",
        "Creator": f"thermscan {software_versions()['thermscan']}",
    }
    if made is not None:
        about["CreationDate"] = made
    # Else matplotlib takes the date of creation from SOURCE_DATE_EPOCH where that is set.
    stream = io.BytesIO()
    with PdfPages(stream, metadata=about) as pdf:
        for page in pages:
            pdf.savefig(page)
    return stream.getvalue()


def png_of(figure: Figure) -> bytes:
    """A figure as a PNG, fine enough to print."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=_PNG_DOTS_AN_INCH, metadata={"Software": "thermscan"})
    return stream.getvalue()
