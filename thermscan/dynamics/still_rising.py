"""A run whose recording shows the board still warming: each part as it is now, and where it will end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.dynamics.part_pixels import PartPixels, find_part_pixels
from thermscan.dynamics.part_series import PartSeries, camera_drift, followed, open_recording, read_series
from thermscan.dynamics.power_on import PowerOn
from thermscan.dynamics.reference import Reference
from thermscan.dynamics.warmup import STEADY_WITHIN_K, WarmUpCurve
from thermscan.dynamics.warmup_run import FEWEST_FRAMES, board_steady, curves_of, ended, power_on_of
from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass
from thermscan.judge.finding import Judgement
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.lens import straighten_image
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration import AlignedViews, Drift, Tracker
from thermscan.runs.run import Run
from thermscan.views.seen import SeenView

FloatArray = NDArray[np.float64]

# A change between the first and the last third of the frames is one from so many standard deviations on.
CLEARLY = 5.0
# Named in the remark; the rest is counted.
MOST_NAMED = 6
# The picture is scaled up by no more than this.
MOST_GROWN = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Rising:
    """
    A board on its way.

    Attributes
    ----------
    curves : mapping of ref to WarmUpCurve
    now, at_end : tuple of PartMeasurement
        In the order of the measurements given: as parts are at the end of the recording, and as they will end. Where
        all are known to have reached their ends, ``at_end`` is ``now``.
    rectified : Rectified
        The board in the last third of the frames.
    picture : Rectified
        The same as it would be at the end: what it rose since power-on scaled up as the usual part's rise.
    """

    power_on: PowerOn
    curves: Mapping[str, WarmUpCurve]
    now: tuple[PartMeasurement, ...]
    at_end: tuple[PartMeasurement, ...]
    rectified: Rectified
    picture: Rectified
    steady: bool | None
    minutes_to_steady: float | None
    remarks: tuple[str, ...]

    @property
    def refs(self) -> tuple[str, ...]:
        """Parts that are rising still as far as can be told, those with most to go first."""
        going = [
            (abs(curve.still_to_go_k), ref) for ref, curve in self.curves.items()
            if curve.steady is not True and abs(curve.still_to_go_k) > STEADY_WITHIN_K
        ]  # fmt: skip
        return tuple(ref for _, ref in sorted(going, reverse=True))

    @property
    def way(self) -> str:
        """What most of those do."""
        return "rising" if np.median([self.curves[ref].still_to_go_k for ref in self.refs]) >= 0 else "cooling"

    def told(self, judgement: Judgement) -> Judgement:
        """A judgement of ``at_end`` in which parts are shown as they are now, and findings say what they are of."""
        present = {measured.part.ref: measured for measured in self.now}
        rising = set(self.refs)
        return replace(
            judgement,
            parts=tuple(replace(each, measurement=present[each.measurement.part.ref]) for each in judgement.parts),
            findings=tuple(
                replace(each, text=f"Still {self.way}, judged where it will end: {each.text}") if each.ref in rising
                else each
                for each in judgement.findings
            ),
        )  # fmt: skip


def find_rising(
    run: Run, board: Board, camera: Camera, views: Sequence[SeenView], measurements: Sequence[PartMeasurement]
) -> tuple[Rising | None, tuple[str, ...]]:
    """
    Whether the frames of a view show parts on their way, and where those will end.

    Parameters
    ----------
    run : Run
    board : Board
    camera : Camera
    views : sequence of SeenView
        Where there are several, nothing is looked for: frames from several sides are no recording.
    measurements : sequence of PartMeasurement
        Of the mean of all frames, in the layout's order.

    Returns
    -------
    tuple of (Rising or None, tuple of str)
        None where nothing changes by more than half a kelvin, or nothing tells when the frames were taken; and what
        is to be said then.

    Raises
    ------
    InputError
        ``power_on_s`` lies behind the recording's end.
    """
    # A supply that is switched on and off on purpose leaves no end to go to.
    if len(views) != 1 or len(views[0].aligned.numbers) < FEWEST_FRAMES or run.drive_period_s is not None:
        return None, ()
    seen = views[0]
    reference = Reference(
        run, board, camera, seen.image, seen.registration, seen.measurements, seen.cover.pixels,
        Tracker(seen.image.apparent_c.astype(np.float32)),
    )  # fmt: skip
    pixels = find_part_pixels(reference)
    if not pixels.columns:
        return None, ()
    held = _held_series(seen, pixels)
    change = _changed_by(held)
    if change is None:
        return None, ()
    try:
        series = _whole_series(reference, pixels, seen)
    except InputError:
        said = f"parts changed by up to {change:.1f} K within the frames, and nothing states when those were taken: "
        return None, (said + "their mean was judged (rate_hz or times would tell where they will end)",)
    power_on = power_on_of(series)
    try:
        by_index = curves_of(series, power_on)
    except CannotJudge as error:
        return None, (f"parts changed by up to {change:.1f} K within the frames: {error}",)
    columns = dict(zip(pixels.columns, held.T, strict=True))
    return _rising(reference, seen, measurements, held=columns, by_index=by_index, power_on=power_on), ()


def _rising(
    reference: Reference,
    seen: SeenView,
    measurements: Sequence[PartMeasurement],
    *,
    held: Mapping[int, FloatArray],
    by_index: Mapping[int, WarmUpCurve],
    power_on: PowerOn,
) -> Rising:
    means = {index: float(np.nanmean(column)) for index, column in held.items()}
    now = tuple(
        _moved(measured, by_index[index].end_c - means[index]) if index in by_index else measured
        for index, measured in enumerate(measurements)
    )
    curves = {measurements[index].part.ref: curve for index, curve in by_index.items()}
    steady, wait = board_steady(tuple(curves.values()))
    at_end = now
    if steady is not True:
        ambient_c = reference.run.ambient_c
        at_end = tuple(ended(each, by_index.get(index), ambient_c=ambient_c) for index, each in enumerate(now))
    start = np.array([curve.start_c for curve in by_index.values()])
    late = np.array([float(np.nanmean(held[index][-_third(held[index]) :])) for index in by_index]) - start
    then = np.array([at_end[index].mean_c or np.nan for index in by_index]) - start
    told = (late > 1.0) & np.isfinite(then)
    grown = float(np.clip(np.median(then[told] / late[told]), 1.0 / MOST_GROWN, MOST_GROWN)) if told.any() else 1.0
    rectified, usual = _late_picture(reference, seen), float(np.median(start))
    picture = replace(rectified, apparent_c=usual + grown * (np.asarray(rectified.apparent_c) - usual))
    found = Rising(power_on, curves, now, at_end, rectified, picture, steady, wait, ())
    return replace(found, remarks=_remarks(found))


def _remarks(found: Rising) -> tuple[str, ...]:
    shown = "temperatures are those at the end of the recording"
    if not found.refs:
        unsure = "" if found.steady else "; whether they have reached their end cannot be told"
        return (f"parts changed while they were recorded{unsure}; {shown}",)
    lines = []
    for ref in found.refs[:MOST_NAMED]:
        curve = found.curves[ref]
        low, high = curve.steady_interval_c
        lines.append(f"{ref} will end near {curve.steady_c:.0f} °C ({curve.end_c:.1f} now, {low:.0f} to {high:.0f})")
    rest = len(found.refs) - len(lines)
    more = f", and {rest} more" if rest else ""
    return (
        f"still {found.way}: {', '.join(lines)}{more}; parts were judged by where they will end, {shown} "
        "('thermscan warmup' tells more)",
    )


def _third(held: FloatArray) -> int:
    return max(len(held) // 3, 1)


def _in_time(seen: SeenView) -> list[tuple[ThermalImage, Drift]]:
    """The frames that are held, with their motion, in the order of their time."""
    still = Drift(np.eye(3), 1.0, 0.0)
    pairs = zip(seen.aligned.numbers, [(seen.aligned.first, still), *seen.aligned.others], strict=True)
    lens = seen.registration.lens
    return [
        (image if lens is None else straighten_image(image, lens), drift)
        for _, (image, drift) in sorted(pairs, key=lambda each: each[0])
    ]


def _late_picture(reference: Reference, seen: SeenView) -> Rectified:
    """The board from straight above, in the last third of the frames."""
    frames = _in_time(seen)
    (image, motion), *others = frames[-max(len(frames) // 3, 1) :]
    back = np.linalg.inv(motion.other_from_first)
    moved = tuple((other, replace(drift, other_from_first=drift.other_from_first @ back)) for other, drift in others)
    mean = AlignedViews(image, moved, (), tuple(range(len(others) + 1))).mean()
    registration = replace(
        seen.registration,
        px_from_mm=motion.other_from_first @ seen.registration.px_from_mm,
        corners_px=map_points(motion.other_from_first, seen.registration.corners_px),
    )
    return rectify_frame(mean, registration, reference.board, fov_deg=reference.fov_deg, covered=reference.covered)


def _held_series(seen: SeenView, pixels: PartPixels) -> FloatArray:
    """Surface temperatures of the parts in the frames that are held, camera drift taken out; shape (n, parts)."""
    means, bench = [], []
    for straight, drift in _in_time(seen):
        read, level = pixels.read(straight.apparent_c.astype(np.float32), drift.other_from_first)
        means.append(read)
        bench.append(level)
    return np.asarray(pixels.surface_c(np.array(means)) - camera_drift(np.array(bench))[:, None])


def _changed_by(held: FloatArray) -> float | None:
    """The largest change of a part from the first to the last third of the frames; None where none is clear."""
    third = _third(held)
    with np.errstate(invalid="ignore"):
        noise = np.nanstd(np.diff(held, axis=0), axis=0) / np.sqrt(2.0)
        change = np.nanmean(held[-third:], axis=0) - np.nanmean(held[:third], axis=0)
    clear = np.abs(change) > np.maximum(STEADY_WITHIN_K, CLEARLY * noise * np.sqrt(2.0 / third))
    return float(np.abs(change[clear]).max()) if clear.any() else None


def _whole_series(reference: Reference, pixels: PartPixels, seen: SeenView) -> PartSeries:
    """Every frame of the recording, one after the other, where the view lies in it."""
    camera = reference.camera
    if seen.registration.lens is not None:
        camera = replace(camera, lens=seen.registration.lens)
    stream = open_recording(reference.run, camera)
    clock = stream.stream.clock
    return read_series(stream.stream, followed(stream, reference, clock=clock), reference, pixels)


def _moved(measured: PartMeasurement, by_k: float) -> PartMeasurement:
    if measured.mean_c is None or measured.max_c is None or measured.rise_k is None or not np.isfinite(by_k):
        return measured
    apparent = measured.apparent_mean_c
    return replace(
        measured, mean_c=measured.mean_c + by_k, max_c=measured.max_c + by_k, rise_k=measured.rise_k + by_k,
        apparent_mean_c=None if apparent is None else apparent + by_k,
    )  # fmt: skip
