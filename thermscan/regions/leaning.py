"""What parts whose heights are not known may hide, or lean over, in a slanted view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part
from thermscan.regions.hiding import LEAST_HIGHER_MM, Silhouette, outlines_of
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.parallax import pose_seen, seen_height_mm, tops_of
from thermscan.registration.registration import PartHeight, Registration

# Where neither layout nor view tells a height, a sink may stand on the body: they end at about 25 mm (common practice,
# no standard).
SINK_MM = 25.0
# Points along each side of a body that are asked whether something may hide them.
POINTS_A_SIDE = 7


@dataclass(frozen=True, slots=True)
class MayHide:
    """Another part, and the share of a body that it may hide, or that is looked for where it lies."""

    ref: str
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Leaning:
    """
    As far as bodies may reach in the frame, given what is known of their heights.

    Attributes
    ----------
    farthest : tuple of Silhouette
        From foot to the highest possible top.
    hidden_by : dict of ref to tuple of MayHide
        What may hide each part, the greatest share first; parts that nothing may hide are left out.
    registration : Registration
    beyond : mapping of ref to float
        The share of each top that is looked for beyond the outline, where nobody states the height: if the part stands
        lower than it seems, it is the bench that is read there.
    read_over : mapping of ref to tuple of MayHide
        The bodies over whose tops each top is looked for, the greatest share (of the smaller of both) first.
    others : tuple of Leaning
        Of further views of the same board: what is hidden in one is seen in another.
    """

    farthest: tuple[Silhouette, ...]
    hidden_by: dict[str, tuple[MayHide, ...]]
    registration: Registration
    beyond: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    read_over: Mapping[str, tuple[MayHide, ...]] = field(default_factory=lambda: MappingProxyType({}))
    others: tuple[Leaning, ...] = ()

    def over(self, x_mm: float, y_mm: float) -> tuple[str, ...]:
        """The parts whose top may be seen at a place of the bare board; none where a view shows the place itself."""
        if any(not other.over(x_mm, y_mm) for other in self.others):
            return ()
        at_px = self.registration.px(np.array([[x_mm, y_mm]]))
        return tuple(each.ref for each in self.farthest if each.covers(at_px)[0])


def possible_leaning(
    board: Board, registration: Registration, *, shape: tuple[int, int], fov_deg: float | None = None
) -> Leaning:
    """
    What bodies may hide in this view, as far as their heights are not known.

    Parameters
    ----------
    board : Board
    registration : Registration
    shape : tuple of int
        Rows and columns of the frame.
    fov_deg : float, optional
        The camera's horizontal field of view; else told from the view itself.

    Returns
    -------
    Leaning

    Notes
    -----
    Bodies that the layout draws over one another count as well: which lies on top is not known.
    """
    pose = pose_seen(registration, shape=shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    known = registration.heights or _known_before(board)
    heights_mm = [highest_mm(part, known[part.ref]) for part in board.parts]
    farthest = outlines_of(board.parts, heights_mm, registration, pose)
    if not farthest:
        return Leaning((), {}, registration)
    low = np.array([each.hull_px.min(axis=0) for each in farthest])
    high = np.array([each.hull_px.max(axis=0) for each in farthest])
    hidden_by: dict[str, tuple[MayHide, ...]] = {}
    beyond = {}
    seen_tops = tops_of(board.parts, registration, pose)
    for part, tops in zip(board.parts, seen_tops, strict=True):
        points_mm = _points(tops[0])
        points_px = registration.px(points_mm)
        if part.height_mm is None and (share := _share_beyond(board, points_mm)) > 0:
            beyond[part.ref] = share
        meets = np.all((low <= points_px.max(axis=0)) & (high >= points_px.min(axis=0)), axis=1)
        near = [farthest[i] for i in np.flatnonzero(meets)]
        if found := _hiding(part, points_px, near, least_mm=seen_height_mm(part, registration) + LEAST_HIGHER_MM):
            hidden_by[part.ref] = found
    return Leaning(farthest, hidden_by, registration, beyond, _read_over(seen_tops))


def leaning_of_views(views: Sequence[Leaning], seen_in: Mapping[str, Sequence[int]]) -> Leaning:
    """
    What bodies may hide in all of several views of one board.

    Parameters
    ----------
    views : sequence of Leaning
        One or more, one for each view.
    seen_in : mapping of ref to sequence of int
        The views that a part's temperature rests on: it may be hidden only where it may be so in each of them.
    """
    if len(views) == 1:
        return views[0]
    hidden_by, beyond, read_over = {}, {}, {}
    for ref in views[0].hidden_by.keys() | views[0].beyond.keys() | views[0].read_over.keys() | set(seen_in):
        seen = [views[k] for k in seen_in.get(ref) or range(len(views))]
        if all(view.hidden_by.get(ref) for view in seen):
            hidden_by[ref] = min((view.hidden_by[ref] for view in seen), key=lambda hiding: hiding[0].share)
        if all(ref in view.beyond for view in seen):
            beyond[ref] = min(view.beyond[ref] for view in seen)
        if all(ref in view.read_over for view in seen):
            read_over[ref] = min((view.read_over[ref] for view in seen), key=lambda over: over[0].share)
    others = tuple(views[1:])
    return replace(views[0], hidden_by=hidden_by, beyond=beyond, read_over=read_over, others=others)


def highest_mm(part: Part, known: PartHeight) -> float:
    """
    How high a part may stand, at two standard uncertainties; with a sink on it, where nothing tells its height.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> can = Part("C1", 10.0, 10.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02), height_mm=20.0)
    >>> highest_mm(can, PartHeight(20.0, 1.5, seen=False))
    23.0
    >>> highest_mm(replace(can, height_mm=None), PartHeight(4.0, 2.0, seen=False))
    29.0
    """
    shown = known.seen or part.height_mm is not None
    return known.height_mm + (2.0 * known.u_mm if shown else max(2.0 * known.u_mm, SINK_MM))


def _known_before(board: Board) -> dict[str, PartHeight]:
    """What layout and packages tell of each height, where no view was asked."""
    prior = height_prior(board)
    told = zip(board.parts, prior.mean_mm.tolist(), prior.u_mm.tolist(), strict=True)
    return {part.ref: PartHeight(mean_mm, u_mm, seen=False) for part, mean_mm, u_mm in told}


def _points(part: Part) -> NDArray[np.float64]:
    """Points spread evenly over a body; shape (n, 2), in millimetres."""
    along = (np.arange(POINTS_A_SIDE) + 0.5) / POINTS_A_SIDE - 0.5
    body = np.stack(np.meshgrid(along * part.length_mm, along * part.width_mm), axis=-1).reshape(-1, 2)
    return part.board_from_body(body)


def _share_beyond(board: Board, points_mm: NDArray[np.float64]) -> float:
    outline_mm = np.asarray(board.outline_mm, dtype=np.float32)
    return float(np.mean([cv2.pointPolygonTest(outline_mm, at_mm, False) < 0 for at_mm in points_mm.tolist()]))


def _read_over(seen_tops: Sequence[Sequence[Part]]) -> dict[str, tuple[MayHide, ...]]:
    """By ref: the tops over which each is looked for, as low or as high as it may stand."""
    low = np.array([np.min([top.corners_mm().min(axis=0) for top in tops], axis=0) for tops in seen_tops])
    high = np.array([np.max([top.corners_mm().max(axis=0) for top in tops], axis=0) for tops in seen_tops])
    found: dict[str, tuple[MayHide, ...]] = {}
    for i, tops in enumerate(seen_tops):
        near = np.flatnonzero(np.all((low < high[i]) & (high > low[i]), axis=1))
        others = [seen_tops[j][0] for j in near.tolist() if j != i]
        over = [MayHide(other.ref, max(_in_common(top, other) for top in tops)) for other in others]
        over = sorted((each for each in over if each.share > 0), key=lambda each: -each.share)
        if over:
            found[tops[0].ref] = tuple(over)
    return found


def _in_common(one: Part, other: Part) -> float:
    """Of the smaller of two bodies, the share that lies over the other."""
    corners, others = one.corners_mm().astype(np.float32), other.corners_mm().astype(np.float32)
    common_mm2, _ = cv2.intersectConvexConvex(corners, others)
    return float(common_mm2) / min(each.length_mm * each.width_mm for each in (one, other))


def _hiding(
    part: Part, points_px: NDArray[np.float64], near: Sequence[Silhouette], *, least_mm: float
) -> tuple[MayHide, ...]:
    found = []
    for other in near:
        if other.ref == part.ref or other.height_mm < least_mm:
            continue
        share = float(other.covers(points_px).mean())
        if share > 0:
            found.append(MayHide(other.ref, share))
    return tuple(sorted(found, key=lambda each: -each.share))
