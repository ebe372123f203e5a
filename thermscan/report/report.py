"""The report's files in a folder: results.json, parts.csv, report.pdf and the figures."""

from __future__ import annotations

import io
import os
import re
import secrets
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
from thermscan.report.tables import parts_csv

# Fine enough to print; a figure is then about 1500 pixels wide.
_PNG_DOTS_AN_INCH = 200

_ANOTHER = "name another folder with --out"

_ANOTHER_PICTURE = "name another file with --show-registration"

_OWN_FILES = ("results.json", "parts.csv", "report.pdf")

# Every name that a report can write. One written before and not called for now would be out of date: it goes.
_OWN_FIGURES = re.compile(
    r"(annotated-frame|rectified-board|photo-overlay|difference-from-baseline|registration-check"
    r"|ranked-parts-[1-9][0-9]*|uncertainty-budget-[1-9][0-9]*)\.png"
)


def write_report(inspection: Inspection, out_dir: Path) -> tuple[Path, ...]:
    """
    Write the report into a folder, which is made where it is missing.

    All files are made before the first is put in place, so that a fault leaves the folder as it was.
    A report written there before is replaced; files that are not a report's own are left alone.

    Parameters
    ----------
    inspection : Inspection
    out_dir : Path

    Returns
    -------
    tuple of Path
        What was written: ``results.json``, ``parts.csv``, ``report.pdf`` and the figures.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    folder = Path(out_dir)
    check_folder(folder)
    contents = report_contents(inspection)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _put_in_place(folder, contents)
        for path in folder.iterdir():
            if path.name not in contents and _OWN_FIGURES.fullmatch(path.name) and path.is_file():
                path.unlink()
    except OSError as error:
        what = f"the report cannot be written there ({error.strerror or error})"
        raise InputError(what, where=str(folder), fix=_ANOTHER) from error
    return tuple(folder / name for name in contents)


def write_registration_check(inspection: Inspection, path: Path) -> None:
    """
    Write the one picture that shows whether the layout lies where the board is.

    Parameters
    ----------
    inspection : Inspection
    path : Path
        Of a PNG; one that is there is replaced.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    check_picture(path)
    with report_style():
        content = _png(plate_figure(registration_plate(inspection)))
    try:
        _put_in_place(path.parent, {path.name: content})
    except OSError as error:
        what = f"the picture cannot be written there ({error.strerror or error})"
        raise InputError(what, where=str(path), fix=_ANOTHER_PICTURE) from error


def check_picture(path: Path) -> None:
    """
    Refuse a place where a picture cannot be; quick, so that it can be asked before the work is done.

    Raises
    ------
    InputError
        Not named .png, a folder, or in no folder.

    Examples
    --------
    >>> check_picture(Path("check.png"))
    """
    wrong = None
    if path.suffix.lower() != ".png":
        wrong = "the name does not end in .png"
    elif path.is_dir():
        wrong = "this is a folder, not a file"
    elif not path.parent.is_dir():
        wrong = "its folder is not there"
    if wrong:
        raise InputError(wrong, where=str(path), fix=_ANOTHER_PICTURE)


def check_folder(out_dir: Path) -> None:
    """
    Refuse a place where a report cannot be; quick, so that it can be asked before the work is done.

    Raises
    ------
    InputError
        There is a file in the folder's place, or a folder in a file's.

    Examples
    --------
    >>> check_folder(Path("no-such-folder-yet"))
    """
    try:
        if out_dir.exists() and not out_dir.is_dir():
            raise InputError("this is a file, not a folder", where=str(out_dir), fix=_ANOTHER)
        folders = [path.name for path in out_dir.iterdir() if path.is_dir()] if out_dir.is_dir() else []
    except OSError as error:
        what = f"the folder cannot be looked into ({error.strerror or error})"
        raise InputError(what, where=str(out_dir), fix=_ANOTHER) from error
    for name in folders:
        if name in _OWN_FILES or _OWN_FIGURES.fullmatch(name):
            raise InputError(f"{name} there is a folder", where=str(out_dir), fix=_ANOTHER)


def report_contents(inspection: Inspection) -> dict[str, bytes]:
    """The report's files, by name, before they are written."""
    document = results_document(inspection)
    contents = {
        "results.json": results_text(document).encode("utf-8"),
        "parts.csv": parts_csv(document).encode("utf-8"),
    }
    with report_style():
        plates = plates_of(inspection)
        contents["report.pdf"] = _pdf(report_pages(inspection, plates), inspection)
        for plate in plates:
            contents[f"{plate.name}.png"] = _png(plate_figure(plate))
    return contents


def _pdf(pages: list[Figure], inspection: Inspection) -> bytes:
    about = {
        "Title": printable(f"Thermal inspection of {inspection.board.name}", most=200),
        "Subject": f"Overall: {inspection.judgement.overall}",
        "Creator": f"thermscan {software_versions()['thermscan']}",
    }
    # matplotlib takes the date of creation from SOURCE_DATE_EPOCH where that is set.
    stream = io.BytesIO()
    with PdfPages(stream, metadata=about) as pdf:
        for page in pages:
            pdf.savefig(page)
    return stream.getvalue()


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=_PNG_DOTS_AN_INCH, metadata={"Software": "thermscan"})
    return stream.getvalue()


def _put_in_place(folder: Path, contents: dict[str, bytes]) -> None:
    """Write all under temporary names, then rename; what is left of a failed attempt is removed."""
    mark = secrets.token_hex(4)
    waiting = {name: folder / f".{name}.{mark}.part" for name in contents}
    try:
        for name, path in waiting.items():
            path.write_bytes(contents[name])
        for name, path in waiting.items():
            os.replace(path, folder / name)
    finally:
        for path in waiting.values():
            path.unlink(missing_ok=True)
