"""The report's A4 pages: header, body, footer."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from thermscan.inspection import Inspection
from thermscan.report.canvas import FAINT_INK, INK, Sheet, blank_sheet
from thermscan.report.flowing import ROUNDING_PT, Line, draw_lines, flowed_lines
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
from thermscan.report.told import (
    caution_blocks,
    findings_blocks,
    not_measured_blocks,
    provenance_blocks,
    remark_blocks,
    watts_blocks,
)
from thermscan.report.verdicts import OVERALL_MARKS

# The findings open the first page and get what they need of it, as long as this much is left for the frame.
_LEAST_FRAME_PT = 300.0


class Pages:
    """A report under way: bodies are handed out one below the other, page by page."""

    def __init__(self, inspection: Inspection) -> None:
        self._inspection = inspection
        self.figures: list[Figure] = []
        self._free_pt = 0.0

    def sheet(self, height_pt: float) -> Sheet:
        """The next free rectangle of that height, on this page or on a new one."""
        if height_pt > self._free_pt + ROUNDING_PT or not self.figures:
            self._open()
        whole = Sheet(self.figures[-1], MARGIN_PT, MARGIN_PT + FOOTER_PT, BODY_WIDTH_PT, BODY_HEIGHT_PT)
        self._free_pt -= height_pt
        given = whole.part(0.0, self._free_pt, BODY_WIDTH_PT, height_pt)
        self._free_pt -= BETWEEN_PLATES_PT
        return given

    def flow(self, lines: Sequence[Line]) -> None:
        """Text from here on, over as many pages as it takes."""
        left = list(lines)
        while left:
            # A few lines at the foot of a page are not worth beginning.
            height = self._free_pt if self.figures and self._free_pt > 80.0 else BODY_HEIGHT_PT
            needed = sum(line.height_pt for line in left)
            left = draw_lines(self.sheet(min(height, needed)), left)

    def finish(self) -> list[Figure]:
        """Number the pages."""
        count = len(self.figures)
        version = software_versions()["thermscan"]
        for number, figure in enumerate(self.figures, start=1):
            foot = Sheet(figure, MARGIN_PT, MARGIN_PT, BODY_WIDTH_PT, FOOTER_PT)
            told = f"thermscan {version}. A thermal image sees only surfaces; read the cautions on page {count}."
            foot.text(0.0, 2.0, told, fontsize=7.0, color=FAINT_INK)
            foot.text(BODY_WIDTH_PT, 2.0, f"page {number} of {count}", fontsize=7.0, color=FAINT_INK, ha="right")
        return self.figures

    def _open(self) -> None:
        sheet = blank_sheet(PAGE_WIDTH_PT, PAGE_HEIGHT_PT)
        head = sheet.part(MARGIN_PT, PAGE_HEIGHT_PT - MARGIN_PT - HEADER_PT, BODY_WIDTH_PT, HEADER_PT)
        _draw_header(head, self._inspection)
        self.figures.append(sheet.figure)
        self._free_pt = BODY_HEIGHT_PT


def report_pages(inspection: Inspection, plates: Sequence[Plate] | None = None) -> list[Figure]:
    """
    All pages of the report, as figures of A4 size.

    Parameters
    ----------
    inspection : Inspection
    plates : sequence of Plate, optional
        As :func:`thermscan.report.plates.plates_of` gives them, where the caller has them already.
    """
    pages = Pages(inspection)
    first, *others = plates_of(inspection) if plates is None else plates
    findings = flowed_lines(findings_blocks(inspection), BODY_WIDTH_PT)
    needed = sum(line.height_pt for line in findings)
    both = BODY_HEIGHT_PT - BETWEEN_PLATES_PT
    frame_height = min(first.height_pt, max(both - needed, _LEAST_FRAME_PT))
    room = both - frame_height
    left = draw_lines(pages.sheet(min(needed, room)), findings)
    first.draw(pages.sheet(frame_height))
    pages.flow(left)
    for plate in others:
        plate.draw(pages.sheet(plate.height_pt))
    told = [
        *watts_blocks(inspection),
        *not_measured_blocks(inspection),
        *remark_blocks(inspection),
        *provenance_blocks(inspection),
    ]
    pages.flow(flowed_lines(told, BODY_WIDTH_PT))
    cautions = flowed_lines(caution_blocks(), BODY_WIDTH_PT)
    draw_lines(pages.sheet(sum(line.height_pt for line in cautions)), cautions)
    return pages.finish()


def _draw_header(sheet: Sheet, inspection: Inspection) -> None:
    mark = OVERALL_MARKS[inspection.judgement.overall]
    word_pt = text_width_pt(mark.word, 13.0, bold=True)
    room = sheet.width_pt - word_pt - 34.0
    board, run = inspection.board, inspection.run
    name = " ".join(filter(None, [board.name, board.revision]))
    sheet.text(0.0, 30.0, fitted_text(name, room, 12.0, bold=True), fontsize=12.0, weight="bold")
    sheet.mark(sheet.width_pt - word_pt - 12.0, 34.5, mark, size_pt=9.0)
    sheet.text(sheet.width_pt, 30.0, mark.word, fontsize=13.0, weight="bold", ha="right")
    told = [
        f"serial {run.board_serial}" if run.board_serial else "",
        run.stage or "",
        f"taken {run.taken:%Y-%m-%d %H:%M}" if run.taken else "",
        f"ambient {run.ambient_c:.1f} °C",
    ]
    line = fitted_text("  ·  ".join(filter(None, told)), sheet.width_pt, 8.0)
    sheet.text(0.0, 17.0, line, fontsize=8.0, color=FAINT_INK)
    sheet.rule(10.0, colour=INK, width_pt=0.8)
