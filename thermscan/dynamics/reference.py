"""Where the board lies in a recording: found once, on a mean of frames that show it well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.dynamics.apparent import ApparentStream
from thermscan.errors import CannotJudge, InputError
from thermscan.frames.stream import StreamFrame
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.lens import straighten_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.blur import estimate_blur
from thermscan.regions.covering import find_cover
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement
from thermscan.registration import (
    Drift,
    Registration,
    Tracker,
    align_views,
    find_targets,
    register_board,
    without_cards,
)
from thermscan.runs.run import Landmark, Run

FloatArray = NDArray[np.float64]

# Frames looked at to choose from, and how many of them make the mean picture.
LOOKED_AT, AVERAGED = 32, 6
# A frame with less than this share of the best one's contrast shows the board too faintly to place it.
LEAST_CONTRAST = 0.5
# Frames that are less alike after alignment show something else (as for a run's frames).
LEAST_LIKENESS = 0.6
WORTH_ASKING_PX, CLEARLY_BETTER = 0.3, 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """
    The recording's mean picture with the board's place in it.

    Attributes
    ----------
    image : ThermalImage
        Mean of some frames, on the grid of one of them.
    tracker : Tracker
        Finds that picture's pixels in any other frame.
    measurements : tuple of PartMeasurement
        Of the mean picture, in the layout's order; they tell which parts can be measured at all.
    covered : ndarray of bool, shape of the frame
    still : bool
        Too little is seen to follow the view; it is taken not to move.
    """

    run: Run
    board: Board
    camera: Camera
    image: ThermalImage
    registration: Registration
    measurements: tuple[PartMeasurement, ...]
    covered: NDArray[np.bool_]
    tracker: Tracker
    still: bool = False
    remarks: tuple[str, ...] = field(default=())

    @property
    def fov_deg(self) -> float | None:
        """The camera's horizontal field of view, where its file states one."""
        return self.camera.fov_deg[0] if self.camera.fov_deg else None


def find_reference(stream: ApparentStream, run: Run, board: Board, camera: Camera, *, heated: bool = True) -> Reference:
    """
    Place the board in a recording; ``heated`` False where a supply of milliwatts leaves its parts as cold as it.

    Raises
    ------
    CannotJudge
        No frame shows the board with enough certainty.
    """
    step = max(stream.stream.count // LOOKED_AT, 1)
    held = [frame for frame in stream.every(step) if not frame.repeats]
    return reference_from(held, stream.first, run, board, camera, heated=heated)


def reference_from(
    held: Sequence[StreamFrame], first: ThermalImage, run: Run, board: Board, camera: Camera, *, heated: bool = True
) -> Reference:
    """As `find_reference`, from frames that are held already, in time order."""
    contrast = np.array([_contrast(frame.values) for frame in held])
    if not held or not np.isfinite(contrast).any() or np.nanmax(contrast) <= 0:
        raise CannotJudge("no frame of the recording shows anything", fix="check the file, or record again")
    good = np.flatnonzero(contrast >= LEAST_CONTRAST * np.nanmax(contrast))
    # A board that warms up shows best at the end.
    chosen = [held[index] for index in good[-AVERAGED:]]
    image, still = _mean_picture(first, chosen)
    tracker = Tracker(image.apparent_c.astype(np.float32))
    still = still or not any(tracker.follow(frame.values).likeness >= LEAST_LIKENESS for frame in chosen)
    corners_px, landmarks, moved = _clicks(run, camera, tracker, held[0])
    targets = find_targets(image, board) if run.targets else None
    if targets is not None:
        image = without_cards(image, board, targets.px_from_mm)
    registration = register_board(
        image,
        board,
        corners_px=targets.corners_px if targets else corners_px,
        landmarks=landmarks,
        camera=camera,
    )
    blur = None if camera.blur_px is not None else estimate_blur(image, registration, board)
    if blur is not None:
        image = replace(image, blur_px=blur.blur_px, u_blur_px=max(blur.u_px, 0.05))
    fov_deg = camera.fov_deg[0] if camera.fov_deg else None
    cover = find_cover(image, registration, board, fov_deg=fov_deg, heated=heated)
    measurements = measure_parts(
        image, registration, board, ambient_c=run.ambient_c, reflected_c=run.reflected_c,
        fov_deg=fov_deg, covered=cover.pixels,
    )  # fmt: skip
    remarks = (*first.remarks, *moved, *registration.remarks, *cover.over(measurements).remarks)
    if still:
        remarks += ("the picture shows too little to follow the view: it was taken not to have moved",)
    return Reference(run, board, camera, image, registration, measurements, cover.pixels, tracker, still, remarks)


def _mean_picture(first: ThermalImage, chosen: Sequence[StreamFrame]) -> tuple[ThermalImage, bool]:
    """The frames' mean after alignment; or as they are, where they show too little to be aligned."""
    images = [replace(first, apparent_c=frame.values.astype(np.float64)) for frame in chosen]
    try:
        return replace(align_views(images).mean(), remarks=()), False
    except InputError:
        mean = np.mean([image.apparent_c for image in images], axis=0)
        noise = first.noise_k / np.sqrt(len(images))
        return replace(first, apparent_c=mean, noise_k=float(noise), frames=len(images), remarks=()), True


def _clicks(
    run: Run, camera: Camera, tracker: Tracker, first: StreamFrame
) -> tuple[FloatArray | None, tuple[Landmark, ...], tuple[str, ...]]:
    """What the user saw in the first frame, where the mean picture has it."""
    if run.corners_px is None and not run.landmarks:
        return None, (), ()
    drift = tracker.follow(first.values)
    if drift.likeness < LEAST_LIKENESS:
        # A board not yet warm shows too little to be followed: on a stand it has not moved.
        drift = tracker.at_rest
    back = np.linalg.inv(drift.other_from_first)

    def moved(points_px: FloatArray) -> FloatArray:
        straight = points_px if camera.lens is None else straighten_points(points_px, camera.lens)
        return map_points(back, straight)

    corners = None if run.corners_px is None else moved(np.array(run.corners_px))
    places = moved(np.array([mark.px for mark in run.landmarks]).reshape(-1, 2))
    landmarks = tuple(
        replace(mark, px=(float(x), float(y))) for mark, (x, y) in zip(run.landmarks, places, strict=True)
    )
    return corners, landmarks, ()


def _contrast(values: NDArray[np.float32]) -> float:
    thin = values[::2, ::2]
    finite = thin[np.isfinite(thin)]
    return float(np.subtract(*np.percentile(finite, [98, 2]))) if finite.size else float("nan")


def follow(reference: Reference, frame: StreamFrame, last: Drift | None) -> Drift | None:
    """The motion to a frame, from that to the frame before; None where it shows another view or too little."""
    if reference.still:
        return reference.tracker.at_rest
    start = None if last is None else last.other_from_first
    drift = reference.tracker.follow(frame.values, start=start, near=last is not None)
    if drift.shift_px > WORTH_ASKING_PX:
        # A picture with little to say follows its noise: motion must explain it clearly better than none.
        at_rest = reference.tracker.likeness_at_rest(frame.values)
        if at_rest > drift.likeness - CLEARLY_BETTER:
            return reference.tracker.at_rest
    return drift if drift.likeness >= LEAST_LIKENESS else None
