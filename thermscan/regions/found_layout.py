"""From bodies found in a frame to numbered regions, and to a first layout where the board's size is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import points_where
from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part, Surface
from thermscan.layout.surfaces import surface_named
from thermscan.regions.found_board import height_of_board_mm
from thermscan.regions.found_bodies import FoundBody
from thermscan.regions.found_rectangles import Rectangle, fit_rectangle, like_sized_groups
from thermscan.registration.geometry.homography import fit_homography, local_scale, place_uncertainty_mm
from thermscan.registration.geometry.pose import pose_from_homography, view_angle_deg
from thermscan.registration.registration import Registration

FloatArray = NDArray[np.float64]

# What regions are called: no letter that stands for a kind of part.
REGION = "body-"
# The edge of a body is found to about this, as a standard uncertainty.
U_EDGE_PX = 0.5
# How well a board's corner is known, one coordinate: pointed at by a person, or met by lines along the edges.
U_CORNER_PX = {"corners": 1.0, "outline": 0.7}
# Where width and height are given, the picture tells which side is which only if they differ by this share.
SIDES_DIFFER = 0.1
# Usual thickness; the picture does not tell it.
THICKNESS_MM = 1.6
AS_SEEN = (
    "which corner of the board is its top left one cannot be told from the frame: "
    "it was taken as the frame shows it; give --corners to say otherwise"
)


@dataclass(frozen=True, slots=True)
class BoardSize:
    """What the user says of the board's size."""

    width_mm: float | None = None
    height_mm: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FoundRegion:
    """
    One numbered body.

    Attributes
    ----------
    ref : str
        R1, R2 …
    part_px : Part
        The body in the frame's own plane: its "millimetres" are pixels.
    part_mm : Part or None
        On the board, where its size is known.
    size_group : str or None
        A, B …: like-sized neighbours share one.
    """

    ref: str
    body: FoundBody
    part_px: Part
    part_mm: Part | None = None
    size_group: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Where the board lies, its size, and what was assumed for that."""

    registration: Registration
    width_mm: float
    height_mm: float
    remarks: tuple[str, ...] = field(default=())


def place_board(
    corners_px: FloatArray | None,
    size: BoardSize,
    *,
    method: str,
    shape: tuple[int, int],
    fov_deg: float | None = None,
) -> Placed | None:
    """
    The board's millimetres, from its corners and its width; None where no width is given.

    Parameters
    ----------
    corners_px : ndarray of shape (4, 2) or None
        Top left, top right, bottom right, bottom left.
    size : BoardSize
    method : str
        ``corners`` (given by the user) or ``outline`` (found).
    shape : tuple of int
        Rows and columns of the frame.
    fov_deg : float, optional
        Horizontal field of view, where the camera file states it.

    Raises
    ------
    CannotJudge
        A width is given, but the board's outline was not found.
    InputError
        The height is not given, and the view does not tell it.
    """
    if size.width_mm is None:
        return None
    if corners_px is None:
        raise CannotJudge(
            "the board's outline does not stand out from the bench, so its millimetres cannot be laid out",
            fix="give its corners in the frame with --corners",
        )
    remarks = [AS_SEEN] if method == "outline" else []
    seen_mm = height_of_board_mm(corners_px, size.width_mm, shape=shape, fov_deg=fov_deg)
    height_mm = size.height_mm
    if height_mm is None:
        if seen_mm is None:
            raise InputError(
                "the board's height cannot be told from this slanted view",
                where="--height-mm",
                fix="measure the board and give it",
            )
        height_mm = round(seen_mm, 1)
        remarks.append(f"the board's height, {height_mm:.1f} mm, was told from the picture; give --height-mm if known")
    elif method == "outline":
        corners_px = _turned_to_fit(corners_px, size.width_mm, height_mm, shape=shape, fov_deg=fov_deg)
    registration = _registration(corners_px, (size.width_mm, height_mm), method=method, shape=shape, fov_deg=fov_deg)
    return Placed(registration, size.width_mm, height_mm, tuple(remarks))


def _turned_to_fit(
    corners_px: FloatArray, width_mm: float, height_mm: float, *, shape: tuple[int, int], fov_deg: float | None
) -> FloatArray:
    """The corners, begun one further where width and height fit the picture better that way."""
    turned = np.roll(corners_px, 1, axis=0)
    misfits = []
    for corners in (corners_px, turned):
        seen_mm = height_of_board_mm(corners, width_mm, shape=shape, fov_deg=fov_deg)
        misfits.append(abs(np.log(seen_mm / height_mm)) if seen_mm else np.inf)
    clear = np.isfinite(misfits).all() and misfits[1] + SIDES_DIFFER < misfits[0]
    return turned if clear else corners_px


def _registration(
    corners_px: FloatArray,
    size_mm: tuple[float, float],
    *,
    method: str,
    shape: tuple[int, int],
    fov_deg: float | None,
) -> Registration:
    width_mm, height_mm = size_mm
    box = np.array([[0.0, 0.0], [width_mm, 0.0], [width_mm, height_mm], [0.0, height_mm]])
    fit = fit_homography(box, corners_px, corners_mm=box, u_px=U_CORNER_PX[method])
    pose = pose_from_homography(fit.px_from_mm, shape=shape, corners_mm=box, fov_deg=fov_deg)
    middle = box.mean(axis=0, keepdims=True)
    uncertainty = place_uncertainty_mm(fit.px_from_mm, box, fit.corner_covariance_px2, middle)
    return Registration(
        method=method,
        px_from_mm=fit.px_from_mm,
        corners_px=corners_px,
        corner_covariance_px2=fit.corner_covariance_px2,
        residual_px=float(np.sqrt(np.mean(fit.residuals_px**2))),
        uncertainty_mm=float(uncertainty[0]),
        view_angle_deg=view_angle_deg(pose, box),
    )


def frame_plane(shape: tuple[int, int], *, view_angle: float = 0.0) -> Registration:
    """
    The frame as its own plane, in which found bodies are measured: one "millimetre" is one pixel.

    Examples
    --------
    >>> frame_plane((120, 160)).px(np.array([[3.0, 4.0]])).tolist()
    [[3.0, 4.0]]
    """
    rows, cols = shape
    box = np.array([[0.0, 0.0], [cols, 0.0], [cols, rows], [0.0, rows]])
    together: FloatArray = np.kron(np.ones((4, 4)), np.eye(2)).astype(np.float64) * U_EDGE_PX**2
    return Registration("outline", np.eye(3), box, together, 0.0, U_EDGE_PX, view_angle)


def number_regions(
    bodies: Sequence[FoundBody], *, surface: Surface, registration: Registration | None
) -> tuple[FoundRegion, ...]:
    """
    The bodies as R1, R2 … in reading order, with their rectangles and like-sized groups.

    Parameters
    ----------
    bodies : sequence of FoundBody
    surface : Surface
        Taken for all of them.
    registration : Registration or None
        Where the board lies, if its size is known: then rectangles and sizes are of the board.
    """
    points = [points_where(body.mask) for body in bodies]
    flat = [fit_rectangle(each) for each in points]
    order = _reading_order(flat)
    points, flat = [points[i] for i in order], [flat[i] for i in order]
    plane, pixel = flat, 1.0
    if registration is not None:
        plane = []
        for each in points:
            mm = registration.mm(each)
            scale = local_scale(registration.px_from_mm, [mm.mean(axis=0)])[0]
            pixel = float(1.0 / np.sqrt(abs(np.linalg.det(scale))))
            plane.append(fit_rectangle(mm, pixel=pixel, square_to_axes=True))
    group = {i: _letters(n) for n, members in enumerate(like_sized_groups(plane, pixel=pixel)) for i in members}
    return tuple(
        FoundRegion(
            ref=f"{REGION}{n + 1}",
            body=bodies[order[n]],
            part_px=_part(f"{REGION}{n + 1}", flat[n], surface, group.get(n)),
            part_mm=_part(f"{REGION}{n + 1}", plane[n], surface, None) if registration is not None else None,
            size_group=group.get(n),
        )
        for n in range(len(flat))
    )


def first_layout(regions: Sequence[FoundRegion], placed: Placed, *, name: str) -> Board:
    """
    A layout to be completed by hand: every region a part, in the board's millimetres.

    Like-sized regions are noted, not declared as a group: what they are is for the user to say.
    """
    parts = []
    for region in regions:
        if region.part_mm is not None:
            seen = f"like-sized group {region.size_group}; " if region.size_group else ""
            parts.append(
                replace(region.part_mm, note=f"{seen}found in the frame: give it its own ref, package and group")
            )
    width, height = placed.width_mm, placed.height_mm
    return Board(
        name=name,
        revision=None,
        outline_mm=np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]),
        thickness_mm=THICKNESS_MM,
        surface=surface_named("solder-mask"),
        parts=tuple(parts),
    )


def _part(ref: str, rectangle: Rectangle, surface: Surface, group: str | None) -> Part:
    return Part(
        ref=ref,
        length_mm=round(rectangle.length, 2),
        width_mm=round(rectangle.width, 2),
        x_mm=round(rectangle.x, 2),
        y_mm=round(rectangle.y, 2),
        rotation_deg=round(rectangle.rotation_deg, 1),
        surface=surface,
        group=group,
    )


def _reading_order(rectangles: Sequence[Rectangle]) -> list[int]:
    """Line by line from the top; a line is as high as the usual body is wide."""
    if not rectangles:
        return []
    line = float(np.median([r.width for r in rectangles]))
    return sorted(range(len(rectangles)), key=lambda i: (round(rectangles[i].y / line), rectangles[i].x))


def _letters(number: int) -> str:
    """
    A, B … Z, AA, AB …

    Examples
    --------
    >>> _letters(0), _letters(26)
    ('A', 'AA')
    """
    first, last = divmod(number, 26)
    return (_letters(first - 1) if first else "") + chr(ord("A") + last)
