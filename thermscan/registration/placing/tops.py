"""How well it is known where the top of each part is seen, besides where the board lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.relief import U_COMMON_MM, U_OWN_MM, USUAL_HEIGHT_MM, edge_rise, heights_mm
from thermscan.registration.placing.agreement import NEAR_PX, agreement
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.refinement import Refined
from thermscan.registration.placing.tall_parts import common_seen

FloatArray = NDArray[np.float64]

# A single part's height as a share of what is held of it: stated; usual for its package (sockets, standing legs);
# and where no package is known, from a chip resistor to an upright transistor.
U_STATED, U_PACKAGE, U_UNKNOWN = 0.1, 0.25, 1.0
# A part's own edges tell where its top is: so many of its sides where they should be, one of which its height
# would move by so much.
SIDES_NEEDED, MOVES_PX = 2, 2 * NEAR_PX


def top_doubts_px(evidence: Evidence, board: Board, edges: LayoutEdges, found: Refined) -> FloatArray:
    """
    Standard uncertainty of where each top is seen, from what is not known of its height.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    found : Refined
        With the relief that the frame shows.

    Returns
    -------
    ndarray of shape (n,)
        Of one coordinate, in pixels, in the layout's order; 0 in a view along the normal.

    Notes
    -----
    Where the part's own edges lie where they are predicted at that height, no more than the distance to which they
    are called near; else the parallax of a millimetre times the height's doubt.
    """
    # A common height that is not seen is not used where parts are read.
    relief = found.relief if common_seen(found) else replace(found.relief, common_mm=0.0)
    held = replace(edges, relief=relief)
    rise = edge_rise(found.px_from_mm, held, held.relief, shape=evidence.apparent.shape, fov_deg=evidence.fov_deg)
    body = edges.part >= 0
    per_mm = np.linalg.norm(rise.own_px[body], axis=1).reshape(-1, 4).max(axis=1, initial=0.0)
    doubt_mm = _height_doubts_mm(board, held, found)
    doubt_px = per_mm * doubt_mm
    shown = agreement(evidence, held, found.px_from_mm)
    near, seen = shown.near.reshape(-1, 4), shown.found.reshape(-1, 4)
    # Only a side that moves with the height tells of it; one that is seen elsewhere speaks against the height.
    outward = rise.outward_px / np.maximum(np.linalg.norm(rise.outward_px, axis=1, keepdims=True), 1e-9)
    moved_px = (rise.own_px * outward).sum(axis=1)[body].reshape(-1, 4) * doubt_mm[:, None]
    moves = moved_px > MOVES_PX
    told = (near & moves).any(axis=1) & (near.sum(axis=1) >= SIDES_NEEDED) & (near | ~seen | ~moves).all(axis=1)
    result: FloatArray = np.where(told, np.minimum(doubt_px, NEAR_PX), doubt_px) / np.sqrt(2.0)
    return result


def _height_doubts_mm(board: Board, edges: LayoutEdges, found: Refined) -> FloatArray:
    body = edges.part >= 0
    height = np.abs(heights_mm(edges, edges.relief)[body]).reshape(-1, 4)[:, 0]
    usual = edges.usual_mm[body].reshape(-1, 4)[:, 0]
    stated = np.array([part.height_mm is not None for part in board.parts], dtype=bool)
    package = np.array([part.usual_height_mm is not None for part in board.parts], dtype=bool)
    own = np.where(stated, U_STATED, np.where(package, U_PACKAGE, U_UNKNOWN)) * height
    unused = found.relief.common_mm - edges.relief.common_mm
    common = np.hypot(min(found.u_common_mm, U_COMMON_MM), unused) / USUAL_HEIGHT_MM * np.where(stated, 0.0, usual)
    result: FloatArray = np.sqrt(own**2 + common**2 + U_OWN_MM**2)
    return result
