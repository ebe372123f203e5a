"""The temperature of every part, with its uncertainty, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.planck import band_radiance, band_temperature_c
from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.surface import surface_sensitivities, surface_temperature
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.radiometry.uncertainty import combined_u_k, part_budget
from thermscan.regions import reasons
from thermscan.regions.hiding import Silhouette, hidden_pixels, silhouettes
from thermscan.regions.inner_body import LEAST_PIXELS, Coverage, InnerBody, body_scale_px_per_mm, find_inner_body
from thermscan.regions.measurement import BudgetLine, PartMeasurement
from thermscan.regions.sensor_lines import sensor_lines
from thermscan.registration.geometry.homography import local_scale, part_uncertainty_mm
from thermscan.registration.geometry.parallax import pose_seen, seen_part, tops_possible
from thermscan.registration.registration import Registration
from thermscan.robust import robust_sd

# Below this a reading is mostly a reflection of the room (ISO 18434-1 asks for high emissivity and warns
# of reflective surfaces; the figure itself is common practice).
LEAST_EMISSIVITY = 0.5
# Beyond this angle a dielectric's emissivity drops (Fresnel's equations, n = 1.5: 5 % at 60 degrees).
STEEPEST_VIEW_DEG = 60.0
# The mean of fewer than this share of a body's pixels may miss its hot or cold side.
LEAST_VALID_SHARE = 0.5
# Glints and dust on single pixels; a body's own warm middle stays within this many robust deviations.
OUTLIER_DEVIATIONS = 8.0
# Pixels lie on one line where the determinant of their moments is below this share of the larger moment squared.
FLAT_SHARE = 1e-9
# A 3 x 3 neighbourhood counts where most of it lies on the inner body.
LEAST_PEAK_PIXELS = 6
# The surroundings are not one temperature: a quarter of what was corrected for blending stays as standard
# uncertainty, besides what the blur's own uncertainty changes.
BLEND_DOUBT = 0.25
# The reflected temperature is taken at the bench as the ambient: people and lamps make it uncertain.
REFLECTED_DOUBT_K = 2.0


@dataclass(frozen=True, slots=True)
class _Reading:
    """Apparent temperatures of one part's inner body."""

    mean_c: float
    peak_c: float
    u_blend_k: float
    slope_k_per_px: tuple[float, float]
    footprint: Footprint

    @property
    def pixels(self) -> int:
        return len(self.footprint.rows)


@dataclass(frozen=True, slots=True)
class _Measured:
    """A part's measurement, and the pixels it was taken over."""

    measurement: PartMeasurement
    footprint: Footprint | None = None
    per_apparent: float = 1.0


def measure_parts(
    image: ThermalImage,
    registration: Registration,
    board: Board,
    *,
    ambient_c: float,
    reflected_c: float,
    fov_deg: float | None = None,
    covered: NDArray[np.bool_] | None = None,
) -> tuple[PartMeasurement, ...]:
    """
    One measurement for each part of the board, in the layout's order.

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board
    ambient_c, reflected_c : float
        Air temperature at the bench and apparent temperature of what the board reflects.
    fov_deg : float, optional
        The camera's horizontal field of view; else told from the view itself, for the tops of tall parts.
    covered : ndarray of bool, shape of the frame, optional
        Where something lies over the board: a part that it touches is not measured, nor its surroundings by it.

    Returns
    -------
    tuple of PartMeasurement
        A part that cannot be measured is there too, with its reason.

    Notes
    -----
    The mean is that of the surface temperature over the inner body's camera pixels, after removing
    the share of the surroundings that the optics' blur leaves in them (size-of-source effect).

    References
    ----------
    .. [1] ISO 18434-1:2008, Condition monitoring and diagnostics of machines - Thermography (method of
       emissivity and reflected-temperature correction).
    .. [2] JCGM 100:2008 (GUM), clause 5.
    """
    places_mm = np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
    placement_mm = part_uncertainty_mm(registration, places_mm)
    pose = pose_seen(registration, shape=image.shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    angles_deg = pose.view_angle_deg(places_mm)
    # The registration states the angle at the board's middle; the pose tells how it changes from there.
    angles_deg += registration.view_angle_deg - pose.view_angle_deg(board.corners_mm.mean(axis=0)[None])
    standing = silhouettes(board, registration, pose)
    if covered is None:
        covered = np.zeros(image.shape, dtype=bool)
    # What lies over the board is no surroundings either.
    shown = replace(image, apparent_c=np.where(covered, np.nan, image.apparent_c))
    measured = [
        _measure_part(
            shown,
            registration,
            part,
            tops=(seen_part(part, registration, pose), *tops_possible(part, registration, pose)),
            standing=standing,
            covered=covered,
            view_angle_deg=max(float(angle_deg), 0.0),
            placement_mm=float(u_mm),
            ambient_c=ambient_c,
            reflected_c=reflected_c,
        )
        for part, angle_deg, u_mm in zip(board.parts, angles_deg, placement_mm, strict=True)
    ]
    return _with_sensor(measured, shown)


def _with_sensor(measured: Sequence[_Measured], image: ThermalImage) -> tuple[PartMeasurement, ...]:
    """The measurements, with what the sensor's unevenness does to each and to the differences between them."""
    told = [one for one in measured if one.footprint is not None]
    lines = sensor_lines(
        image,
        [one.footprint for one in told if one.footprint is not None],
        per_apparent=[one.per_apparent for one in told],
    )
    added = {id(one): more for one, more in zip(told, lines, strict=True)}
    return tuple(_with_lines(one.measurement, added.get(id(one), ())) for one in measured)


def _with_lines(measurement: PartMeasurement, lines: Sequence[BudgetLine]) -> PartMeasurement:
    if not lines:
        return measurement
    budget = (*measurement.budget, *lines)
    return replace(measurement, budget=budget, u_c=combined_u_k(budget))


def _measure_part(
    image: ThermalImage,
    registration: Registration,
    part: Part,
    *,
    tops: Sequence[Part],
    standing: Sequence[Silhouette],
    covered: NDArray[np.bool_],
    view_angle_deg: float,
    placement_mm: float,
    ambient_c: float,
    reflected_c: float,
) -> _Measured:
    jacobian = local_scale(registration.px_from_mm, [[tops[0].x_mm, tops[0].y_mm]])[0]
    placement_px = placement_mm * float(np.mean(body_scale_px_per_mm(part, jacobian)))
    bodies = [
        find_inner_body(
            top,
            registration,
            jacobian=jacobian,
            shape=image.shape,
            blur_px=image.blur_px,
            u_blur_px=image.u_blur_px,
            placement_px=placement_px,
        )
        for top in tops
    ]
    body = bodies[0]
    if bodies[1:]:
        always = body.shared_with(bodies[1:], _shift_px(tops[1], tops[2], jacobian))
        # Where the whole range of heights leaves enough of the body it is read there, and its height is of no account.
        body, bodies = (always, [always]) if always.large_enough else (body, bodies)
    whole = len(body.rows)
    touched = bool(covered[body.rows, body.cols].any())
    clear = [_without_hidden(each, part, registration, standing) for each in bodies]
    body, readings = clear[0], [_read_body(image, each) for each in clear]
    reading = readings[0]
    u_height_k = _spread_k(readings)
    reason = _reason_against(part, body, reading=reading, whole=whole, touched=touched, view_angle_deg=view_angle_deg)
    if reason is None and (placement_px > body.margin_px or u_height_k is None):
        reason = reasons.PLACE_UNCERTAIN
    pixels = reading.pixels if reading else 0
    if reading is None or reason is not None:
        return _Measured(_unmeasured(part, reason or reasons.BAD_PIXELS, pixels, reading.mean_c if reading else None))

    surface = part.surface
    angled = emissivity_at_angle(surface.emissivity, view_angle_deg=view_angle_deg).emissivity
    mean_c, peak_c = (
        float(surface_temperature(value, emissivity=angled, reflected_c=reflected_c, band_um=image.band))
        for value in (reading.mean_c, reading.peak_c)
    )
    if not np.isfinite(mean_c):
        return _Measured(_unmeasured(part, reasons.UNPHYSICAL, pixels, reading.mean_c))
    lines = part_budget(
        reading.mean_c,
        emissivity=surface.emissivity,
        reflected_c=reflected_c,
        band_um=image.band,
        u_emissivity=surface.u_emissivity,
        u_reflected_k=REFLECTED_DOUBT_K,
        noise_k=image.noise_k,
        pixels=pixels,
        accuracy_k=image.accuracy_k,
        surface_name=_emissivity_name(surface),
        view_angle_deg=view_angle_deg,
        blend_k=reading.u_blend_k,
        placement_k=float(np.hypot(placement_px * np.hypot(*reading.slope_k_per_px), u_height_k or 0.0)),
    )
    budget = tuple(BudgetLine(line.source, line.u_k, line.shared, line.lasting) for line in lines)
    measurement = PartMeasurement(
        part=part,
        pixels=pixels,
        mean_c=mean_c,
        max_c=max(peak_c, mean_c),
        rise_k=mean_c - ambient_c,
        u_c=combined_u_k(budget),
        apparent_mean_c=reading.mean_c,
        view_angle_deg=view_angle_deg,
        budget=budget,
    )
    slopes = surface_sensitivities(reading.mean_c, emissivity=angled, reflected_c=reflected_c, band_um=image.band)
    return _Measured(measurement, reading.footprint, float(slopes.per_apparent))


def _shift_px(lowest: Part, highest: Part, jacobian: NDArray[np.float64]) -> tuple[float, float]:
    """How far the top is seen to move between two heights, along the body's length and width."""
    way_px = jacobian @ [highest.x_mm - lowest.x_mm, highest.y_mm - lowest.y_mm]
    axes = lowest.board_from_body(np.array([[1.0, 0.0], [0.0, 1.0]])) - [lowest.x_mm, lowest.y_mm]
    seen = axes @ jacobian.T
    along, across = np.abs(seen @ way_px) / np.linalg.norm(seen, axis=1)
    return float(along), float(across)


def _without_hidden(
    body: InnerBody, part: Part, registration: Registration, standing: Sequence[Silhouette]
) -> InnerBody:
    inner_px = np.column_stack([body.cols, body.rows]).astype(np.float64)
    return body.without(hidden_pixels(part, registration, standing, inner_px))


def _spread_k(readings: Sequence[_Reading | None]) -> float | None:
    """
    Standard uncertainty of a reading from the doubt of the height: half of what it changes within two of them.

    None where no reading is to be had at the one or the other height.
    """
    known = [reading.mean_c for reading in readings if reading is not None]
    if len(known) < len(readings) or not known:
        return None if len(readings) > 1 else 0.0
    return max(abs(value - known[0]) for value in known) / 2


def _emissivity_name(surface: Surface) -> str:
    """What parts must share for their emissivity's error to cancel: the surface and the value taken for it."""
    return f"{surface.name} {surface.emissivity:g}"


def _unmeasured(part: Part, reason: reasons.Reason, pixels: int, apparent_mean_c: float | None) -> PartMeasurement:
    return PartMeasurement(
        part=part,
        pixels=pixels,
        mean_c=None,
        max_c=None,
        rise_k=None,
        u_c=None,
        apparent_mean_c=apparent_mean_c,
        reason=reason,
    )


def _reason_against(
    part: Part, body: InnerBody, *, reading: _Reading | None, whole: int, touched: bool, view_angle_deg: float
) -> reasons.Reason | None:
    """The first reason not to measure, the one hardest to remedy first."""
    checks: Sequence[tuple[bool, reasons.Reason]] = (
        (part.surface.emissivity < LEAST_EMISSIVITY, reasons.METAL),
        (not body.inside_frame, reasons.OUT_OF_FRAME),
        (view_angle_deg > STEEPEST_VIEW_DEG, reasons.TOO_OBLIQUE),
        (touched, reasons.COVERED),
        (len(body.rows) < LEAST_VALID_SHARE * whole, reasons.HIDDEN),
        (not body.large_enough, reasons.TOO_FEW_PIXELS),
        (reading is None or reading.pixels < LEAST_VALID_SHARE * len(body.rows), reasons.BAD_PIXELS),
    )
    return next((reason for holds, reason in checks if holds), None)


def _read_body(image: ThermalImage, body: InnerBody) -> _Reading | None:
    """Mean, peak and blend of the inner body; None where no pixel has a reading."""
    values = image.apparent_c[body.rows, body.cols]
    counts = np.isfinite(values)
    if not counts.any():
        return None
    centre = float(np.median(values[counts]))
    spread = robust_sd(values[counts], centre=centre)
    counts &= np.abs(np.where(counts, values, centre) - centre) <= OUTLIER_DEVIATIONS * max(spread, image.noise_k)
    mean_c = float(values[counts].mean())
    blend_k = _blend_k(image, body, mean_c, coverage=body.coverage)
    wider_k = _blend_k(image, body, mean_c, coverage=body.wider_coverage)
    return _Reading(
        mean_c=mean_c + blend_k,
        peak_c=_peak_c(image, body, counts) + blend_k,
        u_blend_k=float(np.hypot(BLEND_DOUBT * blend_k, wider_k - blend_k)),
        slope_k_per_px=_slope(values[counts], body.rows[counts], body.cols[counts]),
        footprint=Footprint(body.rows[counts], body.cols[counts]),
    )


def _blend_k(image: ThermalImage, body: InnerBody, mean_c: float, *, coverage: Coverage) -> float:
    """
    What to add to the mean to undo the surroundings' share in it.

    Two mean radiances (inner body, ring) are two known mixtures of two unknown ones.
    """
    ring = image.apparent_c[body.ring_rows, body.ring_cols]
    ring = ring[np.isfinite(ring)]
    apart = coverage.inner - coverage.ring
    if ring.size < LEAST_PIXELS or apart <= 0:
        return 0.0
    band = {"band_um": image.band}
    seen = float(band_radiance(mean_c, **band))
    around = float(np.mean(band_radiance(ring, **band)))
    own = seen + (1.0 - coverage.inner) * (seen - around) / apart
    corrected = float(band_temperature_c(own, **band))
    return corrected - mean_c if np.isfinite(corrected) else 0.0


def _peak_c(image: ThermalImage, body: InnerBody, counts: NDArray[np.bool_]) -> float:
    """The hottest 3 x 3 neighbourhood's median; the hottest pixel would be noise."""
    rows, cols = body.rows[counts], body.cols[counts]
    padded = np.full((np.ptp(rows) + 3, np.ptp(cols) + 3), np.nan)
    padded[rows - rows.min() + 1, cols - cols.min() + 1] = image.apparent_c[rows, cols]
    # In order, what has no reading last: the median is in the middle of those that have.
    around = np.sort(sliding_window_view(padded, (3, 3)).reshape(-1, 9), axis=1)
    known = np.isfinite(around).sum(axis=1)
    around, known = around[known >= LEAST_PEAK_PIXELS], known[known >= LEAST_PEAK_PIXELS]
    if not len(known):
        return float(np.median(image.apparent_c[rows, cols]))
    each = np.arange(len(known))
    return float((0.5 * (around[each, (known - 1) // 2] + around[each, known // 2])).max())


def _slope(values: NDArray[np.float64], rows: NDArray[np.intp], cols: NDArray[np.intp]) -> tuple[float, float]:
    """
    How the mean over the region would move with the region, in kelvin a pixel along x and y.

    A plane's slope by least squares over the region's pixels.
    """
    x, y = cols - cols.mean(), rows - rows.mean()
    xx, xy, yy = float(x @ x), float(x @ y), float(y @ y)
    apart = xx * yy - xy**2
    if apart <= FLAT_SHARE * max(xx, yy) ** 2:
        # All pixels on one line: the slope along it is all there is.
        along = np.linalg.lstsq(np.column_stack([x, y]), values - values.mean(), rcond=None)[0]
        return float(along[0]), float(along[1])
    xv, yv = float(x @ values), float(y @ values)
    return (yy * xv - xy * yv) / apart, (xx * yv - xy * xv) / apart
