"""From a frame as its file holds it to apparent temperatures, with noise and accuracy."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frames.frame import Frame
from thermscan.frames.units import COUNTS, celsius
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.camera_fields import DEFAULT_BLUR_PX
from thermscan.radiometry.noise import frame_noise
from thermscan.radiometry.surface import undo_camera_correction
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.scales import ZERO_C_ABS_K

# A frame this much noisier than its camera's file says is believed rather than the file.
NOISE_EXCESS = 1.5
# The shared accuracy is taken at a high reading, for it grows with the reading; single hot pixels do not count.
ACCURACY_PERCENTILE = 99.0
# A calibration is trusted this far past its outer reference.
BEYOND_RANGE_K = 10.0
# Whole numbers that lie no further apart have a table of their own (8 MB).
MOST_WHOLE = 2**20
# Where nothing tells the noise: what inexpensive cameras rarely exceed. From memory.
FALLBACK_NOISE_K = 0.1


def form_image(frame: Frame, camera: Camera, *, camera_emissivity: float | None, reflected_c: float) -> ThermalImage:
    """
    Apparent temperatures of a frame, with what is known of their errors.

    Parameters
    ----------
    frame : Frame
        In a temperature unit, or in counts where the camera's calibration takes counts.
    camera : Camera
    camera_emissivity : float or None
        What the camera was set to when it wrote the frame; None: what its file says, or else 1.
    reflected_c : float
        The reflected temperature that it had set, unless the camera's file says another.

    Returns
    -------
    ThermalImage
        NaN where the frame has no value or one that cannot be a temperature.

    Raises
    ------
    InputError
        Counts without a calibration that takes them; an emissivity out of range; a frame with no temperature.
    """
    where = f"{frame.source.path}, page {frame.source.page}"
    remarks = list(frame.remarks)
    counts = frame.unit == COUNTS
    reading = frame.values if counts else celsius(frame.values, frame.unit)
    apparent_c = apparent_of_reading(
        reading,
        COUNTS if counts else "C",
        camera,
        camera_emissivity=camera_emissivity,
        reflected_c=reflected_c,
        where=where,
    )
    remarks += _remarks_on(camera, frame.shape, counts=counts, camera_emissivity=camera_emissivity)
    step_k = _step_in_kelvin(reading, apparent_c)
    apparent_c = np.where(apparent_c > -ZERO_C_ABS_K, apparent_c, np.nan)
    if camera.shading is not None:
        apparent_c, said = camera.shading.removed_from(apparent_c, band_um=camera.band, where=where)
        remarks.append(said)
    valid = np.isfinite(apparent_c)
    if not valid.any():
        raise InputError(
            "no pixel has a value that can be a temperature", where=where, fix="check the unit and the camera file"
        )
    return ThermalImage(
        apparent_c=apparent_c,
        noise_k=_noise_k(apparent_c, camera, step_k, remarks),
        accuracy_k=_accuracy_k(apparent_c, camera, remarks, counts=counts),
        band_um=camera.band_um,
        blur_px=DEFAULT_BLUR_PX if camera.blur_px is None else camera.blur_px,
        response=camera.response,
        remarks=tuple(remarks),
    )


def apparent_of_reading(
    reading: ArrayLike,
    of: str,
    camera: Camera,
    *,
    camera_emissivity: float | None = None,
    reflected_c: float,
    where: str | None = None,
) -> NDArray[np.float64]:
    """
    Apparent temperature of what a camera wrote: its own correction undone, its calibration applied.

    Parameters
    ----------
    reading : array_like
        Degrees Celsius or counts. NaN gives NaN.
    of : str
        ``C`` or ``counts``.
    camera : Camera
    camera_emissivity, reflected_c
        As in `form_image`.
    where : str, optional
        For messages.

    Returns
    -------
    ndarray of the same shape

    Raises
    ------
    InputError
        Counts without a calibration that takes them; an emissivity out of range.

    Examples
    --------
    >>> from thermscan.radiometry.camera import read_camera
    >>> apparent_of_reading(76.85, "C", read_camera(None), camera_emissivity=0.95, reflected_c=26.85).round(3).item()
    74.729
    """
    if of == COUNTS:
        if camera.calibration is None or camera.calibration.of != COUNTS:
            raise InputError(
                "the values are counts, and the camera file has no calibration of counts",
                where=where,
                fix="make one with 'thermscan camera fit' and name it as camera",
            )
        return camera.calibration.temperature_c(reading)
    apparent_c = undo_camera_correction(
        reading,
        camera_emissivity=_set_emissivity(camera, camera_emissivity),
        camera_reflected_c=reflected_c if camera.reflected_c is None else camera.reflected_c,
        band_um=camera.band,
    )
    if camera.calibration is not None and camera.calibration.of != COUNTS:
        apparent_c = camera.calibration.temperature_c(apparent_c)
    return apparent_c


def _set_emissivity(camera: Camera, camera_emissivity: float | None) -> float:
    """What the camera was set to: as given, else as its file says, else 1."""
    if camera_emissivity is not None:
        return camera_emissivity
    return 1.0 if camera.emissivity is None else camera.emissivity


def _accuracy_k(apparent_c: NDArray[np.float64], camera: Camera, remarks: list[str], *, counts: bool) -> float:
    """Standard uncertainty of the shared offset; more where a calibration is drawn out beyond its references."""
    high_c = float(np.nanpercentile(apparent_c, ACCURACY_PERCENTILE))
    u_k = float(camera.u_accuracy_k(high_c))
    used = camera.calibration if camera.calibration and (camera.calibration.of == COUNTS) == counts else None
    if used is None or used.range_c is None or high_c <= used.range_c[1] + BEYOND_RANGE_K:
        return u_k
    remarks.append(
        f"the frame reaches {high_c:.0f} C, beyond the camera file's highest reference of {used.range_c[1]:.0f} C"
    )
    drawn_out_k = used.u_k(used.signal(high_c))
    return u_k if drawn_out_k is None else float(np.hypot(u_k, drawn_out_k))


def _remarks_on(camera: Camera, shape: tuple[int, int], *, counts: bool, camera_emissivity: float | None) -> list[str]:
    remarks = []
    if camera.pixels is not None and camera.pixels != (shape[1], shape[0]):
        stated, seen = (f"{cols} x {rows}" for cols, rows in (camera.pixels, (shape[1], shape[0])))
        remarks.append(f"the frame has {seen} pixels, the camera file says {stated}: is it the right file?")
    emissivity = _set_emissivity(camera, camera_emissivity)
    if not counts and emissivity < 1:
        remarks.append(f"the camera's own correction for emissivity {emissivity:g} was undone")
    if camera.calibration is not None and (camera.calibration.of == COUNTS) == counts:
        remarks.append(f"the camera file's calibration ({camera.calibration.model}) was applied")
    return remarks


def _step_in_kelvin(values: NDArray[np.float64], apparent_c: NDArray[np.float64]) -> float:
    """The smallest step that the stored values make, in apparent temperature; 0 where they make none."""
    good = np.isfinite(values) & np.isfinite(apparent_c)
    stored, apparent_c = values[good], apparent_c[good]
    if not stored.size:
        return 0.0
    lowest, highest = float(stored.min()), float(stored.max())
    if highest - lowest < MOST_WHOLE and np.array_equal(stored, np.round(stored)):
        # Of whole numbers, each has its place in a table: several times as quick as sorting them.
        levels = np.full(int(highest - lowest) + 1, np.nan)
        levels[(stored - lowest).astype(np.intp)] = apparent_c
        levels = levels[np.isfinite(levels)]
    else:
        levels = apparent_c[np.unique(np.round(stored, 9), return_index=True)[1]]
    if levels.size < 2:
        return 0.0
    steps = np.abs(np.diff(levels))
    return float(np.min(steps[steps > 0], initial=np.inf)) if np.any(steps > 0) else 0.0


def _noise_k(apparent_c: NDArray[np.float64], camera: Camera, step_k: float, remarks: list[str]) -> float:
    measured = frame_noise(apparent_c)
    # A value rounded to a step is off by a rectangle of that width at most: JCGM 100:2008, F.2.2.1.
    rounding_k = step_k / np.sqrt(12.0)
    if camera.netd_k is None:
        if measured is None:
            remarks.append("the frame is too small or too broken to measure its noise, and the camera file states none")
            return float(max(rounding_k, FALLBACK_NOISE_K))
        return float(max(measured, rounding_k))
    if measured is not None and measured > NOISE_EXCESS * camera.netd_k:
        remarks.append(f"the frame's noise is {measured:.2g} K, more than the {camera.netd_k:g} K of the camera file")
        return float(measured)
    return float(max(camera.netd_k, rounding_k))
