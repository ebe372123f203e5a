"""A board before and after its repair: both looks on one scale, and what is left between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.judge.before_after import Outcome
from thermscan.report.canvas import FAINT_INK, TITLE_PT, Sheet, titled
from thermscan.report.lettering import fitted_text
from thermscan.report.marking import draw_bodies, draw_unmapped, label_picture, note_left_out
from thermscan.report.pictures import KEY_PT, colour_range, draw_bar, draw_map_key, picture_height_pt, thermal_map
from thermscan.report.plate_board import board_axes, board_bodies, draw_raster, in_place
from thermscan.report.plate_difference import apparent_rise_k, difference_range_k, draw_difference_map, on_raster_of
from thermscan.report.shown import Shown, visible

# A board wider than this, in its own heights, is shown above its other look, else beside it.
_WIDE = 1.1
# The line that says which look it is.
_WHICH_PT = 13.0
_BETWEEN_PT = 10.0


def looks_of(inspection: Inspection) -> tuple[Inspection, Inspection] | None:
    """The looks before and after, or None where there was no look before."""
    return None if inspection.before_look is None else (inspection.before_look, inspection)


def both_range_k(looks: tuple[Inspection, Inspection]) -> tuple[float, float]:
    """Ends of the one scale on which both looks are shown, in kelvin above each look's own ambient."""
    return colour_range(np.concatenate([apparent_rise_k(look).ravel() for look in looks]))


def which_look(look: Inspection, *, before: bool, shown: Shown) -> str:
    """Before or after, when, at which stage, and what came of it."""
    run = look.run
    told = [
        shown.say("before.look_before" if before else "before.look_after"),
        shown.say("number.date", value=run.taken) if run.taken else "",
        visible(run.stage) if run.stage else "",
        shown.say(f"word.{look.judgement.overall}"),
    ]
    return ", ".join(filter(None, told))


def change_k(looks: tuple[Inspection, Inspection]) -> NDArray[np.float64]:
    """
    What is left between the looks on the later one's raster, once the earlier one is brought to its level.

    The level is the one that the comparison of the parts found; without it the rises are compared as they are.
    """
    before, after = looks
    told = after.before
    scale = told.scale if told and told.scale is not None else 1.0
    shift_k = told.shift_k if told and told.shift_k is not None else 0.0
    then = on_raster_of(after, apparent_rise_k(before), before.rectified.mm_per_px)
    left: NDArray[np.float64] = apparent_rise_k(after) - (shift_k + scale * then)
    return left


def before_after_height_pt(inspection: Inspection, width_pt: float) -> float:
    """Height of a sheet on which both looks fill the width, one above the other or side by side."""
    board = inspection.board
    wide = _one_above_the_other(inspection)
    width = width_pt if wide else (width_pt - _BETWEEN_PT) / 2
    margin = 0.1 * max(board.width_mm, board.height_mm)
    one = picture_height_pt(width, board.width_mm + margin, board.height_mm + margin) + _WHICH_PT
    return (2 * one + _BETWEEN_PT if wide else one) + TITLE_PT + KEY_PT


def draw_before_after(sheet: Sheet, looks: tuple[Inspection, Inspection]) -> None:
    """Both looks on one scale, each with its own verdicts."""
    shown = sheet.shown
    _, after = looks
    room = titled(sheet, shown.say("before.pictures"), shown.say("before.pictures_caption"))
    room = draw_map_key(room, *looks)
    if _one_above_the_other(after):
        height = (room.height_pt - _BETWEEN_PT) / 2
        rooms = (
            room.part(0.0, height + _BETWEEN_PT, room.width_pt, height),
            room.part(0.0, 0.0, room.width_pt, height),
        )
    else:
        width = (room.width_pt - _BETWEEN_PT) / 2
        rooms = (room.part(0.0, 0.0, width, room.height_pt), room.part(width + _BETWEEN_PT, 0.0, width, room.height_pt))
    limits = both_range_k(looks)
    for look, place in zip(looks, rooms, strict=True):
        said = which_look(look, before=look is looks[0], shown=shown)
        place.text(0.0, place.height_pt - 9.0, fitted_text(said, place.width_pt, 8.0), fontsize=8.0, color=FAINT_INK)
        _draw_look(place.part(0.0, 0.0, place.width_pt, place.height_pt - _WHICH_PT), look, limits)


def draw_change(sheet: Sheet, looks: tuple[Inspection, Inspection]) -> None:
    """What is left between the looks, as a map with its sign in contours."""
    shown, (_, after) = sheet.shown, looks
    left = change_k(looks)
    caption = shown.say("before.change_caption", step=shown.diff(difference_range_k(left)[1]))
    room = titled(sheet, shown.say("before.change"), caption)
    scale = shown.say("before.change_scale", unit=shown.diff_unit)
    changes = after.before.changes if after.before else ()
    changed = {each.ref for each in changes if each.outcome in (Outcome.BETTER, Outcome.WORSE, Outcome.CHANGED)}
    draw_difference_map(draw_map_key(room, after), after, left, scale, named=changed)


def _draw_look(sheet: Sheet, look: Inspection, limits: tuple[float, float]) -> None:
    shown = sheet.shown
    axes, beside = board_axes(sheet, look)
    rise = apparent_rise_k(look)
    picture = draw_raster(
        axes, look, raster=rise, mm_per_px=look.rectified.mm_per_px, colours=thermal_map(), limits=limits
    )
    label = shown.say("before.rise_scale", unit=shown.diff_unit)
    draw_bar(beside, picture, rise, shown, difference=True, label=label)
    bodies = board_bodies(look)
    draw_bodies(axes, bodies)
    draw_unmapped(axes, look, in_place)
    note_left_out(axes, label_picture(axes, bodies, look, in_place, others=False, shown=shown), shown)


def _one_above_the_other(inspection: Inspection) -> bool:
    return inspection.board.width_mm > _WIDE * inspection.board.height_mm
