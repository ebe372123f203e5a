"""Which pixels tell each part's temperature, as one list for all parts: means over a frame are then one count."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres
from thermscan.dynamics.reference import Reference
from thermscan.frozen import dataclass
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.planck import band_radiance, band_temperature_c
from thermscan.radiometry.surface import surface_temperature
from thermscan.regions.hiding import hidden_pixels, standing_bodies
from thermscan.regions.inner_body import find_inner_bodies
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.parallax import pose_seen, seen_part

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# The bench tells the camera's own drift: farther from the board than this share of its width it hardly warms.
BENCH_AWAY = 0.06
# and so many pixels tell it to some hundredths of a kelvin.
FEWEST_BENCH_PIXELS, MOST_BENCH_PIXELS = 200, 1500
# Motion below this leaves the pixels where they are.
STILL_PX = 0.03
LIST_WIDTH = 512


@dataclass(frozen=True, slots=True, eq=False)
class PartPixels:
    """
    Pixels of all parts that can be measured.

    Attributes
    ----------
    columns : tuple of int
        Index of each measured part in the layout.
    places_px : ndarray of shape (n, 2)
        In the reference picture; first those of the parts' inner bodies and rings, then those of the bench.
    labels : ndarray of int, shape (m,)
        Of the first m places: column of the inner body, or number of parts plus column for its ring.
    share_inner, share_ring : ndarray of shape (parts,)
        Share of the body in what these pixels see, at the picture's blur.
    emissivity : ndarray of shape (parts,)
        At each part's viewing angle.
    """

    reference: Reference
    columns: tuple[int, ...]
    places_px: FloatArray
    labels: NDArray[np.intp]
    counts: FloatArray
    share_inner: FloatArray
    share_ring: FloatArray
    emissivity: FloatArray

    @property
    def has_bench(self) -> bool:
        """Whether enough of the bench is seen to tell the camera's drift."""
        return len(self.places_px) - len(self.labels) >= FEWEST_BENCH_PIXELS

    def read(self, frame_c: Float32, other_from_first: FloatArray | None) -> tuple[FloatArray, float]:
        """
        Mean apparent temperature of each inner body and each ring, and the bench's level.

        Returns
        -------
        tuple of (ndarray of shape (2 * parts,), float)
            NaN where a frame shows none of a part's pixels, or no bench.
        """
        values = self._sampled(frame_c, other_from_first)
        told = values[: len(self.labels)]
        size = 2 * len(self.columns)
        if np.isnan(told).any():
            seen = np.isfinite(told)
            count = np.bincount(self.labels[seen], minlength=size).astype(np.float64)
            total = np.bincount(self.labels[seen], weights=told[seen], minlength=size)
            # Fewer than half of its pixels may miss a body's hot or cold side.
            means = np.where(count >= 0.5 * self.counts, total / np.maximum(count, 1), np.nan)
        else:
            means = np.bincount(self.labels, weights=told, minlength=size) / np.maximum(self.counts, 1)
        means = np.where(self.counts > 0, means, np.nan)
        bench = values[len(self.labels) :]
        bench = bench[np.isfinite(bench)]
        return means, _level(bench) if bench.size and self.has_bench else float("nan")

    def read_bench(self, frame_c: Float32, other_from_first: FloatArray | None) -> float:
        """The bench's level; NaN where too little of it is seen."""
        if not self.has_bench:
            return float("nan")
        bench = self._sampled(frame_c, other_from_first, first=len(self.labels))
        bench = bench[np.isfinite(bench)]
        return _level(bench) if bench.size else float("nan")

    def _sampled(self, frame_c: Float32, other_from_first: FloatArray | None, *, first: int = 0) -> FloatArray:
        places = self.places_px[first:]
        at = places if other_from_first is None else map_points(other_from_first, places)
        if other_from_first is None or np.abs(at - places).max() < STILL_PX:
            x, y = places.T.astype(np.intp)
            result: FloatArray = frame_c[y, x].astype(np.float64)
            return result
        # OpenCV takes maps of up to 32767 a side: the list is laid out as a narrow picture.
        short = -len(at) % LIST_WIDTH
        laid = np.pad(at, ((0, short), (0, 0))).astype(np.float32).reshape(-1, LIST_WIDTH, 2)
        seen = cv2.remap(
            frame_c, laid[..., 0], laid[..., 1], cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"),
        )  # fmt: skip
        return seen.ravel()[: len(at)].astype(np.float64)

    def surface_c(self, means_c: FloatArray) -> FloatArray:
        """
        Surface temperatures of the parts from the means of bodies and rings.

        Parameters
        ----------
        means_c : ndarray of shape (..., 2 * parts)

        Returns
        -------
        ndarray of shape (..., parts)
            The surroundings' share taken out, then the reflection, as `thermscan.regions.measure` does for one frame.
        """
        parts = len(self.columns)
        band = self.reference.image.band
        seen_c, ring_c = means_c[..., :parts], means_c[..., parts:]
        seen = band_radiance(np.where(np.isfinite(seen_c), seen_c, 0.0), band_um=band)
        around = band_radiance(np.where(np.isfinite(ring_c), ring_c, 0.0), band_um=band)
        apart = self.share_inner - self.share_ring
        known = np.isfinite(ring_c) & (apart > 0)
        mixed = np.where(known, (1.0 - self.share_inner) / np.where(apart > 0, apart, 1.0), 0.0)
        own_c = band_temperature_c(seen + mixed * (seen - around), band_um=band)
        surface = surface_temperature(
            own_c, emissivity=self.emissivity, reflected_c=self.reference.run.reflected_c, band_um=band
        )
        result: FloatArray = np.where(np.isfinite(seen_c), surface, np.nan)
        return result


def _level(values: FloatArray) -> float:
    """The mean of the middle four fifths: a hand or a cup does not move it, and coarse steps do not show in it."""
    tenth = len(values) // 10
    return float(np.sort(values)[tenth : len(values) - tenth].mean())


def find_part_pixels(reference: Reference) -> PartPixels:
    """The pixels of every part that the reference picture allows to be measured, and of the bench."""
    board, registration, image = reference.board, reference.registration, reference.image
    pose = pose_seen(registration, shape=image.shape, corners_mm=board.corners_mm, fov_deg=reference.fov_deg)
    standing = standing_bodies(board, registration, pose)
    columns: list[int] = []
    places, labels, shares, emissivity, rings = [], [], [], [], []
    told = [index for index, measured in enumerate(reference.measurements) if measured.measurable]
    seen = [seen_part(board.parts[index], registration, pose) for index in told]
    bodies = find_inner_bodies(
        seen, registration,
        jacobians=local_scale(registration.px_from_mm, np.array([(top.x_mm, top.y_mm) for top in seen]).reshape(-1, 2)),
        shape=image.shape, blur_px=image.blur_px, u_blur_px=image.u_blur_px, placement_px=np.zeros(len(seen)),
    )  # fmt: skip
    for index, body in zip(told, bodies, strict=True):
        part, measured = board.parts[index], reference.measurements[index]
        inner = np.column_stack([body.cols, body.rows]).astype(np.float64)
        kept = body.without(hidden_pixels(part, registration, standing, inner))
        ring = np.column_stack([body.ring_cols, body.ring_rows]).astype(np.float64)
        ring = ring[~reference.covered[body.ring_rows, body.ring_cols]]
        places.append(np.column_stack([kept.cols, kept.rows]).astype(np.float64))
        labels.append(np.full(len(kept.rows), len(columns)))
        rings.append(ring)
        shares.append((body.coverage.inner, body.coverage.ring))
        angle_deg = measured.view_angle_deg or 0.0
        emissivity.append(emissivity_at_angle(part.surface.emissivity, view_angle_deg=angle_deg).emissivity)
        columns.append(index)
    n = len(columns)
    all_labels = np.concatenate([np.zeros(0, int), *labels, *(np.full(len(r), n + i) for i, r in enumerate(rings))])
    share = np.array(shares).reshape(-1, 2)
    all_places = np.concatenate([np.zeros((0, 2)), *places, *rings, _bench(reference)])
    counts = np.bincount(all_labels.astype(np.intp), minlength=2 * n).astype(np.float64)
    return PartPixels(
        reference, tuple(columns), all_places, all_labels.astype(np.intp), counts,
        share[:, 0], share[:, 1], np.array(emissivity),
    )  # fmt: skip


def _bench(reference: Reference) -> FloatArray:
    """Pixels well away from the board, thinned out."""
    rows, cols = reference.image.shape
    points_px = pixel_centres((rows, cols))
    mm = reference.registration.mm(points_px)
    board = reference.board
    away = BENCH_AWAY * board.width_mm
    outside = np.maximum(np.maximum(-mm, mm - [board.width_mm, board.height_mm]), 0.0)
    far = (np.hypot(outside[:, 0], outside[:, 1]) > away) & np.isfinite(reference.image.apparent_c).ravel()
    far &= ~reference.covered.ravel()
    chosen = points_px[far]
    return chosen[:: max(len(chosen) // MOST_BENCH_PIXELS, 1)]
