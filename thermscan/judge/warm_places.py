"""Heat at places where no part was measured: on bare board, and at parts too small to be measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.heat.bare import camera_px_mm
from thermscan.heat.heat_split import HeatSplit
from thermscan.heat.spots import SAME_PLACE_MM, WarmSpot, distance_mm
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.heat_seen import HeatSeen, spots_in
from thermscan.judge.small_parts import judge_small_parts
from thermscan.judge.uncertain_places import leaning_over
from thermscan.judge.unmapped import SHOULDER, UnmappedResult, doubt_of, judge_spots, place_of, stands_out
from thermscan.layout.board import Board
from thermscan.regions.leaning import Leaning
from thermscan.regions.measurement import PartMeasurement

# Parts so near may hem a spot in and warm it from where no bare board is seen.
BESIDE_MM = 12.0
# The top of a part of some millimetres, seen now from here and now from there, moves by so much.
MOVES_MM = 6.0


def judge_warm_places(
    heat: HeatSeen,
    measurements: Sequence[PartMeasurement],
    board: Board,
    *,
    ambient_c: float,
    new_k: NDArray[np.float64] | None = None,
    change: HeatSplit | None = None,
    leaning: Leaning | None = None,
) -> UnmappedResult:
    """
    What warm places say that no measured part accounts for.

    Parameters
    ----------
    heat : HeatSeen
    measurements : sequence of PartMeasurement
    board : Board
    ambient_c : float
    new_k : ndarray of shape (rows, cols), optional
        What is new on the raster since the known-good runs: with it, only what is new counts.
    change : HeatSplit, optional
        What changes of parts explain of it.
    leaning : Leaning, optional
        Where tops of bodies of unknown height may be seen.

    Returns
    -------
    UnmappedResult
    """

    def beside_k(spot: WarmSpot) -> float | None:
        return _warmest_beside_k(spot, measurements, ambient_c=ambient_c)

    def leans(spot: WarmSpot) -> str | None:
        at_mm, peak_c = (spot.x_mm, spot.y_mm), ambient_c + spot.rise_k
        return leaning_over(leaning, measurements, at_mm=at_mm, peak_c=peak_c, besides=spot.unread_ref)

    def judged(spots: Sequence[WarmSpot], *, new: bool) -> UnmappedResult:
        px_mm = camera_px_mm(heat.view.registration, board)
        bare = [spot for spot in spots if spot.unread_ref is None]
        small = [spot for spot in spots if spot.unread_ref is not None]
        at_bare = judge_spots(
            bare, board, ambient_c=ambient_c, camera_px_mm=px_mm, new=new, beside_k=beside_k, leans=leans
        )
        at_small = judge_small_parts(small, board, ambient_c=ambient_c, new=new, beside_k=beside_k, leans=leans)
        return UnmappedResult(at_bare.places, at_bare.findings + at_small.findings, at_small.remarks)

    if new_k is None:
        return judged(heat.spots, new=False)
    usual_k = heat.rise_k - new_k
    fresh = [
        _beyond_its_own(replace(spot, rise_k=rise_k), heat, usual_k)
        for spot in spots_in(new_k, change, heat)
        if np.isfinite(rise_k := _at(heat.rise_k, spot, heat))
    ]
    untold = [
        spot
        for spot in heat.spots
        if not np.isfinite(_at(new_k, spot, heat))
        and not any(_apart_mm(spot, other) <= SAME_PLACE_MM for other in fresh)
    ]
    results = [
        judged(fresh, new=True),
        judged(untold, new=False),
    ]
    old = tuple(
        f"the warm spot {place_of(board, spot)} was there in the known-good runs too"
        for spot in heat.spots
        if spot not in untold
        and spot.unread_ref is None
        and not any(_apart_mm(spot, other) <= SAME_PLACE_MM for other in fresh)
        and stands_out(spot)
        and doubt_of(spot, ambient_c=ambient_c, new=False, beside_k=beside_k(spot)) is not SHOULDER
    )
    return UnmappedResult(
        tuple(place for each in results for place in each.places),
        tuple(finding for each in results for finding in each.findings),
        (*(remark for each in results for remark in each.remarks), *old),
    )


def _beyond_its_own(spot: WarmSpot, heat: HeatSeen, usual_k: NDArray[np.float64]) -> WarmSpot:
    """
    A spot at a part too small to be measured, with no more excess than it has over that part in the good runs.

    From another side a standing part is seen beside its foot: what is new at one place may only have moved.
    """
    part = next((part for part in heat.unread if part.ref == spot.unread_ref), None)
    if part is None:
        return spot
    mm = heat.view.mm_per_px
    reach = 0.5 * float(np.hypot(part.length_mm, part.width_mm)) + MOVES_MM
    (left, right), (top, bottom) = (
        (max(int((at - reach) / mm), 0), int((at + reach) / mm) + 1) for at in (part.x_mm, part.y_mm)
    )
    seen = usual_k[top:bottom, left:right]
    if not np.isfinite(seen).any():
        return spot
    return replace(spot, excess_k=min(spot.excess_k, spot.rise_k - float(np.nanmax(seen))))


def _warmest_beside_k(spot: WarmSpot, measurements: Sequence[PartMeasurement], *, ambient_c: float) -> float | None:
    """The greatest rise of the parts beside a spot; None where one was not measured. Capacitors warm nothing."""
    beside = [
        m
        for m in measurements
        if m.part.ref != spot.unread_ref
        and distance_mm(m.part, spot.x_mm, spot.y_mm) <= BESIDE_MM
        and (m.measurable or not gives_no_heat(m.part))
    ]
    if any(m.max_c is None for m in beside):
        return None
    return max((float(m.max_c or 0.0) - ambient_c for m in beside), default=0.0)


def _at(picture: NDArray[np.float64], spot: WarmSpot, heat: HeatSeen) -> float:
    return float(sample_bilinear(picture, np.array([[spot.x_mm, spot.y_mm]]) / heat.view.mm_per_px - 0.5)[0])


def _apart_mm(one: WarmSpot, other: WarmSpot) -> float:
    return float(np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm))
