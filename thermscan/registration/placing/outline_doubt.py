"""Where the outline alone puts the board elsewhere than all edges together do, their difference is a doubt."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.final_fit import final_fit
from thermscan.registration.placing.refinement import NOTHING_FREE, Refined

# They disagree by more than their covariances let one expect (chi squared a degree of freedom; 2.5 of eight happens
# once in a hundred); beyond so many pixels they see different things, and neither tells of the other.
DISAGREES, SAME_THING_PX = 2.5, 3.0


def with_outline_doubt(evidence: Evidence, board: Board, edges: LayoutEdges, found: Refined) -> Refined:
    """
    The registration, with what speaks for another place near by in its covariance.

    Parameters
    ----------
    evidence : Evidence
    board : Board
    edges : LayoutEdges
    found : Refined
        By all edges.

    Returns
    -------
    Refined
        At the same place.

    Notes
    -----
    Parts whose heights are not stated, and differ from one another and from what is usual, displace the board
    together, which their scatter does not show; the outline is in the board's plane, but tall parts and cables may
    lie over it. Which of the two is right is not known: in simulated views either was, by up to two pixels.
    """
    only = edges.part < 0
    outline = {each.name: getattr(edges, each.name)[only] for each in fields(edges) if each.name != "relief"}
    alone = final_fit(
        evidence, replace(edges, **outline), corners_mm=board.corners_mm, found=found, free=NOTHING_FREE, given=None
    )
    if alone is None:
        return found
    apart = (alone.corners_px - found.corners_px).ravel()
    together = alone.corner_covariance_px2 + found.corner_covariance_px2
    if apart @ np.linalg.solve(together, apart) < DISAGREES * len(apart) or np.abs(apart).max() > SAME_THING_PX:
        return found
    return replace(found, corner_covariance_px2=found.corner_covariance_px2 + np.outer(apart, apart) / 2)
