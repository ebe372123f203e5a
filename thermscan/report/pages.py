"""The report's A4 pages: header, body, footer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from math import ceil

from matplotlib.figure import Figure

from thermscan.inspection import Inspection
from thermscan.report.canvas import FAINT_INK, INK, Sheet, blank_sheet
from thermscan.report.first_page import head_facts
from thermscan.report.flowing import ROUNDING_PT, Block, Line, draw_lines, flowed_lines
from thermscan.report.lettering import fitted_text, text_width_pt
from thermscan.report.plates import (
    BETWEEN_PLATES_PT,
    BODY_HEIGHT_PT,
    BODY_WIDTH_PT,
    FOOTER_PT,
    HEADER_PT,
    MARGIN_PT,
    PAGE_HEIGHT_PT,
    PAGE_WIDTH_PT,
    Plate,
    plates_of,
)
from thermscan.report.results import software_versions
from thermscan.report.shown import Shown
from thermscan.report.told import (
    caution_blocks,
    figures_blocks,
    first_blocks,
    provenance_blocks,
    remark_blocks,
    views_blocks,
    watts_blocks,
)
from thermscan.report.verdicts import OVERALL_MARKS, Mark

# Letters of what only a checker reads: 7 points, or 6.5, as the numbers at the axes, where that saves a page.
_SMALLER = (0.82, 0.765)


class Pages:
    """A report under way: bodies are handed out one below the other, page by page, below a header."""

    def __init__(self, draw_header: Callable[[Sheet], None], shown: Shown) -> None:
        self._draw_header = draw_header
        self._shown = shown
        self.figures: list[Figure] = []
        self._free_pt = 0.0
        self._cautions_page = 1

    def sheet(self, height_pt: float) -> Sheet:
        """The next free rectangle of that height, on this page or on a new one."""
        if height_pt > self._free_pt + ROUNDING_PT or not self.figures:
            self._open()
        whole = Sheet(self.figures[-1], MARGIN_PT, MARGIN_PT + FOOTER_PT, BODY_WIDTH_PT, BODY_HEIGHT_PT, self._shown)
        self._free_pt -= height_pt
        given = whole.part(0.0, self._free_pt, BODY_WIDTH_PT, height_pt)
        self._free_pt -= BETWEEN_PLATES_PT
        return given

    def height_for(self, plate: Plate) -> float:
        """Its own height, or what is left of this page where it can still be read in that."""
        fits_smaller = bool(self.figures) and plate.least_pt <= self._free_pt < plate.height_pt
        return self._free_pt if fits_smaller else plate.height_pt

    def has_room(self, plate: Plate) -> bool:
        """Whether it can stand on this page."""
        return bool(self.figures) and plate.least_pt <= self._free_pt + ROUNDING_PT

    def flow(self, lines: Sequence[Line]) -> None:
        """Text from here on, over as many pages as it takes."""
        left = list(lines)
        while left:
            left = draw_lines(self.sheet(min(self._room_pt, _height_pt(left))), left)

    def small(self, blocks: Sequence[Block]) -> None:
        """Text in small letters, and in still smaller ones where they save a page."""
        ways = [
            flowed_lines([replace(block, size_pt=share * block.size_pt) for block in blocks], BODY_WIDTH_PT)
            for share in _SMALLER
        ]
        # The first of those that take the fewest pages.
        self.flow(min(ways, key=lambda lines: ceil((_height_pt(lines) - self._room_pt - ROUNDING_PT) / BODY_HEIGHT_PT)))

    @property
    def _room_pt(self) -> float:
        """What text may take up: a few lines at the foot of a page are not worth beginning."""
        return self._free_pt if self.figures and self._free_pt > 80.0 else BODY_HEIGHT_PT

    def cautions(self, shown: Shown) -> None:
        """The cautions, wherever they fit; every page says where they begin."""
        lines = flowed_lines(caution_blocks(shown), BODY_WIDTH_PT)
        if _height_pt(lines) > self._free_pt:
            # Together on one page: a heading alone at the foot of a page is passed over.
            self._open()
        self._cautions_page = len(self.figures)
        self.flow(lines)

    def finish(self) -> list[Figure]:
        """Number the pages."""
        count = len(self.figures)
        version = software_versions()["thermscan"]
        for number, figure in enumerate(self.figures, start=1):
            foot = Sheet(figure, MARGIN_PT, MARGIN_PT, BODY_WIDTH_PT, FOOTER_PT)
            told = self._shown.say("plate.foot", version=version, page=self._cautions_page)
            foot.text(0.0, 2.0, told, fontsize=7.0, color=FAINT_INK)
            page = self._shown.say("plate.page", n=number, count=count)
            foot.text(BODY_WIDTH_PT, 2.0, page, fontsize=7.0, color=FAINT_INK, ha="right")
        return self.figures

    def _open(self) -> None:
        sheet = blank_sheet(PAGE_WIDTH_PT, PAGE_HEIGHT_PT)
        head = sheet.part(MARGIN_PT, PAGE_HEIGHT_PT - MARGIN_PT - HEADER_PT, BODY_WIDTH_PT, HEADER_PT)
        self._draw_header(head)
        self.figures.append(sheet.figure)
        self._free_pt = BODY_HEIGHT_PT


def report_pages(
    inspection: Inspection, plates: Sequence[Plate] | None = None, shown: Shown | None = None
) -> list[Figure]:
    """
    All pages of the report, as figures of A4 size.

    Parameters
    ----------
    inspection : Inspection
    plates : sequence of Plate, optional
        As :func:`thermscan.report.plates.plates_of` gives them, where the caller has them already.
    shown : Shown, optional
        Language and units; English and degrees Celsius unless given.
    """
    shown = shown or Shown()
    pages = Pages(partial(_draw_header, inspection=inspection, shown=shown), shown)
    plates = plates_of(inspection) if plates is None else plates
    pages.flow(flowed_lines(first_blocks(inspection, shown), BODY_WIDTH_PT))
    *ordered, last = plates
    waiting: Plate | None = last
    for number, plate in enumerate(ordered):
        if number and waiting and not pages.has_room(plate) and pages.has_room(waiting):
            # What would leave the rest of a page empty makes way for what can stand anywhere.
            waiting.draw(pages.sheet(pages.height_for(waiting)))
            waiting = None
        plate.draw(pages.sheet(pages.height_for(plate)))
    if waiting:
        waiting.draw(pages.sheet(pages.height_for(waiting)))
    blocks = [
        *figures_blocks(inspection, shown),
        *watts_blocks(inspection, shown),
        *views_blocks(inspection, shown),
        *remark_blocks(inspection, shown),
    ]
    pages.flow(flowed_lines(blocks, BODY_WIDTH_PT))
    # Before what only a checker reads, so that the report does not end with a page of two lines that matter.
    pages.cautions(shown)
    pages.small(provenance_blocks(inspection, shown))
    return pages.finish()


def _height_pt(lines: Sequence[Line]) -> float:
    return sum(line.height_pt for line in lines)


def _draw_header(sheet: Sheet, inspection: Inspection, shown: Shown) -> None:
    board = inspection.board
    name = " ".join(filter(None, [board.name, board.revision]))
    draw_header(sheet, name, head_facts(inspection, shown), OVERALL_MARKS[inspection.judgement.overall], shown)


def draw_header(sheet: Sheet, name: str, facts: Sequence[str], mark: Mark, shown: Shown) -> None:
    """A page's head: whose report it is, the overall verdict, and a line of facts."""
    word = shown.say(f"word.{mark.word}")
    word_pt = text_width_pt(word, 13.0, bold=True)
    room = sheet.width_pt - word_pt - 34.0
    sheet.text(0.0, 30.0, fitted_text(name, room, 12.0, bold=True), fontsize=12.0, weight="bold")
    sheet.mark(sheet.width_pt - word_pt - 12.0, 34.5, mark, size_pt=10.0)
    sheet.text(sheet.width_pt, 30.0, word, fontsize=13.0, weight="bold", ha="right")
    line = fitted_text("  ·  ".join(facts), sheet.width_pt, 8.0)
    sheet.text(0.0, 17.0, line, fontsize=8.0, color=FAINT_INK)
    sheet.rule(10.0, colour=INK, width_pt=0.8)
