"""Text that flows: nothing is lost between pages, and no heading is left behind."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.report.canvas import blank_sheet
from thermscan.report.flowing import Block, draw_lines, flowed_lines, heading

WIDTH_PT = 200.0


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 60)), min_size=1, max_size=12), st.floats(60.0, 300.0))
@settings(max_examples=30, deadline=None)
def test_every_line_is_drawn_once_and_no_heading_ends_a_page(blocks: list[tuple[bool, int]], height_pt: float) -> None:
    told = [heading("Heading") if head else Block("words " * count) for head, count in blocks]
    wanted = flowed_lines(told, WIDTH_PT)
    left, drawn = wanted, []
    while left:
        sheet = blank_sheet(WIDTH_PT, height_pt)
        after = draw_lines(sheet, left)
        page = left[: len(left) - len(after)]
        assert page, "a page takes at least one line"
        assert [text.get_text() for text in sheet.figure.texts] == [line.text for line in page]
        only_headings = all(line.block.keep for line in page)
        assert only_headings or not after or not page[-1].block.keep
        drawn += page
        left = after
    assert drawn == wanted


def test_lines_stay_within_their_sheet() -> None:
    sheet = blank_sheet(WIDTH_PT, 100.0)
    left = draw_lines(sheet, flowed_lines([Block("words " * 200)], WIDTH_PT))
    assert left
    sheet.figure.draw_without_rendering()
    extents = [text.get_window_extent() for text in sheet.figure.texts]
    assert all(sheet.figure.bbox.y0 <= box.y0 and box.y1 <= sheet.figure.bbox.y1 for box in extents)
