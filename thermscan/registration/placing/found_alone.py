"""The place from the frame and the layout alone: searched for, decided on, and fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.registration.geometry.bend import unit_bend
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing.decision import AHEAD, ENOUGH, GIVE_INSTEAD, decide
from thermscan.registration.placing.given_places import Start
from thermscan.registration.placing.joint_fit import Placed
from thermscan.registration.placing.last_fit import Job, fitted
from thermscan.registration.placing.search import Candidate, Search, candidates, start_search

FloatArray = NDArray[np.float64]

# Right places leave up to 0.4 px, wrong ones more than this.
MOST_RESIDUAL_PX = 0.7
# A last fit that moves a place found with no help farther than this, in pixels of the search, went to the next row of
# bodies: half of them.
FARTHEST_PX = 8.0
# Two places whose last fits end this near each other are one.
ONE_PLACE_PX = 1.0
# How well a place is known by the search alone, as a corner's standard uncertainty in its pixels.
SEARCHED_U_PX = 0.7


def found_alone(job: Job, *, bends: bool) -> Placed:
    """
    The place from the frame and the layout alone.

    Raises
    ------
    CannotJudge
        No board, more than one, another board, or an orientation that the frame does not settle.
    """
    if not job.board.parts:
        raise CannotJudge("the layout has no parts to settle the board's place by", fix="give corners_px")
    search = start_search(job.evidence, job.board, job.edges, job.prior)
    best, *beside = decide(candidates(search), search, job.evidence)
    found = _settled(job, search, best, bends=bends)
    for other in beside:
        _check_beside(job, search, found, _settled(job, search, other, bends=bends, refuse=False))
    return found


def _settled(job: Job, search: Search, place: Candidate, *, bends: bool, refuse: bool = True) -> Placed:
    """
    The last fit of a place that was found with no help.

    Raises
    ------
    CannotJudge
        It does not lie there, unless ``refuse`` is False.
    """
    start = Start(search.small.to_frame(place.corners_px), True, np.eye(8))
    found = fitted(job, start, given=None, bends=bends)
    moved = _apart_px(job, found.corners_px, start.corners_px) * search.small.scale
    if refuse and (not found.edges or moved > FARTHEST_PX or found.residual_px > MOST_RESIDUAL_PX):
        raise CannotJudge(
            "an outline was found, but the layout's edges do not lie on the frame's"
            + (f": they scatter by {found.residual_px:.1f} pixels" if found.edges else ""),
            fix=f"check that the layout is of this board and side; else {GIVE_INSTEAD}",
        )
    seen = found.corners_px + found.bend_px * unit_bend(found.corners_px, job.shape)
    if place.log_odds - search.weighed(search.small.from_frame(seen)).log_odds > ENOUGH:
        # The fit went where the witnesses do not follow: the place as it was found, as well as a search tells it.
        doubt = np.eye(8) * (SEARCHED_U_PX / search.small.scale) ** 2
        return replace(fitted(job, Start(start.corners_px, False, doubt), given=None, bends=bends), edges=found.edges)
    return found


def _check_beside(job: Job, search: Search, found: Placed, other: Placed) -> None:
    """Refuse where two places beside each other stay apart in the last fit, and neither is clearly the likelier."""
    apart = _apart_px(job, found.corners_px, other.corners_px) * search.small.scale
    if not other.edges or apart < ONE_PLACE_PX:
        return
    odds = [search.weighed(search.small.from_frame(each.corners_px)).log_odds for each in (found, other)]
    if odds[0] - odds[1] < AHEAD:
        raise CannotJudge(
            f"the layout fits the frame in two ways almost alike ({apart:.0f} pixels apart)", fix=GIVE_INSTEAD
        )


def _apart_px(job: Job, one_px: FloatArray, other_px: FloatArray) -> float:
    """Of the middle one of the parts, between two places of the board's corners."""
    centres = np.array([[part.x_mm, part.y_mm] for part in job.board.parts])
    seen = [map_points(homography_from_corners(job.board.corners_mm, each), centres) for each in (one_px, other_px)]
    return float(np.median(np.linalg.norm(seen[0] - seen[1], axis=1)))
