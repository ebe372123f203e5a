"""
The board's heat by finite elements (scikit-fem).

The board is a conducting sheet that loses heat from both faces. Each part is a body over its
footprint: joined to the board through a resistance by area, losing heat from its own top and sides.
Board and bodies are solved together, so that energy is conserved.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.ndimage import map_coordinates
from scipy.sparse.linalg import splu

from samples.simulator.shapes import Array, polygon_area
from samples.simulator.triangles import RASTER_MM, Discretised
from samples.simulator.triangles import discretise as _discretise
from thermscan.layout.board import Board, Part

# Board of fibreglass 1.6 mm: density 1850 kg/m3, heat capacity 1100 J/(kg K) (usual figures of FR-4).
BOARD_J_PER_M3K = 1850.0 * 1100.0
# Moulding compound and frame together.
BODY_J_PER_M3K = 1.8e6
STEFAN_BOLTZMANN = 5.670374419e-8
# Resistance from body to board times area (K m2/W), by what the package's name starts with. A DIP-28 of
# 508 mm2 comes out at 14 K/W, a surface-mounted SO-16 at 20 K/W; a metal tab screwed down conducts best.
BODY_TO_BOARD_K_M2_PER_W = {"DIP": 7e-3, "SO": 1.5e-3, "QFP": 2e-3, "PLCC": 3e-3, "TO": 3e-3}
OTHER_BODY_K_M2_PER_W = 6e-3
DEFAULT_HEIGHT_MM = 3.5
# A loss that grows with the rise: solved again with the loss at the last rise until nothing moves by more than this.
SETTLED_K, MOST_STEPS = 1e-3, 8


@dataclass(frozen=True, slots=True)
class HeatDisc:
    """Heat that no part gives off: a shorted track, or a part that the layout does not know."""

    x_mm: float
    y_mm: float
    radius_mm: float
    watts: float


@dataclass(frozen=True, slots=True)
class PartTruth:
    """What is true of a part's top surface: mean and maximum over the inner body (10 % in from each side)."""

    mean_c: float
    max_c: float


@dataclass(frozen=True, eq=False)
class BoardField:
    """
    The solved temperatures.

    Attributes
    ----------
    board_raster_c : ndarray of shape (rows, cols)
        Of the board's face, also under the parts; pixel (0, 0) is centred on board point (0, 0).
    body_c : dict
        Mean temperature of each part's body.
    lost_w : float
        Heat leaving to the air, which must equal the heat put in.
    """

    board: Board
    ambient_c: float
    powers_w: dict[str, float]
    board_raster_c: Array
    body_c: dict[str, float]
    under_c: dict[str, float]
    lost_w: float

    def board_c(self, points_mm: Array) -> Array:
        """Temperature of the board's face at points (n, 2); beyond the edge, the edge's."""
        where = np.asarray(points_mm)[:, ::-1].T / RASTER_MM
        result: Array = map_coordinates(self.board_raster_c, where, order=1, mode="nearest")
        return result

    def top_c(self, part: Part, points_mm: Array) -> Array:
        """
        Temperature of a part's top at points of its body (n, 2).

        The middle, over the die, is a little hotter, and the ends follow the board in part; the mean is
        the body's.
        """
        body, under = self.body_c[part.ref], self.under_c[part.ref]
        along = part.body_from_board(points_mm) / [part.length_mm / 2, part.width_mm / 2]
        over_die = np.prod(np.cos(np.pi / 2 * np.clip(along, -1, 1)) ** 2, axis=1) - 0.25
        own_k = float(np.clip(0.25 * (body - under), -4.0, 4.0))
        return body + own_k * over_die + 0.25 * (self.board_c(points_mm) - under)

    def truth(self, part: Part, *, margin: float = 0.1) -> PartTruth:
        """Mean and maximum of the true top temperature over the inner body."""
        steps = np.linspace(-1 + 2 * margin, 1 - 2 * margin, 15)
        u, v = np.meshgrid(steps, steps)
        body_mm = np.column_stack([u.ravel() * part.length_mm / 2, v.ravel() * part.width_mm / 2])
        if part.round_body:
            body_mm = body_mm[np.hypot(u.ravel(), v.ravel()) <= steps[-1]]
        top_c = self.top_c(part, part.board_from_body(body_mm))
        return PartTruth(mean_c=float(top_c.mean()), max_c=float(top_c.max()))


def body_resistance_k_m2_per_w(part: Part) -> float:
    """Resistance from a part's body to the board, times area."""
    name = (part.package or "").upper()
    found = (value for key, value in BODY_TO_BOARD_K_M2_PER_W.items() if name.startswith(key))
    return next(found, OTHER_BODY_K_M2_PER_W)


def _loss_per_face(loss: float | None, rise_k: Array, ambient_c: float) -> tuple[Array, Array]:
    """Heat lost from the upper and the lower face, W/(m2 K): as given, or by natural convection and radiation."""
    if loss is not None:
        return np.full_like(rise_k, loss / 2), np.full_like(rise_k, loss / 2)
    # Horizontal plate facing up and down, laminar, L = 0.1 m: 1.32 and 0.59 (dT/L)^0.25 (Holman's simplified
    # equations for air, from memory); radiation 4 e sigma T^3 at the mean temperature.
    rise = np.maximum(np.abs(rise_k), 0.5)
    radiation = 4 * 0.9 * STEFAN_BOLTZMANN * (ambient_c + 273.15 + rise / 2) ** 3
    return 1.32 * (rise / 0.1) ** 0.25 + radiation, 0.59 * (rise / 0.1) ** 0.25 + radiation


def _body_area_m2(part: Part) -> tuple[float, float]:
    """Footprint, and the surface that meets the air (top and sides)."""
    height = DEFAULT_HEIGHT_MM if part.height_mm is None else part.height_mm
    # A circle has pi / 4 of its square's area, and the same share of its rim.
    share = np.pi / 4 if part.round_body else 1.0
    top = share * part.length_mm * part.width_mm
    return top * 1e-6, (top + share * 2 * (part.length_mm + part.width_mm) * height) * 1e-6


@dataclass(frozen=True, eq=False)
class _System:
    matrix: sparse.csc_matrix
    loss: Array  # W/K of every unknown: nodes, then bodies


def _system(parts: Sequence[Part], pieces: Discretised, rise_k: Array, *, loss: float | None, amb: float) -> _System:
    n_nodes = pieces.mesh.p.shape[1]
    up, down = _loss_per_face(loss, pieces.at_quadrature @ rise_k[:n_nodes], amb)
    body_up, _ = _loss_per_face(loss, rise_k[n_nodes:], amb)
    areas = np.array([_body_area_m2(part) for part in parts]).reshape(-1, 2)
    joint = areas[:, 0] / np.array([body_resistance_k_m2_per_w(part) for part in parts]).reshape(-1)
    bodies_loss = body_up * areas[:, 1]
    face_loss = pieces.area_m2 * (down + up * (1 - pieces.covered))
    spread = pieces.share @ sparse.diags(joint)
    diagonal = sparse.diags(face_loss + np.asarray(spread.sum(axis=1)).ravel())
    nodes = pieces.stiffness + pieces.at_quadrature.T @ diagonal @ pieces.at_quadrature
    joining = -(pieces.at_quadrature.T @ spread)
    matrix = sparse.bmat([[nodes, joining], [joining.T, sparse.diags(joint + bodies_loss)]], format="csc")
    return _System(matrix, np.concatenate([pieces.at_quadrature.T @ face_loss, bodies_loss]))


def _heat_input(
    board: Board, powers_w: Mapping[str, float], extra_heat: Sequence[HeatDisc], pieces: Discretised
) -> Array:
    unknown = set(powers_w) - {part.ref for part in board.parts}
    if unknown:
        raise KeyError(f"no such part: {sorted(unknown)}")
    at_points = np.zeros(len(pieces.points_mm))
    for disc in extra_heat:
        distance = np.hypot(*(pieces.points_mm - [disc.x_mm, disc.y_mm]).T)
        inside = distance <= max(disc.radius_mm, float(distance.min()))
        at_points[inside] += disc.watts * pieces.area_m2[inside] / pieces.area_m2[inside].sum()
    bodies = np.array([powers_w.get(part.ref, 0.0) for part in board.parts])
    return np.concatenate([pieces.at_quadrature.T @ at_points, bodies])


def solve_board(
    board: Board,
    powers_w: Mapping[str, float],
    *,
    ambient_c: float,
    sheet_w_per_k: float | Callable[[Array], Array] = 0.016,
    loss_w_per_m2k: float | None = 20.0,
    extra_heat: Sequence[HeatDisc] = (),
    mesh_mm: float | None = None,
) -> BoardField:
    """
    Steady temperatures of a board and its parts.

    Parameters
    ----------
    powers_w : mapping of ref to watts
        Parts left out give off nothing.
    sheet_w_per_k : float or callable
        Conductivity times thickness of the board with its copper; a callable takes board points (n, 2)
        in millimetres and gives it there.
    loss_w_per_m2k : float or None
        Over both faces together. None: natural convection and radiation, which grow with the rise.
    mesh_mm : float, optional
        Size of the triangles; default about 1/80 of the board's longer side.

    Notes
    -----
    The board's narrow edges lose nothing.
    """
    pieces = _discretise(board, sheet_w_per_k, mesh_mm or _default_mesh_mm(board))
    heat = _heat_input(board, powers_w, extra_heat, pieces)
    rise_k = np.full(len(heat), 10.0)
    for _ in range(1 if loss_w_per_m2k is not None else MOST_STEPS):
        before_k = rise_k
        system = _system(board.parts, pieces, rise_k, loss=loss_w_per_m2k, amb=ambient_c)
        rise_k = splu(system.matrix).solve(heat)
        if np.abs(rise_k - before_k).max() < SETTLED_K:
            break
    return _field(board, powers_w, pieces, rise_k, ambient_c=ambient_c, lost_w=float(system.loss @ rise_k))


def warm_up(
    board: Board,
    powers_w: Mapping[str, float],
    times_s: Sequence[float],
    *,
    ambient_c: float,
    sheet_w_per_k: float | Callable[[Array], Array] = 0.016,
    loss_w_per_m2k: float = 20.0,
    extra_heat: Sequence[HeatDisc] = (),
    mesh_mm: float | None = None,
    step_s: float = 2.0,
    level: Callable[[float], float] | None = None,
) -> list[BoardField]:
    """
    Temperatures at times after power-on, from a board at ambient; backward Euler in steps of ``step_s``.

    ``level`` gives the share of all heat that is on at a time, as while the supply is switched on and off.
    """
    pieces = _discretise(board, sheet_w_per_k, mesh_mm or _default_mesh_mm(board))
    heat = _heat_input(board, powers_w, extra_heat, pieces)
    rise_k = np.zeros(len(heat))
    system = _system(board.parts, pieces, rise_k, loss=loss_w_per_m2k, amb=ambient_c)
    sheet_j_per_k = pieces.at_quadrature.T @ (pieces.area_m2 * board.thickness_mm * 1e-3 * BOARD_J_PER_M3K)
    height_m = [1e-3 * (DEFAULT_HEIGHT_MM if part.height_mm is None else part.height_mm) for part in board.parts]
    footprint_m2 = [_body_area_m2(part)[0] for part in board.parts]
    stored = np.concatenate([sheet_j_per_k, np.multiply(height_m, footprint_m2) * BODY_J_PER_M3K])
    factor = splu((sparse.diags(stored / step_s) + system.matrix).tocsc())
    fields, now_s = [], 0.0
    for time_s in times_s:
        while now_s < time_s - step_s / 2:
            # The share over the step is that at its middle.
            share = 1.0 if level is None else level(now_s + step_s / 2)
            rise_k = factor.solve(share * heat + stored / step_s * rise_k)
            now_s += step_s
        lost_w = float(system.loss @ rise_k)
        fields.append(_field(board, powers_w, pieces, rise_k, ambient_c=ambient_c, lost_w=lost_w))
    return fields


def _default_mesh_mm(board: Board) -> float:
    # Half the narrowest usual body (6 mm) at most, so that a body is felt where it is.
    return float(np.clip(np.sqrt(polygon_area(np.asarray(board.outline_mm))) / 70, 1.0, 2.5))


def _field(
    board: Board,
    powers_w: Mapping[str, float],
    pieces: Discretised,
    rise_k: Array,
    *,
    ambient_c: float,
    lost_w: float,
) -> BoardField:
    n_nodes = pieces.mesh.p.shape[1]
    columns_mm, rows_mm = pieces.raster_mm
    raster = (pieces.at_raster @ rise_k[:n_nodes]).reshape(len(rows_mm), len(columns_mm))
    under_k = pieces.share.T @ (pieces.at_quadrature @ rise_k[:n_nodes])
    refs = [part.ref for part in board.parts]
    return BoardField(
        board=board,
        ambient_c=ambient_c,
        powers_w={ref: float(powers_w.get(ref, 0.0)) for ref in refs},
        board_raster_c=raster + ambient_c,
        body_c=dict(zip(refs, (rise_k[n_nodes:] + ambient_c).tolist(), strict=True)),
        under_c=dict(zip(refs, (under_k + ambient_c).tolist(), strict=True)),
        lost_w=lost_w,
    )
