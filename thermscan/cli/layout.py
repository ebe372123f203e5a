"""Is this layout sound? Draw it, import it, make it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from thermscan.cli.layout_targets import targets
from thermscan.cli.options import paper_for, tell_backups
from thermscan.exit_status import BAD_INPUT

if TYPE_CHECKING:
    from thermscan.layout.picture import PagePicture


Side = Literal["top", "bottom"]


@click.group(no_args_is_help=False)
def command() -> None:
    """
    Is this layout sound? Draw it, import it, make it.

    Example: thermscan layout check board.toml
    """


command.add_command(targets)


@command.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE…", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on standard output.")
def check(files: tuple[Path, ...], *, as_json: bool) -> int:
    """
    Which layout files are sound, and what is wrong or odd in each?

    Every fault is told with its row and key (exit status 2); what is odd but usable is a remark.

    Example: thermscan layout check board.toml
    """
    from thermscan.layout.check import check_layout

    results = [check_layout(path) for path in files]
    if as_json:
        document = {"schema": "thermscan.layout-check/1", "layouts": [result.document() for result in results]}
        click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2))
    else:
        for result in results:
            for line in (*map(str, result.faults), *(f"{result.path}: {remark}" for remark in result.remarks)):
                click.echo(line, err=True)
            click.echo(result.summary)
    return BAD_INPUT if any(result.faults for result in results) else 0


@command.command(name="import")
@click.argument("files", nargs=-1, required=True, metavar="FILE…", type=click.Path(path_type=Path))
@click.option(
    "--out", default="board.toml", show_default=True, type=click.Path(path_type=Path), help="Layout to write."
)
@click.option("--side", type=click.Choice(["top", "bottom"]), default="top", show_default=True, help="Side to take.")
@click.option("--unit", type=click.Choice(["mm", "inch", "mil"]), help="Unit of a table that states none.")
@click.option("--width-mm", type=float, help="Width of the board, where the file does not draw it.")
@click.option("--height-mm", type=float, help="Height of the board, where the file does not draw it.")
@click.option("--origin", metavar="X,Y", help="Lower left corner (top left with --y-down) in the file, mm.")
@click.option("--y-down", is_flag=True, help="Places count down from the top left corner, rotation runs clockwise.")
@click.option("--dual-rows", type=click.Choice(["upright", "level"]), help="How dual-row packages lie at rotation 0.")
@click.option("--map", "mappings", multiple=True, metavar="OURS=THEIRS", help="A column by name, such as ref=Bauteil.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on standard output.")
def import_(files: tuple[Path, ...], *, out: Path, side: Side, unit: str | None, width_mm: float | None,
            height_mm: float | None, origin: str | None, dual_rows: str | None, y_down: bool, mappings: tuple[str, ...],
            as_json: bool) -> int:  # fmt: skip
    """
    Which parts does another program's file hold, as a layout?

    Reads centroid (pick-and-place) tables, Gerber X3 component layers and profiles, IPC-2581, and your own
    spreadsheet saved as CSV. What was not understood is listed; a layout that was there is kept as a backup.

    Example: thermscan layout import pick.csv --width-mm 180 --height-mm 120 --out board.toml
    """
    from thermscan.layout.check import check_layout
    from thermscan.layout.importing.importing import import_layout, save_imported

    if (width_mm is None) != (height_mm is None):
        raise click.UsageError("--width-mm and --height-mm belong together")
    imported = import_layout(
        files,
        unit=unit,
        column_map=dict(_pair("--map", mapping) for mapping in mappings),
        side=side,
        size_mm=None if width_mm is None or height_mm is None else (width_mm, height_mm),
        origin_mm=None if origin is None else _point("--origin", origin),
        dual_rows=dual_rows,
        y_down=y_down,
    )
    backups = save_imported(imported, out, inputs=files)
    result = check_layout(out)
    for line in (
        *(f"not understood: {text}" for text in imported.not_understood),
        *imported.remarks,
        *(f"kept as {backup}" for backup in backups),
        *result.remarks,
        *map(str, result.faults),
    ):
        click.echo(line, err=True)
    if as_json:
        document = {
            "schema": "thermscan.layout-import/1",
            "layout": str(out),
            "parts": len(imported.rows),
            "incomplete": [row["ref"] for row in imported.incomplete],
            "not_understood": list(imported.not_understood),
            "remarks": [*imported.remarks, *result.remarks],
            "backups": [str(backup) for backup in backups],
        }
        click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2))
    else:
        click.echo(result.summary)
    return BAD_INPUT if result.faults else 0


def _pair(option: str, text: str) -> tuple[str, str]:
    ours, sign, theirs = text.partition("=")
    if not sign or not ours.strip() or not theirs.strip():
        raise click.UsageError(f'{option} "{text}" is not of the form OURS=THEIRS')
    return ours.strip(), theirs.strip()


def _point(option: str, text: str) -> tuple[float, float]:
    from thermscan.layout.fields import parse_number

    numbers = [parse_number(piece) for piece in text.split(",")]
    if len(numbers) != 2 or numbers[0] is None or numbers[1] is None:
        raise click.UsageError(f'{option} "{text}" is not two numbers X,Y')
    return numbers[0], numbers[1]


@command.command()
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--out", default="sheet.pdf", show_default=True, type=click.Path(path_type=Path), help="PDF to write.")
@click.option("--paper", type=click.Choice(["A4", "letter"]), help="A4, or the bench's habit, unless given.")
def draw(file: Path, *, out: Path, paper: str | None) -> int:
    """
    Where does each part belong? A sheet to print at 1:1.

    Refs, values and marked ends at true size over as many pages as it takes, and the capacitors by value with
    boxes to tick when each comes out and goes back in.

    Example: thermscan layout draw board.toml --out sheet.pdf
    """
    from thermscan.layout.reading import read_board
    from thermscan.report.layout_sheet import write_layout_sheet

    board = read_board(file)
    for remark in board.remarks:
        click.echo(f"{file}: {remark}", err=True)
    pages = write_layout_sheet(board, out, paper=paper_for(paper, file.parent))
    click.echo(f"{out}: {pages} page{'' if pages == 1 else 's'}, {len(board.parts)} parts at 1:1")
    return 0


@command.command()
@click.argument("photo", metavar="PHOTO", type=click.Path(path_type=Path))
@click.option("--layout", required=True, type=click.Path(path_type=Path), help="Layout with the board's size.")
@click.option("--corners", metavar="'X,Y X,Y X,Y X,Y'", help="Top left, top right, bottom right, bottom left; pixels.")
@click.option("--out", default="photo.png", show_default=True, type=click.Path(path_type=Path), help="PNG to write.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on standard output.")
def photo(photo: Path, *, layout: Path, corners: str | None, out: Path, as_json: bool) -> int:
    """
    What does the board look like from straight above, in millimetres?

    Finds the board's four corners in a photo, or takes them as given, and draws the photo at the board's own scale as
    a PNG. A layout that names it (photo = "photo.png" in [board]) lays the temperatures over it in the report.

    Example: thermscan layout photo board.jpg --layout board.toml --out photo.png
    """
    from thermscan.layout.photo import rectify_photo, save_photo
    from thermscan.layout.picture import photo_pixels
    from thermscan.layout.reading import read_board

    corners_px = None if corners is None else _corners("--corners", corners)
    board = read_board(layout)
    made = rectify_photo(photo_pixels(photo), board, corners_px=corners_px)
    backup = save_photo(made, out, inputs=(photo, *(path for path in board.files if path != board.photo)))
    for line in (*made.remarks, *([f"kept as {backup}"] if backup else [])):
        click.echo(f"{out}: {line}", err=True)
    rows, cols = made.pixels.shape[:2]
    seen = [] if made.corners_px is None else made.corners_px.round(2).tolist()
    if as_json:
        document = {
            "schema": "thermscan.layout-photo/1",
            "photo": str(out),
            "method": "found" if corners is None else "given",
            "corners_px": seen,
            "mm_per_px": made.mm_per_px,
            "size_px": [cols, rows],
            "remarks": list(made.remarks),
        }
        click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2))
        return 0
    click.echo(f"{out}: {cols} x {rows} pixels of {made.mm_per_px:.4f} mm")
    click.echo(f"corners {'found' if corners is None else 'given'}: {' '.join(f'{x:.1f},{y:.1f}' for x, y in seen)}")
    if board.photo is None or board.photo.resolve() != out.resolve():
        click.echo(f'to use it, keep it beside the layout and write photo = "{out.name}" below [board] in {layout}')
    return 0


def _corners(option: str, text: str) -> list[tuple[float, float]]:
    from thermscan.runs.corners import corner_fault

    points = [_point(option, piece) for piece in text.split()]
    fault = corner_fault(points)
    if fault:
        raise click.UsageError(f'{option} "{text}": {fault}')
    return points


PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".bmp", ".webp")


@command.command()
@click.argument("file", metavar="PHOTO|FRAME", type=click.Path(path_type=Path))
@click.option("--width-mm", type=click.FloatRange(min=0, min_open=True), help="Width of the board.")
@click.option("--height-mm", type=click.FloatRange(min=0, min_open=True), help="Height of the board.")
@click.option("--layout", type=click.Path(path_type=Path), help="Layout to go on with.")
@click.option("--unit", help="Unit of a frame that does not state it.")
@click.option("--out", default="place.html", show_default=True, type=click.Path(path_type=Path), help="Page to write.")
def place(file: Path, *, width_mm: float | None, height_mm: float | None, layout: Path | None, unit: str | None,
          out: Path) -> int:  # fmt: skip
    """
    Where are the parts? A page to mark them on a photo or a frame.

    Writes one HTML file with the picture in it; open it in a browser, mark the board's corners, place the parts, and
    save board.toml and parts.csv. It needs no network. On a frame it also marks corners and landmarks for a run file.

    Example: thermscan layout place board.jpg --width-mm 180 --height-mm 120
    """
    from thermscan.layout.placing import page_text
    from thermscan.layout.reading import read_board
    from thermscan.writing import put_file

    if (width_mm is None) != (height_mm is None):
        raise click.UsageError("--width-mm and --height-mm belong together")
    board = read_board(layout) if layout else None
    picture = _picture(file, unit)
    size_mm = None if width_mm is None or height_mm is None else (width_mm, height_mm)
    read = (file, *(board.files if board else ()))
    page = page_text(picture, board=board, size_mm=size_mm).encode("utf-8")
    tell_backups([put_file(out, page, inputs=read, drawn=True)])
    kept = "keep the board.toml and parts.csv that it saves together"
    click.echo(f"{out}: open it in a browser to place parts on the {picture.kind}; {kept}")
    return 0


def _picture(file: Path, unit: str | None) -> PagePicture:
    """A photo, or the first frame of a radiometric file; a colour picture in a TIFF is a photo too."""
    from thermscan.errors import InputError
    from thermscan.frames.reading import read_frames
    from thermscan.layout.picture import picture_of_frame, read_photo

    if file.suffix.lower() in PHOTO_SUFFIXES:
        return read_photo(file)
    try:
        return picture_of_frame(read_frames(file, unit=unit)[0].values)
    except InputError as not_a_frame:
        if file.suffix.lower() not in (".tif", ".tiff") or not file.exists():
            raise
        try:
            return read_photo(file)
        except InputError:
            raise not_a_frame from None
