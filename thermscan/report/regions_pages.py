"""Regions found without a layout, as A4 pages."""

from __future__ import annotations

from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from thermscan.judge.finding import PartVerdict
from thermscan.no_layout import RegionsFound
from thermscan.regions.found_layout import REGION, FoundRegion
from thermscan.report.canvas import TITLE_PT, Sheet, titled
from thermscan.report.flowing import Block, flowed_lines, heading
from thermscan.report.pages import Pages, draw_header
from thermscan.report.pictures import (
    NO_READING_COLOUR,
    colour_range,
    draw_bar,
    picture_axes,
    picture_height_pt,
    thermal_map,
)
from thermscan.report.plates import BODY_HEIGHT_PT, BODY_WIDTH_PT
from thermscan.report.sentences import in_words_of
from thermscan.report.shown import Shown, visible
from thermscan.report.verdicts import OVERALL_MARKS, VERDICT_MARKS, told_as

_ROW_PT = 7.5


def regions_pages(found: RegionsFound, shown: Shown) -> list[Figure]:
    """
    What was found in words, the numbered frame, and every region in figures.

    Parameters
    ----------
    found : RegionsFound
    shown : Shown
    """
    mark = OVERALL_MARKS[found.judgement.overall]
    facts = [shown.say("head.room", value=shown.temp(found.run.ambient_c))]
    name = visible(found.frames[0].source.path.name)
    pages = Pages(partial(draw_header, name=name, facts=facts, mark=mark, shown=shown), shown)
    pages.flow(flowed_lines(_first_blocks(found, shown), BODY_WIDTH_PT))
    draw_numbered_frame(pages.sheet(numbered_frame_height_pt(found)), found, shown)
    pages.flow(flowed_lines(_table_blocks(found, shown), BODY_WIDTH_PT))
    pages.cautions(shown)
    return pages.finish()


def numbered_frame_height_pt(found: RegionsFound) -> float:
    """Height of a sheet whose width the frame fills, as far as a page allows."""
    rows, cols = found.image.apparent_c.shape
    return min(picture_height_pt(BODY_WIDTH_PT, cols, rows) + TITLE_PT, BODY_HEIGHT_PT)


def draw_numbered_frame(sheet: Sheet, found: RegionsFound, shown: Shown) -> None:
    """The frame in grey-proof colours, with each region's rectangle and number, coloured by its verdict."""
    apparent = found.image.apparent_c
    rows, cols = apparent.shape
    low, high = colour_range(apparent)
    room = titled(sheet, shown.say("regions.picture"), shown.say("view.camera_caption"))
    axes, beside = picture_axes(room, cols, rows)
    axes.set_facecolor(NO_READING_COLOUR)
    picture = axes.imshow(apparent, cmap=thermal_map(), vmin=low, vmax=high, aspect="auto", interpolation="nearest")
    axes.set(xlabel="x, px", ylabel="y, px", xlim=(-0.5, cols - 0.5), ylim=(rows - 0.5, -0.5))
    draw_bar(beside, picture, apparent, shown)
    if found.registration is not None:
        _draw_outline(axes, found.registration.corners_px, "white", 1.0)
    for region, verdict in zip(found.regions, found.judgement.parts, strict=True):
        corners = region.part_px.corners_mm()
        _draw_outline(axes, corners, "black", 1.8)
        _draw_outline(axes, corners, VERDICT_MARKS[verdict.verdict].colour, 0.9)
        x, y = corners.mean(axis=0)
        label = axes.text(x, y, region.ref.removeprefix(REGION), ha="center", va="center", fontsize=5, color="white")
        label.set_bbox({"facecolor": "black", "edgecolor": "none", "pad": 0.6, "alpha": 0.6})


def _first_blocks(found: RegionsFound, shown: Shown) -> list[Block]:
    judgement = found.judgement
    said = shown.say(f"overall.{judgement.overall}")
    word = shown.say("head.result", word=shown.say(f"word.{judgement.overall}"))
    measured = sum(each.measurement.measurable for each in judgement.parts)
    findings = [
        Block(visible(each.text), indent_pt=14.0, gap_pt=4.0, mark=VERDICT_MARKS[each.level if each.level == "watch"
              else each.direction])
        for each in judgement.findings
    ]  # fmt: skip
    undecided = shown.say("regions.nothing_compared") if judgement.overall == "undecided" else said
    return [
        Block(word, size_pt=13.0, bold=True, indent_pt=19.0, gap_pt=0.0, mark=OVERALL_MARKS[judgement.overall]),
        Block(undecided),
        heading(shown.say("first.looked")),
        Block(shown.say("regions.looked", n=len(found.regions), measured=measured)),
        heading(shown.say("first.found")),
        *(findings or [Block(shown.say("first.nothing"))]),
        heading(shown.say("first.cannot")),
        Block(shown.say("regions.cannot")),
        Block(shown.say("first.cannot_surface")),
        *(Block(in_words_of(remark, shown)[0], faint=True) for remark in found.remarks),
        Block(shown.say("first.caution"), bold=True),
    ]


def _table_blocks(found: RegionsFound, shown: Shown) -> list[Block]:
    lines = [_line(*pair, shown) for pair in zip(found.regions, found.judgement.parts, strict=True)]
    return [heading(shown.say("regions.table")), *(Block(line, size_pt=_ROW_PT, gap_pt=1.0) for line in lines)]


def _line(region: FoundRegion, verdict: PartVerdict, shown: Shown) -> str:
    measured = verdict.measurement
    told = [f"{region.ref}: {shown.say(f'word.{told_as(verdict)}')}"]
    if measured.mean_c is not None:
        told += [
            f"{shown.temp(measured.mean_c)} {shown.spread(measured.u_c)}",
            f"{shown.say('part.max')} {shown.temp(measured.max_c)}",
            f"{shown.say('part.rise')} {shown.diff(measured.rise_k, signed=True)}",
        ]
    elif measured.reason is not None and shown.has(f"reason.{measured.reason.code}"):
        told.append(shown.say(f"reason.{measured.reason.code}"))
    return "; ".join(told)


def _draw_outline(axes: Axes, corners: np.ndarray, colour: str, width: float) -> None:
    closed = np.vstack([corners, corners[:1]])
    axes.plot(closed[:, 0], closed[:, 1], color=colour, linewidth=width, scalex=False, scaley=False)
