"""What a thermal camera makes of a board: band radiance, optics, pixels, noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from samples.simulator.planck import radiance_of, temperature_of
from samples.simulator.pose import Pose, carry
from samples.simulator.scene import Background, seen_scene, surroundings_c
from samples.simulator.sensor import Sensor, sample_sensor
from samples.simulator.shapes import Array
from samples.simulator.solver import BoardField, PartTruth
from thermscan.layout.board import Board

# Refractive index of the dielectric whose emissivity falls at a slant; 1.5 suits plastics and varnish.
REFRACTIVE_INDEX = 1.5
METAL_BELOW = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """What the camera read, and the truth behind it; ``offset_k`` holds what the sensor adds to the whole frame."""

    apparent_c: Array
    pose: Pose
    truth: dict[str, PartTruth]
    emissivity: dict[str, float]
    offset_k: float
    dead: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))


def render_frame(
    field: BoardField,
    board: Board,
    pose: Pose,
    *,
    rng: np.random.Generator,
    netd_k: float = 0.05,
    offset_k: float = 0.0,
    blur_px: float = 0.6,
    reflected_c: float | None = None,
    emissivity: Mapping[str, float] | None = None,
    emissivity_spread: float = 0.0,
    sensor: Sensor | None = None,
    minute: float = 0.0,
    dead_pixels: int = 0,
    background: Background | None = None,
    heights: bool = False,
    slant: bool = True,
    band_um: tuple[float, float] = (8.0, 14.0),
    subsamples: int = 3,
) -> Rendered:
    """
    What the camera reads of a board, set to emissivity 1.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the optics' point spread; the pixel's own area comes on top.
    reflected_c : float, optional
        Apparent temperature of the surroundings; default ambient.
    emissivity : mapping, optional
        True emissivity by ref, and of the bare board under ``""``, where it is not the layout's.
    emissivity_spread : float
        How many of the surface's standard uncertainties true emissivities deviate by, at random.
    sensor : Sensor, optional
        Default: that of another uncooled camera with each call, as uneven as its noise suggests. Frames of one camera
        are given one sensor, and the ``minute`` of each; `IDEAL` is even.
    minute : float
        On that camera's clock.
    heights : bool
        Draw parts as boxes, so that a slanted view displaces their tops.
    slant : bool
        Let emissivity fall at a slant as a smooth dielectric's does.
    """
    background = background or Background()
    reflected_c = field.ambient_c if reflected_c is None else reflected_c
    true_emissivity = _draw_emissivity(rng, board, emissivity or {}, emissivity_spread)
    scene_c, scene_e, points_px = seen_scene(
        field,
        board,
        pose,
        emissivity=true_emissivity,
        background=background,
        rng=rng,
        subsamples=subsamples,
        heights=heights,
    )
    if slant:
        points_mm = carry(np.linalg.inv(pose.px_from_mm), points_px)
        scene_e = np.where(scene_e > METAL_BELOW, scene_e * _slant_factor(pose.cos_to_normal(points_mm)), scene_e)
    around_c = surroundings_c(points_px, pose.shape, reflected_c, background)
    emitted = scene_e * radiance_of(scene_c, band_um=band_um)
    radiance = emitted + (1 - scene_e) * radiance_of(around_c, band_um=band_um)
    rows, cols = pose.shape
    fine = radiance.reshape(rows * subsamples, cols * subsamples)
    fine = gaussian_filter(fine, blur_px * subsamples, mode="nearest") if blur_px > 0 else fine
    mean = fine.reshape(rows, subsamples, cols, subsamples).mean(axis=(1, 3))
    # Noise is the detector's: the same in radiance everywhere, stated at 30 degrees.
    per_k = float(radiance_of(30.5, band_um=band_um) - radiance_of(29.5, band_um=band_um))
    # What is new in a frame has a stream of its own, so that a scene stays as it is whatever looks at it.
    of_sensor = rng.spawn(1)[0]
    sensor = sensor or sample_sensor(of_sensor, netd_k=netd_k)
    uneven_k = sensor.unevenness_k(of_sensor, pose.shape, minute=minute)
    detected = mean + rng.normal(0.0, netd_k * per_k, mean.shape) + uneven_k * per_k
    apparent_c = temperature_of(detected, band_um=band_um) + offset_k
    dead = np.zeros(pose.shape, dtype=bool)
    if dead_pixels:
        dead.ravel()[rng.choice(dead.size, dead_pixels, replace=False)] = True
        apparent_c[dead] = rng.choice([field.ambient_c - 15.0, field.ambient_c + 60.0], dead_pixels)
    truth = {part.ref: field.truth(part) for part in board.parts}
    offset_k += float(uneven_k.mean())
    return Rendered(apparent_c, pose, truth, true_emissivity, offset_k, dead)


def _draw_emissivity(
    rng: np.random.Generator, board: Board, given: Mapping[str, float], spread: float
) -> dict[str, float]:
    """By ref; the bare board under the empty name. Deviations are half the surface's and half the part's own."""
    by_surface = {part.surface.name: rng.normal() for part in board.parts}
    drawn = {"": board.surface.emissivity + spread * board.surface.u_emissivity * rng.normal()}
    for part in board.parts:
        deviation = np.sqrt(0.5) * (by_surface[part.surface.name] + rng.normal())
        drawn[part.ref] = part.surface.emissivity + spread * part.surface.u_emissivity * deviation
    return {ref: float(np.clip(value, 0.02, 0.99)) for ref, value in (drawn | dict(given)).items()}


def _slant_factor(cosine: Array) -> Array:
    """
    Emissivity of a smooth dielectric at a slant, relative to that along the normal (Fresnel, unpolarised).

    Examples
    --------
    >>> bool(abs(_slant_factor(np.array([0.5]))[0] - 0.9108 / 0.96) < 1e-4)
    True
    """
    n = REFRACTIVE_INDEX
    cos_in = np.clip(np.abs(cosine), 1e-3, 1.0)
    cos_out = np.sqrt(1 - (1 - cos_in**2) / n**2)
    across = ((cos_in - n * cos_out) / (cos_in + n * cos_out)) ** 2
    along = ((n * cos_in - cos_out) / (n * cos_in + cos_out)) ** 2
    result: Array = (1 - (across + along) / 2) / (1 - ((n - 1) / (n + 1)) ** 2)
    return result
