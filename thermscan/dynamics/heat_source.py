"""What is told of a place where heat enters: where, how much, what lies there, how sure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.board_maps import LARGE_BODY_MM2, BoardGrid, within
from thermscan.dynamics.body_sources import BodySource, heat_per_k
from thermscan.dynamics.reference import Reference
from thermscan.dynamics.source_search import PointSource
from thermscan.frozen import dataclass
from thermscan.heat.spots import distance_mm
from thermscan.judge.finding import Finding
from thermscan.layout.board import Part

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# Heat capacity of a board, from tables and with unknown copper; and the loss of a board in still air, which is what
# counts for the difference: both make all watts of one recording wrong together.
CAPACITY_DOUBT, LOSS_DOUBT = 0.12, 0.25
# What the layout and the fin model leave open of a place.
PLACE_FLOOR_MM = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class HeatSource:
    """
    One place where heat enters.

    Attributes
    ----------
    u_mm : float
        Twice it holds the place with 95 %.
    watts, watts_u : float
        While on.
    amplitude_k : float
        Of the fundamental, at the surface; of the difference, its height there.
    phase_deg : float or None
        Of the surface against the heat: behind it, so below 0. None for the difference.
    ref : str or None
        The part that lies there.
    across_ref, across_mm : str and float, or None
        The nearest part on the other side of the place, seen from ``nearest_ref``.
    """

    x_mm: float
    y_mm: float
    u_mm: float
    watts: float
    watts_u: float
    amplitude_k: float
    phase_deg: float | None
    ref: str | None
    nearest_ref: str | None
    distance_mm: float | None
    score: float
    across_ref: str | None = None
    across_mm: float | None = None


def point_source(
    each: PointSource, grid: BoardGrid, amplitude: ComplexArray, reference: Reference,
    *, factor: float, doubt: float, drive: float | None, omega_per_s: float,
) -> HeatSource:  # fmt: skip
    board, registration = reference.board, reference.registration
    laid = grid.laid_out(amplitude)
    row = int(np.clip(each.y_mm / grid.cell_mm, 1, grid.shape[0] - 2))
    col = int(np.clip(each.x_mm / grid.cell_mm, 1, grid.shape[1] - 2))
    at = complex(np.nanmean(laid[row - 1 : row + 2, col - 1 : col + 2]))
    place = np.array([[each.x_mm, each.y_mm]])
    here = [part for part in board.parts if within(part, place)[0]]
    stored_w = 0.0
    if here and here[0].length_mm * here[0].width_mm < LARGE_BODY_MM2:
        # What a small part that gives the heat stores and loses itself; the fit knows of what it hands to the board.
        cells = within(here[0], grid.centres_mm().reshape(-1, 2)).reshape(grid.shape) & np.isfinite(laid)
        top = complex(laid[cells].mean()) if cells.any() else 0.0
        stored_w = abs(each.heat_w + heat_per_k(here[0], omega_per_s) * top) - abs(each.heat_w)
    watts = (abs(each.heat_w) + max(stored_w, 0.0)) * factor
    u_mm = float(np.sqrt(each.u_mm**2 + PLACE_FLOOR_MM**2)) * 1.22
    nearest = min(board.parts, key=lambda part: distance_mm(part, each.x_mm, each.y_mm), default=None)
    across = _across(board.parts, nearest, place[0]) if nearest is not None and not here else None
    return HeatSource(
        x_mm=each.x_mm,
        y_mm=each.y_mm,
        u_mm=float(np.hypot(u_mm, registration.uncertainty_mm)),
        watts=watts,
        watts_u=float(np.sqrt((each.u_heat_w * factor) ** 2 + (doubt * watts) ** 2 + (stored_w * factor / 3) ** 2)),
        amplitude_k=abs(at),
        phase_deg=None if drive is None else _behind(np.angle(at) - drive),
        ref=here[0].ref if here else None,
        nearest_ref=nearest.ref if nearest else None,
        distance_mm=distance_mm(nearest, each.x_mm, each.y_mm) if nearest else None,
        score=float(each.score),
        across_ref=across.ref if across else None,
        across_mm=distance_mm(across, each.x_mm, each.y_mm) if across else None,
    )


def _across(parts: Sequence[Part], nearest: Part, place_mm: FloatArray) -> Part | None:
    """The nearest part that lies on the other side of a place than the nearest one."""
    ahead = _towards(nearest, place_mm)
    beyond = [part for part in parts if part is not nearest and float(_towards(part, place_mm) @ ahead) < 0]
    return min(beyond, key=lambda part: distance_mm(part, *place_mm), default=None)


def _towards(part: Part, place_mm: FloatArray) -> FloatArray:
    """From a place to the nearest point of a part's body."""
    half = np.array([part.length_mm, part.width_mm]) / 2
    along = np.clip(part.body_from_board(place_mm[None])[0], -half, half)
    return np.asarray(part.board_from_body(along[None])[0] - place_mm)


def body_source(each: BodySource, reference: Reference, *, factor: float, drive: float | None) -> HeatSource:
    part = each.part
    watts = abs(each.heat_w) * factor
    # Heat spreads through a body before it shows: its middle stands for it, within a quarter of its width.
    u_mm = float(np.hypot(min(part.length_mm, part.width_mm) / 4, reference.registration.uncertainty_mm))
    return HeatSource(
        x_mm=part.x_mm, y_mm=part.y_mm, u_mm=u_mm, watts=watts,
        watts_u=float(np.hypot(each.u_heat_w * factor, each.doubt * watts)),
        amplitude_k=abs(each.amplitude_k),
        phase_deg=None if drive is None else _behind(np.angle(each.amplitude_k) - drive),
        ref=part.ref, nearest_ref=part.ref, distance_mm=0.0, score=each.score,
    )  # fmt: skip


def _behind(angle: float) -> float:
    """An angle in degrees between -180 and 180."""
    return float((np.degrees(angle) + 180.0) % 360.0 - 180.0)


def finding_of(each: HeatSource) -> Finding:
    where = f"in {each.ref}" if each.ref else _beside(each)
    text = (
        f"{1000 * each.watts:.0f} mW (± {1000 * each.watts_u:.0f}, k = 1) enter {where}, at x {each.x_mm:.1f}, "
        f"y {each.y_mm:.1f} mm (± {each.u_mm:.1f})."
    )
    return Finding(
        ref=each.ref, rule="source", level="act", direction="hot", excess_k=each.amplitude_k,
        u_k=each.amplitude_k / each.score if each.score > 0 else None, score=each.score, text=text,
        hypotheses=("a short or a leak there, if no heat belongs there at this supply",),
    )  # fmt: skip


def _beside(each: HeatSource) -> str:
    """Between which parts a place lies, or which is near."""
    if each.nearest_ref is None:
        return "on the board"
    near = f"{each.nearest_ref} ({each.distance_mm:.1f} mm)"
    if each.across_ref is None:
        return f"on the board, near {near}"
    return f"on the board between {near} and {each.across_ref} ({each.across_mm:.1f} mm)"
