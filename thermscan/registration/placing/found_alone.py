"""The place from the frame and the layout alone: searched for, fitted where there is hope, and decided on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.frozen import dataclass
from thermscan.registration.placing.decision import ENOUGH, SAME_PLACE_PX, decide
from thermscan.registration.placing.given_places import Start
from thermscan.registration.placing.joint_fit import FAR, NEAR, Placed, Steps
from thermscan.registration.placing.last_fit import Job, fitted
from thermscan.registration.placing.search import LIKELY, Candidate, Search, candidates, start_search

FloatArray = NDArray[np.float64]

# A last fit makes 99 of 100 right places likelier by less than this (629 of three makers), and wrong ones mostly less
# likely: what would have to gain more, to be believed or to be the likeliest, is not fitted; nor are more than so many.
FIT_GAINS, FITTED_MOST = 4.4, 4
# Beside a place with odds of a million to one nothing else is looked for (two wrong ones that were looked at had 66,000
# and 12,000); else so many of the places that climb from it are asked, each of its corners moved by so much first, of
# the twelve pixels that the search reaches (set with those two in sight; no sensitivity was measured).
SURE, BESIDE_TRIED, BESIDE_PX = float(np.log(1e6)), 2, 8.0
ONE_CORNER = np.concatenate([np.eye(8), -np.eye(8)]).reshape(16, 4, 2)


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
    if fits:
        best = max((each.place for each in fits), key=_odds)
        other = beside(search, best)
        if other is not None and other.log_odds > best.log_odds:
            fits.append(settled(job, search, other.corners_px, bends))
        elif other is not None:
            rest.append(other)
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


def beside(search: Search, best: Candidate) -> Candidate | None:
    """
    The likeliest place that climbs from beside one that is not sure.

    A place may be right on a part of the board only, with a corner off where few bodies are: each of its corners in
    turn is moved to either side first. Only what is, roughly, nearly as likely as the place itself is looked at closer
    (three wrong places that were looked at had the right one 2.0 above in log odds, 1.0 above and 1.1 below; places
    that lead back mostly lie 3 to 8 below).
    """
    if best.log_odds >= SURE:
        return None
    begun = best.corners_px + BESIDE_PX * np.concatenate([np.zeros((1, 4, 2)), ONE_CORNER])
    around, odds = search.rough(begun)
    away = np.array([search.apart_px(each, best.corners_px) for each in around]) >= SAME_PLACE_PX
    likely = away & (odds > odds[~away].max(initial=-np.inf) - ENOUGH)
    others = [search.weighed(search.nearest(each)) for each in around[likely][:BESIDE_TRIED]]
    others = [each for each in others if search.apart_px(each.corners_px, best.corners_px) >= SAME_PLACE_PX]
    return max(others, key=_odds, default=None)


def _odds(place: Candidate) -> float:
    return place.log_odds


def settled(job: Job, search: Search, corners_px: FloatArray, bends: bool) -> Settled:
    """
    The last fit from corners in the pixels of the search; with no edges to fit, they are known to about a pixel.

    One that looks near follows no neighbour's edges, one that looks farther finds more of its own: where the first
    leaves the place less than likely, the likelier of both. Where a pixel of the search is several of the frame's, the
    place is not known so well that the near one could be first.
    """
    first, second = (NEAR, FAR) if search.small.scale == 1.0 else (FAR, NEAR)
    found = _settled(job, search, corners_px, bends, first)
    if found.place.log_odds >= LIKELY:
        return found
    return max(found, _settled(job, search, corners_px, bends, second), key=lambda each: each.place.log_odds)


def _settled(job: Job, search: Search, corners_px: FloatArray, bends: bool, steps: Steps) -> Settled:
    start = Start(search.small.to_frame(corners_px), True, np.eye(8))
    found = fitted(job, start, bends=bends, steps=steps)
    seen = search.small.from_frame(found.seen_corners_px(job.shape))
    return Settled(search.weighed(seen, found.heights_mm), found)
