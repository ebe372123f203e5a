"""Places that the bodies' edges suggest: the layout's pattern, from every orientation, coarsely and ever finer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from thermscan.frozen import dataclass
from thermscan.registration.geometry.pose import FOV_ASSUMED_DEG, focal_from_fov
from thermscan.registration.placing.edge_odds import EdgeOdds, blurred, layer_of
from thermscan.registration.placing.sites import Sites

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# The camera's orientations: tilts up to the steepest usual one, azimuths, and turns, which displace most, about so far
# apart at first (of 60 hard views looked at 40 are then tried right, with 20, 18 and 18 degrees 36; of 48 invented
# patterns with no outline 32 and 22 are found, with 12 degrees each 34).
STEEPEST_DEG, TILTS_DEG, AZIMUTHS_DEG, TURNS_DEG = 60.0, 15.0, 18.0, 10.0
# The board's diagonal is sought between these shares of the frame's width, in such steps at first (of 18 hard views
# looked at 1.15 and 1.2 bring 17 and 18 among the first thirty proposals, 1.25 on a coarser raster 17).
DIAGONALS, STEP = (0.3, 1.55), 1.2
# The pattern is compared on rasters of so many pixels across so many widths of the frame, one after the other; from the
# second on about each place alone, a step of half the last to either side (from 24 pixels on, five of 200 views of 320
# and 640 columns are lost that 32 find; looked at).
RASTERS, ACROSS = (32, 48, 72), 1.25
# Finer than this a look around each place does as well (of 50 hard views of 160 columns 30 are tried right with pixels
# down to 4.2, 28 to 2.8).
FINE_PX = 6.0
# What is broader than this on a raster tells of no edge (1.8 of four rasters: 25 of 50 where 29).
BROAD = 2.0
# Edges within about 18 degrees of the board's axes are compared.
ALONG_AXIS = 0.95
# Nothing nearer to the camera's plane than this share of the middle is looked at.
NEAREST = 0.15
# So many places are looked at more finely, none whose corners lie within a pixel of the first raster of those of a
# better one (15, 20 and 24: 29, 31 and 31 of 50); and so many after that (of 64 views looked at in which the right
# place is among them it is then one of the first three in 60, the fourth to seventh in two, a later one in two).
MOST, MOST_THEN = 20, 8
# A finer look goes so many pixels of the first raster to either side (one: 30 where 29 of 50).
NEAR = 1.5
# So many orientations at once, for the memory that they take (4 to 64 of them cost the same time).
AT_ONCE = 16
QUARTERS = np.array([[[c, -s], [s, c]] for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))], dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Sought:
    """
    The frame's edges and the layout's.

    ``by_way`` are points along either direction of the board, about its middle, of shape (n, 2) each.
    """

    odds: EdgeOdds
    box_mm: FloatArray
    by_way: tuple[FloatArray, FloatArray]
    shape: tuple[int, int]
    focal_px: float

    def pitch_px(self, raster: int) -> float:
        """A pixel of a raster, in the frame's middle."""
        return ACROSS * self.shape[1] / raster


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Orientations, of shape (k, 3, 3), turns by quarters, sizes, where the middle is, and how far each stands out."""

    rotations: FloatArray
    quarters: NDArray[np.intp]
    per_mm_px: FloatArray
    middles_px: FloatArray
    stand_out: Float32Array

    def some(self, which: NDArray[np.intp] | list[int]) -> _Places:
        return _Places(
            self.rotations[which],
            self.quarters[which],
            self.per_mm_px[which],
            self.middles_px[which],
            self.stand_out[which],
        )


def body_proposals(
    odds: EdgeOdds, sites: Sites, corners_mm: FloatArray, shape: tuple[int, int], *, fov_deg: float | None
) -> FloatArray:
    """
    Corners of the board's box in the frame, best first, with no regard to its outline; shape (k, 4, 2).

    Parameters
    ----------
    odds : EdgeOdds
    sites : Sites
        Along the edges of the layout.
    corners_mm : ndarray of shape (4, 2)
    shape : tuple of int
        Rows and columns of the frame.
    fov_deg : float or None
        Horizontal field of view where the camera states it.

    Notes
    -----
    For an orientation of the camera the frame's edges are seen straight from above, along either direction of the
    board; the layout's, drawn at some sizes, are held against them at all places at once by Fourier transform, and a
    place counts by how far its sum stands out from those of all others (a matched filter [1]_). On a coarse raster a
    few pixels or degrees do not matter, so that all orientations can be asked; about the best places it is asked again
    on finer ones (coarse to fine [2]_).

    References
    ----------
    .. [1] R. O. Duda, P. E. Hart, Pattern Classification and Scene Analysis, Wiley 1973, section 7.3.
    .. [2] G. Borgefors, Hierarchical chamfer matching: a parametric edge matching algorithm, IEEE Trans. Pattern
       Analysis and Machine Intelligence 10 (1988) 849-865.
    """
    focal = focal_from_fov(FOV_ASSUMED_DEG if fov_deg is None else fov_deg, shape[1])
    middle = corners_mm.mean(axis=0)
    points = sites.points_mm - middle
    way = np.abs(sites.along_mm) / np.linalg.norm(sites.along_mm, axis=1, keepdims=True)
    by_way = points[way[:, 0] > ALONG_AXIS], points[way[:, 1] > ALONG_AXIS]
    sought = _Sought(odds, corners_mm - middle, by_way, shape, focal)
    places, pitch_px = _everywhere(sought), sought.pitch_px(RASTERS[0])
    for number, raster in enumerate(RASTERS[1:], 1):
        if not len(places.quarters) or pitch_px < FINE_PX:
            break
        pitch_px = sought.pitch_px(raster)
        places = _finer(sought, places, raster, np.radians(TILTS_DEG) / 2**number, STEP ** (1 / 2**number))
    return _distinct(sought, places, pitch_px)[1]


def orientations() -> FloatArray:
    """
    The board's axes in those of the camera: tilts, azimuths of the tilt, and a quarter of turns; shape (k, 3, 3).

    None that a camera could have is farther than the largest step, whichever quarter the board is turned by.
    """
    tilts = np.linspace(0.0, np.radians(STEEPEST_DEG), round(STEEPEST_DEG / TILTS_DEG) + 1)
    turns = np.radians(np.arange(0.0, 90.0, TURNS_DEG))
    tilted = []
    for number, tilt in enumerate(tilts):
        azimuths = max(round(2 * np.pi * np.sin(tilt) / np.radians(AZIMUTHS_DEG)), 1)
        azimuth = 2 * np.pi * (np.arange(azimuths) + number % 2 / 2) / azimuths
        tilted.append(tilt * np.column_stack([np.cos(azimuth), np.sin(azimuth), np.zeros(azimuths)]))
    tilting = Rotation.from_rotvec(np.concatenate(tilted)).as_matrix()
    turning = Rotation.from_rotvec(np.outer(turns, [0.0, 0.0, 1.0])).as_matrix()
    result: FloatArray = (tilting[:, None] @ turning).reshape(-1, 3, 3)
    return result


def _everywhere(sought: _Sought) -> _Places:
    """The best places by all orientations, quarters and sizes on the coarsest raster."""
    raster, rotations = RASTERS[0], orientations()
    pitch, cols = sought.pitch_px(raster), sought.shape[1]
    sizes = np.exp(np.arange(np.log(DIAGONALS[0]), np.log(DIAGONALS[1]), np.log(STEP)))
    per_mm = np.tile(sizes * cols / float(np.hypot(*np.ptp(sought.box_mm, axis=0))), 4)
    quarters = np.repeat(np.arange(4), len(sizes))
    layout, seen_from = _drawn(sought, quarters, per_mm, raster), _blurred(sought, raster)
    told, at = [], []
    for first in range(0, len(rotations), AT_ONCE):
        seen = _from_above(sought, seen_from, rotations[first : first + AT_ONCE], raster)
        sums = _sums(seen[:, None], layout[None], raster)
        told.append(_stands_out(sums, sums))
        at.append(sums.argmax(axis=2))
    stand_out, place = np.concatenate(told).ravel(), np.concatenate(at).ravel()
    best = np.argsort(-stand_out, kind="stable")[: 20 * MOST]
    best = best[stand_out[best] > 0]
    which, drawn = np.divmod(best, len(quarters))
    places = _Places(
        rotations[which], quarters[drawn], per_mm[drawn], _middles(place[best], raster, pitch), stand_out[best]
    )
    return places.some(_distinct(sought, places, pitch)[0])


def _finer(sought: _Sought, places: _Places, raster: int, turn_rad: float, step: float) -> _Places:
    """Each place turned a little to either side about each axis, larger and smaller, wherever it stands out most."""
    pitch, seen_from = sought.pitch_px(raster), _blurred(sought, raster)
    turns = Rotation.from_rotvec(turn_rad * np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])).as_matrix()
    sizes = places.per_mm_px[:, None] * step ** np.array([-1.0, 0.0, 1.0])
    layout = _drawn(sought, np.repeat(places.quarters, 3), sizes.ravel(), raster).reshape(
        -1, 1, 3, 2, raster, raster // 2 + 1
    )
    rotations = places.rotations[:, None] @ turns
    seen = _from_above(sought, seen_from, rotations.reshape(-1, 3, 3), raster).reshape(
        -1, 7, 1, 2, raster, raster // 2 + 1
    )
    sums = _sums(seen, layout, raster)
    line = (np.arange(raster) - raster / 2) * pitch
    near = np.abs(line - places.middles_px[:, :, None]) <= NEAR * sought.pitch_px(RASTERS[0])
    there = (near[:, 1, :, None] & near[:, 0, None, :]).reshape(-1, 1, 1, raster * raster)
    sums_there = np.where(there, sums, -np.inf)
    stands_out = _stands_out(sums_there, sums).reshape(len(sizes), -1)
    best, each = stands_out.argmax(axis=1), np.arange(len(sizes))
    at = sums_there.reshape(*stands_out.shape, -1)[each, best].argmax(axis=1)
    turn, size = np.divmod(best, 3)
    found = _Places(
        rotations[each, turn], places.quarters, sizes[each, size], _middles(at, raster, pitch), stands_out[each, best]
    )
    return found.some(np.argsort(-found.stand_out, kind="stable")[:MOST_THEN])


def _middles(at: NDArray[np.intp], raster: int, pitch_px: float) -> FloatArray:
    result: FloatArray = (np.stack([at % raster, at // raster], axis=-1).astype(np.float64) - raster / 2) * pitch_px
    return result


def _blurred(sought: _Sought, raster: int) -> EdgeOdds:
    return blurred(sought.odds, round(sought.pitch_px(raster)) // 2 * 2 + 1)


def _drawn(sought: _Sought, quarters: NDArray[np.intp], per_mm_px: FloatArray, raster: int) -> NDArray[np.complex64]:
    """The layout's edges along either direction, turned and Fourier transformed; shape (k, 2, n, n / 2 + 1)."""
    scale = (per_mm_px / sought.pitch_px(raster))[:, None, None]
    drawn = np.zeros((len(quarters), 2, raster, raster), np.float32)
    number = sum(len(each) for each in sought.by_way)
    for quarter, turn in enumerate(QUARTERS):
        which = np.flatnonzero(quarters == quarter)
        for along in (0, 1):
            at = np.rint(sought.by_way[(along + quarter) % 2] @ turn.T * scale[which]).astype(np.intp)
            one, site = np.nonzero((np.abs(at) < raster // 2).all(axis=2))
            col, row = at[one, site].T % raster
            np.add.at(drawn[:, along], (which[one], row, col), 1 / number)
    result: NDArray[np.complex64] = fft.rfft2(drawn).conj()
    return result


def _sums(seen: NDArray[np.complex64], layout: NDArray[np.complex64], raster: int) -> Float32Array:
    """What is seen where the layout's edges are, at all places at once; the last axis is the places'."""
    both = seen[..., 0, :, :] * layout[..., 0, :, :] + seen[..., 1, :, :] * layout[..., 1, :, :]
    sums = fft.irfft2(both, s=(raster, raster))
    result: Float32Array = sums.reshape(*sums.shape[:-2], -1)
    return result


def _stands_out(those: Float32Array, sums: Float32Array) -> Float32Array:
    """By how many deviations of all sums the largest of those stands out."""
    mean = sums.mean(axis=-1)
    # A third of the time of `std`.
    variance = np.einsum("...i,...i->...", sums, sums) / sums.shape[-1] - mean**2
    result: Float32Array = (those.max(axis=-1) - mean) / np.sqrt(np.maximum(variance, 1e-24))
    return result


def _distinct(sought: _Sought, places: _Places, apart_px: float) -> tuple[list[int], FloatArray]:
    """Those that lie in front of the camera and repeat no better one, and the box's corners in the frame."""
    kept: list[int] = []
    corners: list[FloatArray] = []
    for k in range(len(places.quarters)):
        plane = sought.box_mm @ QUARTERS[places.quarters[k]].T * places.per_mm_px[k] + places.middles_px[k]
        px, depth = _seen(plane[None], places.rotations[k, None], sought)
        if (depth > NEAREST).all() and all(np.abs(px[0] - other).max() > apart_px for other in corners):
            kept.append(k)
            corners.append(px[0])
        if len(kept) == MOST:
            break
    return kept, np.array(corners).reshape(-1, 4, 2)


def _from_above(sought: _Sought, odds: EdgeOdds, rotations: FloatArray, raster: int) -> NDArray[np.complex64]:
    """
    The frame's edges along the board's two directions, as seen from above, without what is broad.

    Fourier transformed; shape (k, 2, n, n / 2 + 1).
    """
    line = (np.arange(raster) - raster / 2) * sought.pitch_px(raster)
    # In single precision, which is twice as fast.
    plane = np.stack(np.meshgrid(line, line), axis=-1).reshape(1, -1, 2).astype(np.float32)
    rotations = rotations.astype(np.float32)
    px, depth = _seen(plane, rotations, sought)
    rows, cols = sought.shape
    inside = (depth > NEAREST) & (px >= 0).all(axis=2) & (px[..., 0] < cols) & (px[..., 1] < rows)
    there = inside.astype(np.float32).reshape(-1, 1, raster, raster)
    ray = (px - np.array([(cols - 1) / 2, (rows - 1) / 2], np.float32)) / np.float32(sought.focal_px)
    told = []
    for k in (0, 1):
        way = rotations[:, None, :2, k] - rotations[:, None, 2:, k] * ray
        layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
        told.append(odds.at(px[..., 0], px[..., 1], layer).reshape(-1, raster, raster))
    both = np.stack(told, axis=1) * there
    detail = (both - _broad(both) / np.maximum(_broad(there), 0.1)) * there
    result: NDArray[np.complex64] = fft.rfft2(detail)
    return result


def _broad(rasters: Float32Array) -> Float32Array:
    """What is broad on rasters, with nothing beyond them."""
    # As a product of matrices, which is quicker than a filter for so small ones.
    blur = gaussian_filter1d(np.eye(rasters.shape[-1], dtype=np.float32), BROAD, axis=0, mode="constant")
    result: Float32Array = blur @ rasters @ blur.T
    return result


def _seen(
    plane_px: NDArray[np.floating], rotations: NDArray[np.floating], sought: _Sought
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Points of the board's plane, in pixels of its scale in the frame's middle, in the frame; and their depths."""
    rows, cols = sought.shape
    kind, focal = plane_px.dtype.type, sought.focal_px
    space = plane_px @ rotations[:, :, :2].swapaxes(1, 2)
    depth = space[..., 2] / kind(focal) + kind(1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        px = space[..., :2] / depth[..., None] + np.array([(cols - 1) / 2, (rows - 1) / 2], kind)
    return px, depth
