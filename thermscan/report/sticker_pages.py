"""The board's stickers and labels as a list, each with its place and, where there is a photo, its picture."""

from __future__ import annotations

from collections.abc import Iterator

from matplotlib.figure import Figure

from thermscan.layout.board import Board, Sticker
from thermscan.layout.photo import BoardPhoto
from thermscan.report.canvas import FAINT_INK, RULE, Sheet, blank_sheet
from thermscan.report.lettering import fitted_text, wrapped_text
from thermscan.report.paper import MARGIN_MM, PAPERS_MM, PT_A_MM

# An entry's least height; its picture's room; how much of the board is shown around the sticker.
ENTRY_PT, PICTURE_PT, PICTURE_SHARE = 64.0, 56.0, 0.34
AROUND_SHARE, AROUND_MM = 0.15, 2.0
TEXT_PT, NOTE_PT, LEADING = 9.0, 7.5, 1.3
# Lines of text and note; the rest of a very long one is in the layout.
MOST_LINES = 4


def sticker_pages(board: Board, paper: str, photo: BoardPhoto | None) -> Iterator[Figure]:
    """As many upright pages as the stickers take, numbered as on the drawing; none without stickers."""
    paper_mm = PAPERS_MM[paper]
    room = (paper_mm[1] - 2 * MARGIN_MM) * PT_A_MM - 30.0
    a_page = max(1, int(room / ENTRY_PT))
    numbered = list(enumerate(board.stickers, start=1))
    for first in range(0, len(numbered), a_page):
        sheet = blank_sheet(paper_mm[0] * PT_A_MM, paper_mm[1] * PT_A_MM)
        left = MARGIN_MM * PT_A_MM
        width = sheet.width_pt - 2 * left
        y = sheet.height_pt - left - 12.0
        count = f"{len(numbered)} {'sticker' if len(numbered) == 1 else 'stickers'} and labels"
        title = fitted_text(f"{board.name}: {count}", width, 11.0, bold=True)
        sheet.text(left, y, title, fontsize=11.0, weight="bold")
        y -= 14.0
        for number, sticker in numbered[first : first + a_page]:
            y -= ENTRY_PT
            _draw_entry(sheet.part(left, y, width, ENTRY_PT), number, sticker, photo)
        yield sheet.figure


def _draw_entry(sheet: Sheet, number: int, sticker: Sticker, photo: BoardPhoto | None) -> None:
    sheet.rule(ENTRY_PT - 1.0, colour=RULE)
    sheet.text(0.0, ENTRY_PT - 14.0, str(number), fontsize=TEXT_PT, weight="bold")
    text_at = 18.0
    if photo is not None:
        room = sheet.width_pt * PICTURE_SHARE
        _draw_crop(sheet.part(text_at, (ENTRY_PT - PICTURE_PT) / 2 - 1.0, room, PICTURE_PT), sticker, photo)
        text_at += room + 10.0
    width = sheet.width_pt - text_at
    place = (
        f"at ({sticker.x_mm:g}, {sticker.y_mm:g}) mm, {sticker.width_mm:g} x {sticker.height_mm:g} mm, "
        "from the top left corner"
    )
    lines = [(line, TEXT_PT, True) for line in _lines(sticker.text, width, TEXT_PT, most=MOST_LINES - 2, bold=True)]
    lines += [(line, NOTE_PT, False) for line in _lines(sticker.note, width, NOTE_PT, most=MOST_LINES - len(lines))]
    y = ENTRY_PT - 4.0
    for line, size, bold in (*lines, (place, 7.0, False)):
        y -= size * LEADING
        weight = "bold" if bold else "normal"
        sheet.text(text_at, y, line, fontsize=size, weight=weight, color=FAINT_INK if line is place else None)


def _lines(text: str | None, width_pt: float, size_pt: float, *, most: int, bold: bool = False) -> list[str]:
    """A text over as many lines as it may have; the last tells that there is more."""
    if not text:
        return []
    lines = wrapped_text(text, width_pt, size_pt, bold=bold)
    if len(lines) > most:
        return [*lines[: most - 1], fitted_text(" ".join(lines[most - 1 :]), width_pt, size_pt, bold=bold)]
    return list(lines)


def _draw_crop(sheet: Sheet, sticker: Sticker, photo: BoardPhoto) -> None:
    """The sticker in the photo, in colour, with a little of the board around it."""
    around = AROUND_MM + AROUND_SHARE * max(sticker.width_mm, sticker.height_mm)
    corners = sticker.corners_mm()
    (left, top), (right, bottom) = corners[0] - around, corners[2] + around
    crop = photo.crop(left, top, right, bottom)
    if crop is None:
        return
    rows, cols = crop.shape[:2]
    scale = min(sheet.width_pt / cols, sheet.height_pt / rows)
    axes = sheet.axes(0.0, sheet.height_pt - rows * scale, cols * scale, rows * scale)
    axes.imshow(crop, aspect="auto", interpolation="antialiased")
    axes.set(xticks=[], yticks=[])
