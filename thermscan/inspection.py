"""The main job, from frames to judgement. It reads from top to bottom; it draws and prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import field, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from thermscan.errors import CannotJudge, Fault, InputError
from thermscan.frames.frame import Frame
from thermscan.frames.plausible import check_room
from thermscan.frames.quality import check_detail, quality_remarks
from thermscan.frames.reading import read_frames
from thermscan.frames.recording import without_repeats
from thermscan.frames.repair import repair_frames
from thermscan.frames.thinning import thin_out
from thermscan.frames.units import COUNTS
from thermscan.frozen import dataclass
from thermscan.inspected_part import InspectedPart, inspected_part, part_columns
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import judge_run
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import Camera, Lens, read_camera
from thermscan.radiometry.imaging import form_image
from thermscan.radiometry.lens import straighten_image, straighten_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration import (
    AlignedViews,
    BaselineRaster,
    Registration,
    merge_views,
    separate_views,
)
from thermscan.runs.run import Landmark, Run
from thermscan.views.advice import advise_on_next_view
from thermscan.views.remarks import OTHER_STATE
from thermscan.views.seen import Bench, Given, LostView, SeenView, see_views
from thermscan.views.together import put_together

if TYPE_CHECKING:
    from thermscan.dynamics.still_rising import Rising
    from thermscan.judge.before_after import BeforeAfter


@dataclass(frozen=True, slots=True, eq=False, repr=False)
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
    # Every view of the board in the order of the frames, and those in which it was not found; the first that was
    # found is `image` and `registration`.
    views: tuple[SeenView | LostView, ...] = field(default=())
    # The board on its way, where a recording shows it warming: parts are then judged by where they will end.
    rising: Rising | None = None
    # Against a look before a repair, where one was given, and that look.
    before: BeforeAfter | None = None
    before_look: Inspection | None = None

    def __getitem__(self, ref: str) -> InspectedPart:
        """All that is known of one part; a ref that no part has is a KeyError that names the nearest one."""
        return inspected_part(ref, self.judgement)

    def table(self) -> dict[str, list[Any]]:
        """One row a part, as a dict of columns that pandas and polars take as they are; the layout's order."""
        return part_columns([self.judgement[part.ref] for part in self.board.parts])

    def __repr__(self) -> str:
        return f"<inspection of {self.board.name}: {self.judgement.overall}, {len(self.judgement.findings)} findings>"

    def _repr_html_(self) -> str:
        """The annotated board, as a notebook shows it."""
        # By its name: a picture is a later stage's business, and matplotlib is not to be loaded before one is wanted.
        html: str = import_module("thermscan.report.notebook").inspection_html(self)
        return html


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A run's frames, repaired and sorted into views of the board."""

    camera: Camera
    frames: tuple[Frame, ...]
    aligned: tuple[AlignedViews, ...]
    quality: tuple[str, ...] = field(default=())

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the frames' reading and their quality have to say."""
        return (*(remark for frame in self.frames for remark in frame.remarks), *self.quality)


# A person at the bench waits for these; the names are shown while they run.
STAGES = ("reading", "radiometry", "registration", "regions", "judging")
Progress = Callable[[str], None]
Points = tuple[tuple[float, float], ...]


def inspect_run(
    run: Run,
    *,
    baseline: Baseline | None = None,
    before: Inspection | None = None,
    progress: Progress | None = None,
) -> Inspection:
    """
    Which parts of a board run hotter or colder than they should, from the run's frames.

    Parameters
    ----------
    run : Run
        See `thermscan.runs.reading.read_run`.
    baseline : Baseline, optional
        Known-good runs of the same board type.
    before : Inspection, optional
        A look at the same board before its repair.
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

    board = _with_parts(read_board(_layout_of(run)))
    view = view_of(run, progress=tell)
    camera, frames = view.camera, view.frames

    tell("registration")
    bench = Bench(run.ambient_c, run.reflected_c)
    given = Given(
        _straightened(run.corners_px, camera.lens),
        _straightened_landmarks(run.landmarks, camera.lens),
        bool(run.targets),
        BaselineRaster(baseline.rise_raster_k, baseline.mm_per_px) if baseline else None,
    )
    with _frames_own_faults_told(view):
        found = see_views(view.aligned, board, camera=camera, bench=bench, given=given)

    tell("regions")
    together = put_together(found, board, camera=camera, bench=bench)
    seen = together.seen
    first = seen[0]
    # The finer picture is of the frames as they are: where the lens's bend was taken out, there is none.
    mergeable = len(seen) == 1 and first.registration.lens is None
    merged = merge_views(first.aligned, blur_px=first.image.blur_px) if mergeable else None

    tell("judging")
    rising, unsaid = _rising(run, board, camera, seen, together.measurements)
    judgement = judge_run(
        rising.at_end if rising else together.measurements,
        rising.picture if rising else together.rectified,
        board,
        # Where parts will end does not depend on when they were looked at.
        replace(run, minutes_on=None) if rising else run,
        baseline=baseline,
        # The picture lies on that view's raster; which is the first is of no account.
        noise_k=together.finest.image.noise_k,
        registration=together.finest.registration,
        band_um=first.image.band,
        leaning=together.leaning,
    )
    inspection = Inspection(
        run=run,
        board=board,
        camera=camera,
        frames=frames,
        image=first.image,
        registration=first.registration,
        rectified=rising.rectified if rising else together.rectified,
        measurements=rising.now if rising else together.measurements,
        judgement=rising.told(judgement) if rising else judgement,
        baseline=baseline,
        views=together.views,
        rising=rising,
        picture=rectify_frame(merged.image, merged.registered(first.registration), board) if merged else None,
        remarks=gather_remarks(
            run,
            board,
            view,
            *(each.image for each in seen),
            *seen,
            together,
            Said(_lost_views(together.views, frames)),
            Said(advise_on_next_view(seen, together.measurements, board, fov_deg=_fov_deg(camera))),
            *([merged] if merged else []),
            *([rising] if rising else []),
            Said(unsaid),
            judgement,
            *([baseline] if baseline else []),
        ),
    )
    if before is None:
        return inspection
    from thermscan.judge.before_after import compare_before  # noqa: PLC0415

    return replace(inspection, before=compare_before(inspection, before), before_look=before)


def view_of(run: Run, *, progress: Progress) -> View:
    """
    A run's frames in apparent temperatures, sorted into views.

    Raises
    ------
    InputError
        A frame or the camera file cannot be read, or no bench at that ambient shows what they say.
    CannotJudge
        No frame shows anything, or they are eight-bit data.
    """
    progress("reading")
    camera = read_camera(run.camera)
    unit = COUNTS if camera.reads_counts else run.unit
    settings: dict[str, Any] = {"unit": unit, "ambient_c": run.ambient_c, "size_px": run.size_px}
    thinning, paths = thin_out(run.frames, size_px=run.size_px)
    frames = without_repeats(
        repair_frames([frame for path in paths for frame in read_frames(path, every=thinning.every, **settings)])
    )
    check_detail(frames)
    # What a camera does from one frame to the next shows in frames that follow one another.
    opening = frames if thinning.every == 1 else repair_frames(read_frames(paths[0], stop=thinning.opening, **settings))
    quality = (*thinning.remarks, *quality_remarks(opening, ambient_c=run.ambient_c))

    progress("radiometry")
    images = [
        form_image(frame, camera, camera_emissivity=run.camera_emissivity, reflected_c=run.reflected_c)
        for frame in frames
    ]
    for frame, image in zip(frames, images, strict=True):
        check_room(
            image.apparent_c,
            ambient_c=run.ambient_c,
            where=str(frame.source.path),
            look_at="ambient_c, the unit, and the camera file if one is named",
        )
    if camera.lens is not None:
        images = [straighten_image(image, camera.lens) for image in images]
    aligned = separate_views(images, [str(frame.source.path) for frame in frames])
    return View(camera, frames, aligned, quality)


def _rising(
    run: Run, board: Board, camera: Camera, seen: Sequence[SeenView], measurements: Sequence[PartMeasurement]
) -> tuple[Rising | None, tuple[str, ...]]:
    """A single frame shows nothing on its way, and loads nothing that recordings need."""
    if len(seen) == 1 and len(seen[0].aligned.numbers) == 1:
        return None, ()
    from thermscan.dynamics.still_rising import find_rising  # noqa: PLC0415

    return find_rising(run, board, camera, seen, measurements)


@contextmanager
def _frames_own_faults_told(view: View) -> Iterator[None]:
    """A refusal says what speaks against the frames, too: a unit assumed, a view out of focus may be why."""
    try:
        yield
    except CannotJudge as error:
        said = dict.fromkeys(text for frame in view.frames if frame.unit_source == "assumed" for text in frame.remarks)
        raise CannotJudge.from_faults([*error.faults, *(Fault(text) for text in (*said, *view.quality))]) from error


def _with_parts(board: Board) -> Board:
    if board.parts:
        return board
    raise InputError(
        "the layout has no parts, so that there is nothing to judge",
        where=str(board.path) if board.path else None,
        fix="add parts to it, or look without a layout: --no-layout",
    )


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


def _fov_deg(camera: Camera) -> float | None:
    return camera.fov_deg[0] if camera.fov_deg else None


def _lost_views(found: Sequence[SeenView | LostView], frames: Sequence[Frame]) -> tuple[str, ...]:
    """A view that was left out is named, with the reason."""
    lost = [view for view in found if isinstance(view, LostView)]
    said = []
    for view in lost:
        files = ", ".join(dict.fromkeys(Path(frames[k].source.path).name for k in view.numbers))
        why = view.faults[0].what
        said.append(
            f"{files}: left out; {why}"
            if why == OTHER_STATE
            else f"{files}: left out, since the board was not found in this view ({why})"
        )
    return tuple(said)


@dataclass(frozen=True, slots=True)
class Said:
    """Remarks that no stage's result holds."""

    remarks: tuple[str, ...]


class Remarked(Protocol):
    """Any stage's result that has something to say."""

    @property
    def remarks(self) -> tuple[str, ...]: ...


def gather_remarks(*stages: Remarked) -> tuple[str, ...]:
    """Every stage's remarks in the order of the work, each once."""
    return tuple(dict.fromkeys(remark for stage in stages for remark in stage.remarks))
