"""The main job, from frames to judgement. It reads from top to bottom; it draws and prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from thermscan.errors import CannotJudge, Fault, InputError
from thermscan.frames.frame import Frame
from thermscan.frames.quality import quality_remarks
from thermscan.frames.reading import read_frames
from thermscan.frames.recording import without_repeats
from thermscan.frames.repair import repair_frames
from thermscan.frames.units import COUNTS
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import judge_run
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import Camera, Lens, read_camera
from thermscan.radiometry.imaging import form_image
from thermscan.radiometry.lens import straighten_image, straighten_points
from thermscan.radiometry.sensor_estimate import with_sensor
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.blur import estimate_blur
from thermscan.regions.covering import find_cover
from thermscan.regions.leaning import possible_leaning
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration import (
    AlignedViews,
    BaselineRaster,
    Registration,
    align_views,
    find_targets,
    merge_views,
    register_board,
    without_cards,
)
from thermscan.runs.run import Landmark, Run


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """All that one run told: each stage's result, in order."""

    run: Run
    board: Board
    camera: Camera
    frames: tuple[Frame, ...]
    image: ThermalImage
    registration: Registration
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    judgement: Judgement
    baseline: Baseline | None = None
    remarks: tuple[str, ...] = field(default=())
    # As rectified, finer and sharper where many hand-held frames show more than one: to look at, not to measure.
    picture: Rectified | None = None


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A run's frames, repaired, and the one image that they make together."""

    camera: Camera
    frames: tuple[Frame, ...]
    aligned: AlignedViews
    image: ThermalImage
    quality: tuple[str, ...] = field(default=())

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the frames' reading and their quality have to say."""
        return (*(remark for frame in self.frames for remark in frame.remarks), *self.quality)


# A person at the bench waits for these; the names are shown while they run.
STAGES = ("reading", "radiometry", "registration", "regions", "judging")
# The board's edge stands for all of the view: focus and lens change across it by about this much.
LEAST_BLUR_DOUBT_PX = 0.05
Progress = Callable[[str], None]
Points = tuple[tuple[float, float], ...]


def inspect_run(run: Run, *, baseline: Baseline | None = None, progress: Progress | None = None) -> Inspection:
    """
    Which parts of a board run hotter or colder than they should, from the run's frames.

    Parameters
    ----------
    run : Run
        See `thermscan.runs.reading.read_run`.
    baseline : Baseline, optional
        Known-good runs of the same board type.
    progress : callable, optional
        Called with the name of each stage (`STAGES`) as it begins.

    Returns
    -------
    Inspection

    Raises
    ------
    InputError
        A file or a key is wrong.
    CannotJudge
        The board cannot be found in the frame.
    """
    tell = progress or _tell_nobody

    board = read_board(_layout_of(run))
    view = view_of(run, progress=tell)
    camera, frames, image = view.camera, view.frames, view.image

    tell("registration")
    with _assumed_units_told(frames):
        targets = find_targets(image, board) if run.targets else None
        if targets is not None:
            image = without_cards(image, board, targets.px_from_mm)
        registration = register_board(
            image,
            board,
            corners_px=targets.corners_px if targets else _straightened(run.corners_px, camera.lens),
            landmarks=_straightened_landmarks(run.landmarks, camera.lens),
            baseline_raster=BaselineRaster(baseline.rise_raster_k, baseline.mm_per_px) if baseline else None,
            camera=camera,
        )

    tell("regions")
    image = _with_measured_blur(image, registration, board, camera=camera)
    fov_deg = camera.fov_deg[0] if camera.fov_deg else None
    cover = find_cover(image, registration, board, fov_deg=fov_deg)
    rectified = rectify_frame(image, registration, board, fov_deg=fov_deg, covered=cover.pixels)
    merged = merge_views(view.aligned, blur_px=image.blur_px)
    measurements = measure_parts(
        image,
        registration,
        board,
        ambient_c=run.ambient_c,
        reflected_c=run.reflected_c,
        fov_deg=fov_deg,
        covered=cover.pixels,
    )

    tell("judging")
    judgement = judge_run(
        measurements,
        rectified,
        board,
        run,
        baseline=baseline,
        noise_k=image.noise_k,
        registration=registration,
        band_um=image.band,
        leaning=possible_leaning(board, registration, shape=image.shape, fov_deg=fov_deg),
    )
    return Inspection(
        run=run,
        board=board,
        camera=camera,
        frames=frames,
        image=image,
        registration=registration,
        rectified=rectified,
        measurements=measurements,
        judgement=judgement,
        baseline=baseline,
        picture=rectify_frame(merged.image, merged.registered(registration), board) if merged else None,
        remarks=gather_remarks(
            run,
            board,
            view,
            image,
            *([targets] if targets else []),
            registration,
            cover.over(measurements),
            *([merged] if merged else []),
            judgement,
            *([baseline] if baseline else []),
        ),
    )


def view_of(run: Run, *, progress: Progress) -> View:
    """
    A run's frames as one view in apparent temperatures.

    Raises
    ------
    InputError
        A frame or the camera file cannot be read.
    """
    progress("reading")
    camera = read_camera(run.camera)
    unit = COUNTS if camera.reads_counts else run.unit
    read = [
        frame
        for path in run.frames
        for frame in read_frames(path, unit=unit, ambient_c=run.ambient_c, size_px=run.size_px)
    ]
    frames = without_repeats(repair_frames(read))
    quality = quality_remarks(frames, ambient_c=run.ambient_c)

    progress("radiometry")
    images = [
        form_image(frame, camera, camera_emissivity=run.camera_emissivity, reflected_c=run.reflected_c)
        for frame in frames
    ]
    if camera.lens is not None:
        images = [straighten_image(image, camera.lens) for image in images]
    aligned = align_views(images)
    return View(camera, frames, aligned, with_sensor(aligned.mean(), camera), quality)


@contextmanager
def _assumed_units_told(frames: Sequence[Frame]) -> Iterator[None]:
    """A refusal says which unit was assumed, too: a wrong one may be why nothing was found."""
    try:
        yield
    except CannotJudge as error:
        said = dict.fromkeys(text for frame in frames if frame.unit_source == "assumed" for text in frame.remarks)
        raise CannotJudge.from_faults([*error.faults, *(Fault(text) for text in said)]) from error


def _tell_nobody(stage: str) -> None:
    """No progress is wanted."""


def _layout_of(run: Run) -> Path:
    if run.layout is None:
        raise InputError(
            "no layout is named",
            where=run.path.name if run.path else None,
            fix='write layout = "board.toml" in the run file or give --layout board.toml',
        )
    return run.layout


def _straightened(points_px: Points | None, lens: Lens | None) -> Points | None:
    """Points that the user saw in the frame, where the straightened frame has them."""
    if points_px is None or lens is None or not points_px:
        return points_px
    return tuple((float(x), float(y)) for x, y in straighten_points(points_px, lens))


def _straightened_landmarks(landmarks: tuple[Landmark, ...], lens: Lens | None) -> tuple[Landmark, ...]:
    moved = _straightened(tuple(landmark.px for landmark in landmarks), lens) or ()
    return tuple(replace(landmark, px=px) for landmark, px in zip(landmarks, moved, strict=True))


def _with_measured_blur(
    image: ThermalImage, registration: Registration, board: Board, *, camera: Camera
) -> ThermalImage:
    """The blur that the board's edges show, unless the camera file states one."""
    blur = None if camera.blur_px is not None else estimate_blur(image, registration, board)
    if blur is None:
        return image
    return replace(image, blur_px=blur.blur_px, u_blur_px=max(blur.u_px, LEAST_BLUR_DOUBT_PX))


class Remarked(Protocol):
    """Any stage's result that has something to say."""

    @property
    def remarks(self) -> tuple[str, ...]: ...


def gather_remarks(*stages: Remarked) -> tuple[str, ...]:
    """Every stage's remarks in the order of the work, each once."""
    return tuple(dict.fromkeys(remark for stage in stages for remark in stage.remarks))
