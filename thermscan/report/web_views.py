"""The board's pictures as the web page draws them: a raster, and over it parts and labels to point at."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from thermscan.inspection import Inspection
from thermscan.judge.finding import PartVerdict
from thermscan.report.canvas import INK
from thermscan.report.gathering import FLAGGED_VERDICTS, verdicts_in_layout_order
from thermscan.report.labelling import Label, place_labels, ring_mm
from thermscan.report.pictures import THERMAL_MAP, colour_range
from thermscan.report.plate_difference import DIFFERENCE_MAP, contours_mm, difference_range_k, picture_difference_k
from thermscan.report.plate_frame import frame_bodies, outline_px
from thermscan.report.plate_photo import photo_of
from thermscan.report.shown import Shown, visible

# The longer side of a view in its own units, in which letters of 7 to 12 read well from a phone to a wide screen.
_LONGEST = 760.0
# A long narrow board is given at least this much, so that its parts can be hit with a finger.
_LEAST_SHORT = 150.0
_LETTERS = 1.55
# Ground around the board, as a share of its longer side.
_MARGIN = 0.05
_STOPS = 9

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """A part in one view."""

    ref: str
    points: str
    verdict: str
    label: str
    # Centre and size of the verdict's shape, for a part that the reader must see.
    mark: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Leader:
    """A text in a view; with a colour it is a finding's."""

    text: str
    x: float
    y: float
    size: float
    turned: bool
    width: float
    colour: str | None
    line: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True)
class Picture:
    """A raster as a data URI, and where it lies."""

    uri: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class View:
    """One picture of the board, ready for the page."""

    key: str
    caption: str
    width: float
    height: float
    picture: Picture
    outline: str
    shapes: tuple[Shape, ...]
    rings: tuple[str, ...]
    labels: tuple[Leader, ...]
    hotter: tuple[str, ...] = ()
    colder: tuple[str, ...] = ()
    scale: tuple[str, str] | None = None
    stops: tuple[str, ...] = ()


def views_of(inspection: Inspection, shown: Shown) -> tuple[View, ...]:
    """The board from above, the camera's view and, where there are, the difference from the baseline and the photo."""
    views = [_board_view(inspection, shown), _camera_view(inspection, shown)]
    if inspection.baseline is not None:
        views.append(_difference_view(inspection, shown))
    photo = photo_of(inspection)
    if photo is not None:
        uri = _jpeg(photo.pixels)
        rows, cols = photo.pixels.shape[:2]
        frame = _board_frame(inspection)
        place = frame.place(np.array([[0.0, 0.0], [cols * photo.mm_per_px, rows * photo.mm_per_px]]))
        views.append(_on_board(inspection, shown, "photo", uri, place, others=False))
    return tuple(views)


@dataclass(frozen=True, slots=True)
class _Frame:
    """From a view's own coordinates to the page's units."""

    scale: float
    left: float
    top: float
    width: float
    height: float

    def place(self, points: Points) -> Points:
        moved: Points = (points + np.array([self.left, self.top])) * self.scale
        return moved


def _board_frame(inspection: Inspection) -> _Frame:
    board = inspection.board
    margin = _MARGIN * max(board.width_mm, board.height_mm)
    return _frame(board.width_mm + 2 * margin, board.height_mm + 2 * margin, margin)


def _frame(width: float, height: float, margin: float) -> _Frame:
    scale = max(_LONGEST / max(width, height), _LEAST_SHORT / min(width, height))
    return _Frame(scale, margin, margin, width * scale, height * scale)


def _board_view(inspection: Inspection, shown: Shown) -> View:
    rectified = inspection.picture or inspection.rectified
    apparent = np.where(rectified.on_board, rectified.apparent_c, np.nan)
    limits = colour_range(apparent)
    uri = _palette_png(apparent, limits, THERMAL_MAP)
    rows, cols = apparent.shape
    place = _board_frame(inspection).place(np.array([[0.0, 0.0], [cols, rows]]) * rectified.mm_per_px)
    return _on_board(inspection, shown, "board", uri, place, limits=(shown.temp(limits[0]), shown.temp(limits[1])))


def _difference_view(inspection: Inspection, shown: Shown) -> View:
    assert inspection.baseline is not None
    difference, _ = picture_difference_k(inspection, inspection.baseline)
    end, step = difference_range_k(difference)
    mm_per_px = inspection.rectified.mm_per_px
    rows, cols = difference.shape
    frame = _board_frame(inspection)
    hotter, colder = (
        tuple(_path(frame.place(line)) for line in contours_mm(difference, mm_per_px, level)) for level in (step, -step)
    )
    return _on_board(
        inspection,
        shown,
        "difference",
        _palette_png(difference, (-end, end), DIFFERENCE_MAP),
        frame.place(np.array([[0.0, 0.0], [cols, rows]]) * mm_per_px),
        caption={"step": shown.diff(step)},
        limits=(shown.diff(-end, signed=True), shown.diff(end, signed=True)),
        colours=DIFFERENCE_MAP,
        contours=(hotter, colder),
        others=False,
    )


def _on_board(
    inspection: Inspection,
    shown: Shown,
    key: str,
    uri: str,
    place: Points,
    *,
    caption: Mapping[str, str] | None = None,
    limits: tuple[str, str] | None = None,
    colours: str = THERMAL_MAP,
    contours: tuple[tuple[str, ...], tuple[str, ...]] = ((), ()),
    others: bool = True,
) -> View:
    frame = _board_frame(inspection)
    verdicts = verdicts_in_layout_order(inspection)
    bodies = {each.measurement.part.ref: frame.place(each.measurement.part.corners_mm()) for each in verdicts}
    return _view(
        inspection, shown, frame, key, bodies=bodies, from_mm=frame.place, picture=_picture(uri, place),
        outline=inspection.board.outline_mm, caption=caption, limits=limits, colours=colours, contours=contours,
        others=others,
    )  # fmt: skip


def _camera_view(inspection: Inspection, shown: Shown) -> View:
    apparent = inspection.image.apparent_c
    rows, cols = apparent.shape
    limits = colour_range(apparent)
    frame = _Frame(_LONGEST / max(rows, cols), 0.5, 0.5, 0.0, 0.0)
    frame = _Frame(frame.scale, 0.5, 0.5, cols * frame.scale, rows * frame.scale)
    place = frame.place(np.array([[-0.5, -0.5], [cols - 0.5, rows - 0.5]]))
    return _view(
        inspection,
        shown,
        frame,
        "camera",
        bodies={body.ref: frame.place(body.corners) for body in frame_bodies(inspection)},
        from_mm=lambda points_mm: frame.place(inspection.registration.px(points_mm)),
        picture=_picture(_palette_png(apparent, limits, THERMAL_MAP), place),
        outline=outline_px(inspection),
        limits=(shown.temp(limits[0]), shown.temp(limits[1])),
        others=False,
    )


def _view(
    inspection: Inspection,
    shown: Shown,
    frame: _Frame,
    key: str,
    *,
    bodies: Mapping[str, Points],
    from_mm: Callable[[Points], Points],
    picture: Picture,
    outline: Points,
    caption: Mapping[str, str] | None = None,
    limits: tuple[str, str] | None = None,
    colours: str = THERMAL_MAP,
    contours: tuple[tuple[str, ...], tuple[str, ...]] = ((), ()),
    others: bool,
) -> View:
    rings = [from_mm(ring_mm(heat)[:-1]) for heat in inspection.judgement.unmapped]
    bounds = (1.0, 1.0, frame.width - 1.0, frame.height - 1.0)
    placed = place_labels(
        inspection, bodies, rings, bounds, others=others, shown=shown, ink=INK, scale=_LETTERS
    )  # fmt: skip
    by_ref = {each.measurement.part.ref: each for each in verdicts_in_layout_order(inspection)}
    return View(
        key=key,
        caption=shown.say(f"view.{key}_caption", **(caption or {})),
        width=round(frame.width, 1),
        height=round(frame.height, 1),
        picture=picture,
        outline=_points(frame.place(outline)),
        # Flagged parts last, so that they lie above their neighbours.
        shapes=tuple(
            _shape(by_ref[ref], bodies[ref], shown)
            for ref in sorted(bodies, key=lambda ref: by_ref[ref].verdict in FLAGGED_VERDICTS)
        ),
        rings=tuple(_points(ring) for ring in rings),
        labels=tuple(_leader(label) for label in placed.labels),
        hotter=contours[0],
        colder=contours[1],
        scale=limits,
        stops=_stops(colours) if limits else (),
    )


def _shape(verdict: PartVerdict, body: Points, shown: Shown) -> Shape:
    mark = None
    if verdict.verdict in FLAGGED_VERDICTS:
        x, y = body.mean(axis=0)
        sides = np.linalg.norm(np.roll(body, -1, axis=0) - body, axis=1)
        mark = (round(float(x), 1), round(float(y), 1), round(float(np.clip(sides.min() / 30.0, 0.35, 0.8)), 2))
    label = part_label(verdict, shown)
    return Shape(verdict.measurement.part.ref, _points(body), verdict.verdict, label, mark)


def part_label(verdict: PartVerdict, shown: Shown) -> str:
    """A part in a few words, as a screen reader says it."""
    mean = verdict.measurement.mean_c
    temp = "" if mean is None else f", {shown.temp(mean)}"
    word = shown.say(f"word.{verdict.verdict}")
    return shown.say("view.part_label", ref=visible(verdict.measurement.part.ref), verdict=word, temp=temp)


def _leader(label: Label) -> Leader:
    placed = label.placed
    ends = (placed.anchor_pt, placed.leader_end_pt)
    line = tuple(round(value, 1) for end in ends if end for value in end)
    return Leader(
        visible(label.text), round(placed.x_pt, 1), round(placed.y_pt, 1), round(label.size_pt, 2),
        placed.rotation_deg != 0.0, round(label.width_pt, 1), label.colour,
        (line[0], line[1], line[2], line[3]) if len(line) == 4 else None,
    )  # fmt: skip


def _picture(uri: str, corners: Points) -> Picture:
    (x0, y0), (x1, y1) = corners.round(2)
    return Picture(uri, float(x0), float(y0), round(float(x1 - x0), 2), round(float(y1 - y0), 2))


def _points(points: Points) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _path(line: Points) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in line)


def _palette_png(values: NDArray[np.float64], limits: tuple[float, float], colours: str) -> str:
    """A raster as a PNG of 255 colours and one that is clear, where there is no reading."""
    low, high = limits
    known = np.isfinite(values)
    steps = np.clip((np.where(known, values, low) - low) / (high - low), 0.0, 1.0) * 254.0
    index = np.where(known, np.rint(steps) + 1, 0).astype(np.uint8)
    table = (mpl.colormaps[colours](np.linspace(0.0, 1.0, 255))[:, :3] * 255).round().astype(np.uint8)
    image = Image.fromarray(index)
    image.putpalette(bytes([216, 216, 216, *table.ravel().tolist()]))
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True, transparency=0)
    return _uri("image/png", stream.getvalue())


def _jpeg(pixels: NDArray[np.uint8]) -> str:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=82, optimize=True)
    return _uri("image/jpeg", stream.getvalue())


def _uri(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _stops(colours: str) -> tuple[str, ...]:
    return tuple(mpl.colors.to_hex(mpl.colormaps[colours](share)) for share in np.linspace(0.0, 1.0, _STOPS))
