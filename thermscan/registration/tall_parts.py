"""The last step of every method: the parts' heights are fitted together with the board's place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.agreement import agreement
from thermscan.registration.edges import LayoutEdges
from thermscan.registration.evidence import Evidence
from thermscan.registration.refinement import FROM_NEAR_PX, Refined, refine
from thermscan.registration.relief import edge_rise, other_heights

FloatArray = NDArray[np.float64]

# Heights that displace edges by less than this change nothing that edges would show.
LEAST_RISE_PX = 0.15
# A common height counts as seen from so many of its standard uncertainties, and from this on.
SEEN_DEVIATIONS, LEAST_HEIGHT_MM = 4.0, 0.5
# A fit that explains fewer edges than before, by more than this, went astray.
LOST_EDGES = 2.0
# Stated heights are said to be seen otherwise from this on.
OTHERWISE = 0.35


def with_heights(evidence: Evidence, board: Board, edges: LayoutEdges, found: Refined) -> Refined:
    """
    The registration with the heights of parts fitted to the frame, where a slanted view shows them.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    found : Refined
        Right within a few pixels.

    Returns
    -------
    Refined
        ``relief.common_mm`` is 0 where the frame does not tell it; the covariance covers that it may not be.

    Notes
    -----
    Stated heights get one common factor, those not stated one common height: two more numbers in the least
    squares. Both are started from several values, since an edge that is displaced farther than the search
    reaches is not found; the start that explains most edges is taken.
    """
    starts = [edges, *other_heights(edges)]
    if not any(_matters(evidence, each, found) for each in starts):
        return found
    stated = ~np.isnan(edges.height_mm) & (edges.height_mm > 0)
    free = (bool(stated.any()), bool(np.isnan(edges.height_mm).any()), True, True)
    plainly = (False, free[1], False, False)
    fitted = [
        (_support(evidence, edges, fit), start_free is plainly, fit)
        for start_free in (plainly, free)
        for start in starts
        if (fit := _fit(evidence, board, start, found, start_free)) is not None
    ]
    least = _support(evidence, edges, found) - LOST_EDGES
    fitted = [each for each in fitted if each[0] >= least]
    if not fitted:
        return found
    # Heights as stated, or none at all, go before a factor and a focal length that were fitted for the last edge:
    # those can conspire to explain a view that shows no heights.
    most = max(support for support, _, _ in fitted)
    plain_ones = [each for each in fitted if each[1] and each[0] >= most - LOST_EDGES]
    best = max(plain_ones or fitted, key=lambda each: each[0])[2]
    if not free[1] or _common_seen(best):
        return best
    flat = replace(edges, relief=replace(best.relief, common_mm=0.0))
    plain = _fit(evidence, board, flat, best, (free[0], False, free[0], free[0]))
    if plain is None:
        return found
    # Which of the two is right the frame does not tell: their difference is one standard uncertainty.
    apart = (best.corners_px - plain.corners_px).ravel()
    return replace(plain, corner_covariance_px2=best.corner_covariance_px2 + np.outer(apart, apart))


def height_remarks(found: Refined, edges: LayoutEdges) -> list[str]:
    """What is to be said of the heights that were seen."""
    said = []
    stated = bool((np.nan_to_num(edges.height_mm) > 0).any())
    if stated and abs(found.relief.scale) < OTHERWISE:
        said.append(
            "the parts' tops lie where their feet are, although the layout states heights: they were read as flat"
        )
    elif stated and abs(found.relief.scale - 1) > OTHERWISE:
        said.append(f"the parts' tops seem to stand {found.relief.scale:.1f} times as high as the layout states")
    if found.relief.common_mm:
        said.append(
            f"parts without a stated height seem to stand about {found.relief.common_mm:.1f} mm high; their slanted"
            " view is corrected for that (state height_mm in the layout to do better)"
        )
    return said


def parallax_covariance_px2(evidence: Evidence, edges: LayoutEdges, found: Refined) -> FloatArray:
    """
    What the parallax of tops leaves open in a picture of the board that was taken from elsewhere.

    Returns
    -------
    ndarray of shape (8, 8)
        Of the corners: the tops' displacement as a doubt that all corners share, and half of it in each.
    """
    rise = edge_rise(found.px_from_mm, edges, found.relief, shape=evidence.apparent.shape, fov_deg=evidence.fov_deg)
    squared = (rise.shift_px**2).sum(axis=1)
    variance = float(squared[squared > 0].mean()) if (squared > 0).any() else 0.0
    return variance * (np.kron(np.ones((4, 4)), np.eye(2)) + np.eye(8) / 4)


def _matters(evidence: Evidence, edges: LayoutEdges, found: Refined) -> bool:
    rise = edge_rise(found.px_from_mm, edges, edges.relief, shape=evidence.apparent.shape, fov_deg=evidence.fov_deg)
    moved = np.linalg.norm(rise.shift_px, axis=1)
    return bool((moved > LEAST_RISE_PX).any())


def _fit(
    evidence: Evidence, board: Board, edges: LayoutEdges, found: Refined, free: tuple[bool, bool, bool, bool]
) -> Refined | None:
    return refine(
        evidence,
        edges,
        corners_mm=board.corners_mm,
        corners_px=found.corners_px,
        ranges_px=FROM_NEAR_PX,
        free=free,
    )


def _support(evidence: Evidence, edges: LayoutEdges, found: Refined) -> float:
    return agreement(evidence, replace(edges, relief=found.relief), found.px_from_mm).support


def _common_seen(found: Refined) -> bool:
    height = found.relief.common_mm
    return height > LEAST_HEIGHT_MM and height > SEEN_DEVIATIONS * found.u_common_mm
