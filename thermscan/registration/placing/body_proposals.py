"""Places that the bodies' edges suggest: how the board is turned by their directions, then where by their pattern."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from thermscan.frozen import dataclass
from thermscan.registration.geometry.pose import FOV_ASSUMED_DEG, focal_from_fov
from thermscan.registration.placing.edge_odds import MOST_ODDS, EdgeOdds, blurred, layer_of
from thermscan.registration.placing.outline_candidates import FrameEdges
from thermscan.registration.placing.sites import Sites

FloatArray = NDArray[np.float64]

# Tilts up to the steepest usual one, their azimuths and turns of the board about its normal, in steps.
TILTS_DEG, AZIMUTHS, TURNS = tuple(range(0, 61, 10)), 24, 18
# Of the frame's edge pixels so many are asked; the gradient at one scatters by about so much.
ASKED, SCATTER_DEG = 400, 6.0
# So many orientations are looked at, none nearer to a likelier one than this (25, 40 and 60 lead to the right place in
# 115, 114 and 112 of 120 views looked at; one plain view, 27124, is lost with 25).
ORIENTATIONS, APART_DEG = 25, 8.0
# The pattern is compared on a raster of so many pixels across so many widths of the frame.
RASTER, ACROSS = 64, 1.25
# What is broader than this on the raster tells of no edge.
BROAD = 2.5
# The board's diagonal is sought between these shares of the frame's width, step by step.
DIAGONALS, STEP = (0.3, 1.55), 1.09
# Edges within about 18 degrees of the board's axes are compared.
ALONG_AXIS = 0.95
# From each orientation so many places are kept; nothing nearer to the camera's plane than this share of the middle.
PLACES, NEAREST = 3, 0.15
# Handed on are so many, none whose corners lie nearer to a better one than this.
MOST, APART_PX = 15, 8.0
QUARTERS = np.array([[[c, -s], [s, c]] for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))], dtype=np.float64)


def body_proposals(
    frame: FrameEdges,
    odds: EdgeOdds,
    sites: Sites,
    corners_mm: FloatArray,
    *,
    fov_deg: float | None,
) -> FloatArray:
    """
    Corners of the board's box in the frame, best first, with no regard to its outline; shape (k, 4, 2).

    Parameters
    ----------
    frame : FrameEdges
    odds : EdgeOdds
    sites : Sites
        Along the edges of the layout.
    corners_mm : ndarray of shape (4, 2)
    fov_deg : float or None
        Horizontal field of view where the camera states it.

    Notes
    -----
    Bodies stand along two directions at right angles. For an orientation of the camera each has a vanishing point [1],
    to which the edges in the frame must point. For the likeliest orientations the frame's edges are seen straight from
    above, along either direction; the layout's, drawn at many sizes and four turns, are held against them at all
    places at once by Fourier transform, and a place counts by how far its sum stands out from those of all others (a
    matched filter [2]).

    References
    ----------
    .. [1] J. Coughlan, A. Yuille, Manhattan world: compass direction from a single image by Bayesian inference,
       International Conference on Computer Vision 1999, 941-947.
    .. [2] R. O. Duda, P. E. Hart, Pattern Classification and Scene Analysis, Wiley 1973, section 7.3.
    """
    rows, cols = frame.thin.shape
    focal = focal_from_fov(FOV_ASSUMED_DEG if fov_deg is None else fov_deg, cols)
    pattern = _pattern(odds, sites, corners_mm, cols)
    told, places = [], []
    for rotation in orientations(frame, odds, focal):
        stands_out, corners = _matched(pattern, rotation, focal, (rows, cols))
        told.append(stands_out)
        places.append(corners)
    if not places:
        return np.zeros((0, 4, 2))
    both = np.concatenate(places)[np.argsort(-np.concatenate(told), kind="stable")]
    kept: list[int] = []
    for k, place in enumerate(both):
        if not kept or np.abs(both[kept] - place).max(axis=(1, 2)).min() > APART_PX:
            kept.append(k)
        if len(kept) == MOST:
            break
    return both[kept]


def _rotations() -> FloatArray:
    """The board's axes in those of the camera, for tilts, azimuths of the tilt, and a quarter of turns; (k, 3, 3)."""
    tilt, azimuth, turn = (
        each.ravel()
        for each in np.meshgrid(
            np.radians(TILTS_DEG),
            2 * np.pi * np.arange(AZIMUTHS) / AZIMUTHS,
            np.pi / 2 * np.arange(TURNS) / TURNS,
            indexing="ij",
        )
    )
    zero = np.zeros_like(turn)
    axis = np.stack([np.cos(azimuth), np.sin(azimuth), zero], axis=1)
    across = np.stack([np.cos(turn), np.sin(turn), zero], axis=1)
    cosine, sine = np.cos(tilt)[:, None], np.sin(tilt)[:, None]

    def tilted(way: FloatArray) -> FloatArray:
        along = axis * (axis * way).sum(axis=1, keepdims=True)
        result: FloatArray = way * cosine + np.cross(axis, way) * sine + along * (1 - cosine)
        return result

    one = tilted(across)
    two = tilted(np.stack([-across[:, 1], across[:, 0], zero], axis=1))
    return np.stack([one, two, np.cross(one, two)], axis=2)


def orientations(frame: FrameEdges, odds: EdgeOdds, focal_px: float) -> FloatArray:
    """Orientations to whose two vanishing points most edges of the frame point, likeliest first; shape (k, 3, 3)."""
    y, x = np.nonzero(frame.thin)
    if len(x) < ASKED / 10:
        return np.zeros((0, 3, 3))
    size = np.hypot(frame.gx[y, x], frame.gy[y, x])
    # The more an edge stands out from around it, the more often it is asked: a bench warm in places is full of edges.
    chance = 1e-3 + np.clip(
        odds.at(
            x.astype(np.float64), y.astype(np.float64), layer_of(np.stack([frame.gx[y, x], frame.gy[y, x]], axis=1))
        ),
        0.0,
        MOST_ODDS,
    )
    rng = np.random.default_rng(len(x))
    asked = rng.choice(len(x), min(ASKED, len(x)), replace=False, p=chance / chance.sum())
    y, x, size = y[asked], x[asked], size[asked]
    rows, cols = frame.thin.shape
    at = np.stack([x - (cols - 1) / 2, y - (rows - 1) / 2]).astype(np.float32) / np.float32(focal_px)
    across = (np.stack([frame.gx[y, x], frame.gy[y, x]]) / size).astype(np.float32)
    rotations = _rotations()
    points_to = np.zeros((len(rotations), len(x)), np.float32)
    for k in (0, 1):
        axis = rotations[:, :, k].astype(np.float32)[:, :, None]
        way_x, way_y = axis[:, 0] - axis[:, 2] * at[0], axis[:, 1] - axis[:, 2] * at[1]
        off = (across[0] * way_x + across[1] * way_y) ** 2 / np.maximum(way_x**2 + way_y**2, np.float32(1e-9))
        np.maximum(points_to, np.exp(off * np.float32(-0.5 / np.radians(SCATTER_DEG) ** 2)), out=points_to)
    order = np.argsort(-points_to.sum(axis=1), kind="stable")[: 20 * ORIENTATIONS]
    return _apart(rotations[order])


def _apart(rotations: FloatArray) -> FloatArray:
    """Without those that are nearly a better one, whichever quarter they are turned by."""
    free = np.ones(len(rotations), bool)
    kept: list[int] = []
    turned = [np.pad(each, (0, 1)) + np.diag([0.0, 0.0, 1.0]) for each in QUARTERS]
    for k in range(len(rotations)):
        if not free[k]:
            continue
        kept.append(k)
        if len(kept) == ORIENTATIONS:
            break
        traces = [np.tensordot(rotations, rotations[k] @ turn, axes=2) for turn in turned]
        free &= np.max(traces, axis=0) < 1 + 2 * np.cos(np.radians(APART_DEG))
    return rotations[kept]


@dataclass(frozen=True, slots=True, eq=False)
class _Pattern:
    """
    The frame's edges, blurred to the raster, and the layout's in four turns at all sizes, Fourier transformed.

    ``pitch_px`` is a pixel of the raster in the frame's middle; ``per_mm_px`` each size, and ``layout`` of shape
    (4 x sizes, 2, rows, cols / 2 + 1) has edges along either direction.
    """

    odds: EdgeOdds
    box_mm: FloatArray
    pitch_px: float
    per_mm_px: FloatArray
    layout: NDArray[np.complex64]


def _pattern(odds: EdgeOdds, sites: Sites, corners_mm: FloatArray, cols: int) -> _Pattern:
    pitch = ACROSS * cols / RASTER
    middle = corners_mm.mean(axis=0)
    box, points = corners_mm - middle, sites.points_mm - middle
    sizes = np.exp(np.arange(np.log(DIAGONALS[0]), np.log(DIAGONALS[1]), np.log(STEP)))
    per_mm = sizes * cols / float(np.hypot(*np.ptp(corners_mm, axis=0)))
    way = np.abs(sites.along_mm) / np.linalg.norm(sites.along_mm, axis=1, keepdims=True)
    drawn = np.zeros((4, len(per_mm), 2, RASTER, RASTER), np.float32)
    for quarter, turn in enumerate(QUARTERS):
        for along in (0, 1):
            which = way[:, (along + quarter) % 2] > ALONG_AXIS
            at = np.rint(points[which] @ turn.T * (per_mm / pitch)[:, None, None]).astype(int)
            size, site = np.nonzero((np.abs(at) < RASTER // 2).all(axis=2))
            col, row = at[size, site].T % RASTER
            np.add.at(drawn[quarter, :, along], (size, row, col), 1 / len(way))
    layout = fft.rfft2(drawn.reshape(-1, 2, RASTER, RASTER))
    return _Pattern(blurred(odds, round(pitch) // 2 * 2 + 1), box, pitch, per_mm, layout.conj())


def _matched(
    pattern: _Pattern, rotation: FloatArray, focal_px: float, shape: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """The best places of one orientation: by how many deviations each stands out, (k,), and its corners, (k, 4, 2)."""
    seen = fft.rfft2(_from_above(pattern, rotation, focal_px, shape))
    sums = fft.irfft2((seen * pattern.layout).sum(axis=1), s=(RASTER, RASTER)).reshape(len(pattern.layout), -1)
    best = sums.argmax(axis=1)
    stands_out = (sums[np.arange(len(sums)), best] - sums.mean(axis=1)) / np.maximum(sums.std(axis=1), 1e-12)
    first = np.argsort(-stands_out, kind="stable")[:PLACES]
    quarter, size = np.divmod(first, len(pattern.per_mm_px))
    middle = (np.stack([best[first] % RASTER, best[first] // RASTER], axis=1) - RASTER / 2) * pattern.pitch_px
    turned = pattern.box_mm @ QUARTERS[quarter].swapaxes(1, 2)
    plane = turned * pattern.per_mm_px[size][:, None, None] + middle[:, None]
    corners, depth = _seen(plane, rotation, focal_px, shape)
    fine = (depth > NEAREST).all(axis=1)
    return stands_out[first][fine].astype(np.float64), corners[fine]


def _from_above(
    pattern: _Pattern, rotation: FloatArray, focal_px: float, shape: tuple[int, int]
) -> NDArray[np.float32]:
    """The frame's edges along the board's two directions, as seen from above, without what is broad; (2, n, n)."""
    line = (np.arange(RASTER) - RASTER / 2) * pattern.pitch_px
    px, depth = _seen(np.stack(np.meshgrid(line, line), axis=-1), rotation, focal_px, shape)
    rows, cols = shape
    inside = (depth > NEAREST) & (px >= 0).all(axis=2) & (px[..., 0] < cols) & (px[..., 1] < rows)
    there = inside.astype(np.float32)
    weight = np.maximum(cv2.GaussianBlur(there, (0, 0), BROAD), 0.1)
    ray = (px - [(cols - 1) / 2, (rows - 1) / 2]) / focal_px
    result = []
    for k in (0, 1):
        way = rotation[:2, k] - rotation[2, k] * ray
        layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
        told = pattern.odds.at(px[..., 0], px[..., 1], layer) * there
        result.append((told - cv2.GaussianBlur(told, (0, 0), BROAD) / weight) * there)
    return np.array(result, dtype=np.float32)


def _seen(
    plane_px: FloatArray, rotation: FloatArray, focal_px: float, shape: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Points of the board's plane, in pixels of its scale in the frame's middle, in the frame; and their depths."""
    rows, cols = shape
    space = plane_px @ rotation[:, :2].T / focal_px + [0.0, 0.0, 1.0]
    with np.errstate(divide="ignore", invalid="ignore"):
        px = focal_px * space[..., :2] / space[..., 2:] + [(cols - 1) / 2, (rows - 1) / 2]
    return px, space[..., 2]
