"""A layout to print at its true size, and its capacitors as a list to tick off."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon

from thermscan.layout.board import Board, Part, Sticker
from thermscan.layout.photo import BoardPhoto, board_photo
from thermscan.report.canvas import FAINT_INK, INK, RULE, Sheet, blank_sheet, report_style
from thermscan.report.lettering import fitted_text, printable, text_width_pt
from thermscan.report.paper import MARGIN_MM, PAPERS_MM, PT_A_MM
from thermscan.report.plate_photo import draw_grey
from thermscan.report.sticker_pages import sticker_pages
from thermscan.writing import put_file

# What a tile shares with its neighbour for gluing.
SHARED_MM = 5.0
HEAD_MM, FOOT_MM = 9.0, 12.0
# Length of the bar that is checked with a ruler.
BAR_MM = 100.0
LINE_PT, LIST_PT = 12.0, 8.0
# The darkest that the photo behind the drawing gets: the drawing is what counts.
FAINTEST = 0.82
SMALLEST_LETTERS_PT, LARGEST_LETTERS_PT = 3.0, 9.0

# Where the marked end of a part lies at rotation 0, as a direction in the body.
ENDS = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}


def write_layout_sheet(board: Board, path: Path, *, paper: str = "A4", inputs: Iterable[Path | None] = ()) -> int:
    """
    Write a PDF with the board at 1:1, over as many pages as it takes, its capacitors and its stickers as lists.

    Parameters
    ----------
    board : Board
    path : Path
        A sheet that was there is replaced; any other file is kept as a backup.
    paper : str
        ``A4`` or ``letter``.
    inputs : iterable of Path
        Files that the command reads, besides the board's own: none of them is replaced.

    Returns
    -------
    int
        Number of pages.

    Notes
    -----
    The scale holds only if the printer does not fit pages to its margins: a bar of 100 mm on each page tells.

    Examples
    --------
    >>> import tempfile
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [400, 0], [400, 120], [0, 120]], 1.6, surface_named("solder-mask"), ())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_layout_sheet(board, Path(folder, "sheet.pdf"))
    2
    """
    stream = io.BytesIO()
    pages = 0
    with report_style():
        about = {"Title": printable(f"{board.name}: layout at 1:1"), "Creator": "thermscan", "CreationDate": None}
        with PdfPages(stream, metadata=about) as pdf:
            photo = board_photo(board)
            pages_of = (_tiles(board, paper, photo), _capacitor_pages(board, paper), sticker_pages(board, paper, photo))
            for figure in chain(*pages_of):
                pdf.savefig(figure)
                pages += 1
    put_file(path, stream.getvalue(), drawn=True, inputs=(*board.files, *inputs))
    return pages


def is_capacitor(part: Part) -> bool:
    """
    Whether a part is a capacitor, by its package, its kind or its ref.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> is_capacitor(Part("C12", 5, 5, 0, 0, 0, surface_named("plastic")))
    True
    """
    package, kind = (part.package or "").upper(), (part.kind or "").lower()
    by_package = package.startswith(("CAP-", "TANTALUM-", "CP", "C_"))
    return by_package or "capacitor" in kind or re.fullmatch(r"C\d+[A-Z]?", part.ref) is not None


def _tiles(board: Board, paper: str, photo: BoardPhoto | None) -> Iterator[Figure]:
    """Pages that together show the board, each with what it shares with its neighbours."""
    paper_mm = _paper_for(board, paper)
    window = _window_mm(paper_mm)
    columns, rows = (_count(size, room) for size, room in zip((board.width_mm, board.height_mm), window, strict=True))
    for row in range(rows):
        for column in range(columns):
            left = column * (window[0] - SHARED_MM)
            top = row * (window[1] - SHARED_MM)
            if columns == 1:
                left = (board.width_mm - window[0]) / 2
            if rows == 1:
                top = (board.height_mm - window[1]) / 2
            sheet = blank_sheet(paper_mm[0] * PT_A_MM, paper_mm[1] * PT_A_MM)
            place = f"row {row + 1} of {rows}, column {column + 1} of {columns}" if rows * columns > 1 else ""
            _head(sheet, board, place)
            _foot(sheet)
            _draw_window(sheet, board, (left, top), window, photo)
            yield sheet.figure


def _paper_for(board: Board, paper: str) -> tuple[float, float]:
    """The paper upright or lying, whichever needs fewer pages."""
    upright = PAPERS_MM[paper]

    def pages(paper_mm: tuple[float, float]) -> int:
        window = _window_mm(paper_mm)
        return _count(board.width_mm, window[0]) * _count(board.height_mm, window[1])

    lying = (upright[1], upright[0])
    return lying if pages(lying) < pages(upright) else upright


def _window_mm(paper_mm: tuple[float, float]) -> tuple[float, float]:
    return paper_mm[0] - 2 * MARGIN_MM, paper_mm[1] - 2 * MARGIN_MM - HEAD_MM - FOOT_MM


def _count(size_mm: float, room_mm: float) -> int:
    if size_mm <= room_mm:
        return 1
    return math.ceil((size_mm - SHARED_MM) / (room_mm - SHARED_MM))


def _head(sheet: Sheet, board: Board, place: str) -> None:
    left, y = MARGIN_MM * PT_A_MM, sheet.height_pt - (MARGIN_MM + 4.0) * PT_A_MM
    width = sheet.width_pt - 2 * left
    title = f"{board.name}{f', revision {board.revision}' if board.revision else ''}"
    sheet.text(left, y, fitted_text(title, width * 0.6, 10.0, bold=True), fontsize=10.0, weight="bold")
    size = f"component side, {board.width_mm:g} x {board.height_mm:g} mm{f', {place}' if place else ''}"
    sheet.text(left + width, y, size, fontsize=7.5, color=FAINT_INK, ha="right")


def _foot(sheet: Sheet) -> None:
    """A bar to lay a ruler on."""
    left, y = MARGIN_MM * PT_A_MM, (MARGIN_MM + 5.0) * PT_A_MM
    axes = sheet.axes(left, y, BAR_MM * PT_A_MM, 3.0 * PT_A_MM)
    axes.set(xlim=(0.0, BAR_MM), ylim=(0.0, 3.0))
    axes.set_axis_off()
    axes.plot([0.0, BAR_MM], [1.0, 1.0], color=INK, linewidth=0.8, solid_capstyle="butt")
    for mm in range(0, int(BAR_MM) + 1, 10):
        axes.plot([mm, mm], [1.0, 2.6 if mm % 50 == 0 else 1.9], color=INK, linewidth=0.5, clip_on=False)
    rule = "this bar is 100 mm long; if a ruler disagrees, print again at 100 %, not fitted to the page"
    room = sheet.width_pt - 2 * left - BAR_MM * PT_A_MM - 8.0
    if text_width_pt(rule, 7.0) <= room:
        sheet.text(left + BAR_MM * PT_A_MM + 8.0, y + 2.0, rule, fontsize=7.0, color=FAINT_INK)
    else:
        sheet.text(left, y - 9.0, rule, fontsize=7.0, color=FAINT_INK)


def _draw_window(
    sheet: Sheet,
    board: Board,
    start_mm: tuple[float, float],
    window_mm: tuple[float, float],
    photo: BoardPhoto | None,
) -> None:
    axes = sheet.axes(
        MARGIN_MM * PT_A_MM,
        (MARGIN_MM + FOOT_MM) * PT_A_MM,
        window_mm[0] * PT_A_MM,
        window_mm[1] * PT_A_MM,
    )
    (left, top), (width, height) = start_mm, window_mm
    axes.set(xlim=(left, left + width), ylim=(top + height, top))
    axes.set_axis_off()
    if photo is not None:
        draw_grey(axes, photo, darkest=FAINTEST, brightest=1.0)
    for number, sticker in enumerate(board.stickers, start=1):
        _draw_sticker(axes, sticker, number)
    axes.add_patch(Polygon(board.outline_mm, closed=True, facecolor="none", edgecolor=INK, linewidth=1.0))
    for x, y in ((left, top), (left + width, top), (left + width, top + height), (left, top + height)):
        axes.plot([x], [y], marker="+", markersize=8.0, markeredgewidth=0.5, color=FAINT_INK, clip_on=False)
    for part in board.parts:
        _draw_part(axes, part)


def _draw_sticker(axes: Axes, sticker: Sticker, number: int) -> None:
    """Its outline, dotted, and its number in the list, in the corner: parts may lie under it."""
    look: dict[str, Any] = {"closed": True, "facecolor": "none", "linewidth": 0.8, "linestyle": (0, (1.0, 1.5))}
    axes.add_patch(Polygon(sticker.corners_mm(), edgecolor=FAINT_INK, **look))
    x, y = sticker.corners_mm()[1]
    frame = {"boxstyle": "circle,pad=0.15", "facecolor": "white", "edgecolor": FAINT_INK, "linewidth": 0.5}
    axes.text(x, y, str(number), fontsize=5.0, ha="center", va="center", zorder=4, bbox=frame, clip_on=True)


def _draw_part(axes: Axes, part: Part) -> None:
    if part.round_body:
        axes.add_patch(
            Circle((part.x_mm, part.y_mm), part.length_mm / 2, facecolor="none", edgecolor=INK, linewidth=0.6)
        )
    else:
        axes.add_patch(Polygon(part.corners_mm(), closed=True, facecolor="none", edgecolor=INK, linewidth=0.6))
    polarity = (part.polarity or "").strip().lower()
    if polarity in ENDS:
        _draw_marked_end(axes, part, ENDS[polarity])
    lines = [part.ref, *([part.value] if part.value else [])]
    if part.polarity and polarity not in ENDS:
        lines.append(part.polarity)
    _letter(axes, part, lines)


def _draw_marked_end(axes: Axes, part: Part, end: tuple[int, int]) -> None:
    """A filled bar inside the marked end of the body: pin 1, plus, or the band of a diode."""
    depth = min(1.0, 0.2 * min(part.length_mm, part.width_mm))
    along = np.array(end, dtype=float)
    across = np.array([-along[1], along[0]])
    half = np.array([part.length_mm, part.width_mm]) / 2
    far, side = float(np.abs(along * half).sum()), float(np.abs(across * half).sum())
    if part.round_body:
        far, side = far - depth, side * 0.5
    corners = [along * far - across * side, along * far + across * side]
    corners += [corners[1] - along * depth, corners[0] - along * depth]
    bar = part.board_from_body(np.array(corners))
    axes.add_patch(Polygon(bar, closed=True, facecolor=INK, edgecolor="none"))


def _letter(axes: Axes, part: Part, lines: list[str]) -> None:
    """Ref, value and polarity within the body, along its longer side, as large as they fit."""
    upright = part.rotation_deg + (90.0 if part.width_mm > part.length_mm else 0.0)
    # Text reads from the left or from below, never upside down.
    turn = (-upright + 90.0) % 180.0 - 90.0
    turn = 90.0 if turn == -90.0 else turn
    room = 0.7 if part.round_body else 1.0
    length = max(part.length_mm, part.width_mm) * PT_A_MM * room
    width = min(part.length_mm, part.width_mm) * PT_A_MM * room
    shown = [printable(line, most=40) for line in lines]
    widest = max((text_width_pt(line, 10.0) for line in shown), default=1.0) or 1.0
    size = min(LARGEST_LETTERS_PT, 9.0 * length / widest, width / (1.25 * len(shown)))
    if size < SMALLEST_LETTERS_PT and len(shown) > 1:
        _letter(axes, part, lines[:1])
        return
    size = max(size, SMALLEST_LETTERS_PT)
    text = "\n".join(fitted_text(line, max(length, 12.0), size) for line in shown)
    axes.text(
        part.x_mm,
        part.y_mm,
        text,
        fontsize=size,
        rotation=turn,
        ha="center",
        va="center",
        linespacing=1.05,
        clip_on=True,
    )


def _capacitor_pages(board: Board, paper: str) -> Iterator[Figure]:
    """Capacitors by value, with a box to tick when each comes out and one when it is back in."""
    by_value: dict[str, list[Part]] = {}
    for part in sorted(filter(is_capacitor, board.parts), key=lambda part: _natural(part.ref)):
        by_value.setdefault(part.value or "value not noted", []).append(part)
    lines: list[tuple[str, Part | None]] = []
    for value, parts in sorted(by_value.items(), key=lambda item: _natural(item[0])):
        lines.append((f"{value}: {len(parts)}", None))
        lines += [(value, part) for part in parts]
    paper_mm = PAPERS_MM[paper]
    room = int(((paper_mm[1] - 2 * MARGIN_MM) * PT_A_MM - 50.0) / LINE_PT)
    for first in range(0, len(lines), room):
        sheet = blank_sheet(paper_mm[0] * PT_A_MM, paper_mm[1] * PT_A_MM)
        total = sum(map(len, by_value.values()))
        _list_page(sheet, f"{board.name}: {total} capacitors by value", lines[first : first + room])
        yield sheet.figure


def _list_page(sheet: Sheet, title: str, lines: list[tuple[str, Part | None]]) -> None:
    left = MARGIN_MM * PT_A_MM
    width = sheet.width_pt - 2 * left
    y = sheet.height_pt - left - 12.0
    sheet.text(left, y, fitted_text(title, width, 11.0, bold=True), fontsize=11.0, weight="bold")
    y -= 20.0
    ref_at, out_at, in_at, note_at = (left + share * width for share in (0.04, 0.34, 0.42, 0.5))
    for x, name in ((ref_at, "ref"), (out_at, "out"), (in_at, "back in"), (note_at, "body, marked end, note")):
        sheet.text(x, y, name, fontsize=7.0, color=FAINT_INK)
    for text, part in lines:
        y -= LINE_PT
        if part is None:
            sheet.block(left, y - 3.0, width, LINE_PT - 1.0, colour=RULE)
            sheet.text(
                left + 2.0, y, fitted_text(text, width - 4.0, LIST_PT, bold=True), fontsize=LIST_PT, weight="bold"
            )
            continue
        sheet.text(ref_at, y, fitted_text(part.ref, out_at - ref_at - 4.0, LIST_PT), fontsize=LIST_PT)
        for x in (out_at, in_at):
            sheet.frame(x, y - 1.0, 8.0, 8.0, dashed=False)
        body = f"{part.package or f'{part.length_mm:g} x {part.width_mm:g} mm'}"
        told = ", ".join(filter(None, (body, part.polarity, part.note)))
        sheet.text(note_at, y, fitted_text(told, left + width - note_at, 7.0), fontsize=7.0, color=FAINT_INK)


def _natural(text: str) -> list[tuple[int, int, str]]:
    pieces = re.findall(r"[0-9]+|[^0-9]+", text)
    return [(0, int(piece[:18]), "") if piece[0] in "0123456789" else (1, 0, piece.casefold()) for piece in pieces]
