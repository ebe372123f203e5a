"""Where tall parts seem to lie: a slanted view moves the top of a body away from its foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Part
from thermscan.registration.geometry.pose import Pose, body_corners_px, pose_from_homography
from thermscan.registration.registration import Registration

FloatArray = NDArray[np.float64]


def pose_seen(
    registration: Registration, *, shape: tuple[int, int], corners_mm: FloatArray, fov_deg: float | None
) -> Pose:
    """
    The camera's pose, with the focal length that the parts' heights showed.

    Examples
    --------
    >>> import numpy as np
    >>> box = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]])
    >>> found = Registration("corners", np.eye(3), box, np.eye(8), 0.0, 0.0, 0.0, focal_scale=2.0)
    >>> round(pose_seen(found, shape=(3, 5), corners_mm=box, fov_deg=90.0).focal_px, 3)
    5.0
    """
    pose = pose_from_homography(registration.px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=fov_deg)
    if registration.focal_scale == 1.0:
        return pose
    fov = 2 * np.degrees(np.arctan(shape[1] / 2 / (pose.focal_px * registration.focal_scale)))
    return pose_from_homography(registration.px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=float(fov))


def seen_part(part: Part, registration: Registration, pose: Pose) -> Part:
    """
    A part moved on the board to where its top is seen; itself where no height is stated nor seen.

    Parameters
    ----------
    part : Part
    registration : Registration
        Of the board's plane.
    pose : Pose

    Returns
    -------
    Part
        Of the same size: the top is nearer to the camera by its height, which a usual distance makes
        one or two percent.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> flat = Part("U1", 10.0, 10.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02))
    >>> import numpy as np
    >>> found = Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.0, 0.0, 0.0)
    >>> seen_part(flat, found, None) is flat
    True
    """
    return tops_of([part], registration, pose)[0][0]


def tops_of(parts: Sequence[Part], registration: Registration, pose: Pose) -> tuple[tuple[Part, ...], ...]:
    """
    Each part where its top is seen, see `seen_part`; and if it stands as low, and as high, as is believed with 95 %.

    Returns
    -------
    tuple of tuple of Part
        One or three of each part: one where its height is not in doubt.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> flat = Part("U1", 10.0, 10.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02))
    >>> import numpy as np
    >>> tops = tops_of([flat], Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.0, 0.0, 0.0), None)
    >>> [top is flat for top in tops[0]]
    [True]
    """
    asked: list[tuple[int, float]] = []
    for number, part in enumerate(parts):
        height_mm = seen_height_mm(part, registration)
        if height_mm:
            asked.append((number, height_mm))
        known = registration.heights.get(part.ref)
        if known is not None and known.u_mm:
            asked += [(number, max(height_mm - 2 * known.u_mm, 0.0)), (number, height_mm + 2 * known.u_mm)]
    tops: list[list[Part]] = [[] if seen_height_mm(part, registration) else [part] for part in parts]
    if asked:
        numbers, heights_mm = np.array([number for number, _ in asked]), np.array([height for _, height in asked])
        corners = np.array([part.corners_mm() for part in parts])[numbers].reshape(-1, 2)
        risen = pose.px(corners, np.repeat(heights_mm, 4)) - pose.px(corners)
        places = registration.mm(registration.px(corners) + risen).reshape(-1, 4, 2).mean(axis=1)
        for number, (x_mm, y_mm) in zip(numbers, places.tolist(), strict=True):
            tops[number].append(replace(parts[number], x_mm=x_mm, y_mm=y_mm))
    return tuple(tuple(each) for each in tops)


def top_corners_px(part: Part, registration: Registration, pose: Pose) -> FloatArray:
    """Where the corners of a body's top are seen in the frame, at the height the frame shows; shape (4, 2)."""
    return body_corners_px(registration, replace(part, height_mm=seen_height_mm(part, registration)), pose)


def seen_height_mm(part: Part, registration: Registration) -> float:
    """
    How high a part stands, as layout, package and frame tell; as the layout states where the frame was not asked.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> can = Part("C1", 10.0, 10.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02), height_mm=16.0)
    >>> found = Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.0, 0.0, 0.0)
    >>> seen_height_mm(can, found)
    16.0
    >>> from thermscan.registration.registration import PartHeight
    >>> told = Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.0, 0.0, 0.0,
    ...                     heights={"C1": PartHeight(12.5, 0.4, seen=True)})
    >>> seen_height_mm(can, told)
    12.5
    """
    known = registration.heights.get(part.ref)
    return known.height_mm if known is not None else part.height_mm or 0.0
