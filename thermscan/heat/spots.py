"""Warm spots on the bare board that the parts' heat does not explain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import points_where
from thermscan.frozen import dataclass
from thermscan.heat.bare import SPREAD_PX, bare_pixels
from thermscan.heat.fin import fin_grid
from thermscan.heat.heat_split import HeatSplit
from thermscan.heat.spot_shape import SpotShape, spot_shape
from thermscan.layout.board import Board, Part
from thermscan.robust import robust_sd
from thermscan.smoothing import gaussian

# What is left over varies slowly where the model is at fault, and over millimetres where a source is:
# the slow part, over this distance, is taken away.
SLOW_MM = 14.0
# A pixel counts as part of a spot from half of the spot's peak on.
HALF = 0.5
# Where more places than this stand out, the picture is not of this board; the highest are enough to say so.
MOST_SPOTS = 20
# With fewer pixels of bare board nothing can be said of it.
FEWEST_PIXELS = 30
LEAST_WEIGHT = 1e-6
# Two spots so near are one.
SAME_PLACE_MM = 8.0
NO_SHAPE = SpotShape(None, None)


@dataclass(frozen=True, slots=True)
class WarmSpot:
    """
    A warm spot on bare board.

    Attributes
    ----------
    x_mm, y_mm : float
        Its peak.
    excess_k : float
        Peak over what all other sources explain and over the surroundings.
    deviations : float
        The same in robust standard deviations of what is left over on the whole board.
    explained_k : float
        What all other sources make there.
    area_mm2 : float
        Where at least half of the excess is reached.
    rise_k : float
        Of its peak, over ambient.
    shape : SpotShape
        Whether it stands above the board about it.
    unread_ref : str or None
        The part that lies there, where it is one that is too small to be measured.
    """

    x_mm: float
    y_mm: float
    excess_k: float
    deviations: float
    explained_k: float
    area_mm2: float
    rise_k: float
    shape: SpotShape = NO_SHAPE
    unread_ref: str | None = None


def find_warm_spots(
    rise_k: NDArray[np.float64],
    board: Board,
    split: HeatSplit | None,
    *,
    mm_per_px: float,
    margin: float,
    least_k: float,
    placement_mm: float,
    camera_px_mm: float,
    unread: Sequence[Part] = (),
    stand_ins: Sequence[Part] = (),
) -> tuple[WarmSpot, ...]:
    """
    Warm spots, the warmest first.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        Rise of the bare board on the rectified raster.
    board : Board
    split : HeatSplit or None
        None: nothing is known of the parts' heat, and only the surroundings are compared.
    mm_per_px : float
    margin : float
        Distance to keep from bodies and edges.
    least_k : float
        Spots of less excess are left out.
    placement_mm : float
        Standard uncertainty of a place on the board; a slope times this is no excess.
    camera_px_mm : float
        Millimetres a camera pixel covers.
    unread : sequence of Part
        Parts too small to be measured: their places are looked at as if they were bare, and what they are
        held to give themselves does not explain what is seen there.
    stand_ins : sequence of Part
        Sources of the split beyond the board's parts, in its order: each explains what is seen elsewhere, not what is
        seen at its own place.

    Returns
    -------
    tuple of WarmSpot
    """
    finite = np.isfinite(rise_k)
    bare = bare_pixels(board, shape=rise_k.shape, mm_per_px=mm_per_px, margin=margin) & finite
    if bare.sum() < FEWEST_PIXELS:
        return ()
    refs = {part.ref for part in unread}
    read = replace(board, parts=tuple(part for part in board.parts if part.ref not in refs))
    looked = bare_pixels(read, shape=rise_k.shape, mm_per_px=mm_per_px, margin=margin) & finite if refs else bare
    scene = _Scene(rise_k, bare, looked, mm_per_px, least_k, placement_mm, camera_px_mm, tuple(unread))
    explained = _explained(board, split, looked, mm_per_px, margin=margin, unread=unread)
    spots = [spot for spot in scene.spots(explained) if not any(is_at(spot, each) for each in stand_ins)]
    for number, each in enumerate(stand_ins, start=len(board.parts)):
        others = explained - _given(split, number, looked, board, mm_per_px)
        # The slow part that is taken away holds some of a wide spot; its stand-in has all of it.
        own_k = split.parts[number].own_board_k if split is not None else 0.0
        there = [spot for spot in scene.spots(others) if is_at(spot, each)][:1]
        spots += [replace(spot, excess_k=max(spot.excess_k, own_k)) for spot in there]
    return tuple(sorted(spots, key=lambda spot: -spot.excess_k))


def is_at(spot: WarmSpot, part: Part) -> bool:
    """Whether a spot and a stand-in are about one place."""
    return bool(np.hypot(spot.x_mm - part.x_mm, spot.y_mm - part.y_mm) <= SAME_PLACE_MM)


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """What is seen, and how; ``bare`` without and ``looked`` with the places of parts too small to be measured."""

    rise_k: NDArray[np.float64]
    bare: NDArray[np.bool_]
    looked: NDArray[np.bool_]
    mm_per_px: float
    least_k: float
    placement_mm: float
    camera_px_mm: float
    unread: tuple[Part, ...]

    def spots(self, explained: NDArray[np.float64]) -> list[WarmSpot]:
        """What stands out of what is explained, the warmest first."""
        bare, looked, mm_per_px = self.bare, self.looked, self.mm_per_px
        left = np.where(looked, self.rise_k - explained, np.nan)
        seen = _blur(left, looked, looked, 0.7)
        spread = max(robust_sd(left[bare]), 1e-3)
        centre = float(np.median(left[bare]))
        calm = np.clip(left, centre - 3 * spread, centre + 3 * spread)
        excess = seen - _blur(calm, bare, looked, SLOW_MM / mm_per_px)
        steep = np.hypot(*np.gradient(np.where(looked, explained, 0.0), mm_per_px)) * 2.0 * self.placement_mm
        strong = looked & (excess - np.where(np.isfinite(steep), steep, 0.0) >= self.least_k)
        _, labels = cv2.connectedComponents(strong.astype(np.uint8), connectivity=8)
        spread_of_excess = max(robust_sd(excess[bare]), 1e-3)
        spots = []
        for row, col in _peaks(excess, np.asarray(labels, dtype=np.int32)):
            peak = float(excess[row, col])
            _, body = cv2.connectedComponents((looked & (excess >= HALF * peak)).astype(np.uint8), connectivity=8)
            area_mm2 = float((body == body[row, col]).sum() * mm_per_px**2)
            x_mm, y_mm = float((col + 0.5) * mm_per_px), float((row + 0.5) * mm_per_px)
            shape = spot_shape(
                seen + explained,
                seen,
                looked,
                (row, col),
                mm_per_px=mm_per_px,
                excess_k=peak,
                area_mm2=area_mm2,
                camera_px_mm=self.camera_px_mm,
            )
            spots.append(
                WarmSpot(
                    x_mm=x_mm,
                    y_mm=y_mm,
                    excess_k=peak,
                    deviations=peak / spread_of_excess,
                    explained_k=float(explained[row, col]),
                    area_mm2=area_mm2,
                    rise_k=float(seen[row, col] + explained[row, col]),
                    shape=shape,
                    unread_ref=_at_part(self.unread, x_mm, y_mm, self.camera_px_mm),
                )
            )
        return spots


def _at_part(parts: Sequence[Part], x_mm: float, y_mm: float, camera_px_mm: float) -> str | None:
    """The part whose body lies at a place, or within what blur and sampling may displace it."""
    reach = SPREAD_PX * camera_px_mm
    away = {part.ref: distance_mm(part, x_mm, y_mm) for part in parts}
    nearest = min(away, key=lambda ref: away[ref], default=None)
    return nearest if nearest is not None and away[nearest] <= reach else None


def distance_mm(part: Part, x_mm: float, y_mm: float) -> float:
    """From a place on the board to a part's body; 0 on it."""
    along = np.abs(part.body_from_board(np.array([[x_mm, y_mm]]))[0])
    return float(np.hypot(*np.maximum(along - [part.length_mm / 2, part.width_mm / 2], 0.0)))


def _peaks(excess: NDArray[np.float64], labels: NDArray[np.integer]) -> list[tuple[int, int]]:
    """Row and column of the highest places, one a label, at most `MOST_SPOTS`."""
    inside = np.flatnonzero(labels)
    highest = inside[np.argsort(-np.nan_to_num(excess).ravel()[inside], kind="stable")]
    _, first = np.unique(labels.ravel()[highest], return_index=True)
    places = highest[np.sort(first)[:MOST_SPOTS]]
    return [(int(row), int(col)) for row, col in zip(*np.unravel_index(places, labels.shape), strict=True)]


def _explained(
    board: Board,
    split: HeatSplit | None,
    looked: NDArray[np.bool_],
    mm_per_px: float,
    *,
    margin: float,
    unread: Sequence[Part],
) -> NDArray[np.float64]:
    """What all heat makes of each pixel looked at, without an unread part's own at its own place; 0 elsewhere."""
    explained = np.zeros(looked.shape)
    if split is None:
        return explained
    best = split.fit
    points, heat = (points_where(looked) + 0.5) * mm_per_px, best.heat_kmm2
    at = fin_grid(board).interpolation(points)
    values = at @ (best.responses.cells(heat) + best.constant_k)
    for index, part in enumerate(board.parts):
        if part in unread:
            body = np.abs(part.body_from_board(points))
            there = (body[:, 0] < part.length_mm / 2 + margin) & (body[:, 1] < part.width_mm / 2 + margin)
            values[there] -= at[there] @ best.responses.cells(np.where(np.arange(len(heat)) == index, heat, 0.0))
    explained[looked] = values
    return explained


def _given(
    split: HeatSplit | None, source: int, looked: NDArray[np.bool_], board: Board, mm_per_px: float
) -> NDArray[np.float64]:
    """What one source gives each pixel looked at; 0 elsewhere."""
    given = np.zeros(looked.shape)
    if split is not None:
        best = split.fit
        heat = np.where(np.arange(len(best.heat_kmm2)) == source, best.heat_kmm2, 0.0)
        points = (points_where(looked) + 0.5) * mm_per_px
        given[looked] = fin_grid(board).interpolation(points) @ best.responses.cells(heat)
    return given


def _blur(
    values: NDArray[np.float64], mask: NDArray[np.bool_], where: NDArray[np.bool_], sigma_px: float
) -> NDArray[np.float64]:
    """Gaussian mean over the mask's pixels alone, where it is wanted; NaN elsewhere."""
    total = gaussian(np.where(mask, values, 0.0), sigma_px, beyond="reflect")
    weight = gaussian(mask, sigma_px, beyond="reflect")
    mean: NDArray[np.float64] = np.divide(
        total, weight, out=np.full(values.shape, np.nan), where=where & (weight > LEAST_WEIGHT)
    )
    return mean
