"""Where a board's heat comes from, as far as one look shows it: what every rule rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.bare import bare_pixels, camera_px_mm, margin_mm
from thermscan.heat.split import HeatSplit, board_rise_k, split_heat
from thermscan.heat.spots import WarmSpot, find_warm_spots, is_at
from thermscan.judge import thresholds
from thermscan.judge.small_parts import unread_parts
from thermscan.judge.unmapped import is_stand_in, stands, with_stand_ins
from thermscan.layout.board import Board, Part
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.planck import Band
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run


@dataclass(frozen=True, slots=True)
class View:
    """How the board was seen; ``band_um`` is the camera's."""

    mm_per_px: float
    registration: Registration
    noise_k: float
    band_um: Band


@dataclass(frozen=True, slots=True, eq=False)
class HeatSeen:
    """
    Where the heat comes from.

    Attributes
    ----------
    rise_k : ndarray of shape (rows, cols)
        Of the bare board over ambient, on the rectified raster.
    split : HeatSplit or None
        None where too little bare board is seen.
    board : Board
        With stand-ins for sources that the layout does not know.
    spots : tuple of WarmSpot
    view : View
    unread : tuple of Part
        Too small to be measured: their places are looked at like bare board.
    supply_w : float or None
        What the supply gives.
    """

    rise_k: NDArray[np.float64]
    split: HeatSplit | None
    board: Board
    spots: tuple[WarmSpot, ...]
    view: View
    unread: tuple[Part, ...] = ()
    supply_w: float | None = None

    def listed(self) -> Board:
        """The board without stand-ins."""
        return replace(self.board, parts=tuple(part for part in self.board.parts if not is_stand_in(part.ref)))

    def bare(self) -> NDArray[np.bool_]:
        """Pixels of the raster that show bare board; shape (rows, cols)."""
        margin = margin_mm(self.view.registration, self.board)
        return bare_pixels(self.board, shape=self.rise_k.shape, mm_per_px=self.view.mm_per_px, margin=margin)


def see_heat(
    measurements: Sequence[PartMeasurement], rectified: Rectified, board: Board, run: Run, *, view: View
) -> HeatSeen:
    """
    The split of all heat, with stand-ins where warm spots show that the layout lacks a source.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    rectified : Rectified
    board : Board
    run : Run
        For ambient, reflected temperature and the supply's watts.
    view : View

    Returns
    -------
    HeatSeen
    """
    rise_k = board_rise_k(
        rectified,
        _seen_at_angle(board, view),
        ambient_c=run.ambient_c,
        reflected_c=run.reflected_c,
        band_um=view.band_um,
    )
    if rectified.overhung is not None:
        # What leans over the board is not its temperature.
        rise_k = np.where(rectified.overhung, np.nan, rise_k)
    supply_w = sum(rail.watts for rail in run.supply) if run.supply else None
    heat = _look_again(HeatSeen(rise_k, None, board, (), view, unread_parts(measurements), supply_w), measurements)
    # The shoulder of a hot part must not take that part's heat.
    return with_sources(heat, measurements, [spot for spot in heat.spots if stands(spot)])


def with_sources(heat: HeatSeen, measurements: Sequence[PartMeasurement], spots: Sequence[WarmSpot]) -> HeatSeen:
    """
    The heat told once more, with stand-ins at warm spots of bare board that stand out.

    Parameters
    ----------
    heat : HeatSeen
    measurements : sequence of PartMeasurement
    spots : sequence of WarmSpot
        Those where a source may be; the others are left as they are.
    """
    known = [part for part in heat.board.parts if is_stand_in(part.ref)]
    extra = [
        spot
        for spot in spots
        if spot.unread_ref is None
        and spot.deviations >= thresholds.UNMAPPED_DEVIATIONS
        and not any(is_at(spot, each) for each in known)
    ]
    board = with_stand_ins(heat.board, extra)
    if heat.split is None or len(board.parts) == len(heat.board.parts):
        return heat
    again = _look_again(replace(heat, board=board), measurements)
    return heat if again.split is None else replace(again, spots=_as_first_seen(again, heat.spots))


def _as_first_seen(again: HeatSeen, before: Sequence[WarmSpot]) -> tuple[WarmSpot, ...]:
    """
    The spots told once more, those of stand-ins with the shape that they had when they were taken for sources.

    What was seen first is too little, since parts beside it were held to give some of the heat.
    """
    spots = list(again.spots)
    for part in again.board.parts[len(again.listed().parts) :]:
        was = next((spot for spot in before if is_at(spot, part)), None)
        now = [spot for spot in spots if is_at(spot, part)]
        if was is not None:
            excess_k = max([was.excess_k, *(spot.excess_k for spot in now)])
            spots = [replace(was, excess_k=excess_k), *(spot for spot in spots if spot not in now)]
    return tuple(sorted(spots, key=lambda spot: -spot.excess_k))


def _look_again(heat: HeatSeen, measurements: Sequence[PartMeasurement]) -> HeatSeen:
    """The split of all heat, and the warm spots that it leaves, for the sources that the board has."""
    view = heat.view
    split = split_heat(
        heat.rise_k,
        measurements,
        heat.board,
        mm_per_px=view.mm_per_px,
        registration=view.registration,
        noise_k=view.noise_k,
        supply_w=heat.supply_w,
    )
    found = replace(heat, split=split)
    return replace(found, spots=spots_in(heat.rise_k, split, found))


def spots_in(picture_k: NDArray[np.float64], split: HeatSplit | None, heat: HeatSeen) -> tuple[WarmSpot, ...]:
    """Warm spots in a picture of the board, of its rise or of what is new in it, with the split of that picture."""
    view, board = heat.view, heat.listed()
    return find_warm_spots(
        picture_k,
        board,
        split,
        mm_per_px=view.mm_per_px,
        margin=margin_mm(view.registration, board),
        least_k=thresholds.UNMAPPED_WATCH_K / 2,
        placement_mm=view.registration.uncertainty_mm,
        camera_px_mm=camera_px_mm(view.registration, board),
        unread=heat.unread,
        stand_ins=heat.board.parts[len(board.parts) :],
    )


def _seen_at_angle(board: Board, view: View) -> Board:
    """The board with its mask's emissivity as it is at a slant, as its parts are measured."""
    angled = emissivity_at_angle(board.surface.emissivity, view_angle_deg=view.registration.view_angle_deg)
    return replace(board, surface=replace(board.surface, emissivity=angled.emissivity))
