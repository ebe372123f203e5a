"""Which labels a picture of the board carries and where they go, for any kind of drawing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.judge.finding import UnmappedHeat
from thermscan.layout.outline import polygon_area
from thermscan.report.gathering import FLAGGED_VERDICTS, Looked, flagged_verdicts, main_finding_by_ref
from thermscan.report.labels import LabelField, Placed
from thermscan.report.lettering import fitted_text, text_width_pt
from thermscan.report.shown import Shown
from thermscan.report.verdicts import VERDICT_MARKS

Points = NDArray[np.float64]

# With more labels than these, each says less and is set smaller.
_FULL_LABELS, _SHORT_LABELS = 12, 40
_LABEL_REF_PT = 60.0
_INSIDE_SIZES_PT = (7.0, 6.0, 5.0, 4.2)
_NEXT_TO_SIZES_PT = (5.0, 4.2)

# Height of a line with its descenders, as a share of its size.
_LINE_HEIGHT = 1.2

# A ring around unmapped heat is never smaller, so that it can be seen.
_LEAST_RING_MM = 2.0


@dataclass(frozen=True, slots=True)
class Label:
    """A text in its place; one with a colour is a finding's, framed and with a leader line."""

    text: str
    size_pt: float
    placed: Placed
    colour: str | None = None
    width_pt: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a label with a leader line says, and of what."""

    name: str
    outline: Points  # (n, 2), in points
    text: str
    colour: str


@dataclass(frozen=True, slots=True)
class Labelled:
    """All labels of a picture, and what was found but had no room for one."""

    labels: tuple[Label, ...]
    left_out: tuple[str, ...]


def place_labels(
    inspection: Looked,
    bodies: Mapping[str, Points],
    rings: Sequence[Points],
    bounds: Sequence[float],
    *,
    others: bool,
    shown: Shown,
    ink: str,
    scale: float = 1.0,
) -> Labelled:
    """
    Label what was found and, where asked, name the other parts as far as there is room.

    Parameters
    ----------
    inspection : Inspection or RegionsFound
    bodies : mapping of ref to ndarray of shape (n, 2)
        The parts that the picture shows, in points.
    rings : sequence of ndarray
        Around each unmapped heat, in points.
    bounds : sequence of 4 floats
        x0, y0, x1, y1 that no label may leave.
    others : bool
        Name the other parts, too.
    shown : Shown
    ink : str
        Colour of a frame that no verdict colours.
    scale : float
        Of all letters.
    """
    count = len(flagged_verdicts(inspection)) + len(inspection.judgement.unmapped)
    size = scale * (7.0 if count <= _FULL_LABELS else 6.0 if count <= _SHORT_LABELS else 5.0)
    wanted = [*_wanted_parts(inspection, bodies, count, size, shown), *_wanted_rings(inspection, rings, shown, ink)]
    named = {each.name for each in wanted}
    outlines = [each.outline for each in wanted]
    field = LabelField(bounds, [*bodies.values(), *outlines], range(len(bodies), len(bodies) + len(wanted)))
    quiet = {ref: body for ref, body in bodies.items() if ref not in named} if others else {}
    # Where a name fits into its own part it is better left there: findings' labels keep off, if they can.
    field.spare([_inside_box(ref, body, bounds, scale) for ref, body in quiet.items()])
    labels, left_out = [], []
    for index, each in enumerate(wanted):
        width = text_width_pt(each.text, size) + 3.0
        placed = field.beside(index, each.outline, width, size * _LINE_HEIGHT + 2.0)
        if placed is None:
            left_out.append(each.name)
        else:
            labels.append(Label(each.text, size, placed, each.colour, width))
    return Labelled((*labels, *_names(field, quiet, scale)), tuple(left_out))


def place_names(bodies: Mapping[str, Points], bounds: Sequence[float], *, scale: float = 1.0) -> list[Label]:
    """Every part's name in or beside it, as far as there is room."""
    return _names(LabelField(bounds, list(bodies.values()), ()), bodies, scale)


def ring_mm(heat: UnmappedHeat) -> Points:
    """A ring around heat where the layout has no part, as large as that heat."""
    radius = max(float(np.sqrt(heat.area_mm2 / np.pi)), _LEAST_RING_MM)
    turn = np.linspace(0.0, 2 * np.pi, 49)
    return np.column_stack([heat.x_mm + radius * np.cos(turn), heat.y_mm + radius * np.sin(turn)])


def _wanted_parts(
    inspection: Looked, bodies: Mapping[str, Points], count: int, size_pt: float, shown: Shown
) -> list[Wanted]:
    main, wanted = main_finding_by_ref(inspection), []
    for each in flagged_verdicts(inspection):
        ref, mark = each.measurement.part.ref, VERDICT_MARKS[each.verdict]
        if ref not in bodies:
            continue
        finding = main.get(ref)
        text = fitted_text(ref, _LABEL_REF_PT, size_pt)
        if count <= _SHORT_LABELS:
            # A part that was not measured can still be too hot by its least possible temperature.
            plain = finding is not None and each.verdict not in FLAGGED_VERDICTS
            text += f" {shown.say(f'word.{finding.direction if finding and plain else mark.word}')}"
        if count <= _FULL_LABELS and finding is not None and finding.excess_k is not None:
            text += f" {shown.diff(finding.excess_k, signed=True)}"
        wanted.append(Wanted(ref, bodies[ref], text, mark.colour))
    return wanted


def _wanted_rings(inspection: Looked, rings: Sequence[Points], shown: Shown, ink: str) -> list[Wanted]:
    rises = [shown.diff(heat.rise_k, signed=True) for heat in inspection.judgement.unmapped]
    told = [shown.say("view.no_part", rise=rise) for rise in rises]
    return [Wanted("", ring, text, ink) for ring, text in zip(rings, told, strict=True)]


def _names(field: LabelField, bodies: Mapping[str, Points], scale: float) -> list[Label]:
    # The largest first: a small part's name goes beside it, on ground that no larger one needs.
    labels, homeless = [], []
    inside = [scale * size for size in _INSIDE_SIZES_PT]
    for index, (ref, body) in enumerate(sorted(bodies.items(), key=lambda item: -abs(polygon_area(item[1])))):
        text = fitted_text(ref, _LABEL_REF_PT, inside[0])
        placed = field.inside(index, body, _extents(text, inside))
        if placed is None:
            homeless.append((index, text, body))
        else:
            labels.append(Label(text, inside[placed.size], placed))
    beside = [scale * size for size in _NEXT_TO_SIZES_PT]
    for index, text, body in homeless:
        placed = field.next_to(index, body, _extents(text, beside))
        if placed is not None:
            labels.append(Label(text, beside[placed.size], placed))
    return labels


def _inside_box(ref: str, body: Points, bounds: Sequence[float], scale: float) -> NDArray[np.float64] | None:
    """Where a name would stand in its part, were the picture empty; None where it does not fit."""
    sizes = [scale * size for size in _INSIDE_SIZES_PT]
    text = fitted_text(ref, _LABEL_REF_PT, sizes[0])
    extents = _extents(text, sizes)
    placed = LabelField(bounds, [], ()).inside(0, body, extents)
    if placed is None:
        return None
    width, height = extents[placed.size] if placed.rotation_deg == 0.0 else extents[placed.size][::-1]
    half = np.array([width, height]) / 2
    centre = np.array([placed.x_pt, placed.y_pt])
    return np.concatenate([centre - half, centre + half])


def _extents(text: str, sizes_pt: Sequence[float]) -> list[tuple[float, float]]:
    return [(text_width_pt(text, size) + 1.0, size * _LINE_HEIGHT) for size in sizes_pt]
