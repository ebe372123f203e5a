"""Which pictures of the board the web page can switch between."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.report.gathering import verdicts_in_layout_order
from thermscan.report.pictures import THERMAL_MAP, colour_range
from thermscan.report.plate_before import both_range_k, change_k, looks_of, which_look
from thermscan.report.plate_difference import (
    DIFFERENCE_MAP,
    apparent_rise_k,
    contours_mm,
    difference_range_k,
    picture_difference_k,
)
from thermscan.report.plate_frame import frame_bodies, outline_px
from thermscan.report.plate_photo import photo_of
from thermscan.report.plate_views import SeenFrom, seen_from
from thermscan.report.shown import Shown
from thermscan.report.web_panes import (
    Pane,
    Points,
    Scene,
    frame_scene,
    palette_png,
    pane_of,
    photo_jpeg,
    picture_at,
    scene_of,
)

# Ground around the board, as a share of its longer side.
_MARGIN = 0.05
_STOPS = 9
Raster = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class View:
    """What the page shows at a time: one picture or several side by side, on one colour scale."""

    key: str
    caption: str
    panes: tuple[Pane, ...]
    scale: tuple[str, str] | None = None
    stops: tuple[str, ...] = ()

    @property
    def of_difference(self) -> bool:
        """Whether its colours are those of a difference."""
        return self.key in ("difference", "change")


def views_of(inspection: Inspection, shown: Shown) -> tuple[View, ...]:
    """From above, the camera's view and, where there are, several views, the look before, known-good and the photo."""
    views = [_board_view(inspection, shown), _camera_view(inspection, shown)]
    seen = seen_from(inspection)
    if len(seen) > 1:
        views.append(_all_views(seen, shown))
    looks = looks_of(inspection)
    if looks is not None:
        views.append(_before_view(looks, shown))
        views.append(_difference_view(inspection, shown, "change", change_k(looks)))
    if inspection.baseline is not None:
        difference, _ = picture_difference_k(inspection, inspection.baseline)
        views.append(_difference_view(inspection, shown, "difference", difference))
    photo = photo_of(inspection)
    if photo is not None:
        rows, cols = photo.pixels.shape[:2]
        place = np.array([[0.0, 0.0], [cols * photo.mm_per_px, rows * photo.mm_per_px]])
        pane = _on_board(inspection, shown, "photo", photo_jpeg(photo.pixels), place, others=False)
        views.append(View("photo", shown.say("view.photo_caption"), (pane,)))
    return tuple(views)


def _board_view(inspection: Inspection, shown: Shown) -> View:
    rectified = inspection.picture or inspection.rectified
    apparent = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    limits = colour_range(apparent)
    uri = palette_png(apparent, limits, THERMAL_MAP)
    pane = _on_board(inspection, shown, "board", uri, _extent(apparent, rectified.mm_per_px), others=True)
    return _thermal("board", shown, (pane,), limits)


def _camera_view(inspection: Inspection, shown: Shown) -> View:
    apparent = inspection.image.apparent_c
    limits = colour_range(apparent)
    bodies = {body.ref: body.corners for body in frame_bodies(inspection)}
    pane = _in_frame(inspection, shown, limits, bodies=bodies, name=shown.say("view.camera"))
    return _thermal("camera", shown, (pane,), limits)


def _all_views(seen: Sequence[SeenFrom], shown: Shown) -> View:
    """Every view of the board beside the others; parts whose temperature does not rest on it are dotted."""
    limits = colour_range(np.concatenate([each.inspection.image.apparent_c.ravel() for each in seen]))
    panes = tuple(
        _in_frame(
            each.inspection, shown, limits, bodies=each.bodies, name=each.heading(shown), heading=each.heading(shown),
            apart=each.apart,
        )
        for each in seen
    )  # fmt: skip
    return _thermal("views", shown, panes, limits)


def _before_view(looks: tuple[Inspection, Inspection], shown: Shown) -> View:
    limits = both_range_k(looks)
    panes = []
    for look in looks:
        rise = apparent_rise_k(look)
        uri = palette_png(rise, limits, THERMAL_MAP)
        heading = which_look(look, before=look is looks[0], shown=shown)
        place = _extent(rise, look.rectified.mm_per_px)
        panes.append(_on_board(look, shown, "before", uri, place, others=False, heading=heading))
    scale = (shown.diff(limits[0], signed=True), shown.diff(limits[1], signed=True))
    return View("before", shown.say("before.pictures_caption"), tuple(panes), scale, colour_stops(THERMAL_MAP))


def _difference_view(inspection: Inspection, shown: Shown, key: str, difference: Raster) -> View:
    end, step = difference_range_k(difference)
    mm_per_px = inspection.rectified.mm_per_px
    scene = _board_scene(inspection)
    hotter, colder = (
        [scene.place(line) for line in contours_mm(difference, mm_per_px, level)] for level in (step, -step)
    )
    uri = palette_png(difference, (-end, end), DIFFERENCE_MAP)
    place = _extent(difference, mm_per_px)
    pane = _on_board(inspection, shown, key, uri, place, others=False, contours=(hotter, colder))
    caption = "view.difference_caption" if key == "difference" else "before.change_caption"
    scale = (shown.diff(-end, signed=True), shown.diff(end, signed=True))
    return View(key, shown.say(caption, step=shown.diff(step)), (pane,), scale, colour_stops(DIFFERENCE_MAP))


def _thermal(key: str, shown: Shown, panes: tuple[Pane, ...], limits: tuple[float, float]) -> View:
    scale = (shown.temp(limits[0]), shown.temp(limits[1]))
    return View(key, shown.say(f"view.{key}_caption"), panes, scale, colour_stops(THERMAL_MAP))


def _board_scene(inspection: Inspection) -> Scene:
    board = inspection.board
    return scene_of(board.width_mm, board.height_mm, margin=_MARGIN * max(board.width_mm, board.height_mm))


def _extent(raster: Raster, mm_per_px: float) -> Points:
    rows, cols = raster.shape
    return np.array([[0.0, 0.0], [cols, rows]]) * mm_per_px


def _on_board(
    inspection: Inspection,
    shown: Shown,
    key: str,
    uri: str,
    place_mm: Points,
    *,
    others: bool,
    heading: str = "",
    contours: tuple[Sequence[Points], Sequence[Points]] = ((), ()),
) -> Pane:
    scene = _board_scene(inspection)
    verdicts = verdicts_in_layout_order(inspection)
    return pane_of(
        inspection,
        shown,
        scene,
        name=heading or shown.say(f"view.{key}"),
        heading=heading,
        bodies={each.measurement.part.ref: scene.place(each.measurement.part.corners_mm()) for each in verdicts},
        from_mm=scene.place,
        picture=picture_at(uri, scene.place(place_mm)),
        outline=inspection.board.outline_mm,
        others=others,
        contours=contours,
    )


def _in_frame(
    inspection: Inspection,
    shown: Shown,
    limits: tuple[float, float],
    *,
    bodies: dict[str, Points],
    name: str,
    heading: str = "",
    apart: frozenset[str] = frozenset(),
) -> Pane:
    apparent = inspection.image.apparent_c
    rows, cols = apparent.shape
    scene = frame_scene(rows, cols)
    place = scene.place(np.array([[-0.5, -0.5], [cols - 0.5, rows - 0.5]]))
    return pane_of(
        inspection,
        shown,
        scene,
        name=name,
        heading=heading,
        bodies={ref: scene.place(corners) for ref, corners in bodies.items()},
        from_mm=lambda points_mm: scene.place(inspection.registration.px(points_mm)),
        picture=picture_at(palette_png(apparent, limits, THERMAL_MAP), place),
        outline=outline_px(inspection),
        others=False,
        apart=apart,
    )


def colour_stops(colours: str) -> tuple[str, ...]:
    """A colour map in a few steps, as the page's colour scales are drawn."""
    return tuple(mpl.colors.to_hex(mpl.colormaps[colours](share)) for share in np.linspace(0.0, 1.0, _STOPS))
