"""Where could the board be? Candidates from the frame's lines and edges, ranked by how well the layout's fit them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.evidence import Evidence, reduced
from thermscan.registration.geometry.heights import HeightPrior, height_prior
from thermscan.registration.geometry.homography import homographies, homography_from_corners
from thermscan.registration.geometry.plausible import lies_elsewhere, turn_deg
from thermscan.registration.geometry.pose import Pose, Poses, as_views, pose_from_homography, poses_from_homographies
from thermscan.registration.geometry.rise import own_rise
from thermscan.registration.placing.bodies import Bodies, bodies_of, bodies_stand_out, others_spread
from thermscan.registration.placing.closer import TRIED_ROUGHLY, Nearby, climbed, nearby, stepped
from thermscan.registration.placing.corners import LEAST_SIDE_PX
from thermscan.registration.placing.detail import compressed
from thermscan.registration.placing.edge_odds import EdgeOdds, blurred, edge_odds
from thermscan.registration.placing.edge_support import edge_support
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.moves import moved_to_edges
from thermscan.registration.placing.outline_candidates import SEARCH_PX, FrameEdges
from thermscan.registration.placing.own_heights import GradientField, gradient_field, see_heights
from thermscan.registration.placing.proposals import proposals
from thermscan.registration.placing.sites import Sites, sites_of
from thermscan.registration.placing.tops import Tops, tops_of, tops_stand_out

FloatArray = NDArray[np.float64]

# So many of the proposed places, moved roughly, are tried where the first outline is not sure: the first by all edges,
# the first by the outline's, and the second.
TRIED = 3
# The same outline the other way round, by half or a quarter of a turn, is turned by more than this.
TURNED_DEG = 45.0
# Of the twelve equally likely heights of a body these are asked where many places are: of the lowest and the highest
# quarter one, and one of the middle.
FEW_HEIGHTS = [1, 6, 10]
# Roughly, places are moved by looks two pixels apart, which edges blurred over three leave no gap between, from every
# second site, in steps of so many pixels at first and at last.
ROUGH_PX, ROUGH_SITES, ROUGH_STEPS_PX = 2, 2, (2.0, 0.6)
# How far from its prediction an edge is looked for, step by step.
SETTLING_PX = (3.0, 2.5, 2.0, 1.5, 1.5)
# The gradient of the search is taken after this blur.
SEARCH_BLUR_PX = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """
    A place for the board, in the pixels of the search.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
    edges : float
        How far the bodies' edges fit better here than other layouts' do (`bodies_stand_out`).
    outline : float
        Log odds that a piece of the outline is there, on average.
    detail : float
        How far the bodies explain the picture's detail better than they do elsewhere.
    explained : float
        Share of the detail that they explain.
    """

    corners_px: FloatArray
    edges: float
    outline: float
    detail: float
    explained: float

    @property
    def log_odds(self) -> float:
        """Posterior log odds of all three together, against no place that was looked at being right."""
        return _log_odds(self.edges, self.outline, self.detail)


# No more places are tried from odds of ten thousand to one on: of 813 wrong places none had as much.
LIKELY = float(np.log(1e4))
# The witnesses are not independent: their weights are those of a conditional logistic regression of the right place
# against all others that were fitted in its frame, and none of them (1,214 right places and 909 frames of others'
# layouts, of three makers, by tests/benchmarks/placing_odds.py).
EDGES_WORTH, OUTLINE_WORTH, DETAIL_WORTH, CONSTANT = 3.7, 5.3, 1.6, -12.5
# Who gives a layout gives the right one more often than not: with nine in ten, and the right place looked at in 93 % of
# frames (of 520), the odds before are 5 to 1, besides what the regression has for as many layouts of other boards.
PRIOR_ODDS = CONSTANT + float(np.log(5.0))
# So many deviations of many bodies double the density; of few bodies, by which wrong places stand out farther, more do
# (of five by the root of two). Losses in cross-validation: edges 1.5, 2, 3 and 5: 0.066, 0.066, 0.068, 0.072; detail
# 1.5, 3, 5: 0.068, 0.066, 0.066; few 0, 5, 10 and 20: 0.069, 0.066, 0.069, 0.075.
EDGES_DOUBLING, DETAIL_DOUBLING, FEW = 2.0, 3.0, 5


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What does not change while candidates are tried; the pattern is made when it is first asked for."""

    board: Board
    edges: LayoutEdges
    prior: HeightPrior
    small: Evidence
    frame: FrameEdges
    picture: NDArray[np.float32]
    field: GradientField
    sites: Sites
    odds: EdgeOdds
    blurred: EdgeOdds
    bodies: Bodies
    few_samples: Bodies
    tops: Tops

    def of_board(self, board: Board, edges: LayoutEdges) -> Search:
        """The same frame searched for another layout."""
        prior = height_prior(board)
        bodies = bodies_of(board, prior)
        return replace(
            self,
            board=board,
            edges=edges,
            prior=prior,
            sites=sites_of(edges),
            bodies=bodies,
            few_samples=bodies.thinned(FEW_HEIGHTS),
            tops=tops_of(board, max(self.shape)),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the search."""
        rows, cols = self.small.apparent.shape
        return rows, cols

    def matrix(self, corners_px: FloatArray) -> FloatArray:
        """The homography of a place."""
        return homography_from_corners(self.board.corners_mm, corners_px)

    def apart_px(self, one_px: FloatArray, other_px: FloatArray) -> float:
        """How far two places are apart, over the parts."""
        one, other = (map_points(self.matrix(each), self.bodies.centres_mm[0]) for each in (one_px, other_px))
        return float(np.sqrt(((one - other) ** 2).sum(axis=1).mean()))

    def settled(self, places_px: FloatArray) -> FloatArray:
        """The places fitted to all edges, without those that too few edges support."""
        own = self._own_rise(homographies(self.board.corners_mm, places_px))
        moved = moved_to_edges(
            self.field,
            self.sites,
            self.board.corners_mm,
            places_px,
            ranges_px=SETTLING_PX,
            shift_px=own * self._by_edge(self.prior.mean_mm),
            u_px=own * self._by_edge(self.prior.u_mm),
        )
        return _there(moved)

    def ranked(self, places_px: FloatArray) -> FloatArray:
        """
        Those places first for which the bodies' edges or the outline's speak most; none of them twice.

        Edges some pixels off count as well.
        """
        from_afar = replace(self, odds=self.blurred)
        outline, bodies = from_afar.edge_support(homographies(self.board.corners_mm, places_px))
        ranked = places_px[by_any(bodies, outline)]
        return ranked[_distinct(ranked)]

    def rough(self, places_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        The places moved closer by a look on blurred edges, likeliest first, none twice; and their odds by edges.

        A look costs so little that all can have it, and a place some pixels off is told from wrong ones only then.
        """
        near = self._nearby(places_px, worth=(1.0, OUTLINE_WORTH), rough=True)
        rng = np.random.default_rng(0)
        moved, _ = climbed(near, places_px, places_px, rng, tried=TRIED_ROUGHLY, steps_px=ROUGH_STEPS_PX)
        odds = self.odds_by_edges(moved)
        order = np.argsort(-odds, kind="stable")
        kept = order[_distinct(moved[order])]
        return moved[kept], odds[kept]

    def odds_by_edges(self, places_px: FloatArray) -> FloatArray:
        """Log odds of places by the outline's edges and, from a few samples, by those of the bodies; shape (k,)."""
        matrices = homographies(self.board.corners_mm, places_px)
        outline, _ = self.edge_support(matrices)
        edges = bodies_stand_out(self.odds, self.few_samples, matrices, self._poses(matrices)) / self._few
        return np.array([_log_odds(one, other, 0.0) for one, other in zip(edges, outline, strict=True)])

    @property
    def _few(self) -> float:
        """By which a few bodies' deviations are divided."""
        return float(np.sqrt(1 + FEW / max(len(self.bodies.centres_mm[0]), 1)))

    def edge_support(self, matrices: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log odds of outline and bodies by their edges, at their middle heights, at many places."""
        return edge_support(self.odds, self.sites, self.edges, matrices, self._middle_rise(matrices))

    def weighed(self, corners_px: FloatArray, heights_mm: FloatArray | None = None) -> Candidate:
        """A place with what speaks for it; the parts as high as they were fitted, or else as their own edges tell."""
        matrix = self.matrix(corners_px)
        pose, centres = self._pose(matrix), self.bodies.centres_mm[0]
        if heights_mm is None:
            heights_mm = self._heights_mm(matrix)
        seen = map_points(np.linalg.inv(matrix), pose.px(centres, heights_mm))
        tops = tops_stand_out(self.picture, self.tops, matrix, seen - centres)
        return Candidate(
            corners_px,
            float(bodies_stand_out(self.odds, self.bodies, matrix[None], as_views(pose))[0]) / self._few,
            float(self.edge_support(matrix[None])[0][0]),
            tops.deviations / self._few,
            tops.share,
        )

    def nearest(self, corners_px: FloatArray) -> FloatArray:
        """
        The place moved to where edges speak loudest for bodies and outline, and fitted to all where they are enough.

        The same every time.
        """
        matrix = self.matrix(corners_px)
        # By a deviation as the log odds where they rise most, so that many are not more certain than few.
        spread = float(others_spread(self.odds, self.few_samples, matrix[None], self._poses(matrix[None]))[0])
        worth = EDGES_WORTH / EDGES_DOUBLING / spread, OUTLINE_WORTH
        closer = stepped(partial(self._nearby, worth=worth), corners_px)
        settled = self.settled(closer[None])
        return settled[0] if len(settled) else closer

    def _nearby(self, places_px: FloatArray, *, worth: tuple[float, float], rough: bool = False) -> Nearby:
        """What is told around places, of bodies of their middle heights."""
        return nearby(
            self.blurred if rough else self.odds,
            self.sites.thinned(ROUGH_SITES) if rough else self.sites,
            self.edges,
            corners_mm=self.board.corners_mm,
            corners_px=places_px,
            shift_px=self._middle_rise(homographies(self.board.corners_mm, places_px)),
            worth=worth,
            pitch_px=ROUGH_PX if rough else 1,
        )

    def _middle_rise(self, matrices: FloatArray) -> FloatArray:
        """By how much its body's middle height displaces each edge; shape (k, m, 2)."""
        return self._own_rise(matrices) * self._by_edge(np.median(self.bodies.heights_mm, axis=1))

    def _heights_mm(self, matrix: FloatArray) -> FloatArray:
        """As high as the parts' own edges tell at a place; shape (parts,)."""
        box, fov_deg = self.board.corners_mm, self.small.fov_deg
        seen = see_heights(
            self.field, self.edges, self.prior, matrix, corners_mm=box, shape=self.shape, fov_deg=fov_deg
        )
        return seen.weighed.likeliest_mm

    def _pose(self, matrix: FloatArray) -> Pose:
        return pose_from_homography(
            matrix, shape=self.shape, corners_mm=self.board.corners_mm, fov_deg=self.small.fov_deg
        )

    def _poses(self, matrices: FloatArray) -> Poses:
        return poses_from_homographies(
            matrices, shape=self.shape, corners_mm=self.board.corners_mm, fov_deg=self.small.fov_deg
        )

    def _own_rise(self, matrices: FloatArray) -> FloatArray:
        """How far a millimetre of its body's height displaces each edge, at many places; shape (k, m, 2)."""
        return own_rise(self._poses(matrices), matrices, self.edges, self.prior.mean_mm)

    def _by_edge(self, mm: FloatArray) -> FloatArray:
        """What is known of the parts, for each edge; zero for the outline; shape (m, 1)."""
        return np.where(self.edges.part >= 0, mm[self.edges.part] if len(mm) else 0.0, 0.0)[:, None]


def _there(places_px: FloatArray) -> FloatArray:
    result: FloatArray = places_px[np.isfinite(places_px).all(axis=(1, 2))]
    return result


def _distinct(places_px: FloatArray) -> list[int]:
    """Which of the places repeat none that comes before them, to a pixel."""
    apart = np.abs(places_px[:, None] - places_px[None]).max(axis=(2, 3)) > 1.0
    kept: list[int] = []
    for k, row in enumerate(apart):
        if row[kept].all():
            kept.append(k)
    return kept


def witnesses(edges: float, outline: float, detail: float) -> tuple[float, float, float]:
    """
    What enters the log odds: of deviations the logarithm of a density with Cauchy's tails, as for edges and heights.

    A few deviations tell nothing, and those of a hundred hardly more than those of thirty.
    """
    return _of_deviations(edges, EDGES_DOUBLING), outline, _of_deviations(detail, DETAIL_DOUBLING)


def _of_deviations(deviations: float, doubling: float) -> float:
    return float(np.log1p((max(deviations, 0.0) / doubling) ** 2))


def _log_odds(edges: float, outline: float, detail: float) -> float:
    told = zip((EDGES_WORTH, OUTLINE_WORTH, DETAIL_WORTH), witnesses(edges, outline, detail), strict=True)
    return PRIOR_ODDS + sum(worth * each for worth, each in told)


def start_search(evidence: Evidence, board: Board, edges: LayoutEdges, prior: HeightPrior) -> Search:
    """The frame at the scale of the search, and the layout's patterns."""
    small = reduced(evidence, SEARCH_PX)
    frame = FrameEdges(small)
    picture = compressed(frame.picture)
    field = gradient_field(small, SEARCH_BLUR_PX)
    odds, bodies = edge_odds(gradient_field(small)), bodies_of(board, prior)
    tops = tops_of(board, max(small.apparent.shape))
    roughly, sites = blurred(odds, 2 * ROUGH_PX - 1), sites_of(edges)
    few = bodies.thinned(FEW_HEIGHTS)
    return Search(board, edges, prior, small, frame, picture, field, sites, odds, roughly, bodies, few, tops)


def candidates(search: Search, *, thorough: bool = True) -> list[Candidate]:
    """
    Places that the layout fits to some degree, best first.

    Four lines of the frame propose an outline; where none of those is sure, the bodies propose places by themselves,
    which may be some pixels off with no outline near to move them to; not unless ``thorough``.
    """
    box, fov_deg = search.board.corners_mm, search.small.fov_deg
    outlines = proposals(search.frame, search.edges, box, fov_deg=fov_deg)
    found = _tried(search, search.ranked(outlines), 1, []) if len(outlines) else []
    if not thorough or _likely(found):
        return found
    # Fewer edges than the smallest board's outline has are no board's.
    if np.count_nonzero(search.frame.thin) < 4 * LEAST_SIDE_PX:
        return found
    # Few frames need them, and scipy.fft is slow to load.
    from thermscan.registration.placing.body_proposals import body_proposals  # noqa: PLC0415

    bodies = body_proposals(search.odds, search.sites, box, search.shape, fov_deg=fov_deg)
    proposed = np.concatenate([outlines, bodies])
    return _tried(search, search.rough(proposed)[0], TRIED, found) if len(proposed) else found


def _likely(found: list[Candidate]) -> bool:
    return bool(found) and found[0].log_odds >= LIKELY


def _tried(search: Search, ranked: FloatArray, most: int, found: list[Candidate]) -> list[Candidate]:
    """The likeliest of the places moved closer, fitted and weighed, until one is likely, besides those found before."""
    for place in ranked[:most]:
        found = _weighed(search, search.nearest(place)[None], besides=found)
        if _likely(found):
            return _with_rivals(search, found, ranked)
    return found


def _with_rivals(search: Search, found: list[Candidate], ranked: FloatArray) -> list[Candidate]:
    """
    Besides what was found, the likeliest places of a second board and of this one the other way round.

    Not those of which edges tell so little that with the detail of the best they were less likely than none.
    """
    rivals = search.settled(_rivals(found[0], ranked))
    if not len(rivals):
        return found
    detail = DETAIL_WORTH * _of_deviations(found[0].detail, DETAIL_DOUBLING)
    return _weighed(search, rivals[search.odds_by_edges(rivals) + detail > 0], besides=found)


def by_any(*told: FloatArray) -> NDArray[np.intp]:
    """
    Those first that rank high in any of several lists, in turn.

    Where the outline is hidden, or as warm as the bench, only the bodies tell a place, and where they are cold only
    the outline does: in a sum the witness that knows nothing would outvote the others.

    Examples
    --------
    >>> by_any(np.array([9.0, 7.0, 8.0, 1.0]), np.array([1.0, 2.0, 3.0, 4.0])).tolist()
    [0, 3, 2, 1]
    """
    ranks = [np.argsort(np.argsort(-each, kind="stable"), kind="stable") for each in told]
    return np.lexsort((ranks[0], np.min(ranks, axis=0)))


def _rivals(best: Candidate, ranked: FloatArray) -> FloatArray:
    """Where a second board, or this one the other way round, would be likeliest; shape (k, 4, 2)."""
    elsewhere = np.array([lies_elsewhere(best.corners_px, each) for each in ranked])
    turned = np.array([turn_deg(best.corners_px, each) > TURNED_DEG for each in ranked]) & ~elsewhere
    return np.concatenate([ranked[elsewhere][:1], ranked[turned][:1]])


def _weighed(search: Search, places_px: FloatArray, *, besides: Sequence[Candidate] = ()) -> list[Candidate]:
    """Places that were found, and others that were weighed before, likeliest first."""
    kept = list(besides)
    for place in places_px:
        if all(np.abs(place - other.corners_px).max() > 1.0 for other in kept):
            kept.append(search.weighed(place))
    return sorted(kept, key=lambda each: -each.log_odds)
