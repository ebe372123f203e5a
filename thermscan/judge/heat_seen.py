"""Where a board's heat comes from, as far as one look shows it: what every rule rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.bare import bare_pixels, camera_px_mm, margin_mm
from thermscan.heat.split import HeatSplit, board_rise_k, split_heat
from thermscan.heat.spots import WarmSpot, find_warm_spots
from thermscan.judge import thresholds
from thermscan.judge.small_parts import unread_parts
from thermscan.judge.unmapped import enlarged, stands, with_stand_ins
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
    """

    rise_k: NDArray[np.float64]
    split: HeatSplit | None
    board: Board
    spots: tuple[WarmSpot, ...]
    view: View
    unread: tuple[Part, ...] = ()

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

    def split_of(what: Board) -> HeatSplit | None:
        return split_heat(
            rise_k,
            measurements,
            what,
            mm_per_px=view.mm_per_px,
            registration=view.registration,
            noise_k=view.noise_k,
            supply_w=supply_w,
        )

    split = split_of(board)
    unread = unread_parts(measurements)
    spots = spots_in(rise_k, split, board, view=view, unread=unread)
    # The shoulder of a hot part must not take that part's heat.
    strong = [
        spot
        for spot in spots
        if spot.unread_ref is None and spot.deviations >= thresholds.UNMAPPED_DEVIATIONS and stands(spot)
    ]
    again = split_of(with_stand_ins(board, strong)) if split is not None and strong else None
    if again is None:
        return HeatSeen(rise_k, split, board, spots, view, unread)
    return HeatSeen(rise_k, again, with_stand_ins(board, strong), enlarged(spots, strong, again, board), view, unread)


def spots_in(
    picture_k: NDArray[np.float64], split: HeatSplit | None, board: Board, *, view: View, unread: Sequence[Part]
) -> tuple[WarmSpot, ...]:
    """Warm spots in a picture of the board, of its rise or of what is new in it."""
    return find_warm_spots(
        picture_k,
        board,
        split,
        mm_per_px=view.mm_per_px,
        margin=margin_mm(view.registration, board),
        least_k=thresholds.UNMAPPED_WATCH_K / 2,
        placement_mm=view.registration.uncertainty_mm,
        camera_px_mm=camera_px_mm(view.registration, board),
        unread=unread,
    )


def _seen_at_angle(board: Board, view: View) -> Board:
    """The board with its mask's emissivity as it is at a slant, as its parts are measured."""
    angled = emissivity_at_angle(board.surface.emissivity, view_angle_deg=view.registration.view_angle_deg)
    return replace(board, surface=replace(board.surface, emissivity=angled.emissivity))
