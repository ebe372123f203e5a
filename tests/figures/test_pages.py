"""
The pages and pictures, looked at as data: what they say, and that nothing covers anything.

Pictures are not compared pixel by pixel: letters come out differently with each release of FreeType and
matplotlib, so that such a test would fail on other machines for no fault of ours, or be so tolerant as to
see none.
"""

from __future__ import annotations

from collections.abc import Iterator

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox, BboxBase

from tests.report.built_inspections import build_inspection, with_part_texts
from thermscan.inspection import Inspection
from thermscan.report.canvas import report_style
from thermscan.report.flowing import Block
from thermscan.report.gathering import flagged_verdicts
from thermscan.report.mark_shapes import marker_of
from thermscan.report.pages import Pages, report_pages
from thermscan.report.plates import plate_figure, plates_of
from thermscan.report.shown import Shown
from thermscan.report.verdicts import VERDICT_MARKS

# Letters may touch by this share of a pixel at 100 dots an inch: rounding of the renderer, not a covered label.
TOUCH_PX = 0.75


def shown_texts(figure: Figure) -> list[tuple[Text, Bbox]]:
    """All text that the figure shows, with its extent as drawn."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    unseen = unseen_tick_labels(figure)
    # The extent of the letters; a label's frame is drawn around them and may touch its neighbour's.
    return [
        (text, Text.get_window_extent(text, renderer))
        for text in figure.findobj(Text)
        if text.get_visible() and text.get_text().strip() and id(text) not in unseen
    ]


def unseen_tick_labels(figure: Figure) -> set[int]:
    """Tick labels that matplotlib keeps beyond the axes' limits, and does not draw."""
    unseen = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            drawn = axis._update_ticks()
            unseen |= {
                id(label)
                for tick in axis.get_major_ticks()
                if tick not in drawn
                for label in (tick.label1, tick.label2)
            }
    return unseen


def overlapping(texts: list[tuple[Text, Bbox]]) -> list[tuple[str, str]]:
    low = np.array([[box.x0, box.y0] for _, box in texts]).reshape(-1, 2)
    high = np.array([[box.x1, box.y1] for _, box in texts]).reshape(-1, 2)
    shared = np.minimum(high[:, None], high[None]) - np.maximum(low[:, None], low[None])
    pairs = np.argwhere(np.triu((shared > TOUCH_PX).all(axis=2), k=1))
    return [(texts[one][0].get_text(), texts[other][0].get_text()) for one, other in pairs]


def beyond_the_paper(texts: list[tuple[Text, Bbox]], page: BboxBase) -> list[str]:
    return [
        text.get_text()
        for text, extent in texts
        if extent.x0 < page.x0 or extent.x1 > page.x1 or extent.y0 < page.y0 or extent.y1 > page.y1
    ]


def pages_of(inspection: Inspection) -> Iterator[tuple[str, Figure]]:
    """The pages, with all pictures on them."""
    with report_style():
        for number, page in enumerate(report_pages(inspection), start=1):
            yield f"page {number}", page


def words_on(figures: list[Figure]) -> str:
    return "\n".join(text.get_text() for figure in figures for text in figure.findobj(Text))


@pytest.mark.parametrize(
    ("count", "flagged", "shape", "size_mm"),
    [
        (20, 3, (120, 160), (100.0, 80.0)),
        (60, 5, (240, 320), (180.0, 120.0)),
        (120, 30, (120, 160), (120.0, 190.0)),
        (40, 4, (640, 480), (300.0, 25.0)),
        (300, 12, (240, 320), (180.0, 120.0)),
    ],
)
def test_no_text_covers_another_or_leaves_the_paper(
    count: int, flagged: int, shape: tuple[int, int], size_mm: tuple[float, float]
) -> None:
    inspection = build_inspection(count, flagged=flagged, shape=shape, size_mm=size_mm)
    for name, figure in pages_of(inspection):
        texts = shown_texts(figure)
        assert overlapping(texts) == [], name
        assert beyond_the_paper(texts, figure.bbox) == [], name


def test_the_overlap_check_sees_a_covered_label() -> None:
    figure = Figure()
    mpl.backends.backend_agg.FigureCanvasAgg(figure)
    figure.text(0.5, 0.5, "U1 hot")
    figure.text(0.51, 0.5, "U2 hot")
    assert overlapping(shown_texts(figure)) == [("U1 hot", "U2 hot")]


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_every_flagged_part_is_named_in_the_frame_and_on_the_board_however_the_board_lies(turns: int) -> None:
    inspection = build_inspection(120, flagged=10, quarter_turns=turns)
    refs = [each.measurement.part.ref for each in flagged_verdicts(inspection)]
    assert len(refs) == 10
    with report_style():
        for plate in plates_of(inspection)[:3]:
            words = words_on([plate_figure(plate)]).split()
            assert all(ref in words for ref in refs), plate.name


def test_the_report_says_what_was_found_where_it_came_from_and_the_cautions() -> None:
    inspection = build_inspection(60)
    with report_style():
        words = words_on(report_pages(inspection))
    for part in ("Split-flap controller B", "serial 0042", "Overall: act", "taken 2026-05-02 14:30"):
        assert part in words
    assert all(finding.text in words for finding in inspection.judgement.findings)
    assert "k = 1" not in words_on(report_pages(inspection)[:1])
    assert "a" * 64 in words  # the frame's hash
    for danger in ("Mains", "picture tubes", "Hot parts burn", "sees only surfaces", "solvents"):
        assert danger in words
    assert " safe " not in words.lower()


def test_pages_are_numbered() -> None:
    with report_style():
        pages = report_pages(build_inspection(60))
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in words_on([page])


@pytest.mark.parametrize(("lines", "pages", "size_pt"), [(60, 1, 6.97), (63, 1, 6.5), (70, 2, 6.97)])
def test_smaller_letters_save_a_page_of_a_few_lines_and_are_taken_for_nothing_else(
    lines: int, pages: int, size_pt: float
) -> None:
    # A body is 690 points high; a line takes 1.35 of its letters and a gap of 2: 11.4 points, or 10.8 in smaller ones.
    made = Pages(lambda _: None, Shown())
    made.small([Block(f"line {number}") for number in range(lines)])
    assert len(made.figures) == pages
    texts = [text for figure in made.figures for text in figure.findobj(Text) if text.get_text().startswith("line ")]
    assert len(texts) == lines
    assert {round(text.get_fontsize(), 2) for text in texts} == {size_pt}


def test_without_a_baseline_there_is_no_difference_picture() -> None:
    names = [plate.name for plate in plates_of(build_inspection(20, baseline=False))]
    assert "difference-from-baseline" not in names
    assert "difference-from-baseline" in [plate.name for plate in plates_of(build_inspection(20))]


def test_a_verdict_is_told_by_word_and_shape_not_by_colour_alone() -> None:
    inspection = build_inspection(60)
    with report_style():
        ranked = next(plate for plate in plates_of(inspection) if plate.name == "ranked-parts-1")
        figure = plate_figure(ranked)
    drawn = [line.get_marker() for axes in figure.axes for line in axes.lines]
    for verdict in ("hot", "cold", "watch", "normal"):
        assert any(marker is marker_of(VERDICT_MARKS[verdict]) for marker in drawn)
    assert "s" in drawn  # what the known-good runs showed
    shapes = {len(marker_of(mark).vertices) for mark in VERDICT_MARKS.values()}
    assert len(shapes) == len(VERDICT_MARKS)
    words = words_on([figure])
    assert all(word in words for word in ("hot", "cold", "watch"))


ODD_TEXTS = (
    "\U0001f525 hot",
    "\u05d0\u05d1\u05d2 \u0627\u0644\u0639 \u202e",
    "x" * 10_000,
    "a very long name " * 600,
    "$\\frac{1}{2$ and $",
    "line\none\r\n\ttab",
    "\x00\x1b[31m\x7f",
    "\ud800 half",
    "Z" + "\u0300\u0316" * 40,
    "\\textbf{x} _^{}% & #",
    "",
)


@pytest.mark.parametrize("first", [0, 3])
def test_no_text_breaks_the_report(first: int) -> None:
    texts = ODD_TEXTS[first:] + ODD_TEXTS[:first]
    inspection = with_part_texts(build_inspection(24, flagged=6, shape=(48, 64)), *texts)
    for name, figure in pages_of(inspection):
        assert overlapping(shown_texts(figure)) == [], name
        figure.canvas.draw()


def test_the_readers_own_settings_change_nothing_and_stay_as_they_were() -> None:
    with mpl.rc_context({"axes.grid": True, "font.size": 30.0, "text.color": "red"}):
        mine = dict(mpl.rcParams)
        with report_style():
            figure = report_pages(build_inspection(4, flagged=1, shape=(48, 64)))[0]
        assert dict(mpl.rcParams) == mine
    assert {text.get_color() for text in figure.texts}.isdisjoint({"red"})
