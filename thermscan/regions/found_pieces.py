"""
The frame cut along the crests of its gradient, into pieces that may be bodies.

The work is done on a grid finer than the camera's: the crest runs between pixels, and on the camera's own grid
a slanted, narrow chip falls apart.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    distance_transform_edt,
    gaussian_filter,
    gaussian_gradient_magnitude,
    map_coordinates,
    zoom,
)
from skimage import measure, morphology, segmentation

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]
Labels = NDArray[np.intp]
# One piece: scikit-image's RegionProperties, which publishes no types.
Region = Any

# Odd, so that each camera pixel's centre is a pixel of the fine grid.
FINER = 3
CENTRES = (slice(FINER // 2, None, FINER), slice(FINER // 2, None, FINER))
# Scale of the gradient, in camera pixels: below it noise rules, above it the gap between two chips fills up.
GRADIENT_SCALE_PX = 0.8
# A dip of the gradient this many standard deviations deep is no noise and starts a piece of its own.
DIP_PER_NOISE = 3.0
# The step is read this far to both sides of the boundary: the optics' blur and the gradient's place it.
STEP_REACH_PX = 1.8
STEP_SMOOTHING_PX = 0.7
# Whether the slope goes on is read from there to here.
SLOPE_REACH_PX = 4.5
# Seams are looked for between pieces whose median step outwards stands this far out of the noise.
WARM_PER_NOISE = 4.0
# A seam within one body, read along the quarter of it where it is weakest (a cut across a narrow body begins and
# ends on the body's edges), is weaker than this share of its other edges.
WEAK_SEAM = 0.6
WEAKEST_PART = 0.25
# No part takes a quarter of the frame that shows its board.
LARGEST_BODY = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """
    The pieces of a frame on the fine grid.

    Attributes
    ----------
    labels : ndarray of int, shape (rows * FINER, cols * FINER)
        From 1.
    smooth_c : ndarray of float, the same shape
        From which steps are read.
    noise_k : float
        Standard deviation of a step's noise.
    """

    labels: Labels
    smooth_c: FloatArray
    noise_k: float

    def regions(self) -> list[Region]:
        """Every piece."""
        return regions_of(self.labels)

    def steps_k(self, region: Region) -> FloatArray:
        """Temperature inside less that outside, at each point of a piece's boundary."""
        return _steps(region, self.smooth_c)


def cut_frame(apparent_c: FloatArray, noise_k: float, *, is_body: Callable[[Region, Pieces], bool]) -> Pieces:
    """
    The frame in pieces, each bounded by a crest of the gradient.

    Parameters
    ----------
    apparent_c : ndarray of shape (rows, cols)
        Without NaN.
    noise_k : float
        Standard deviation of a pixel.
    is_body : callable
        Whether a piece, joined from several, is a body; only then are they joined.

    Returns
    -------
    Pieces

    References
    ----------
    .. [1] S. Beucher, F. Meyer, The morphological approach to segmentation: the watershed transformation, in
       Mathematical Morphology in Image Processing, Dekker 1993 (watershed of the gradient, markers).
    """
    fine = zoom(apparent_c, FINER, order=3, mode="nearest", grid_mode=True)
    gradient = FINER * gaussian_gradient_magnitude(fine, GRADIENT_SCALE_PX * FINER)
    # Noise of each component of the gradient after a Gaussian of s: sigma / (sqrt(8 pi) s^2).
    depth = DIP_PER_NOISE * noise_k / (np.sqrt(8 * np.pi) * GRADIENT_SCALE_PX**2)
    pieces = Pieces(
        labels=_watershed(gradient, max(depth, 1e-6)),
        smooth_c=gaussian_filter(fine, STEP_SMOOTHING_PX * FINER),
        # A difference of two pixels smoothed by s: sigma sqrt(2) / (2 sqrt(pi) s).
        noise_k=noise_k / (np.sqrt(2 * np.pi) * STEP_SMOOTHING_PX),
    )
    return _join_halves(pieces, gradient, is_body)


def regions_of(labels: NDArray[Any]) -> list[Region]:
    """Every labelled piece; 0 is none."""
    return list(measure.regionprops(labels))


def connected(mask: Mask) -> Labels:
    """Connected parts of a mask, from 1, over shared sides."""
    labels: Labels = measure.label(mask, connectivity=1)
    return labels


def boundary(mask: Mask, *, mode: str) -> Mask:
    """Pixels just within (``inner``) or just beyond (``outer``) the edge of a mask."""
    edge: Mask = segmentation.find_boundaries(mask, mode=mode)
    return edge


def _watershed(gradient: FloatArray, depth: float) -> Labels:
    # Dips shallower than the depth are filled up; h_minima would do, but loses minima to rounding in floats.
    level = morphology.reconstruction(gradient + depth, gradient, method="erosion")
    dips = morphology.local_minima(level)
    markers = measure.label(dips)
    labels: Labels = segmentation.watershed(gradient, markers)
    return labels


def _join_halves(pieces: Pieces, gradient: FloatArray, is_body: Callable[[Region, Pieces], bool]) -> Pieces:
    """
    Pieces of one body joined: a cut across a narrow body, or the seam between its top and its side.

    Only warm pieces are joined, along a seam much weaker than the rest of their edges, and only where the
    whole is a body.
    """
    labels = pieces.labels
    regions = {region.label: region for region in pieces.regions()}
    usable = [number for number, region in regions.items() if region.area < LARGEST_BODY * labels.size]
    least_k = WARM_PER_NOISE * pieces.noise_k
    warm = {number for number in usable if np.median(pieces.steps_k(regions[number])) > least_k}
    edges = _edges(labels, gradient)
    number = np.arange(labels.max() + 1)
    for one in warm:
        for other in edges[one].keys() & warm:
            rest = min(_edge_without(edges[one], other), _edge_without(edges[other], one))
            if one < other and np.quantile(edges[one][other], WEAKEST_PART) < WEAK_SEAM * rest:
                number[number == number[other]] = number[one]
    joined = labels.copy()
    for family in np.flatnonzero(np.bincount(number) > 1):
        members = [regions[int(member)] for member in np.flatnonzero(number == family)]
        box = _box_of(members)
        whole = np.zeros(labels.shape, dtype=np.uint8)
        whole[box] = np.isin(labels[box], [member.label for member in members])
        if is_body(regions_of(whole)[0], pieces):
            joined[box][whole[box] > 0] = family
    return replace(pieces, labels=joined)


def _box_of(regions: Sequence[Region]) -> tuple[slice, slice]:
    boxes = np.array([region.bbox for region in regions])
    (top, left), (bottom, right) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return slice(top, bottom), slice(left, right)


def _edges(labels: Labels, gradient: FloatArray) -> dict[int, dict[int, FloatArray]]:
    """The gradient along the edge between each two pieces: by a piece's number, then by its neighbour's."""
    steps: list[tuple[Any, Any]] = [(np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])]
    pairs = np.concatenate([np.stack([labels[a].ravel(), labels[b].ravel()]) for a, b in steps], axis=1)
    crest = np.concatenate([np.maximum(gradient[a], gradient[b]).ravel() for a, b in steps])
    apart = pairs[0] != pairs[1]
    edges: dict[int, dict[int, FloatArray]] = {int(number): {} for number in np.unique(labels)}
    if not apart.any():
        return edges
    pairs, crest = np.sort(pairs[:, apart], axis=0), crest[apart]
    order = np.lexsort(pairs[::-1])
    named, first = np.unique(pairs[:, order], axis=1, return_index=True)
    for one, other, values in zip(*named.tolist(), np.split(crest[order], first[1:]), strict=True):
        edges[one][other] = edges[other][one] = values
    return edges


def _edge_without(edges: Mapping[int, FloatArray], other: int) -> float:
    """Mean gradient along a piece's edge, without what it shares with another one; 0 where none is left."""
    rest = [values for neighbour, values in edges.items() if neighbour != other]
    return float(np.concatenate(rest).mean()) if rest else 0.0


def _steps(region: Region, smooth: FloatArray) -> FloatArray:
    """
    Temperature inside less that outside, at each point of the boundary, without the slope that goes on beyond it.

    Where the temperature keeps falling at both sides of a crest, as it does down a hill of spread-out heat, what
    falls within the reach is a slope and no step. Near a body's edge at least one side is level.
    """
    image = np.pad(region.image, FINER)
    depth = distance_transform_edt(image) - distance_transform_edt(~image)
    down, across = np.gradient(gaussian_filter(depth, FINER))
    rows, cols = np.nonzero(boundary(image, mode="inner"))
    normal = np.stack([down[rows, cols], across[rows, cols]])
    normal /= np.maximum(np.hypot(*normal), 1e-9)
    place = np.stack([rows, cols]) + (np.array([region.bbox[:2]]).T - FINER)
    reaches = np.array([SLOPE_REACH_PX, STEP_REACH_PX, -STEP_REACH_PX, -SLOPE_REACH_PX]) * FINER
    deep, inside, outside, far = (
        map_coordinates(smooth, place + reach * normal, order=1, mode="nearest") for reach in reaches
    )
    way = np.sign(np.median(inside - outside))
    going_on = np.clip(np.minimum(way * (deep - inside), way * (outside - far)), 0.0, None)
    result: FloatArray = inside - outside - way * going_on * 2 * STEP_REACH_PX / (SLOPE_REACH_PX - STEP_REACH_PX)
    return result
