"""One picture of the board as the web page draws it: a raster, and over it parts and labels to point at."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable, Mapping, Sequence, Set

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from thermscan.frozen import dataclass
from thermscan.judge.finding import PartVerdict
from thermscan.report.canvas import INK
from thermscan.report.gathering import FLAGGED_VERDICTS, Looked, verdicts_in_layout_order
from thermscan.report.labelling import Label, place_labels, ring_mm
from thermscan.report.shown import Shown, visible
from thermscan.report.verdicts import told_as

# The longer side of a view in its own units, in which letters of 7 to 12 read well from a phone to a wide screen.
_LONGEST = 760.0
# A long narrow board is given at least this much, so that its parts can be hit with a finger.
_LEAST_SHORT = 150.0
_LETTERS = 1.55
# Pictures wider than this, in their own heights, stand one above the other.
ROWS = 1.6
# Of a picture that stands beside another and is drawn half as large.
_SMALL_LETTERS = 2.6

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shape:
    """A part in one picture; ``apart``: its temperature does not rest on this picture."""

    ref: str
    points: str
    verdict: str
    label: str
    # Centre and size of the verdict's shape, for a part that the reader must see.
    mark: tuple[float, float, float] | None
    apart: bool = False
    fill: str | None = None


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
class Pane:
    """A picture with what lies over it; ``heading`` where it stands beside others."""

    name: str
    heading: str
    width: float
    height: float
    picture: Picture | None
    outline: str
    shapes: tuple[Shape, ...]
    rings: tuple[str, ...]
    labels: tuple[Leader, ...]
    hotter: tuple[str, ...] = ()
    colder: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """
    From a picture's own coordinates to the page's units.

    Examples
    --------
    >>> scene_of(180.0, 120.0, margin=0.0).place(np.array([[90.0, 60.0]])).tolist()
    [[380.0, 253.33333333333334]]
    """

    scale: float
    left: float
    top: float
    width: float
    height: float

    def place(self, points: Points) -> Points:
        moved: Points = (points + np.array([self.left, self.top])) * self.scale
        return moved


def scene_of(width: float, height: float, *, margin: float) -> Scene:
    """Of a picture of that size with a margin all round."""
    across, down = width + 2 * margin, height + 2 * margin
    scale = max(_LONGEST / max(across, down), _LEAST_SHORT / min(across, down))
    return Scene(scale, margin, margin, across * scale, down * scale)


def frame_scene(rows: int, cols: int) -> Scene:
    """Of a frame, whose pixels have their centres at whole numbers."""
    scale = _LONGEST / max(rows, cols)
    return Scene(scale, 0.5, 0.5, cols * scale, rows * scale)


def pane_of(
    inspection: Looked,
    shown: Shown,
    scene: Scene,
    *,
    name: str,
    bodies: Mapping[str, Points],
    from_mm: Callable[[Points], Points],
    picture: Picture,
    outline: Points | None,
    others: bool,
    heading: str = "",
    apart: Set[str] = frozenset(),
    contours: tuple[Sequence[Points], Sequence[Points]] = ((), ()),
) -> Pane:
    """
    A picture with all parts, labels for what was found and, with ``others``, names of the rest.

    Parameters
    ----------
    bodies : mapping of ref to ndarray of shape (n, 2)
        In the page's units, as ``outline`` is not: that is in the scene's own, or None where it is not known.
    from_mm : callable
        From board millimetres to the page's units.
    apart : set of str
        Parts whose temperature does not rest on this picture.
    contours : pair of sequences of ndarray
        Lines where it is hotter and where it is colder, in the page's units.
    """
    rings = [from_mm(ring_mm(heat)[:-1]) for heat in inspection.judgement.unmapped]
    bounds = (1.0, 1.0, scene.width - 1.0, scene.height - 1.0)
    scale = _SMALL_LETTERS if heading and scene.width < ROWS * scene.height else _LETTERS
    placed = place_labels(inspection, bodies, rings, bounds, others=others, shown=shown, ink=INK, scale=scale)
    by_ref = {each.measurement.part.ref: each for each in verdicts_in_layout_order(inspection)}
    return Pane(
        name=name,
        heading=heading,
        width=round(scene.width, 1),
        height=round(scene.height, 1),
        picture=picture,
        outline="" if outline is None else points_text(scene.place(outline)),
        # Flagged parts last, so that they lie above their neighbours.
        shapes=tuple(
            _shape(by_ref[ref], bodies[ref], shown, apart=ref in apart)
            for ref in sorted(bodies, key=lambda ref: by_ref[ref].verdict in FLAGGED_VERDICTS)
        ),
        rings=tuple(points_text(ring) for ring in rings),
        labels=tuple(_leader(label) for label in placed.labels),
        hotter=tuple(_path(line) for line in contours[0]),
        colder=tuple(_path(line) for line in contours[1]),
    )


def _shape(verdict: PartVerdict, body: Points, shown: Shown, *, apart: bool) -> Shape:
    label = part_label(verdict, shown)
    return plain_shape(verdict.measurement.part.ref, body, verdict.verdict, label=label, apart=apart)


def plain_shape(
    ref: str, body: Points, verdict: str, *, label: str, apart: bool = False, fill: str | None = None
) -> Shape:
    """A part's outline in the page's units, with its verdict's mark where the reader must see it."""
    mark = None
    if verdict in FLAGGED_VERDICTS:
        x, y = body.mean(axis=0)
        sides = np.linalg.norm(np.roll(body, -1, axis=0) - body, axis=1)
        mark = (round(float(x), 1), round(float(y), 1), round(float(np.clip(sides.min() / 30.0, 0.35, 0.8)), 2))
    return Shape(ref, points_text(body), verdict, label, mark, apart, fill)


def part_label(verdict: PartVerdict, shown: Shown) -> str:
    """A part in a few words, as a screen reader says it."""
    mean = verdict.measurement.mean_c
    temp = "" if mean is None else f", {shown.temp(mean)}"
    word = shown.say(f"word.{told_as(verdict)}")
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


def picture_at(uri: str, corners: Points) -> Picture:
    """A raster between its top left and its bottom right corner."""
    (x0, y0), (x1, y1) = corners.round(2)
    return Picture(uri, float(x0), float(y0), round(float(x1 - x0), 2), round(float(y1 - y0), 2))


def points_text(points: Points) -> str:
    """Corners as SVG writes them."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _path(line: Points) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in line)


def palette_png(values: NDArray[np.float64], limits: tuple[float, float], colours: str) -> str:
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


def photo_jpeg(pixels: NDArray[np.uint8]) -> str:
    """A photo as a data URI."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=82, optimize=True)
    return _uri("image/jpeg", stream.getvalue())


def _uri(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
