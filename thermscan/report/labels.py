"""Where labels go on a picture of a board, so that none covers another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.outline import inside_polygon

Box = NDArray[np.float64]  # x0, y0, x1, y1

# Room left around each label, in points; it also takes up what renderers measure differently.
GAP_PT = 1.6

# A leader label is tried at these steps around its part …
_DIRECTIONS = 24
# … and at these distances from its edge, in points.
_DISTANCES_PT = np.array(
    [5.0, 9.0, 14.0, 20.0, 28.0, 38.0, 50.0, 65.0, 82.0, 102.0, 125.0, 150.0, 180.0, 215.0, 255.0, 300.0]
)

# What it costs, in points of distance, to cover a part that something is said about, or any other part.
_COST_OF_COVERING_FLAGGED = 150.0
_COST_OF_COVERING_PART = 4.0
_COST_OF_CROSSING_LEADER = 400.0
# What it costs to take the place of a part's name, or to draw a leader through it.
_COST_OF_COVERING_NAME = 90.0


@dataclass(frozen=True, slots=True)
class Placed:
    """
    A label with a place, in points on the picture.

    Attributes
    ----------
    index : int
        Which of the labels asked for.
    x_pt, y_pt : float
        The label's centre.
    rotation_deg : float
    size : int
        Which of the sizes offered.
    anchor_pt, leader_end_pt : tuple of float or None
        Both ends of the leader line, where there is one.
    """

    index: int
    x_pt: float
    y_pt: float
    rotation_deg: float = 0.0
    size: int = 0
    anchor_pt: tuple[float, float] | None = None
    leader_end_pt: tuple[float, float] | None = None


class LabelField:
    """
    The picture's free room, which shrinks as labels are placed.

    Parameters
    ----------
    bounds : array_like of 4
        x0, y0, x1, y1 that no label may leave.
    bodies : sequence of ndarray of shape (n, 2)
        Outlines of the parts, in points.
    flagged : sequence of int
        Which bodies had better stay uncovered.
    """

    def __init__(self, bounds: Sequence[float], bodies: Sequence[NDArray[np.float64]], flagged: Sequence[int]) -> None:
        self._bounds = np.asarray(bounds, dtype=np.float64)
        self._bodies = np.array([_box_of(body) for body in bodies]).reshape(-1, 4)
        self._flagged = self._bodies[list(flagged)].reshape(-1, 4)
        self._taken = np.empty((0, 4))
        self._spared = np.empty((0, 4))
        self._leaders = np.empty((0, 4))

    def take(self, box: Box) -> None:
        """Keep a rectangle free of labels."""
        self._taken = np.vstack([self._taken, box])

    def spare(self, boxes: Sequence[Box | None]) -> None:
        """Places of names that labels with a leader keep off, if that does not take them far away."""
        self._spared = np.array([box for box in boxes if box is not None]).reshape(-1, 4)

    def beside(self, index: int, body: NDArray[np.float64], width_pt: float, height_pt: float) -> Placed | None:
        """
        A label near its part with a leader line to it; None where the picture is full.

        The nearest place is taken that covers no label and crosses no leader; covering other parts is
        avoided as far as that stays near.
        """
        anchor = body.mean(axis=0)
        best = self._best(anchor, *_places_around(body, width_pt, height_pt))
        if best is None or best[2] >= _COST_OF_CROSSING_LEADER:
            best = self._best(anchor, *self._places_anywhere(anchor, width_pt, height_pt)) or best
        if best is None:
            return None
        box, end, _ = best
        self.take(box)
        self._leaders = np.vstack([self._leaders, np.concatenate([anchor, end])])
        x, y = _centre(box)
        return Placed(
            index, x, y, anchor_pt=(float(anchor[0]), float(anchor[1])), leader_end_pt=(float(end[0]), float(end[1]))
        )

    def inside(self, index: int, body: NDArray[np.float64], sizes_pt: Sequence[tuple[float, float]]) -> Placed | None:
        """
        A label within its part's body, level or upright, in the largest size that fits; None where none does.

        Parameters
        ----------
        sizes_pt : sequence of (width, height)
            The label's extent in each size offered, the largest first.
        """
        centre = body.mean(axis=0)
        for size, (width, height) in enumerate(sizes_pt):
            for rotation, extent in ((0.0, (width, height)), (90.0, (height, width))):
                box = _box_at(centre[None], extent)
                corners = box[0][[[0, 1], [2, 1], [2, 3], [0, 3]]]
                if not inside_polygon(corners, body).all() or not self._is_free(box):
                    continue
                self.take(box[0])
                return Placed(index, float(centre[0]), float(centre[1]), rotation, size)
        return None

    def next_to(self, index: int, body: NDArray[np.float64], sizes_pt: Sequence[tuple[float, float]]) -> Placed | None:
        """A label close to its part without a leader, on free ground only; None where there is no room."""
        x0, y0, x1, y1 = _box_of(body)
        for size, (width, height) in enumerate(sizes_pt):
            dx, dy = (width + x1 - x0) / 2, (height + y1 - y0) / 2
            middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
            for offset in ((0.0, dy), (0.0, -dy), (dx, 0.0), (-dx, 0.0)):
                box = _box_at((middle + offset)[None], (width, height))
                if not self._is_free(box) or _overlap(box, self._bodies, gap=-0.2)[0]:
                    continue
                self.take(box[0])
                x, y = _centre(box[0])
                return Placed(index, x, y, 0.0, size)
        return None

    def _is_free(self, box: Box) -> bool:
        free = self._within(box) & ~_overlap(box, self._taken) & ~_crossed_by(box, self._leaders)
        return bool(free[0])

    def _within(self, boxes: Box) -> NDArray[np.bool_]:
        inside: NDArray[np.bool_] = np.all(boxes[:, :2] >= self._bounds[:2], axis=1)
        inside &= np.all(boxes[:, 2:] <= self._bounds[2:], axis=1)
        return inside

    def _best(
        self, anchor: NDArray[np.float64], boxes: Box, distances: NDArray[np.float64]
    ) -> tuple[Box, NDArray[np.float64], float] | None:
        """The cheapest place for a label, the end of its leader and what it costs; None where none is free."""
        allowed = self._within(boxes) & ~_overlap(boxes, self._taken) & ~_crossed_by(boxes, self._leaders)
        if not allowed.any():
            return None
        boxes, distances = boxes[allowed], distances[allowed]
        ends = np.clip(anchor, boxes[:, :2], boxes[:, 2:])
        lines = np.column_stack([np.broadcast_to(anchor, ends.shape), ends])
        # A leader under a label could be taken for the other label's: that is refused where there is any choice.
        hidden = np.any(_lines_meet_boxes(lines, self._taken), axis=1)
        cost = distances + _COST_OF_COVERING_FLAGGED * _covers(boxes, self._flagged)
        cost += _COST_OF_COVERING_PART * _covers(boxes, self._bodies)
        cost += _COST_OF_CROSSING_LEADER * _crossings(lines, self._leaders) + np.where(hidden, 1e4, 0.0)
        names = _overlaps(boxes, self._spared) + _lines_meet_boxes(lines, self._spared).sum(axis=1)
        cost += _COST_OF_COVERING_NAME * names
        best = int(cost.argmin())
        return boxes[best], ends[best], float(cost[best])

    def _places_anywhere(
        self, anchor: NDArray[np.float64], width: float, height: float
    ) -> tuple[Box, NDArray[np.float64]]:
        """A grid of places over the whole picture, each with its distance; for where all that is near is taken."""
        x = np.arange(self._bounds[0] + width / 2, self._bounds[2] - width / 2 + 1e-9, max(width / 2, 4.0))
        y = np.arange(self._bounds[1] + height / 2, self._bounds[3] - height / 2 + 1e-9, max(height / 2, 4.0))
        centres = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        return _box_at(centres, (width, height)), np.linalg.norm(centres - anchor, axis=1)


def _places_around(body: NDArray[np.float64], width: float, height: float) -> tuple[Box, NDArray[np.float64]]:
    """Places in all directions around a part, each with its distance from the part's edge."""
    anchor = body.mean(axis=0)
    angles = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
    directions = np.column_stack([np.cos(angles), np.sin(angles)])
    # How far the body and the label reach along each direction.
    reach = ((body - anchor) @ directions.T).max(axis=0) + np.abs(directions) @ (np.array([width, height]) / 2)
    steps = (reach[:, None] + _DISTANCES_PT)[..., None] * directions[:, None, :]
    return _box_at((anchor + steps).reshape(-1, 2), (width, height)), np.tile(_DISTANCES_PT, _DIRECTIONS)


def _centre(box: Box) -> tuple[float, float]:
    return float(box[0] + box[2]) / 2, float(box[1] + box[3]) / 2


def _box_of(points: NDArray[np.float64]) -> Box:
    return np.concatenate([points.min(axis=0), points.max(axis=0)])


def _box_at(centres: NDArray[np.float64], extent: tuple[float, float]) -> Box:
    half = np.asarray(extent) / 2
    return np.hstack([centres - half, centres + half])


def _overlap(boxes: Box, others: Box, *, gap: float = GAP_PT) -> NDArray[np.bool_]:
    return _overlaps(boxes, others, gap=gap) > 0


def _overlaps(boxes: Box, others: Box, *, gap: float = GAP_PT) -> NDArray[np.int_]:
    """How many of the others each box touches."""
    low = boxes[:, None, :2] - gap < others[None, :, 2:]
    high = boxes[:, None, 2:] + gap > others[None, :, :2]
    count: NDArray[np.int_] = np.sum(np.all(low & high, axis=2), axis=1)
    return count


def _covers(boxes: Box, bodies: Box) -> NDArray[np.float64]:
    """How many bodies each box covers, in part or whole; partly counts in proportion to the body's area."""
    low = np.maximum(boxes[:, None, :2], bodies[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], bodies[None, :, 2:])
    shared = np.clip(high - low, 0.0, None).prod(axis=2)
    area = np.maximum((bodies[:, 2:] - bodies[:, :2]).prod(axis=1), 1e-6)
    total: NDArray[np.float64] = (shared / area).sum(axis=1)
    return total


def _crossed_by(boxes: Box, lines: Box) -> NDArray[np.bool_]:
    crossed: NDArray[np.bool_] = np.any(_lines_meet_boxes(lines, boxes), axis=0)
    return crossed


def _lines_meet_boxes(lines: Box, boxes: Box) -> NDArray[np.bool_]:
    """Which segments touch which boxes, by clipping each to the box; shape (lines, boxes)."""
    start, step = lines[:, None, :2], (lines[:, 2:] - lines[:, :2])[:, None, :]
    step = np.where(np.abs(step) < 1e-9, 1e-9, step)
    first = (boxes[None, :, :2] - start) / step
    second = (boxes[None, :, 2:] - start) / step
    enter = np.minimum(first, second).max(axis=2)
    leave = np.maximum(first, second).min(axis=2)
    meet: NDArray[np.bool_] = (enter <= leave) & (leave >= 0.0) & (enter <= 1.0)
    return meet


def _crossings(lines: Box, others: Box) -> NDArray[np.float64]:
    """How many of the other segments each segment crosses."""

    def side(a: Box, b: Box, c: Box) -> NDArray[np.float64]:
        turned: NDArray[np.float64] = np.sign(
            (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
        )
        return turned

    p, q = lines[:, None, :2], lines[:, None, 2:]
    r, s = others[None, :, :2], others[None, :, 2:]
    cross = (side(p, q, r) != side(p, q, s)) & (side(r, s, p) != side(r, s, q))
    count: NDArray[np.float64] = cross.sum(axis=1).astype(np.float64)
    return count
