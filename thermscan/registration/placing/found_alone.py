"""The place from the frame and the layout alone: searched for, fitted where there is hope, and decided on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.frozen import dataclass
from thermscan.registration.placing.decision import ENOUGH, SAME_PLACE_PX, decide
from thermscan.registration.placing.given_places import Start
from thermscan.registration.placing.joint_fit import Placed
from thermscan.registration.placing.last_fit import Job, fitted
from thermscan.registration.placing.search import Candidate, Search, candidates, start_search

FloatArray = NDArray[np.float64]

# A last fit makes 99 of 100 right places likelier by less than this (629 of three makers), and wrong ones mostly less
# likely: what would have to gain more, to be believed or to be the likeliest, is not fitted; nor are more than so many.
FIT_GAINS, FITTED_MOST = 4.4, 4


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A place after its last fit, and what speaks for it there."""

    place: Candidate
    fit: Placed


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
    found = candidates(search)
    fits = last_fits(job, search, found, bends=bends)
    rest = found[len(fits) :]
    fits += beside(job, search, fits, bends=bends)
    places = [each.place for each in fits] + rest
    best = decide(places, search, job.evidence)
    for each in fits:
        if each.place is best:
            return each.fit
    return settled(job, search, best.corners_px, bends).fit


def last_fits(job: Job, search: Search, found: list[Candidate], *, bends: bool) -> list[Settled]:
    """Of the candidates, likeliest first, those that may be the place, each after its last fit."""
    fits: list[Settled] = []
    for each in found[:FITTED_MOST]:
        if each.log_odds < max([ENOUGH, *(other.place.log_odds for other in fits)]) - FIT_GAINS:
            break
        fits.append(settled(job, search, each.corners_px, bends))
    return fits


def beside(job: Job, search: Search, fits: list[Settled], *, bends: bool) -> list[Settled]:
    """
    The last fit of a likelier place near the likeliest that is not the same, if there is one.

    A fit follows the edges that it has: a place that is right on a part of the board only has enough of them.
    """
    if not fits:
        return []
    best = max((each.place for each in fits), key=lambda place: place.log_odds)
    near = search.nearest(best.corners_px)
    if search.apart_px(near, best.corners_px) < SAME_PLACE_PX or search.weighed(near).log_odds <= best.log_odds:
        return []
    return [settled(job, search, near, bends)]


def settled(job: Job, search: Search, corners_px: FloatArray, bends: bool) -> Settled:
    """The last fit from corners in the pixels of the search; with no edges to fit, they are known to about a pixel."""
    start = Start(search.small.to_frame(corners_px), True, np.eye(8))
    found = fitted(job, start, bends=bends)
    seen = search.small.from_frame(found.seen_corners_px(job.shape))
    return Settled(search.weighed(seen, found.heights_mm), found)
