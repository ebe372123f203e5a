"""Figures of four sides that may be a board in a photo: from its colours against the ground, and from its edges."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.layout.outline import polygon_area, tidy_polygon

FloatArray = NDArray[np.float64]
Mask = NDArray[np.uint8]

# Of the picture's area: smaller shapes are parts or dirt, larger ones its own frame.
LEAST_AREA, MOST_AREA = 0.04, 0.985
# The picture's rim, where the ground is seen, as a share of its longer side; the ground may have this many colours.
RIM, GROUND_COLOURS = 0.03, 3
# The ground's distance in colour is cut at Otsu's threshold and at these multiples of it.
CUTS = (0.5, 1.0, 1.5)
# Canny's upper thresholds, as quantiles of the gradient; the lower one is half of it.
EDGE_QUANTILES = (0.80, 0.90, 0.96)
# A candidate of every mask, and no more: each costs a fit.
MOST_OF_A_MASK = 3


def quad_candidates(pixels: Mask) -> list[FloatArray]:
    """
    Rough corners of shapes that could be the board, clockwise as seen; each of shape (4, 2).

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        Blue first; some 800 pixels wide, so that shapes count and grain does not.

    Examples
    --------
    >>> photo = np.full((300, 400, 3), 230, np.uint8)
    >>> photo[80:221, 100:301] = (60, 110, 30)
    >>> bool(np.abs(quad_candidates(photo)[0] - [[100, 80], [300, 80], [300, 220], [100, 220]]).max() < 4)
    True
    """
    calm = np.asarray(cv2.medianBlur(pixels, 5), np.uint8)
    area = float(pixels.shape[0] * pixels.shape[1])
    found: list[FloatArray] = []
    for mask in (*_ground_masks(calm), *_shade_masks(calm), *_edge_masks(calm)):
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        hulls = sorted((cv2.convexHull(contour) for contour in contours), key=cv2.contourArea, reverse=True)
        for hull in hulls[:MOST_OF_A_MASK]:
            if LEAST_AREA * area <= cv2.contourArea(hull) <= MOST_AREA * area:
                quads = _quads_of(np.asarray(hull, np.int32))
                found += [quad for quad in quads if _is_new(quad, found)]
    return found


def _ground_masks(pixels: Mask) -> Iterator[Mask]:
    """What differs in colour from the picture's rim."""
    lab = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2LAB), np.float32)
    rim = max(2, round(RIM * max(pixels.shape[:2])))
    around = np.ones(pixels.shape[:2], dtype=bool)
    around[rim:-rim, rim:-rim] = False
    seen = np.ascontiguousarray(lab[around])
    ends = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5)
    for count in range(1, GROUND_COLOURS + 1):
        cv2.setRNGSeed(1)
        start = np.zeros((len(seen), 1), np.int32)
        _, labels, colours = cv2.kmeans(seen, count, start, ends, 2, cv2.KMEANS_PP_CENTERS)
        # A colour that little of the rim has may be the board's own, where it reaches the rim.
        common = colours[np.bincount(np.asarray(labels, np.int32).ravel(), minlength=count) >= 0.1 * len(seen)]
        away = np.min([np.linalg.norm(lab - colour, axis=2) for colour in common], axis=0)
        shades = np.clip(away * 2.0, 0, 255).astype(np.uint8)
        level, _ = cv2.threshold(shades, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        for cut in CUTS:
            yield _tidied((shades > level * cut).astype(np.uint8) * 255)


def _shade_masks(pixels: Mask) -> Iterator[Mask]:
    """Light from dark, in lightness, both colour axes and saturation, either way."""
    channels = [*cv2.split(cv2.cvtColor(pixels, cv2.COLOR_BGR2LAB)), cv2.cvtColor(pixels, cv2.COLOR_BGR2HSV)[..., 1]]
    for channel in channels:
        _, mask = cv2.threshold(channel, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        for side in (mask, cv2.bitwise_not(mask)):
            yield _tidied(np.asarray(side, np.uint8))


def _edge_masks(pixels: Mask) -> Iterator[Mask]:
    """Edges, with small gaps closed."""
    channels = cv2.split(cv2.GaussianBlur(pixels, (0, 0), 1.2))
    slopes = [(cv2.Sobel(c, cv2.CV_16S, 1, 0), cv2.Sobel(c, cv2.CV_16S, 0, 1)) for c in channels]
    strength = np.max([np.hypot(x.astype(np.float32), y.astype(np.float32)) for x, y in slopes], axis=0)
    for quantile in EDGE_QUANTILES:
        upper = max(float(np.quantile(strength, quantile)), 20.0)
        edges = np.bitwise_or.reduce([cv2.Canny(x, y, upper / 2, upper) for x, y in slopes])
        yield np.asarray(cv2.morphologyEx(edges, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8)), np.uint8)


def _tidied(mask: Mask) -> Mask:
    """Without specks and threads (cables), holes closed."""
    size = max(3, max(mask.shape) // 100) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_RECT, (size, size))
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel), np.uint8)


def _quads_of(hull: NDArray[np.int32]) -> Iterator[FloatArray]:
    """The hull with all but four of its corners taken off, and the smallest rectangle around it."""
    length = cv2.arcLength(hull, True)
    for share in (0.01, 0.02, 0.035, 0.05, 0.08):
        corners = cv2.approxPolyDP(hull, share * length, True)
        if len(corners) == 4:
            yield _clockwise(corners.reshape(4, 2))
            break
        if len(corners) < 4:
            break
    yield _clockwise(cv2.boxPoints(cv2.minAreaRect(hull)))


def _clockwise(corners: NDArray[np.generic]) -> FloatArray:
    """From the corner nearest the picture's top left."""
    quad = tidy_polygon(corners.astype(np.float64))
    if len(quad) != 4 or abs(polygon_area(quad)) < 1.0:
        return corners.astype(np.float64)
    return np.roll(quad, -int(quad.sum(axis=1).argmin()), axis=0)


def _is_new(quad: FloatArray, known: list[FloatArray]) -> bool:
    return all(np.abs(quad - other).max() > 4.0 for other in known)
