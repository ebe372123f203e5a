"""How uneven a sensor is, as far as one view tells; what it cannot tell has a prior."""

from __future__ import annotations

from dataclasses import replace

from thermscan.frames.stripes import find_stripes
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.sensor import CORRELATED_OVER_WHITE, SHADING_K, STRIPES_OVER_WHITE, SensorErrors
from thermscan.radiometry.thermal_image import ThermalImage


def with_sensor(image: ThermalImage, camera: Camera) -> ThermalImage:
    """
    The image with its `SensorErrors`.

    Parameters
    ----------
    image : ThermalImage
        Of one frame, or the mean of several.
    camera : Camera

    Returns
    -------
    ThermalImage

    Notes
    -----
    The stripes are measured in the image itself. Its shading cannot be told from the board's own warmth. Noise that
    neighbouring pixels share is not taken to fall with the number of frames, for nothing tells whether
    they repeat it.
    """
    stripes = find_stripes(image.apparent_c)
    unseen_k = STRIPES_OVER_WHITE * image.noise_k
    shading_k, source = _shading(camera)
    sensor = SensorErrors(
        row_k=unseen_k if stripes.rows is None else stripes.rows,
        column_k=unseen_k if stripes.columns is None else stripes.columns,
        shading_k=shading_k,
        correlated_k=CORRELATED_OVER_WHITE * image.noise_k * image.frames**0.5,
        source=f"stripes of this view; shading {source}",
    )
    return replace(image, sensor=sensor)


def _shading(camera: Camera) -> tuple[float, str]:
    """How uneven the smooth part is, edge against centre, and where that figure is from."""
    if camera.shading_k is not None:
        return camera.shading_k, "as the camera file states"
    if camera.shading is not None:
        return camera.shading.left_k, "left by the camera file's correction"
    return SHADING_K, "as one uncooled camera's"
