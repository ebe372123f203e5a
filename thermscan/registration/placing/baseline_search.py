"""Find the board's corners by the picture of a good board, where its outline or its parts' edges do not show them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres
from thermscan.frozen import dataclass
from thermscan.layout.outline import polygon_area
from thermscan.registration.evidence import Evidence, filled, reduced
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.placing.baseline_poses import likely_places, likeness_within
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.outline_candidates import FrameEdges, outline_candidates
from thermscan.registration.recordings.drift import Tracker
from thermscan.registration.recordings.informative_pixels import BLOCK_PX

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# Places are made better on a frame reduced to about so many pixels along its longer side, by drawing what the
# camera would see there and following that to what it does see, so many times.
SEARCH_PX, ROUNDS = 320, 5
# So many outlines are looked at besides the poses; the likeliest of both are followed to the end.
MOST_OUTLINES, LIKELIEST = 8, 6
# A board that takes this share of the frame is cut into pieces as a recording is.
LARGE_SHARE = 0.4
# How far a corner may go from a similarity of what was drawn, as a share of the frame's width.
FREEDOM = 0.03
# Mean correlation of the pieces of the picture: right places show 0.75 and more, wrong ones 0.5 at most.
LEAST_LIKENESS = 0.65
# A rival elsewhere must be this much less alike,
CLEARLY = 0.12
# or so much less within the outline. Correlation there is 0.2 to 0.25 at wrong places, 0.5 and more at right ones.
LEAST_WITHIN, CLEARLY_WITHIN = 0.4, 0.2
# Places that differ by no more than this share of the frame's width are one.
SAME_SHARE = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """The board's corners in the frame, and how alike the baseline's picture is there."""

    corners_px: FloatArray
    likeness: float


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """What does not change while places are tried."""

    evidence: Evidence
    picture: Float32
    baseline: BaselineRaster
    corners_mm: FloatArray

    def followed(self, start: FloatArray, *, rounds: int) -> _Place:
        """A place made better as long as that makes the pictures more alike."""
        best = _Place(start, 0.0)
        corners = start
        for _ in range(rounds):
            if not plausible(corners[None], self.corners_mm, start[None])[0]:
                break
            drift = self._drawn(corners).follow(self.picture)
            corners = map_points(drift.other_from_first, corners)
            if drift.likeness <= best.likeness + 1e-3 or not np.isfinite(corners).all():
                break
            best = _Place(corners, drift.likeness)
        return best

    def _drawn(self, corners: FloatArray) -> Tracker:
        """What the camera would see there, ready to be followed; a small board is cut as finely as a large one."""
        drawn = drawn_baseline(self.picture, self.baseline, homography_from_corners(self.corners_mm, corners))
        share = abs(polygon_area(corners)) / self.picture.size
        block = int(np.clip(round(BLOCK_PX * np.sqrt(share / LARGE_SHARE)), 2, BLOCK_PX))
        return Tracker(drawn, noise_k=self.evidence.noise_k, beyond_similarity=(FREEDOM, FREEDOM), block_px=block)

    def likeness_within(self, place: _Place) -> float:
        """Of what lies within the board's outline, as a whole."""
        return likeness_within(self.picture, self.baseline, place.corners_px)

    def likely_outlines(self) -> list[FloatArray]:
        """Outlines in the frame within which the baseline's picture looks likeliest, in one of four turns."""
        turned = [
            np.roll(quad, turn, axis=0) for quad in outline_candidates(FrameEdges(self.evidence)) for turn in range(4)
        ]
        return sorted(turned, key=lambda each: -likeness_within(self.picture, self.baseline, each))[:MOST_OUTLINES]


def corners_by_baseline(evidence: Evidence, baseline: BaselineRaster, *, corners_mm: FloatArray) -> FloatArray | None:
    """
    Where the board's corners are, from the baseline's picture alone: about as good as if a person had clicked them.

    Parameters
    ----------
    evidence : Evidence
    baseline : BaselineRaster
    corners_mm : ndarray of shape (4, 2)
        The board's bounding box.

    Returns
    -------
    ndarray of shape (4, 2), or None
        None where no place, or more than one, looks like the baseline's picture.

    Notes
    -----
    Many poses are tried on a small picture; the likeliest are followed on a larger one. Likeness is the mean of
    the correlations piece by piece, each with a factor of its own: a part that now runs hot, or not at all, is a
    few pieces among many.
    """
    small = reduced(evidence, SEARCH_PX)
    search = _Search(small, filled(small.apparent), baseline, corners_mm)
    starts = likely_places(search.picture, baseline, corners_mm=corners_mm, fov_deg=evidence.fov_deg)
    starts += search.likely_outlines()
    looked_at = sorted((search.followed(start, rounds=1) for start in starts), key=lambda place: -place.likeness)
    places = [search.followed(place.corners_px, rounds=ROUNDS) for place in looked_at[:LIKELIEST]]
    best = max(places, key=lambda place: place.likeness)
    # A board that looks alike when turned is told from its turns, whether or not those were looked at. What is
    # nearly as alike is followed to its end: it may be the same place.
    turned = [np.roll(best.corners_px, turn, axis=0) for turn in (1, 2, 3)]
    close = [each.corners_px for each in looked_at[LIKELIEST:] if each.likeness > best.likeness - CLEARLY]
    places += [search.followed(start, rounds=ROUNDS) for start in (*turned, *close)]
    best = max(places, key=lambda place: place.likeness)
    within = search.likeness_within(best)
    if best.likeness < LEAST_LIKENESS or within < LEAST_WITHIN:
        return None
    same_px = SAME_SHARE * small.apparent.shape[1]
    rivals = [each for each in places if np.abs(each.corners_px - best.corners_px).max() > same_px]
    near = [each for each in rivals if each.likeness > best.likeness - CLEARLY]
    # The outline alone makes places alike: what lies within it decides.
    if any(search.likeness_within(each) > within - CLEARLY_WITHIN for each in near):
        return None
    return small.to_frame(best.corners_px)


def drawn_baseline(picture: Float32, baseline: BaselineRaster, px_from_mm: FloatArray) -> Float32:
    """
    What the camera would see of a good board, with an even bench around it that differs from the board as it does
    in the picture; shape of the picture.

    Examples
    --------
    >>> baseline = BaselineRaster(np.full((20, 30), 5.0), 1.0)
    >>> picture = np.full((40, 50), 22.0, np.float32)
    >>> picture[10:30, 10:40] = 26.0
    >>> drawn = drawn_baseline(picture, baseline, np.array([[1.0, 0, 9.5], [0, 1, 9.5], [0, 0, 1]]))
    >>> drawn[[2, 20], [2, 25]].round(3).tolist()
    [1.0, 5.0]
    """
    rows, cols = picture.shape
    mm_from_px = np.linalg.inv(px_from_mm)
    at = map_points(mm_from_px, pixel_centres((rows, cols))) / baseline.mm_per_px - 0.5
    x, y = np.where(np.isfinite(at), at, -1e6).astype(np.float32).T.reshape(2, rows, cols)
    height, width = baseline.rise_k.shape
    board = (x > -0.5) & (y > -0.5) & (x < width - 0.5) & (y < height - 0.5)
    mm_a_px = float(np.sqrt(abs(np.linalg.det(mm_from_px[:2, :2] / mm_from_px[2, 2]))))
    soft = cv2.GaussianBlur(
        filled(baseline.rise_k.astype(np.float32)), (0, 0), max(0.5 * mm_a_px / baseline.mm_per_px, 0.3)
    )
    drawn = cv2.remap(
        soft, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    if board.any() and not board.all():
        above_k = float(np.median((picture - drawn)[board]))
        drawn[~board] = float(np.median(picture[~board])) - above_k
    result: Float32 = drawn.astype(np.float32)
    return result
