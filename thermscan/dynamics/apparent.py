"""A recording in apparent temperatures, straightened: what all of this room works on, one frame at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import pixel_centres
from thermscan.frames.frame import Frame, FrameSource
from thermscan.frames.stream import FrameStream, StreamFrame
from thermscan.frames.units import COUNTS
from thermscan.frozen import dataclass
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.imaging import apparent_of_reading, form_image
from thermscan.radiometry.lens import bend_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.runs.run import Run

Float32 = NDArray[np.float32]

# A calibration is smooth: between so many nodes over a frame's range it is a straight line to a thousandth of a kelvin.
NODES = 512


@dataclass(frozen=True, slots=True, eq=False)
class ApparentStream:
    """
    A stream whose frames are apparent temperatures on a pinhole camera's grid.

    Attributes
    ----------
    first : ThermalImage
        The first frame, with what is known of the camera's noise and accuracy.
    """

    stream: FrameStream
    first: ThermalImage
    convert: Callable[[Float32], Float32]

    def __iter__(self) -> Iterator[StreamFrame]:
        return self.every(1)

    def every(self, step: int) -> Iterator[StreamFrame]:
        """Each ``step``-th frame, from the first."""
        for frame in self.stream.every(step):
            yield replace(frame, values=self.convert(frame.values))


def apparent_stream(stream: FrameStream, run: Run, camera: Camera) -> ApparentStream:
    """
    A recording in apparent temperatures.

    Raises
    ------
    InputError
        Counts without a calibration; a frame without a temperature.
    """
    frame = next(iter(stream))
    first, convert = converter(frame, counts=stream.counts, run=run, camera=camera)
    return ApparentStream(stream, replace(first, remarks=(*stream.remarks, *first.remarks)), convert)


def converter(
    frame: StreamFrame, *, counts: bool, run: Run, camera: Camera
) -> tuple[ThermalImage, Callable[[Float32], Float32]]:
    """The first frame as an image, and how to bring any later one to apparent temperatures on a straight grid."""
    source = FrameSource(frame.path, frame.page, "", "TIFF", "float32")
    read = Frame(np.asarray(frame.values, dtype=np.float64), COUNTS if counts else "C", "given", source)
    image = form_image(read, camera, camera_emissivity=run.camera_emissivity, reflected_c=run.reflected_c)
    emissivity = run.camera_emissivity if run.camera_emissivity is not None else camera.emissivity
    plain = not counts and camera.calibration is None and emissivity in (None, 1.0)
    straight = None if camera.lens is None else _straightener(image.shape, camera)

    def convert(values: Float32) -> Float32:
        seen = values if plain else _calibrated(values, counts=counts, run=run, camera=camera)
        return seen if straight is None else straight(seen)

    return replace(image, apparent_c=convert(frame.values).astype(np.float64)), convert


def _calibrated(values: Float32, *, counts: bool, run: Run, camera: Camera) -> Float32:
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return values
    nodes = np.linspace(float(finite.min()), float(finite.max()) + 1e-6, NODES)
    apparent_c = apparent_of_reading(
        nodes, COUNTS if counts else "C", camera,
        camera_emissivity=run.camera_emissivity, reflected_c=run.reflected_c,
    )  # fmt: skip
    return np.interp(values, nodes, apparent_c).astype(np.float32)


def _straightener(shape: tuple[int, int], camera: Camera) -> Callable[[Float32], Float32]:
    assert camera.lens is not None
    at = bend_points(pixel_centres(shape), camera.lens).astype(np.float32).reshape(*shape, 2)

    def straighten(values: Float32) -> Float32:
        result: Float32 = cv2.remap(
            values, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
        ).astype(np.float32)
        return result

    return straighten
