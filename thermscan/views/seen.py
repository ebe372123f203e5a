"""One view of the board: where the board lies in it, and what it shows of each part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge, Fault
from thermscan.frames.focus import edge_blur_px
from thermscan.frames.quality import SOFT_EDGE_PX
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.lens import straighten_image
from thermscan.radiometry.sensor_estimate import with_sensor
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.blur import estimate_blur
from thermscan.regions.covering import Cover, find_cover
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration import (
    AlignedViews,
    BaselineRaster,
    Registration,
    find_targets,
    register_board,
    without_cards,
)
from thermscan.runs.run import Landmark

Points = tuple[tuple[float, float], ...]
# The board's edge stands for all of the view: focus and lens change across it by about this much.
LEAST_BLUR_DOUBT_PX = 0.05


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of the board's place in a view beforehand; points in the straightened frame."""

    corners_px: Points | None = None
    landmarks: tuple[Landmark, ...] = ()
    targets: bool = False
    raster: BaselineRaster | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """The air at the bench, and what the board reflects."""

    ambient_c: float
    reflected_c: float


@dataclass(frozen=True, slots=True, eq=False)
class SeenView:
    """
    What one view shows.

    Attributes
    ----------
    aligned : AlignedViews
        The frames.
    image : ThermalImage
        Their mean, with the blur that the board's edges show; NaN where a pixel does not count.
    registration : Registration
    rectified : Rectified
    measurements : tuple of PartMeasurement
    cover : Cover
    remarks : tuple of str
    """

    aligned: AlignedViews
    image: ThermalImage
    registration: Registration
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    cover: Cover
    remarks: tuple[str, ...] = field(default=())

    @property
    def numbers(self) -> tuple[int, ...]:
        """Which of the run's frames these are."""
        return self.aligned.numbers


@dataclass(frozen=True, slots=True, eq=False)
class LostView:
    """Frames in which the board was not found, and why."""

    numbers: tuple[int, ...]
    faults: tuple[Fault, ...]


def see_views(
    views: Sequence[AlignedViews], board: Board, *, camera: Camera, bench: Bench, given: Given
) -> tuple[SeenView | LostView, ...]:
    """
    Each view by itself; those in which the board is not found are looked at again with another's picture as a help.

    Parameters
    ----------
    views : sequence of AlignedViews
    board : Board
    camera : Camera
    bench : Bench
    given : Given
        Corners and landmarks are those of the view that holds the first frame.

    Returns
    -------
    tuple of SeenView or LostView
        In the given order; at least one is seen.

    Raises
    ------
    InputError
        Corners or landmarks that cannot be right.
    CannotJudge
        The board was found in none of the views.
    """
    first = min(range(len(views)), key=lambda k: min(views[k].numbers))
    alone = replace(given, corners_px=None, landmarks=())
    found = [
        _try(view, board, camera=camera, bench=bench, given=given if k == first else alone)
        for k, view in enumerate(views)
    ]
    seen = [view for view in found if isinstance(view, SeenView)]
    if not seen:
        raise CannotJudge.from_faults(list(_lost(found)[first].faults))
    if len(seen) < len(found) and given.raster is None:
        best = min(seen, key=lambda view: view.registration.uncertainty_mm)
        raster = BaselineRaster(best.rectified.apparent_c - bench.ambient_c, best.rectified.mm_per_px)
        helped = replace(alone, raster=raster)
        found = [
            _try(views[k], board, camera=camera, bench=bench, given=helped) if isinstance(view, LostView) else view
            for k, view in enumerate(found)
        ]
    return tuple(found)


def see_view(view: AlignedViews, board: Board, *, camera: Camera, bench: Bench, given: Given) -> SeenView:
    """
    One view, registered, rectified and measured.

    Raises
    ------
    InputError
        Corners or landmarks that cannot be right.
    CannotJudge
        The board is not found.
    """
    image = with_sensor(view.mean(), camera)
    targets = find_targets(image, board) if given.targets else None
    if targets is not None:
        image = without_cards(image, board, targets.px_from_mm)
    registration = register_board(
        image,
        board,
        corners_px=targets.corners_px if targets else given.corners_px,
        landmarks=given.landmarks,
        baseline_raster=given.raster,
        camera=camera,
        straighten=True,
    )
    if registration.lens is not None:
        image = straighten_image(image, registration.lens)
    image = _with_measured_blur(image, registration, board, camera=camera)
    cover = find_cover(image, registration, board, fov_deg=_fov_deg(camera))
    seen = _read(view, image, registration, board, camera=camera, bench=bench, cover=cover)
    remarks = (*(targets.remarks if targets else ()), *registration.remarks, *cover.over(seen.measurements).remarks)
    return replace(seen, remarks=remarks)


def without_pixels(
    seen: SeenView, pixels: NDArray[np.bool_], board: Board, *, camera: Camera, bench: Bench
) -> SeenView:
    """The view read again without some of its pixels, such as those that mirror something."""
    image = replace(seen.image, apparent_c=np.where(pixels, np.nan, seen.image.apparent_c))
    again = _read(seen.aligned, image, seen.registration, board, camera=camera, bench=bench, cover=seen.cover)
    return replace(again, remarks=seen.remarks)


def with_place(seen: SeenView, registration: Registration, board: Board, *, camera: Camera, bench: Bench) -> SeenView:
    """The view read again where the board and the parts' tops are better known to lie."""
    again = _read(seen.aligned, seen.image, registration, board, camera=camera, bench=bench, cover=seen.cover)
    return replace(again, remarks=seen.remarks)


def _read(
    view: AlignedViews,
    image: ThermalImage,
    registration: Registration,
    board: Board,
    *,
    camera: Camera,
    bench: Bench,
    cover: Cover,
) -> SeenView:
    fov_deg = _fov_deg(camera)
    rectified = rectify_frame(image, registration, board, fov_deg=fov_deg, covered=cover.pixels)
    measurements = measure_parts(
        image,
        registration,
        board,
        ambient_c=bench.ambient_c,
        reflected_c=bench.reflected_c,
        fov_deg=fov_deg,
        covered=cover.pixels,
    )
    return SeenView(view, image, registration, rectified, measurements, cover)


def _try(view: AlignedViews, board: Board, *, camera: Camera, bench: Bench, given: Given) -> SeenView | LostView:
    try:
        return see_view(view, board, camera=camera, bench=bench, given=given)
    except CannotJudge as error:
        return LostView(view.numbers, tuple(error.faults))


def _lost(found: Sequence[SeenView | LostView]) -> list[LostView]:
    return [view for view in found if isinstance(view, LostView)]


def _fov_deg(camera: Camera) -> float | None:
    return camera.fov_deg[0] if camera.fov_deg else None


def _with_measured_blur(
    image: ThermalImage, registration: Registration, board: Board, *, camera: Camera
) -> ThermalImage:
    """The blur that the board's edges show, unless the camera file states one; out of focus, that of any edge."""
    if camera.blur_px is not None:
        return image
    sharpest_px = edge_blur_px(image.apparent_c)
    if sharpest_px is not None and sharpest_px > SOFT_EDGE_PX:
        # It is read from edges that heat itself may have softened: as doubtful as an unmeasured one, a third.
        return replace(image, blur_px=sharpest_px, u_blur_px=sharpest_px / 3)
    blur = estimate_blur(image, registration, board)
    if blur is None:
        return image
    return replace(image, blur_px=blur.blur_px, u_blur_px=max(blur.u_px, LEAST_BLUR_DOUBT_PX))
