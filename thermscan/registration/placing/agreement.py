"""How many of the layout's edges the frame shows where they should be: the test of a registration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.evidence import Evidence
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.refinement import look
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Edges are looked for over this range to either side, and count as near within this distance. Where the
# layout is not there, a fifth of them are near (measured at the wrong candidates of 20 simulated views).
AGREEMENT_PX, NEAR_PX = 3.0, 0.5
BY_CHANCE = 0.21
# Of the body edges that are seen at all, the share that must lie where the layout has them; and by how
# many standard deviations that must exceed chance. Right places show 0.5 and more, wrong ones and other
# candidates below 0.4 and 2.5 deviations (the same views; one half-right place had 0.49: see the quarters below).
LEAST_SHARE = 0.44
LEAST_BEYOND_CHANCE = 3.3
# A registration that is right on one side of the board and wrong on the other is wrong: each quarter of the
# board must show more than chance, unless its edges are too few to tell (so many standard deviations below
# what a right place shows).
LEAST_QUARTER_SHARE, RIGHT_SHARE, QUARTER_BELOW = 0.33, 0.5, 1.8
# So many edges are plenty: where they are seen they have a say.
PLENTY = 30
# The outline holds a place where it is seen over so much of its length, and over so much of every side.
OUTLINE_NEEDED, SIDE_NEEDED = 0.65, 0.3
SURE_SHARE, SURE_BEYOND_CHANCE = 0.65, 6.0
# The four sides of a body, and bodies in a row, stand or fall together: about two edges make one vote.
EDGES_A_VOTE = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """
    Which of the layout's edges the frame shows, and which of those where they should be.

    Attributes
    ----------
    found, near : ndarray of bool, shape (m,)
        For each side of a body: seen within the search range; and within half a pixel of its prediction.
    outline_seen : float
        Share of the outline's pieces in the frame that show an edge where it should be.
    side_seen : float
        The same on the side of the board where it is least.
    weakest_share : float
        As `share`, in the quarter of the board where it is least, of those with enough edges to tell.
    """

    found: NDArray[np.bool_]
    near: NDArray[np.bool_]
    outline_seen: float
    side_seen: float = 1.0
    weakest_share: float = 1.0

    def __post_init__(self) -> None:
        for name in ("found", "near"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))

    @property
    def share(self) -> float:
        """Near among found."""
        return float(self.near.sum() / max(self.found.sum(), 1))

    @property
    def support(self) -> float:
        """Edges near, less what a place halfway between right and wrong would show."""
        return float(self.near.sum() - LEAST_SHARE * self.found.sum())

    @property
    def beyond_chance(self) -> float:
        """By how many standard deviations more edges are near than a wrong place would give."""
        votes = self.found.sum() / EDGES_A_VOTE
        return float((self.share - BY_CHANCE) * np.sqrt(votes / (BY_CHANCE * (1 - BY_CHANCE))))

    @property
    def convincing(self) -> bool:
        """Whether the layout is there at all."""
        enough = self.share >= LEAST_SHARE and self.beyond_chance >= LEAST_BEYOND_CHANCE
        return enough and self.weakest_share >= LEAST_QUARTER_SHARE

    @property
    def outline_holds(self) -> bool:
        """Whether the outline is seen where it should be, and on every side: three sides leave the fourth loose."""
        return self.outline_seen >= OUTLINE_NEEDED and self.side_seen >= SIDE_NEEDED

    @property
    def beyond_doubt(self) -> bool:
        """Whether no other place needs to be tried, but the same one turned."""
        return self.convincing and self.share >= SURE_SHARE and self.beyond_chance >= SURE_BEYOND_CHANCE

    def better_than(self, other: Agreement) -> float:
        """
        By how many standard deviations this explains more edges than another place does.

        References
        ----------
        .. [1] Q. McNemar, Note on the sampling error of the difference between correlated proportions,
           Psychometrika 12 (1947) 153-157.

        Examples
        --------
        >>> seen = np.ones(18, dtype=bool)
        >>> Agreement(seen, seen, 1.0).better_than(Agreement(seen, ~seen, 1.0))
        3.0
        """
        only_here = int((self.near & ~other.near).sum())
        only_there = int((other.near & ~self.near).sum())
        votes = max(only_here + only_there, 1) / EDGES_A_VOTE
        return float((only_here - only_there) / EDGES_A_VOTE / np.sqrt(votes))


def agreement(evidence: Evidence, edges: LayoutEdges, px_from_mm: FloatArray) -> Agreement:
    """How the layout's edges agree with the frame's, one vote an edge."""
    sites = look(evidence, edges, px_from_mm, range_px=AGREEMENT_PX).sites
    count = len(edges.part)
    looked = np.bincount(sites.edge, minlength=count)
    seen = np.isfinite(sites.offset_px)
    found = np.bincount(sites.edge[seen], minlength=count) >= np.maximum(0.5 * looked, 1)
    close = seen & (np.abs(np.nan_to_num(sites.offset_px, nan=99.0)) < NEAR_PX)
    near = found & (
        np.bincount(sites.edge[close], minlength=count) >= 0.5 * np.bincount(sites.edge[seen], minlength=count)
    )
    outline = (edges.part < 0) & (looked > 0)
    body = edges.part >= 0
    outline_seen = float((near & outline).sum() / max(outline.sum(), 1))
    middle = (edges.starts_mm + edges.ends_mm) / 2
    low, high = middle[~body].min(axis=0), middle[~body].max(axis=0)
    centre = (low + high) / 2
    aside = (middle - centre) / np.maximum(high - low, 1e-9)
    across = np.abs(aside).argmax(axis=1)
    side = 2 * across + (np.take_along_axis(aside, across[:, None], axis=1)[:, 0] > 0)
    pieces = np.bincount(side[outline], minlength=4)
    side_seen = (np.bincount(side[near & outline], minlength=4) / np.maximum(pieces, 1))[pieces > 0].min(initial=1.0)
    quarter = (middle > centre) @ [1, 2]
    in_found = np.bincount(quarter[found & body], minlength=4)
    share = np.bincount(quarter[near & body], minlength=4) / np.maximum(in_found, 1)
    below = (RIGHT_SHARE - share) * np.sqrt(in_found / EDGES_A_VOTE / (RIGHT_SHARE * (1 - RIGHT_SHARE)))
    weakest = float(share[below > QUARTER_BELOW].min(initial=1.0))
    return Agreement(found[body], near[body], outline_seen, float(side_seen), weakest)
