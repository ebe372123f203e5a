"""The last fit: place, focal length, bend of the lens and the height of every part, on all edges at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.bend import U_BEND, unit_bend
from thermscan.registration.geometry.heights import TALLEST_MM, HeightPrior
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners, local_scale
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.geometry.pose import u_log_focal
from thermscan.registration.geometry.rise import Rise, edge_rise
from thermscan.registration.placing.edges import EdgeSites, LayoutEdges, find_edges
from thermscan.registration.placing.hidden_edges import hidden_sites
from thermscan.registration.placing.mixed_model import Observed
from thermscan.registration.placing.own_heights import GradientField, HeightsSeen, gradient_field, see_heights
from thermscan.registration.placing.variance_components import Estimate, before_looking, estimate

FloatArray = NDArray[np.float64]
Steps = tuple[tuple[float, bool], ...]

# How far to look, and whether heights are looked at afresh, where the place is right within a pixel or two to begin
# with, and where it may be taken to be right within one: farther off lie the neighbours' edges, which small bodies have
# near. The last of them again, until no corner moves by more than such a share of its standard uncertainty (which makes
# that 2 % larger), but not more often than that; half as far wherever it would move no less than before, for sites that
# are found now here, now there, would else carry it to and fro (of 193 views looked at 0.193 px became 0.185). (Of 301
# views of 160 columns looked at 272 are right by the far one alone, 277 by the near one, which loses one, and 277 by
# the likelier of both, which loses none.)
FAR = ((2.0, True), (1.5, True), (1.5, False))
NEAR = ((1.5, True), (1.0, True), (1.0, False))
AT_REST, MOST_STEPS = 0.2, 10
# All bodies may be seen larger or smaller than the layout has them, by about so much: pins, halos, chamfers.
U_SWELL_PX = 0.15
# What is not known of heights is not known of each body alone: sockets of one make lift them all, a picture from far
# shows none. Such a lift has so much of the variance that each body has, besides (on 30 views of five boards looked at
# 0, 0.5 and 2 leave 21, 11 and 11 % of the heights that are seen beyond two of their uncertainties).
COMMON = 0.5
# A click holds its corner by so much where the frame shows little, and the less the farther it turns out to be off.
ROUGH_CLICK_PX = 2.0
# A very weak pull towards where the corners were, so that what no edge fixes stays where it was.
HOLD_PX = 30.0
# Fewer pieces of evidence than this cannot carry eight numbers and a check.
FEWEST_SITES, FEWEST_EDGES = 16, 8


@dataclass(frozen=True, slots=True, eq=False)
class HeightsTold:
    """
    Heights by the last fit near the likeliest place, each of shape (parts,), and what was known there before it.
    """

    height_mm: FloatArray
    u_mm: FloatArray
    known_mm: FloatArray
    u_known_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """
    A place of the board with all that goes with it.

    Attributes
    ----------
    corners_px, px_from_mm
        Of the pinhole's view; the frame shows them bent by ``bend_px`` at its corners.
    corner_covariance_px2 : ndarray of shape (8, 8)
    residual_px : float
        Root mean square offset of the edges that were used.
    heights_mm, u_heights_mm : ndarray of shape (parts,)
        Of every part's top, and their standard uncertainty.
    at_top : ndarray of bool, shape (m,)
        Sides that face the camera and are seen at their top edge.
    focal_factor : float
        On the focal length that is stated, told by the view or assumed.
    lift : float
        By how many standard deviations of what was known of their heights all bodies are higher together.
    bend_px, u_bend_px : float
    left_bend_px : float
        A bend that shows and is not taken out.
    edges : int
        Distinct edges used; 0 where the place is none of edges'.
    told : HeightsTold or None
        What the fit itself made of the heights.
    """

    corners_px: FloatArray
    px_from_mm: FloatArray
    corner_covariance_px2: FloatArray
    residual_px: float
    heights_mm: FloatArray
    u_heights_mm: FloatArray
    at_top: NDArray[np.bool_]
    focal_factor: float = 1.0
    lift: float = 0.0
    bend_px: float = 0.0
    u_bend_px: float = 0.0
    left_bend_px: float = 0.0
    edges: int = 0
    told: HeightsTold | None = None

    def seen_corners_px(self, shape: tuple[int, int]) -> FloatArray:
        """Where the frame shows the corners, as a person clicks them; shape (4, 2)."""
        return self.corners_px + self.bend_px * unit_bend(self.corners_px, shape)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What does not change while one frame is fitted."""

    evidence: Evidence
    edges: LayoutEdges
    prior: HeightPrior
    corners_mm: FloatArray
    field: GradientField

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.evidence.apparent.shape
        return rows, cols

    def heights(self, px_from_mm: FloatArray, *, factor: float, bend_px: float) -> HeightsSeen:
        """What the parts' own edges tell of their heights."""
        return see_heights(
            self.field,
            self.edges,
            self.prior,
            px_from_mm,
            corners_mm=self.corners_mm,
            shape=self.shape,
            fov_deg=self.evidence.fov_deg,
            factor=factor,
            bend_px=bend_px,
        )

    def rise(self, place: Placed) -> Rise:
        """How the heights held displace the edges."""
        return edge_rise(
            place.px_from_mm,
            self.edges,
            place.heights_mm,
            place.at_top,
            corners_mm=self.corners_mm,
            shape=self.shape,
            fov_deg=self.evidence.fov_deg,
            factor=place.focal_factor,
        )

    def look(self, place: Placed, rise: Rise, range_px: float) -> EdgeSites:
        """Where the frame shows the layout's edges about a place."""
        return find_edges(
            self.evidence.apparent,
            place.px_from_mm,
            self.edges,
            range_px=range_px,
            noise_k=self.evidence.noise_k,
            blur_px=self.evidence.blur_px,
            shift_px=rise.shift_px,
            bend_px=place.bend_px,
        )


def scene_of(evidence: Evidence, edges: LayoutEdges, prior: HeightPrior, corners_mm: FloatArray) -> Scene:
    """The frame with its gradient."""
    return Scene(evidence, edges, prior, corners_mm, gradient_field(evidence))


def start_at(scene: Scene, corners_px: FloatArray) -> Placed:
    """A place before it is fitted, with heights as they usually are."""
    matrix = homography_from_corners(scene.corners_mm, corners_px)
    prior = scene.prior
    return Placed(
        corners_px.astype(np.float64), matrix, np.eye(8) * HOLD_PX**2, 0.0, prior.mean_mm, prior.u_mm,
        np.zeros(len(scene.edges.part), bool),
    )  # fmt: skip


def joint_fit(
    scene: Scene,
    start: Placed,
    *,
    clicks_px: FloatArray | None = None,
    bends: bool = True,
    steps: Steps = FAR,
) -> Placed | None:
    """
    The place by robust generalised least squares, with a covariance that the scatter of the edges supports.

    Parameters
    ----------
    scene : Scene
    start : Placed
        Right within a few pixels.
    clicks_px : ndarray of shape (4, 2), optional
        Where a person pointed at the corners.
    bends : bool
        Whether the lens's bend is fitted.
    steps : tuple of (float, bool)
        How far to look, and whether heights are looked at afresh.

    Returns
    -------
    Placed or None
        None where too few edges are left, or the corners run away.

    Notes
    -----
    Shared are the corners, the focal length, the bend, and a swelling of all bodies; each part has a height and a
    swelling of its own, with normal priors, which are taken out of the normal equations part by part (Schur
    complement, as the points of a bundle adjustment are [1]). Between the steps each part's height is looked for over
    the whole of its prior, since an edge that is displaced farther than the search reaches is not found.

    References
    ----------
    .. [1] B. Triggs, P. McLauchlan, R. Hartley, A. Fitzgibbon, Bundle adjustment - a modern synthesis, Vision
       Algorithms 1999, section 6.1.
    """
    place = start
    middle = scene.corners_mm.mean(axis=0)[None]
    believed = before_looking(float(np.sqrt(abs(np.linalg.det(local_scale(start.px_from_mm, middle)[0])))))
    scatter = believed
    fit: Estimate | None = None
    known_mm, u_known_mm = start.heights_mm, start.u_heights_mm
    seen_heights: HeightsSeen | None = None
    share, last = 1.0, np.inf
    for number in range(MOST_STEPS):
        range_px, afresh = steps[min(number, len(steps) - 1)]
        if afresh:
            seen_heights = scene.heights(place.px_from_mm, factor=place.focal_factor, bend_px=place.bend_px)
            place, known_mm, u_known_mm = _with_heights(scene, place, seen_heights)
        rise = scene.rise(place)
        observed = _observed(scene, place, rise, range_px, lifts_mm=u_known_mm, bends=bends)
        if not _enough(observed.edge):
            return None
        sides = len(observed.own_known_mm) - observed.bodies
        apart_mm = known_mm + place.lift * u_known_mm - place.heights_mm
        own_known_mm = np.append(u_known_mm, np.ones(sides))
        observed = replace(observed, own_known_mm=own_known_mm, own_apart_mm=np.append(apart_mm, np.zeros(sides)))
        fit = estimate(_with_clicks(observed, clicks_px, place.seen_corners_px(scene.shape)), scatter, believed)
        scatter = fit.scatter
        if not _enough(observed.edge[fit.used]):
            return None
        moves = float((np.abs(fit.step[:8]) / np.sqrt(np.diag(fit.covariance)[:8])).max())
        if number >= len(steps) and moves >= last:
            share /= 2
        last = moves
        step = replace(fit, step=share * fit.step, own=share * fit.own)
        moved = _moved(scene, place, step, u_known_mm, bends=bends)
        if moved is None or not plausible(moved.corners_px[None], scene.corners_mm, start.corners_px[None])[0]:
            return None
        place = moved
        if number >= len(steps) - 1 and share * moves < AT_REST:
            break
    if fit is None or seen_heights is None:
        return None
    u_own = fit.own_u[: observed.bodies, 0]
    seen = seen_heights.weighed
    return replace(
        place,
        corner_covariance_px2=fit.covariance[:8, :8],
        residual_px=fit.residual_px,
        u_heights_mm=np.where(seen.two_tops, np.maximum(seen.u_mm, u_own), u_own),
        told=HeightsTold(place.heights_mm, u_own, known_mm, u_known_mm),
        u_bend_px=float(np.sqrt(fit.covariance[8, 8])) if bends else 0.0,
        edges=len(np.unique(observed.edge[fit.used])),
    )


def _with_heights(scene: Scene, place: Placed, seen: HeightsSeen) -> tuple[Placed, FloatArray, FloatArray]:
    """The likeliest heights, and what the prior says near them."""
    weighed = seen.weighed
    mean, spread = weighed.before_near(scene.prior.grid_mm)
    spread = np.where(weighed.two_tops, np.maximum(spread, weighed.u_mm), spread)
    return replace(place, heights_mm=weighed.likeliest_mm, at_top=seen.at_top, lift=0.0), mean, spread


def _observed(
    scene: Scene, place: Placed, rise: Rise, range_px: float, *, lifts_mm: FloatArray, bends: bool
) -> Observed:
    """The edges that the frame shows, and how their offsets follow what is fitted."""
    edges = scene.edges
    sites = scene.look(place, rise, range_px)
    counts = np.isfinite(sites.offset_px) & ~hidden_sites(sites, edges, rise, place.px_from_mm)
    edge, normals, points = sites.edge[counts], sites.normals_px[counts], sites.points_mm[counts]
    corners = np.einsum("ni,nij->nj", normals, corner_jacobian(place.px_from_mm, scene.corners_mm, points))
    bent = (normals * unit_bend(map_points(place.px_from_mm, points) + rise.shift_px[edge], scene.shape)).sum(axis=1)
    focal = (normals * rise.focal_px[edge]).sum(axis=1)
    swell = np.sign((normals * rise.outward_px[edge]).sum(axis=1))
    along = ((np.arange(len(edges.part)) - int((edges.part < 0).sum())) % 2 == 0)[edge]
    by_height = (normals * rise.own_px[edge]).sum(axis=1)
    own = np.column_stack([by_height, swell, normals])
    half = float(np.hypot(*scene.shape) / 2)
    u_focal = u_log_focal(
        place.px_from_mm, shape=scene.shape, corners_mm=scene.corners_mm, fov_deg=scene.evidence.fov_deg
    )
    held = [place.bend_px] if bends else []
    spread = [U_BEND * half] if bends else []
    known = 1 / np.array([HOLD_PX] * 8 + spread + [u_focal, U_SWELL_PX, U_SWELL_PX, np.sqrt(COMMON)]) ** 2
    apart = np.array([0.0] * 8 + [-each for each in held] + [-np.log(place.focal_factor), 0.0, 0.0, -place.lift])
    columns = [corners, *([bent] if bends else []), focal, swell * along, swell * ~along]
    columns.append(by_height * np.append(lifts_mm, 0.0)[edges.part[edge]])
    _, numbered = np.unique(edge, return_inverse=True)
    parts = len(place.heights_mm)
    sides = parts + int(edges.side.max()) + 1
    return Observed(
        sites.offset_px[counts],
        sites.u_px[counts],
        numbered,
        np.where(edges.part[edge] < 0, parts + edges.side[edge], edges.part[edge]),
        np.column_stack(columns),
        own,
        known,
        known * apart,
        np.ones(sides),
        np.zeros(sides),
        parts,
        lifts_mm,
    )


def _moved(scene: Scene, place: Placed, fit: Estimate, lifts_mm: FloatArray, *, bends: bool) -> Placed | None:
    corners = place.corners_px + fit.step[:8].reshape(4, 2)
    if not np.isfinite(corners).all():
        return None
    focal = np.clip(np.log(place.focal_factor) + np.clip(fit.step[8 + bends], -0.3, 0.3), -1.0, 1.0)
    half = float(np.hypot(*scene.shape) / 2)
    return replace(
        place,
        corners_px=corners,
        px_from_mm=homography_from_corners(scene.corners_mm, corners),
        heights_mm=np.clip(place.heights_mm + fit.own[: len(lifts_mm), 0] + fit.step[-1] * lifts_mm, 0.0, TALLEST_MM),
        lift=place.lift + float(fit.step[-1]),
        focal_factor=float(np.exp(focal)),
        bend_px=float(np.clip(place.bend_px + fit.step[8], -5 * U_BEND * half, 5 * U_BEND * half)) if bends else 0.0,
    )


def _with_clicks(seen: Observed, clicks_px: FloatArray | None, corners_px: FloatArray) -> Observed:
    """What clicks tell besides: the less, the farther one lies from where the frame has put its corner by now."""
    if clicks_px is None:
        return seen
    away = clicks_px - corners_px
    weights = np.repeat(click_weights(away), 2)
    known, pull = seen.known.copy(), seen.pull.copy()
    known[:8] += weights
    pull[:8] += weights * away.ravel()
    return replace(seen, known=known, pull=pull)


def click_weights(away_px: FloatArray) -> FloatArray:
    """
    Weights (1 / variance) of clicks by how far they lie off, of shape (4, 2); of Cauchy's tails.

    Examples
    --------
    >>> click_weights(np.array([[0.0, 0], [0, 0], [0, 0], [40, 0]])).round(4).tolist()
    [0.25, 0.25, 0.25, 0.0012]
    """
    result: FloatArray = 1 / (1 + (away_px**2).sum(axis=1) / ROUGH_CLICK_PX**2 / 2) / ROUGH_CLICK_PX**2
    return result


def _enough(edge: NDArray[np.intp]) -> bool:
    return len(edge) >= FEWEST_SITES and len(np.unique(edge)) >= FEWEST_EDGES
