"""The last step of every method: the parts' heights are fitted together with the board's place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.relief import U_COMMON_MM, USUAL_HEIGHT_MM, edge_rise, other_heights
from thermscan.registration.placing.agreement import Agreement, agreement
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.final_fit import Known, final_fit
from thermscan.registration.placing.outline_doubt import with_outline_doubt
from thermscan.registration.placing.refinement import FROM_NEAR_PX, Refined, refine

FloatArray = NDArray[np.float64]

# A common height counts as seen from so many of its standard uncertainties, and from this on.
SEEN_DEVIATIONS, LEAST_HEIGHT_MM = 4.0, 0.5
# A fit that explains fewer edges than before, by more than this, went astray.
LOST_EDGES = 2.0
# Stated heights are said to be seen otherwise from this on.
OTHERWISE = 0.35
# Other heights than stated must explain more edges by so many standard deviations.
CLEARLY = 2.0


def with_heights(
    evidence: Evidence,
    board: Board,
    edges: LayoutEdges,
    found: Refined,
    *,
    given: Known | None = None,
) -> Refined:
    """
    The registration with the heights of parts fitted to the frame, where a slanted view shows them.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    found : Refined
        Right within a few pixels.
    given : Known, optional
        Clicks on the corners.

    Returns
    -------
    Refined
        ``relief.common_mm`` counts as a height only where `common_seen`; the covariance holds it free in any case.

    Notes
    -----
    Stated heights get one common factor, those not stated one common height: two more numbers in the least
    squares. Both are started from several values, since an edge that is displaced farther than the search
    reaches is not found; heights as stated go first, and others must clearly explain more edges.
    """
    stated = ~np.isnan(edges.height_mm) & (edges.height_mm > 0)
    common = bool(np.isnan(edges.height_mm).any())
    found = _likeliest(evidence, board, edges, found, common)
    told = bool(stated.any()) and found.relief.scale != 0.0
    # Where the focal length and the near sides do not matter, as on a flat board, they are not fitted.
    fitted = _final(evidence, board, edges, found, free=(told, common, told, told), given=given)
    if fitted is not None and common and not told and common_seen(fitted):
        fitted = _final(evidence, board, edges, fitted, free=(False, True, True, True), given=given) or fitted
    if fitted is None and told:
        fitted = _final(evidence, board, edges, found, free=(False, common, False, False), given=given)
    return with_outline_doubt(evidence, board, edges, fitted or found)


def _final(
    evidence: Evidence,
    board: Board,
    edges: LayoutEdges,
    found: Refined,
    *,
    free: tuple[bool, bool, bool, bool],
    given: Known | None,
) -> Refined | None:
    """The last fit, unless it went astray."""
    fitted = final_fit(evidence, edges, corners_mm=board.corners_mm, found=found, free=free, given=given)
    if fitted is None or _support(evidence, edges, fitted) < _support(evidence, edges, found) - LOST_EDGES:
        return None
    return fitted


def _likeliest(evidence: Evidence, board: Board, edges: LayoutEdges, found: Refined, common: bool) -> Refined:
    """Heights as stated, or the others that clearly explain more edges."""
    plainly = (False, common, False, False)
    best = _fit(evidence, board, edges, found, plainly) or found
    shown = _agreement(evidence, edges, best)
    for other in other_heights(edges):
        fit = _fit(evidence, board, other, found, plainly)
        if fit is None:
            continue
        seen = _agreement(evidence, edges, fit)
        if seen.support > shown.support + LOST_EDGES and seen.better_than(shown) > CLEARLY:
            best, shown = fit, seen
    return best


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
    if common_seen(found):
        said.append(
            f"parts without a stated height seem to stand {found.relief.common_mm / USUAL_HEIGHT_MM:.1f} times as high"
            " as such parts usually do; their slanted view is corrected for that"
            " (state height_mm in the layout to do better)"
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


def _agreement(evidence: Evidence, edges: LayoutEdges, found: Refined) -> Agreement:
    return agreement(evidence, replace(edges, relief=found.relief), found.px_from_mm)


def _support(evidence: Evidence, edges: LayoutEdges, found: Refined) -> float:
    return _agreement(evidence, edges, found).support


def common_seen(found: Refined) -> bool:
    """Whether the frame shows that parts of unstated height stand up."""
    height = found.relief.common_mm
    return found.u_common_mm < U_COMMON_MM and height > LEAST_HEIGHT_MM and height > SEEN_DEVIATIONS * found.u_common_mm
