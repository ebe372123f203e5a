"""Regions found without a layout, as one web page."""

from __future__ import annotations

from functools import partial

import numpy as np

from thermscan.no_layout import RegionsFound
from thermscan.report.first_page import FirstPage, placed_text, told
from thermscan.report.gathering import findings_by_weight
from thermscan.report.pictures import THERMAL_MAP, colour_range
from thermscan.report.results import software_versions
from thermscan.report.shown import Shown, visible
from thermscan.report.verdicts import told_as
from thermscan.report.web_page import Facts, filled_page
from thermscan.report.web_panes import frame_scene, palette_png, pane_of, picture_at
from thermscan.report.web_views import View, colour_stops


def regions_page(found: RegionsFound, shown: Shown) -> str:
    """
    What was found as HTML: the numbered frame to point at, a table to sort, and what this cannot tell.

    Parameters
    ----------
    found : RegionsFound
    shown : Shown
    """
    name = visible(found.frames[0].source.path.name)
    files = dict.fromkeys((str(frame.source.path), frame.source.sha256) for frame in found.frames)
    return filled_page(
        shown,
        found,
        title=shown.say("head.title", board=name),
        board=name,
        facts=[shown.say("head.room", value=shown.temp(found.run.ambient_c))],
        first=regions_first(found, shown),
        views=[_frame_view(found, shown)],
        in_key={told_as(each) for each in found.judgement.parts},
        table_caption=shown.say("regions.caption"),
        registration=placed_text(found.registration, shown) if found.registration else "",
        remarks=found.remarks,
        provenance=[
            *(f"Frames: {path}; SHA-256: {sha256}" for path, sha256 in files),
            ", ".join(f"{name} {number or 'unknown'}" for name, number in software_versions().items()),
        ],
        more_facts=partial(_place, found, shown),
    )


def regions_first(found: RegionsFound, shown: Shown) -> FirstPage:
    """The first page of a look without a layout, in plain words."""
    judgement = found.judgement
    measured = sum(each.measurement.measurable for each in judgement.parts)
    compared = any(each.compared_by for each in judgement.parts)
    return FirstPage(
        looked=(shown.say("regions.looked", n=len(found.regions), measured=measured),),
        found=tuple(told(each, shown) for each in findings_by_weight(judgement.findings)),
        more=None,
        changed=(),
        do=(shown.say("regions.do"),),
        cannot=(shown.say("regions.cannot"), shown.say("first.cannot_surface")),
        not_compared=shown.say("regions.compared" if compared else "regions.nothing_compared"),
    )


def _frame_view(found: RegionsFound, shown: Shown) -> View:
    apparent = found.image.apparent_c
    rows, cols = apparent.shape
    limits = colour_range(apparent)
    scene = frame_scene(rows, cols)
    place = scene.place(np.array([[-0.5, -0.5], [cols - 0.5, rows - 0.5]]))
    pane = pane_of(
        found,
        shown,
        scene,
        name=shown.say("view.camera"),
        bodies={region.ref: scene.place(region.part_px.corners_mm()) for region in found.regions},
        from_mm=scene.place,
        picture=picture_at(palette_png(apparent, limits, THERMAL_MAP), place),
        outline=None if found.registration is None else found.registration.corners_px,
        others=True,
    )
    scale = (shown.temp(limits[0]), shown.temp(limits[1]))
    return View("camera", shown.say("view.camera_caption"), (pane,), scale, colour_stops(THERMAL_MAP))


def _place(found: RegionsFound, shown: Shown, ref: str) -> Facts:
    """Where a region lies and how large it is: in millimetres where the board's size is known, else in pixels."""
    region = next(each for each in found.regions if each.ref == ref)
    part, unit = (region.part_px, "px") if region.part_mm is None else (region.part_mm, "mm")
    x, y, length, width = (shown.number(value) for value in (part.x_mm, part.y_mm, part.length_mm, part.width_mm))
    return [
        ("place", f"x {x}, y {y} {unit}"),
        ("size", f"{length} x {width} {unit}"),
        ("size_group", region.size_group),
    ]
