"""The temperature of every part, with its uncertainty, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.surface import surface_sensitivities, surface_temperature
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.radiometry.uncertainty import budget_lines, combined_u_k
from thermscan.regions import reasons
from thermscan.regions.body_reading import Reading, read_bodies
from thermscan.regions.hiding import Standing, hidden_pixels, standing_bodies
from thermscan.regions.inner_body import (
    InnerBody,
    body_scales_px_per_mm,
    drawn_in,
    find_inner_bodies,
    shifts_px,
)
from thermscan.regions.measurement import BudgetLine, PartMeasurement
from thermscan.regions.sensor_lines import sensor_lines
from thermscan.registration.geometry.homography import local_scale, part_uncertainty_mm
from thermscan.registration.geometry.parallax import pose_seen, tops_of
from thermscan.registration.registration import Registration

# Below this a reading is mostly a reflection of the room (ISO 18434-1 asks for high emissivity and warns
# of reflective surfaces; the figure itself is common practice).
LEAST_EMISSIVITY = 0.5
# Beyond this angle a dielectric's emissivity drops (Fresnel's equations, n = 1.5: 5 % at 60 degrees).
STEEPEST_VIEW_DEG = 60.0
# The mean of fewer than this share of a body's pixels may miss its hot or cold side.
LEAST_VALID_SHARE = 0.5
# What lies over more than this share of the inner body may hide a fifth of the part; pixels under less, or that only
# blend with it, are left out.
MOST_COVERED = 0.1
# The reflected temperature is taken at the bench as the ambient: people and lamps make it uncertain.
REFLECTED_DOUBT_K = 2.0


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the frame shows of a part; with a reason where that is no measurement."""

    part: Part
    view_angle_deg: float
    reading: Reading | None
    # Standard uncertainty of the apparent temperature, from where the part is and how high.
    u_place_k: float = 0.0
    reason: reasons.Reason | None = None


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
        Where something lies over the board: such pixels are not read, nor a part of which it hides more than a little.

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
    standing = standing_bodies(board, registration, pose)
    if covered is None:
        covered = np.zeros(image.shape, dtype=bool)
    # What lies over the board is no surroundings either.
    shown = replace(image, apparent_c=np.where(covered, np.nan, image.apparent_c))
    tops = tops_of(board.parts, registration, pose)
    seen = _see_parts(
        shown,
        registration,
        board.parts,
        tops=tops,
        standing=standing,
        covered=covered,
        view_angles_deg=np.maximum(angles_deg, 0.0),
        placement_mm=placement_mm,
    )
    return _with_sensor(_measured(seen, shown, ambient_c=ambient_c, reflected_c=reflected_c), shown)


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


def _see_parts(
    image: ThermalImage,
    registration: Registration,
    parts: Sequence[Part],
    *,
    tops: Sequence[Sequence[Part]],
    standing: Standing,
    covered: NDArray[np.bool_],
    view_angles_deg: NDArray[np.float64],
    placement_mm: NDArray[np.float64],
) -> list[_Seen]:
    if not parts:
        return []
    jacobians = local_scale(registration.px_from_mm, [[each[0].x_mm, each[0].y_mm] for each in tops])
    placement_px = placement_mm * body_scales_px_per_mm(parts, jacobians).mean(axis=1)
    bodies = _at_all_heights(image, registration, tops, jacobians=jacobians, placement_px=placement_px)
    clear = [
        [_without_hidden(body, part, registration, standing) for body in own]
        for part, own in zip(parts, bodies, strict=True)
    ]
    readings = iter(read_bodies(image, [body for own in clear for body in own]))
    return [
        _seen_of(
            part,
            own[0],
            [next(readings) for _ in own],
            whole=before[0],
            covered=covered,
            view_angle_deg=float(angle_deg),
            placement_px=float(u_px),
        )
        for part, own, before, angle_deg, u_px in zip(parts, clear, bodies, view_angles_deg, placement_px, strict=True)
    ]


def _at_all_heights(
    image: ThermalImage,
    registration: Registration,
    tops: Sequence[Sequence[Part]],
    *,
    jacobians: NDArray[np.float64],
    placement_px: NDArray[np.float64],
) -> list[list[InnerBody]]:
    """Each part's inner body; where its height is of account that at the likeliest, the lowest and the highest."""

    def look(numbers: NDArray[np.intp], height: int) -> list[InnerBody]:
        return find_inner_bodies(
            [tops[k][height] for k in numbers],
            registration,
            jacobians=jacobians[numbers],
            shape=image.shape,
            blur_px=image.blur_px,
            u_blur_px=image.u_blur_px,
            placement_px=placement_px[numbers],
        )

    found = [[body] for body in look(np.arange(len(tops)), 0)]
    doubtful = np.array([k for k, each in enumerate(tops) if len(each) > 1], dtype=np.intp)
    if not len(doubtful):
        return found
    likeliest = [found[k][0] for k in doubtful]
    of = np.repeat(np.arange(len(doubtful)), [len(body.rows) for body in likeliest])
    places_mm = registration.mm(np.concatenate([_places_px(body) for body in likeliest]))
    lowest, highest = ([tops[k][height] for k in doubtful] for height in (1, 2))
    known: dict[str, Any] = {"jacobians": jacobians[doubtful], "placement_px": placement_px[doubtful]}
    drawn = [drawn_in(each, blur_px=image.blur_px, **known) for each in (lowest, highest)]
    kept = np.logical_and(*(each.holds(places_mm, of) for each in drawn))
    shifts = shifts_px(lowest, highest, jacobians[doubtful])
    for number, k in enumerate(doubtful):
        # Where the whole range of heights leaves enough of the body it is read there, and its height is of no account.
        always = likeliest[number].always_seen(kept[of == number], (float(shifts[number, 0]), float(shifts[number, 1])))
        found[k] = [always] if always.large_enough else found[k]
        doubtful[number] = -1 if always.large_enough else k
    again = doubtful[doubtful >= 0]
    for height in (1, 2):
        for k, body in zip(again, look(again, height), strict=True):
            found[k].append(body)
    return found


def _seen_of(
    part: Part,
    body: InnerBody,
    readings: Sequence[Reading | None],
    *,
    whole: InnerBody,
    covered: NDArray[np.bool_],
    view_angle_deg: float,
    placement_px: float,
) -> _Seen:
    """What is seen of a part on its body; ``whole`` with what is hidden, ``readings`` there and at other heights."""
    pixels = len(whole.rows)
    touched = bool(pixels and covered[whole.rows, whole.cols].mean() > MOST_COVERED)
    reading, u_height_k = readings[0], _spread_k(readings)
    reason = _reason_against(part, body, reading=reading, whole=whole, touched=touched, view_angle_deg=view_angle_deg)
    if reason is None and (placement_px > body.margin_px or u_height_k is None):
        reason = reasons.PLACE_UNCERTAIN
    if reading is None or reason is not None:
        return _Seen(part, view_angle_deg, reading, reason=reason or reasons.BAD_PIXELS)
    u_place_k = float(np.hypot(placement_px * np.hypot(*reading.slope_k_per_px), u_height_k or 0.0))
    return _Seen(part, view_angle_deg, reading, u_place_k)


def _measured(
    seen: Sequence[_Seen], image: ThermalImage, *, ambient_c: float, reflected_c: float
) -> tuple[_Measured, ...]:
    """Surface temperatures and budgets of what was seen, Planck's law in one pass over all parts."""
    told = [(one, one.reading) for one in seen if one.reading is not None and one.reason is None]
    angled = [emissivity_at_angle(one.part.surface.emissivity, view_angle_deg=one.view_angle_deg) for one, _ in told]
    emissivity = np.array([each.emissivity for each in angled])
    apparent_c = np.array([[reading.mean_c, reading.peak_c] for _, reading in told]).reshape(-1, 2).T
    given: dict[str, Any] = {"emissivity": emissivity, "reflected_c": reflected_c, "band_um": image.band}
    mean_c, peak_c = surface_temperature(apparent_c, **given)
    slopes = surface_sensitivities(apparent_c[0], **given)
    found = {}
    for k, (one, reading) in enumerate(told):
        if not np.isfinite(mean_c[k]):
            found[one.part.ref] = _Measured(_unmeasured(one, reasons.UNPHYSICAL))
            continue
        surface = one.part.surface
        lines = budget_lines(
            per_apparent=float(slopes.per_apparent[k]),
            per_emissivity=float(slopes.per_emissivity[k]),
            per_reflected=float(slopes.per_reflected[k]),
            u_emissivity=surface.u_emissivity,
            u_angle=angled[k].u_angle,
            u_reflected_k=REFLECTED_DOUBT_K,
            noise_k=image.noise_k,
            pixels=reading.pixels,
            accuracy_k=image.accuracy_k,
            surface_name=_emissivity_name(surface),
            type_name=_type_name(one.part),
            blend_k=reading.u_blend_k,
            placement_k=one.u_place_k,
        )
        budget = tuple(BudgetLine(line.source, line.u_k, line.shared, line.lasting) for line in lines)
        measurement = PartMeasurement(
            part=one.part,
            pixels=reading.pixels,
            mean_c=float(mean_c[k]),
            max_c=max(float(peak_c[k]), float(mean_c[k])),
            rise_k=float(mean_c[k]) - ambient_c,
            u_c=combined_u_k(budget),
            apparent_mean_c=reading.mean_c,
            view_angle_deg=one.view_angle_deg,
            budget=budget,
        )
        found[one.part.ref] = _Measured(measurement, reading.footprint, float(slopes.per_apparent[k]))
    return tuple(
        found[one.part.ref] if one.part.ref in found else _Measured(_unmeasured(one, one.reason)) for one in seen
    )


def _without_hidden(body: InnerBody, part: Part, registration: Registration, standing: Standing) -> InnerBody:
    return body.without(hidden_pixels(part, registration, standing, _places_px(body)))


def _places_px(body: InnerBody) -> NDArray[np.float64]:
    """The inner body's pixels as points of the frame."""
    return np.column_stack([body.cols, body.rows]).astype(np.float64)


def _spread_k(readings: Sequence[Reading | None]) -> float | None:
    """
    Standard uncertainty of a reading from the doubt of the height: the likeliest, two deviations lower and two higher.

    None where no reading is to be had at the one or the other height.

    Notes
    -----
    The parabola through the three, a t + b t^2 from the likeliest on, its square's mean over a normal t: a^2 + 3 b^2.
    """
    known = [reading.mean_c for reading in readings if reading is not None]
    if len(known) < len(readings) or not known:
        return None if len(readings) > 1 else 0.0
    if len(known) < 3:
        return 0.0
    low_k, high_k = known[1] - known[0], known[2] - known[0]
    return float(np.hypot((high_k - low_k) / 4, np.sqrt(3.0) * (high_k + low_k) / 8))


def _emissivity_name(surface: Surface) -> str:
    """What parts must share for their emissivity's error to cancel: the surface and the value taken for it."""
    return f"{surface.name} {surface.emissivity:g}"


def _type_name(part: Part) -> str | None:
    """What parts must share to be of one make and finish, as those that are compared as peers do; None: not known."""
    told = (part.group,) if part.group else (part.kind, part.package, part.value) if part.kind else ()
    known = [word for word in told if word]
    return " ".join([*known, _emissivity_name(part.surface)]) if part.group or len(known) > 1 else None


def _unmeasured(seen: _Seen, reason: reasons.Reason | None) -> PartMeasurement:
    return PartMeasurement(
        part=seen.part,
        pixels=seen.reading.pixels if seen.reading else 0,
        mean_c=None,
        max_c=None,
        rise_k=None,
        u_c=None,
        apparent_mean_c=seen.reading.mean_c if seen.reading else None,
        reason=reason,
    )


def _reason_against(
    part: Part, body: InnerBody, *, reading: Reading | None, whole: InnerBody, touched: bool, view_angle_deg: float
) -> reasons.Reason | None:
    """The first reason not to measure, the one hardest to remedy first."""
    checks: Sequence[tuple[bool, reasons.Reason]] = (
        (part.surface.emissivity < LEAST_EMISSIVITY, reasons.METAL),
        (not body.inside_frame, reasons.OUT_OF_FRAME),
        (view_angle_deg > STEEPEST_VIEW_DEG, reasons.TOO_OBLIQUE),
        (not whole.large_enough, reasons.TOO_FEW_PIXELS),
        (touched, reasons.COVERED),
        (len(body.rows) < LEAST_VALID_SHARE * len(whole.rows), reasons.HIDDEN),
        (not body.large_enough, reasons.TOO_FEW_PIXELS),
        (reading is None or reading.pixels < LEAST_VALID_SHARE * len(body.rows), reasons.BAD_PIXELS),
    )
    return next((reason for holds, reason in checks if holds), None)
