"""A look at a board of which there is no layout: what stands out, how warm it is, and which of its like differ."""

from __future__ import annotations

from dataclasses import field, replace

import numpy as np

from thermscan.errors import CannotJudge
from thermscan.frames.frame import Frame
from thermscan.frozen import dataclass
from thermscan.inspection import Progress, View, gather_remarks, view_of
from thermscan.judge.finding import Judgement
from thermscan.judge.like_sized import judge_like_sized
from thermscan.layout.board import Board, Surface
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.found_board import board_corners_px, board_mask
from thermscan.regions.found_bodies import FoundBodies, find_bodies
from thermscan.regions.found_layout import (
    BoardSize,
    FoundRegion,
    Placed,
    first_layout,
    frame_plane,
    number_regions,
    place_board,
)
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement
from thermscan.registration import Registration, checked_corners
from thermscan.runs.run import Run

FIRST_LAYOUT_NAME = "board without a layout"


@dataclass(frozen=True, slots=True, eq=False)
class RegionsFound:
    """
    What a frame tells by itself.

    Attributes
    ----------
    registration : Registration or None
        Where the board lies; None unless its size is known and its outline was found or given.
    regions : tuple of FoundRegion
    measurements : tuple of PartMeasurement
        Of ``regions``, in the same order; their parts are in the frame's pixels.
    layout : Board or None
        The regions as a first layout, where the board's size is known.
    """

    run: Run
    camera: Camera
    frames: tuple[Frame, ...]
    image: ThermalImage
    registration: Registration | None
    regions: tuple[FoundRegion, ...]
    measurements: tuple[PartMeasurement, ...]
    judgement: Judgement
    layout: Board | None
    remarks: tuple[str, ...] = field(default=())


def inspect_without_layout(
    run: Run, *, surface: Surface, size: BoardSize, progress: Progress | None = None
) -> RegionsFound:
    """
    Warm and distinctly colder bodies in a run's frames, measured and compared with like-sized neighbours.

    Parameters
    ----------
    run : Run
        Its layout and landmarks are not used; its corners, if any, say where the board lies.
    surface : Surface
        Taken for every region: a picture does not tell emissivity.
    size : BoardSize
        With a width, and an outline that is found or given, regions are placed in millimetres.
    progress : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    RegionsFound

    Raises
    ------
    InputError
        A file or a key is wrong, or the board's height is wanted.
    CannotJudge
        No body stands out, or millimetres are wanted of a board whose outline was not found.
    """
    tell = progress or (lambda stage: None)  # noqa: ARG005 - no progress is wanted
    view = view_of(run, progress=tell)
    # Without a layout nothing tells which body of one view is which of another: the first view is looked at.
    image = view.aligned[0].mean()

    tell("registration")
    given = checked_corners(run.corners_px, shape=image.shape) if run.corners_px is not None else None
    within = None if given is None else board_mask(given, image.shape)

    tell("regions")
    found = find_bodies(image, reflected_c=run.reflected_c, within=within)
    corners = given if given is not None else None if found.board is None else board_corners_px(found.board)
    placed = place_board(
        corners,
        size,
        method="outline" if given is None else "corners",
        shape=image.shape,
        fov_deg=view.camera.fov_deg[0] if view.camera.fov_deg else None,
    )
    if not found.bodies:
        raise CannotJudge(
            "no body stands out from its surroundings in this frame",
            fix="let the board warm up, move closer and hold the camera still, then take the frame again",
        )
    registration = placed.registration if placed else None
    regions = number_regions(found.bodies, surface=surface, registration=registration)
    plane = frame_plane(image.shape, view_angle=registration.view_angle_deg if registration else 0.0)
    as_seen = _board_of(regions, plane, surface)
    measurements = measure_parts(image, plane, as_seen, ambient_c=run.ambient_c, reflected_c=run.reflected_c)

    tell("judging")
    judgement = judge_like_sized(measurements, as_seen)
    return RegionsFound(
        run=run,
        camera=view.camera,
        frames=view.frames,
        image=image,
        registration=registration,
        regions=regions,
        measurements=tuple(measurements if registration else _without_angle(measurements)),
        judgement=judgement,
        layout=first_layout(regions, placed, name=FIRST_LAYOUT_NAME) if placed else None,
        remarks=(
            *gather_remarks(run, view, image),
            *_other_views(view),
            *_own_remarks(found, surface=surface, placed=placed, board_known=found.board is not None),
            *judgement.remarks,
        ),
    )


def _board_of(regions: tuple[FoundRegion, ...], plane: Registration, surface: Surface) -> Board:
    """The frame as a board, whose millimetres are pixels."""
    parts = tuple(region.part_px for region in regions)
    return Board("frame", None, np.asarray(plane.corners_px), 1.6, surface, parts)


def _without_angle(measurements: tuple[PartMeasurement, ...]) -> tuple[PartMeasurement, ...]:
    return tuple(replace(measurement, view_angle_deg=None) for measurement in measurements)


def _own_remarks(found: FoundBodies, *, surface: Surface, placed: Placed | None, board_known: bool) -> list[str]:
    """What a look without a layout cannot know."""
    remarks = [
        f"no layout: every region is taken for {surface.name} of emissivity {surface.emissivity:g}, and bare metal "
        "among them reads wrong; parts no warmer than the board around them are not seen"
    ]
    if found.glints:
        spots = "1 cold spot looks" if found.glints == 1 else f"{found.glints} cold spots look"
        remarks.append(f"{spots} like bare metal that reflects the room, and got no number")
    if not board_known:
        remarks.append("the board's outline does not stand out in the frame: warm things beside it are numbered too")
    if placed is None:
        remarks.append(
            "the board's size is not known, so places are in pixels and the viewing angle is not told; "
            "give --width-mm for millimetres"
        )
        return remarks
    return [*remarks, *placed.remarks]


def _other_views(view: View) -> list[str]:
    others = len(view.aligned) - 1
    return [f"only the first of {others + 1} views was looked at: without a layout they cannot be joined"] * bool(
        others
    )
