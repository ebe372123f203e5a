"""The views that a run's answer rests on, side by side: which part was seen from where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.report.canvas import FAINT_INK, TITLE_PT, Sheet, titled
from thermscan.report.lettering import fitted_text
from thermscan.report.marking import draw_bodies, draw_unmapped
from thermscan.report.pictures import colour_range, thermal_map
from thermscan.report.plate_frame import draw_frame, frame_bodies
from thermscan.report.shown import Shown, visible
from thermscan.views.seen import SeenView

# Smaller than this a frame of 320 columns shows no part.
_ABREAST, _BETWEEN_PT, _HEADING_PT = 2, 12.0, 12.0


@dataclass(frozen=True, slots=True, eq=False)
class SeenFrom:
    """
    One view of the board.

    Attributes
    ----------
    number : int
        From 1, as the remarks and the parts' details count.
    inspection : Inspection
        The same inspection, with this view's frame and place.
    files : tuple of str
    apart : frozenset of str
        Parts that are in this frame, but whose temperature rests on other views.
    """

    number: int
    inspection: Inspection
    files: tuple[str, ...]
    measured: int
    apart: frozenset[str]

    @property
    def bodies(self) -> dict[str, NDArray[np.float64]]:
        """The parts in this frame, in its pixels."""
        return {body.ref: body.corners for body in frame_bodies(self.inspection)}

    def heading(self, shown: Shown) -> str:
        """Number, file, angle, and how many parts it told of."""
        return shown.say(
            "view.one_of_several",
            n=self.number,
            file=visible(self.files[0]) + (f" (+ {len(self.files) - 1})" if len(self.files) > 1 else ""),
            angle=shown.number(self.inspection.registration.view_angle_deg, 0),
            parts=self.measured,
        )


def seen_from(inspection: Inspection) -> tuple[SeenFrom, ...]:
    """All views in which the board was found, numbered as the measurements name them."""
    seen = [(number, view) for number, view in enumerate(inspection.views) if isinstance(view, SeenView)]
    return tuple(
        SeenFrom(
            number + 1,
            replace(inspection, image=view.image, registration=view.registration),
            tuple(dict.fromkeys(Path(inspection.frames[k].source.path).name for k in view.numbers)),
            sum(number in each.seen_in for each in inspection.measurements),
            frozenset(each.part.ref for each in inspection.measurements if number not in each.seen_in),
        )
        for number, view in seen
    )


def views_height_pt(seen: Sequence[SeenFrom], width_pt: float) -> float:
    """Height of a sheet with all views, two beside each other."""
    rows = -(-len(seen) // _ABREAST)
    return TITLE_PT + rows * (_row_height_pt(seen, width_pt) + _BETWEEN_PT)


def draw_views(sheet: Sheet, seen: Sequence[SeenFrom]) -> None:
    """Every view in small, on one scale; parts that it did not tell of are dashed."""
    shown = sheet.shown
    room = titled(sheet, shown.say("view.views"), shown.say("view.views_caption"))
    limits = colour_range(np.concatenate([each.inspection.image.apparent_c.ravel() for each in seen]))
    rows = -(-len(seen) // _ABREAST)
    width = (room.width_pt - _BETWEEN_PT) / _ABREAST
    height = min(_row_height_pt(seen, room.width_pt), room.height_pt / rows - _BETWEEN_PT)
    for number, each in enumerate(seen):
        row, col = divmod(number, _ABREAST)
        bottom = room.height_pt - (row + 1) * (height + _BETWEEN_PT) + _BETWEEN_PT
        place = room.part(col * (width + _BETWEEN_PT), bottom, width, height)
        heading = fitted_text(each.heading(shown), width, 7.5)
        place.text(0.0, height - 8.0, heading, fontsize=7.5, color=FAINT_INK)
        _draw_view(place.part(0.0, 0.0, width, height - _HEADING_PT), each, limits)


def _draw_view(sheet: Sheet, each: SeenFrom, limits: tuple[float, float]) -> None:
    rows, cols = each.inspection.image.shape
    scale = min(sheet.width_pt / cols, sheet.height_pt / rows)
    axes = sheet.axes(0.0, sheet.height_pt - rows * scale, cols * scale, rows * scale)
    draw_frame(axes, each.inspection, limits, thermal_map())
    axes.set(xticks=[], yticks=[])
    bodies = [
        replace(body, verdict=replace(body.verdict, verdict="not-measurable")) if body.ref in each.apart else body
        for body in frame_bodies(each.inspection)
    ]
    draw_bodies(axes, bodies)
    draw_unmapped(axes, each.inspection, each.inspection.registration.px)


def _row_height_pt(seen: Sequence[SeenFrom], width_pt: float) -> float:
    width = (width_pt - _BETWEEN_PT) / _ABREAST
    tallest = max(each.inspection.image.shape[0] / each.inspection.image.shape[1] for each in seen)
    return width * tallest + _HEADING_PT
