"""Several views of one board fitted together: one focal length, one set of heights, and each place again with those."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.heights import HeightPrior
from thermscan.registration.geometry.pose import Pose, fov_from_focal, pose_from_homography, u_log_focal
from thermscan.registration.placing.joint_fit import HeightsTold, Placed, Scene, joint_fit, start_at
from thermscan.registration.placing.own_heights import HeightsSaid, HeightsWeighed, say_heights, weigh_heights

FloatArray = NDArray[np.float64]

# A place and the heights depend on each other: after so many turns neither moves by more than its doubt.
TURNS = 2


def fit_together(
    scenes: Sequence[Scene], corners_px: Sequence[FloatArray], *, kept: Sequence[bool]
) -> tuple[Placed, ...]:
    """
    Each view's place again, with the focal length that all views share and what the others say of the heights.

    Parameters
    ----------
    scenes : sequence of Scene
        Two or more, of one board; of lenses whose bend was taken out. Frames of one shape are one camera's.
    corners_px : sequence of ndarray of shape (4, 2)
        Where each view has the board, right within some pixels.
    kept : sequence of bool
        Places that rest on more than their frame's edges: they stay.

    Returns
    -------
    tuple of Placed
        In the given order, all with the same heights; ``focal_factor`` is on what `pose_from_homography` finds.

    Notes
    -----
    Given places and focal length, what the views' edges say of a part's height are independent pieces of evidence:
    their log odds add on the grid of heights. The focal length is what the views' converging parallels say, weighted.
    Each place is then fitted with the other views' evidence and a share of what is known of the packages as the prior
    of its heights, as in belief propagation on the views and the heights [1]; sockets and sinks of which the layout is
    silent would else pull all places alike.

    References
    ----------
    .. [1] C. M. Bishop, Pattern Recognition and Machine Learning, 2006, 8.4.4: the sum-product algorithm.
    """
    prior = scenes[0].prior
    places = [start_at(scene, corners) for scene, corners in zip(scenes, corners_px, strict=True)]
    focal_px, u_focal = _shared_focal_px(scenes, places)
    known = [
        replace(scene, evidence=replace(scene.evidence, fov_deg=fov_from_focal(focal, scene.shape[1])))
        for scene, focal in zip(scenes, focal_px, strict=True)
    ]
    # What is known of packages is heard once by all views together, or each would lean on it more than on the others.
    share = replace(prior, log_density=prior.log_density / len(scenes))
    for _ in range(TURNS):
        odds = [_said(scene, place).log_odds for scene, place in zip(known, places, strict=True)]
        total = np.sum(odds, axis=0)
        fitted = [
            joint_fit(replace(scene, prior=_with(share, total - own)), start_at(scene, place.corners_px), bends=False)
            for scene, place, own in zip(known, places, odds, strict=True)
        ]
        places = [
            _told_at(place, fit) if fit is None or stays else fit
            for place, fit, stays in zip(places, fitted, kept, strict=True)
        ]
    heights_mm, u_mm = _heights(known, places, u_focal)
    return tuple(
        replace(
            place,
            heights_mm=heights_mm,
            u_heights_mm=u_mm,
            focal_factor=focal / _own_pose(scene, place).focal_px,
        )
        for scene, place, focal in zip(scenes, places, focal_px, strict=True)
    )


def _told_at(place: Placed, fit: Placed | None) -> Placed:
    """A place that stays, with what its frame tells of the heights."""
    return place if fit is None else replace(place, told=fit.told, at_top=fit.at_top)


def _own_pose(scene: Scene, place: Placed) -> Pose:
    return pose_from_homography(
        place.px_from_mm, shape=scene.shape, corners_mm=scene.corners_mm, fov_deg=scene.evidence.fov_deg
    )


def _shared_focal_px(scenes: Sequence[Scene], places: Sequence[Placed]) -> tuple[list[float], float]:
    """Each view's focal length, that of all frames of its shape together, and how well its logarithm is known."""
    told = np.array([np.log(_own_pose(scene, place).focal_px) for scene, place in zip(scenes, places, strict=True)])
    u = np.array([
        u_log_focal(
            place.px_from_mm, shape=scene.shape, corners_mm=scene.corners_mm, fov_deg=scene.evidence.fov_deg
        )
        for scene, place in zip(scenes, places, strict=True)
    ])  # fmt: skip
    alike = np.array([[one.shape == other.shape for other in scenes] for one in scenes])
    weights = alike / u**2
    focal_px = np.exp((weights @ told) / weights.sum(axis=1))
    # The principal point, which is most of it, is off in all views together: the best view's doubt stays.
    return [float(focal) for focal in focal_px], float(np.where(alike, u, np.inf).min(axis=1).max())


def _heights(scenes: Sequence[Scene], places: Sequence[Placed], u_focal: float) -> tuple[FloatArray, FloatArray]:
    """One height a part and its standard uncertainty, with what the doubt of the focal length makes of it."""
    prior = scenes[0].prior
    said = [_said(scene, place) for scene, place in zip(scenes, places, strict=True)]
    per_mm_px = np.max([each.per_mm_px for each in said], axis=0)
    log_odds = np.sum([each.log_odds for each in said], axis=0)
    weighed = weigh_heights(prior, log_odds, per_mm_px)
    height_mm, u_mm = _joined([place.told for place in places if place.told is not None], weighed, prior.grid_mm)
    u_mm = _with_other_heights(height_mm, u_mm, weighed, log_odds, prior.grid_mm)
    # A longer focal length makes tops move farther, and heights smaller.
    longer = [_said(scene, place, factor=float(np.exp(u_focal))) for scene, place in zip(scenes, places, strict=True)]
    more = np.max([each.per_mm_px for each in longer], axis=0) / np.maximum(per_mm_px, 1e-9) - 1
    return height_mm, np.hypot(u_mm, more * height_mm)


def _joined(told: Sequence[HeightsTold], weighed: HeightsWeighed, grid_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """
    One height a part and its standard uncertainty, of what was known before and what each view's last fit adds.

    A view that was fitted at another place than the likeliest adds nothing; what views contradict each other by widens
    the uncertainty (Birge ratio).
    """
    before_mm, u_before_mm = weighed.before_near(grid_mm)
    weights, own = [], []
    for view in told:
        weight = 1 / view.u_mm**2 - 1 / view.u_known_mm**2
        there = np.abs(view.height_mm - weighed.likeliest_mm) <= weighed.window_mm
        weight = np.where(there, np.maximum(weight, 0.0), 0.0)
        alone = (view.height_mm / view.u_mm**2 - view.known_mm / view.u_known_mm**2) / np.maximum(weight, 1e-9)
        weights.append(weight)
        own.append(np.where(weight > 0, alone, 0.0))
    w, x = np.array(weights), np.array(own)
    total = np.maximum(w.sum(axis=0), 1e-9)
    mean = (w * x).sum(axis=0) / total
    freedom = np.maximum((w > 0).sum(axis=0) - 1, 1)
    ratio2 = np.maximum((w * (x - mean) ** 2).sum(axis=0) / freedom, 1.0)
    precision = total / ratio2 + 1 / u_before_mm**2
    height = (total / ratio2 * mean + before_mm / u_before_mm**2) / precision
    return np.maximum(height, 0.0), precision**-0.5


def _with_other_heights(
    height_mm: FloatArray, u_mm: FloatArray, weighed: HeightsWeighed, log_odds: FloatArray, grid_mm: FloatArray
) -> FloatArray:
    """
    The standard uncertainty with what the density holds under other tops than that of the likeliest height.

    The density is a mixture of what lies about that height, whose width the fit knows better, and of other tops: a
    package in a socket stands at another height than without, and edges often leave a share for both.
    """
    joint = weighed.log_density_before + log_odds
    density = np.exp(joint - np.logaddexp.reduce(joint, axis=1, keepdims=True))
    near = np.abs(grid_mm[None] - weighed.likeliest_mm[:, None]) <= weighed.window_mm[:, None]
    tops = np.where(near, density, 0.0).argmax(axis=1)
    share = np.stack(
        [np.where(_other_tops(each, int(top)), each, 0.0) for each, top in zip(density, tops, strict=True)]
    )
    far2 = (share * (grid_mm[None] - height_mm[:, None]) ** 2).sum(axis=1)
    result: FloatArray = np.sqrt((1 - share.sum(axis=1)) * u_mm**2 + far2)
    return result


def _other_tops(density: FloatArray, top: int) -> NDArray[np.bool_]:
    """Where a density, going away from a top, has begun to rise again."""
    other = np.zeros(len(density), dtype=bool)
    up, down = np.flatnonzero(np.diff(density[top:]) > 0), np.flatnonzero(np.diff(density[top::-1]) > 0)
    if up.size:
        other[top + up[0] + 1 :] = True
    if down.size:
        other[: top - down[0]] = True
    return other


def _said(scene: Scene, place: Placed, *, factor: float = 1.0) -> HeightsSaid:
    return say_heights(
        scene.field,
        scene.edges,
        scene.prior.grid_mm,
        place.px_from_mm,
        parts=len(scene.prior.log_density),
        corners_mm=scene.corners_mm,
        shape=scene.shape,
        fov_deg=scene.evidence.fov_deg,
        factor=factor,
    )


def _with(prior: HeightPrior, log_odds: FloatArray) -> HeightPrior:
    """What is known of the heights with more evidence."""
    log_density = prior.log_density + log_odds
    return replace(prior, log_density=log_density - np.logaddexp.reduce(log_density, axis=1, keepdims=True))
