"""A place where the board could lie, and what is asked of the frame there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence, filled, reduced
from thermscan.registration.placing.agreement import PLENTY, SURE_SHARE, Agreement, agreement
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.outline_candidates import SEARCH_PX
from thermscan.registration.placing.pattern import LayoutPattern, Match, compressed, layout_pattern, match_layout
from thermscan.registration.placing.refinement import FROM_NEAR_PX, Refined, refine
from thermscan.registration.placing.standing import DetailPattern, Standing, climb, detail_pattern, standing

FloatArray = NDArray[np.float64]

# A candidate is refined only where the detail stands out by so many deviations after so many steps (right places
# within two pixels mostly show 8 and more, wrong ones below 4).
ROUGH_STEPS, WORTH_DEVIATIONS = 3, 3.5


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place for the board, refined at the search's scale."""

    corners_px: FloatArray
    refined: Refined
    match: Match
    agreement: Agreement
    standing: Standing

    @property
    def weight(self) -> float:
        """By how many standard deviations edges and detail together exceed what a wrong place shows."""
        return self.agreement.beyond_chance + self.standing.deviations

    @property
    def convincing(self) -> bool:
        """Whether the layout is there at all: by its edges, or where few are seen by what is inside the outline."""
        if self.agreement.outline_holds:
            return self.agreement.convincing or self.standing.convincing
        # Nothing holds the place but what is inside: places four pixels off look right by edges or detail alone.
        if self.agreement.found.sum() >= PLENTY:
            return self.agreement.convincing and self.agreement.share >= SURE_SHARE and self.standing.convincing
        return self.standing.overwhelming

    @property
    def beyond_doubt(self) -> bool:
        """Whether no other place needs to be tried, but the same one turned."""
        return self.agreement.outline_holds and (self.agreement.beyond_doubt or self.standing.convincing)


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What does not change while candidates are tried."""

    small: Evidence
    picture: NDArray[np.float32]
    pattern: LayoutPattern
    detail: DetailPattern
    board: Board
    edges: LayoutEdges

    def match(self, corners_px: FloatArray) -> Match:
        """How well the layout explains the picture there."""
        return match_layout(self.picture, self.pattern, corners_mm=self.board.corners_mm, corners_px=corners_px)

    def refined(self, corners_px: FloatArray, ranges_px: Sequence[float]) -> Candidate | None:
        """The place improved on the edges, with all that is known of it."""
        box = self.board.corners_mm
        refined = refine(self.small, self.edges, corners_mm=box, corners_px=corners_px, ranges_px=ranges_px)
        if refined is None:
            return None
        here = refined.corners_px
        return Candidate(
            self.small.to_frame(here),
            refined,
            self.match(here),
            agreement(self.small, replace(self.edges, relief=refined.relief), refined.px_from_mm),
            self.stands(here),
        )

    def stands(self, corners_px: FloatArray) -> Standing:
        """How the detail stands out there."""
        return standing(self.picture, self.detail, corners_mm=self.board.corners_mm, corners_px=corners_px)

    def worth_refining(self, corners_px: FloatArray, ranges_px: Sequence[float]) -> bool:
        """Whether the detail stands out at all once the outline has been met: most candidates end here."""
        box, rough = self.board.corners_mm, ranges_px[:ROUGH_STEPS]
        met = refine(self.small, self.edges, corners_mm=box, corners_px=corners_px, ranges_px=rough)
        return met is not None and self.stands(met.corners_px).deviations >= WORTH_DEVIATIONS

    def climbed(self, corners_px: FloatArray) -> Candidate | None:
        """The place moved to where the detail says, then improved on the edges; None where it says nothing."""
        there = climb(self.picture, self.detail, corners_mm=self.board.corners_mm, corners_px=corners_px)
        return self.refined(there, FROM_NEAR_PX) if self.stands(there).deviations >= WORTH_DEVIATIONS else None

    def of(self, evidence: Evidence) -> Search:
        """The same search in another frame."""
        small = reduced(evidence, SEARCH_PX)
        return replace(self, small=small, picture=compressed(filled(small.apparent)))


def start_search(evidence: Evidence, board: Board, edges: LayoutEdges) -> Search:
    """The frame at the scale of the search, and the layout's patterns."""
    small = reduced(evidence, SEARCH_PX)
    picture = compressed(filled(small.apparent))
    return Search(small, picture, layout_pattern(board), detail_pattern(board), board, edges)


def by_weight(found: list[Candidate]) -> list[Candidate]:
    """Likeliest first."""
    return sorted(found, key=lambda candidate: -candidate.weight)


def lies_elsewhere(one: FloatArray, other: FloatArray) -> bool:
    """The middle of each lies outside the other: not the same thing seen in two ways."""
    apart = float(np.linalg.norm(one.mean(axis=0) - other.mean(axis=0)))
    return apart > 0.4 * min(float(np.linalg.norm(np.ptp(each, axis=0))) for each in (one, other))
