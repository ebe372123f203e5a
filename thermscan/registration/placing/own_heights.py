"""How high each part stands, as its own edges tell: the density over a grid of heights, part by part."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.registration.evidence import Evidence, filled
from thermscan.registration.geometry.bend import unit_bend
from thermscan.registration.geometry.heights import HeightPrior
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.pose import Pose
from thermscan.registration.geometry.rise import pose_with_focal
from thermscan.registration.placing.edges import LayoutEdges

FloatArray = NDArray[np.float64]

# So many sides are asked at once, each at 260 places: what is looked up then stays in the processor's cache.
AT_ONCE = 400
# Where along a side its edge is asked for.
ALONG = (0.2, 0.4, 0.6, 0.8)
# The gradient is taken after a blur of so much, besides the frame's own.
GRADIENT_BLUR_PX = 0.8
# An edge so many standard deviations strong doubles the odds of a height; a stronger one raises them with the logarithm
# of its square, as a density with Cauchy tails does: a neighbour's edge is as strong, and must not outvote the prior.
STRONG = 4.0
# A wall is rather as warm as the top, so that a side that faces the camera is seen at its foot, than as cool as the
# board.
AT_FOOT = 0.7
# The four places along a side, and the two far sides, stand or fall together: so much of their sum is believed. Lower
# makes the stated uncertainties larger (chosen on 18 made-up scenes, of whose tops 94 to 96 % lie within twice).
BELIEVED = 0.6
# Parts of one body stand equally high, three of four (the others are in a socket, or of another make), to so much; and
# a part's edges tell its height rightly about as often.
ALIKE, ALIKE_MM, TELLS = 0.75, 0.4, 0.7
# A picture may show no heights at all (taken from far, or put together from several): all parts flat at once, where
# that has so much higher odds, of which no part has more than its share; then hardly any is held to show its height.
FLAT_ODDS, FLAT_CLIP, FLAT_MM, SHOWN = 6.0, 2.0, 0.25, 0.02
# The likeliest height is that with most of the density within so many pixels, in millimetres within these limits.
WINDOW_PX, WINDOW_MM = 1.0, (0.4, 10.0)
# A density of heights is called one of two tops where it is so many times as wide as the likeliest one.
TWO_TOPS, LEAST_TOP_MM = 2.5, 0.3


@dataclass(frozen=True, slots=True, eq=False)
class HeightsWeighed:
    """
    Heights of parts after looking.

    Attributes
    ----------
    mean_mm, u_mm : ndarray of shape (parts,)
        Of the whole density: where it has two tops, between them and as wide as both.
    likeliest_mm, near_u_mm : ndarray of shape (parts,)
        Where most of the density lies within a pixel or so, and how wide it is there.
    window_mm : ndarray of shape (parts,)
        Half the width of that place.
    log_density_before : ndarray of shape (parts, g)
        Of each height of the grid, by layout, package and the parts of the same body.
    """

    mean_mm: FloatArray
    u_mm: FloatArray
    likeliest_mm: FloatArray
    near_u_mm: FloatArray
    window_mm: FloatArray
    log_density_before: FloatArray

    @property
    def two_tops(self) -> NDArray[np.bool_]:
        """Whether another height is nearly as likely; shape (parts,)."""
        result: NDArray[np.bool_] = self.u_mm > TWO_TOPS * np.maximum(self.near_u_mm, LEAST_TOP_MM)
        return result

    def before_near(self, grid_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation of what was known before, within the likeliest place."""
        near = np.abs(grid_mm[None] - self.likeliest_mm[:, None]) <= self.window_mm[:, None]
        mass = np.where(near, np.exp(self.log_density_before), 0.0)
        share = mass.sum(axis=1)
        mass /= np.maximum(share, 1e-300)[:, None]
        mean = mass @ grid_mm
        spread = np.sqrt(np.maximum(mass @ grid_mm**2 - mean**2, 0.01))
        return mean, np.where(share > 0.5, spread, 2 * spread)


@dataclass(frozen=True, slots=True, eq=False)
class HeightsSeen:
    """
    Heights of parts after looking at one frame.

    Attributes
    ----------
    weighed : HeightsWeighed
    at_top : ndarray of bool, shape (m,)
        Sides that face the camera and are rather seen at their top edge.
    """

    weighed: HeightsWeighed
    at_top: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class GradientField:
    """Gradient of the frame, in standard deviations of its noise."""

    gx: NDArray[np.float32]
    gy: NDArray[np.float32]

    def across(self, points_px: FloatArray, normals_px: FloatArray) -> FloatArray:
        """Size of its component along normals; 0 outside the frame."""
        x, y = points_px[..., 0].astype(np.float32), points_px[..., 1].astype(np.float32)
        flat = x.reshape(-1, x.shape[-1]) if x.ndim > 1 else x[None]
        tall = y.reshape(flat.shape)
        out = np.empty((2, *flat.shape), np.float32)
        for first in range(0, len(flat), 30000):  # remap takes fewer than 32768 rows at once
            rows = slice(first, first + 30000)
            for k, field in enumerate((self.gx, self.gy)):
                out[k, rows] = cv2.remap(field, flat[rows], tall[rows], cv2.INTER_LINEAR, borderValue=0.0)
        seen = out.reshape(2, *x.shape)
        result: FloatArray = np.abs(seen[0] * normals_px[..., 0] + seen[1] * normals_px[..., 1]).astype(np.float64)
        return result


def gradient_field(evidence: Evidence, blur_px: float = GRADIENT_BLUR_PX) -> GradientField:
    """The frame's gradient after a blur."""
    smooth = cv2.GaussianBlur(filled(evidence.apparent), (0, 0), blur_px)
    # Noise of the gradient after a Gaussian blur of s: sigma / (sqrt(8 pi) s^2).
    noise = evidence.noise_k / (np.sqrt(8 * np.pi) * blur_px**2)
    scale = 0.125 / noise
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=scale), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=scale)
    return GradientField(np.asarray(gx, dtype=np.float32), np.asarray(gy, dtype=np.float32))


@dataclass(frozen=True, slots=True, eq=False)
class HeightsSaid:
    """
    What one frame's edges say of each height, nothing known before.

    Attributes
    ----------
    log_odds : ndarray of shape (parts, g)
        Of each height of the grid against what an edge anywhere near would say.
    per_mm_px : ndarray of shape (parts,)
        How far the top moves with a millimetre.
    own : ndarray of int, shape (n,)
        The bodies' sides among the edges.
    by_side : ndarray of shape (n, g)
    facing : ndarray of bool, shape (n,)
    """

    log_odds: FloatArray
    per_mm_px: FloatArray
    own: NDArray[np.intp]
    by_side: FloatArray
    facing: NDArray[np.bool_]


def say_heights(
    field: GradientField,
    edges: LayoutEdges,
    grid_mm: FloatArray,
    px_from_mm: FloatArray,
    *,
    parts: int,
    corners_mm: FloatArray,
    shape: tuple[int, int],
    fov_deg: float | None,
    factor: float = 1.0,
    bend_px: float = 0.0,
) -> HeightsSaid:
    """What the frame's edges say of each part's height; several frames of one board say it independently."""
    own = np.flatnonzero(edges.part >= 0)
    total, per_mm = np.zeros((parts, len(grid_mm))), np.zeros(parts)
    if not len(own):
        return HeightsSaid(total, per_mm, own, np.zeros((0, len(grid_mm))), np.zeros(0, bool))
    pose = pose_with_focal(px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=fov_deg, factor=factor)
    shift, told, facing = _told(field, edges, own, px_from_mm, pose, grid_mm=grid_mm, bend_px=bend_px, shape=shape)
    # What an edge anywhere near would say: the surroundings' own strength.
    usual = np.log(np.exp(told).mean(axis=1, keepdims=True))
    foot_told = np.broadcast_to(told[:, :1], told.shape)
    either = np.logaddexp(np.log(AT_FOOT) + foot_told, np.log(1 - AT_FOOT) + told)
    side = np.where(facing[:, None], either, told) - usual
    np.add.at(total, edges.part[own], BELIEVED * side)
    np.maximum.at(per_mm, edges.part[own], np.linalg.norm(shift[:, -1], axis=1) / grid_mm[-1])
    return HeightsSaid(total, per_mm, own, told, facing)


def see_heights(
    field: GradientField,
    edges: LayoutEdges,
    prior: HeightPrior,
    px_from_mm: FloatArray,
    *,
    corners_mm: FloatArray,
    shape: tuple[int, int],
    fov_deg: float | None,
    factor: float = 1.0,
    bend_px: float = 0.0,
) -> HeightsSeen:
    """
    The density of each part's height, given where the board lies.

    Parameters
    ----------
    field : GradientField
    edges : LayoutEdges
    prior : HeightPrior
    px_from_mm : ndarray of shape (3, 3)
    factor, bend_px : float
        On the focal length, as `edge_rise`; of the lens, in pixels at the frame's corners.

    Returns
    -------
    HeightsSeen

    Notes
    -----
    The likelihood of a height is that of the edges of the top seen where it puts them, with heavy tails, since other
    bodies' edges lie about; sides that face the camera are a mixture of foot and top. Bayes' rule on a grid.
    """
    said = say_heights(
        field,
        edges,
        prior.grid_mm,
        px_from_mm,
        parts=len(prior.log_density),
        corners_mm=corners_mm,
        shape=shape,
        fov_deg=fov_deg,
        factor=factor,
        bend_px=bend_px,
    )
    own, total, grid = said.own, said.log_odds, prior.grid_mm
    if not len(own):
        return HeightsSeen(weigh_heights(prior, total, said.per_mm_px), np.zeros(len(edges.part), bool))
    weighed = weigh_heights(prior, total, said.per_mm_px)
    best = np.abs(grid[None] - weighed.likeliest_mm[:, None]).argmin(axis=1)
    at_top = np.zeros(len(edges.part), bool)
    there = said.by_side[np.arange(len(own)), best[edges.part[own]]]
    at_top[own] = said.facing & (np.log(1 - AT_FOOT) + there > np.log(AT_FOOT) + said.by_side[:, 0])
    return HeightsSeen(weighed, at_top)


def weigh_heights(prior: HeightPrior, log_odds: FloatArray, per_mm_px: FloatArray) -> HeightsWeighed:
    """
    What is known of heights before, with what one or more frames' edges say of them.

    Parameters
    ----------
    prior : HeightPrior
    log_odds : ndarray of shape (parts, g)
        See `HeightsSaid`; of several frames their sum.
    per_mm_px : ndarray of shape (parts,)
        How far a millimetre moves the top, in the frame that shows it best.
    """
    parts, grid = len(log_odds), prior.grid_mm
    if not parts:
        nothing = np.zeros(0)
        return HeightsWeighed(nothing, nothing, nothing, nothing, nothing, prior.log_density)
    before = _with_their_like(prior, log_odds)
    joint = before + log_odds
    flat = log_odds[:, 0] - np.logaddexp.reduce(joint, axis=1)
    if np.clip(flat, -FLAT_CLIP, FLAT_CLIP).sum() > FLAT_ODDS:
        low = (grid <= FLAT_MM) / (grid <= FLAT_MM).sum()
        before = np.log(SHOWN * np.exp(before) + (1 - SHOWN) * low)
        joint = before + log_odds
    evidence = np.log(np.exp(joint - joint.max(axis=1, keepdims=True)).sum(axis=1)) + joint.max(axis=1)
    density = np.exp(joint - evidence[:, None])
    mean = density @ grid
    u = np.sqrt(np.maximum(density @ grid**2 - mean**2, 0.0))
    window = np.clip(WINDOW_PX / np.maximum(per_mm_px, 1e-9), *WINDOW_MM)
    near = np.abs(grid[None, :, None] - grid[None, None]) <= window[:, None, None]
    best = np.einsum("phg,pg->ph", near, density).argmax(axis=1)
    local = np.where(near[np.arange(parts), best], density, 0.0)
    local /= local.sum(axis=1, keepdims=True)
    likeliest = local @ grid
    near_u = np.sqrt(np.maximum(local @ grid**2 - likeliest**2, 0.0))
    return HeightsWeighed(mean, u, likeliest, near_u, window, before)


def _told(
    field: GradientField,
    edges: LayoutEdges,
    own: NDArray[np.intp],
    px_from_mm: FloatArray,
    pose: Pose,
    *,
    grid_mm: FloatArray,
    bend_px: float,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Of each body's side at each height: its displacement, what the frame's edge there tells, and if it faces us."""
    middle = (edges.starts_mm[own] + edges.ends_mm[own]) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        foot = pose.px(middle)
        shift = np.stack([pose.px(middle, height) - foot for height in grid_mm], axis=1)
    shift = np.nan_to_num(shift, posinf=1e4, neginf=-1e4)
    way = edges.ends_mm[own] - edges.starts_mm[own]
    spots = edges.starts_mm[own][:, None] + np.array(ALONG)[None, :, None] * way[:, None]
    at = map_points(px_from_mm, spots.reshape(-1, 2)).reshape(*spots.shape)
    scale = local_scale(px_from_mm, middle)
    along = np.einsum("nij,nj->ni", scale, way)
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    outward = np.einsum("nij,nj->ni", scale, edges.outward_mm[own])
    normal *= np.sign((normal * outward).sum(axis=1))[:, None]
    told = np.empty(shift.shape[:2])
    for first in range(0, len(own), AT_ONCE):
        some = slice(first, first + AT_ONCE)
        seen = at[some, :, None] + shift[some, None]  # (sides, places, heights, 2)
        if bend_px:
            seen = seen + bend_px * unit_bend(seen.reshape(-1, 2), shape).reshape(seen.shape)
        strength = field.across(seen.reshape(len(seen), -1, 2), normal[some, None]).reshape(seen.shape[:3])
        told[some] = np.log1p((strength / STRONG) ** 2).mean(axis=1)
    return shift, told, (shift[:, -1] * normal).sum(axis=1) <= 0


def _with_their_like(prior: HeightPrior, told: FloatArray) -> FloatArray:
    """What is known of each part before its own edges are asked: layout, package, and the other parts of its body."""
    parts, grid = prior.log_density.shape[0], prior.grid_mm
    number = np.bincount(prior.kind, minlength=parts)
    expected = np.logaddexp.reduce(prior.log_density + told, axis=1, keepdims=True)
    each = np.log(TELLS * np.exp(told - expected) + 1 - TELLS)
    by_kind = np.zeros((int(prior.kind.max()) + 1, len(grid)))
    np.add.at(by_kind, prior.kind, each)
    # A row of like parts sees the next one's edges all at the same wrong height: many count as their root.
    counts = np.sqrt(np.maximum(number[prior.kind] - 1, 1))[:, None]
    others = prior.log_density + (by_kind[prior.kind] - each) / counts
    density = np.exp(others - others.max(axis=1, keepdims=True))
    spread = np.exp(-0.5 * ((grid[:, None] - grid[None]) / ALIKE_MM) ** 2) * np.gradient(grid)
    density = density @ (spread / spread.sum(axis=1, keepdims=True))
    density /= density.sum(axis=1, keepdims=True)
    mixed = np.log(ALIKE * density + (1 - ALIKE) * np.exp(prior.log_density))
    result: FloatArray = np.where((number[prior.kind] > 1)[:, None], mixed, prior.log_density)
    return result
