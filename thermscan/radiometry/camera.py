"""A camera as its file describes it: what it sees, how well, and what it had set."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import Fault, InputError
from thermscan.frames.units import COUNTS
from thermscan.frozen import dataclass
from thermscan.layout.fields import read_record, shown
from thermscan.layout.text_file import parse_toml, read_text_file
from thermscan.radiometry.calibration import Calibration
from thermscan.radiometry.camera_fields import (
    DEFAULT_ACCURACY_K,
    DEFAULT_ACCURACY_PERCENT,
    CalibrationRecord,
    CameraRecord,
    LensRecord,
    ShadingRecord,
    toml_value,
)
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band, SpectralResponse
from thermscan.radiometry.shading import Shading, shading_lines


@dataclass(frozen=True, slots=True)
class Lens:
    """
    A pinhole with distortion: where a ray meets the detector.

    Attributes
    ----------
    fx_px, fy_px : float
        Focal length in pixels.
    cx_px, cy_px : float
        Where the optical axis meets the frame.
    k1, k2, k3 : float
        Radial distortion; p1, p2 tangential.

    References
    ----------
    .. [1] D. C. Brown, Photogrammetric Engineering 32 (1966) 444-462.
    """

    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The camera matrix, shape (3, 3)."""
        return np.array([[self.fx_px, 0.0, self.cx_px], [0.0, self.fy_px, self.cy_px], [0.0, 0.0, 1.0]])

    @property
    def coefficients(self) -> NDArray[np.float64]:
        """k1, k2, p1, p2, k3: the order that OpenCV takes."""
        return np.array([self.k1, self.k2, self.p1, self.p2, self.k3])


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Camera:
    """
    One camera.

    Attributes
    ----------
    pixels : tuple of int or None
        Columns and rows; None where the file does not say.
    fov_deg : tuple of float or None
        Full field of view, horizontal and vertical.
    band_um : tuple of float
        Limits of the spectral band.
    response : SpectralResponse or None
        Within the band; None: a rectangle.
    accuracy_k, accuracy_percent : float
        As stated: half-widths, in kelvin and in percent of the reading in Celsius; the larger counts.
    netd_k : float or None
        Standard deviation of a pixel's noise; None: measured from the frame.
    shading_k : float or None
        Standard deviation of the smooth unevenness between the frame's centre and its edge; None: as cameras have it.
    blur_px : float or None
        Standard deviation of the point spread; None: read from the board's edges where they are clear.
    emissivity, reflected_c : float or None
        What the camera had set when it wrote its frames.
    calibration : Calibration or None
        From what it wrote to apparent temperature.
    shading : Shading or None
        What is taken out of its frames: `thermscan.radiometry.shading_fit`.
    """

    name: str
    pixels: tuple[int, int] | None = None
    fov_deg: tuple[float, float] | None = None
    band_um: tuple[float, float] = DEFAULT_BAND_UM
    response: SpectralResponse | None = None
    accuracy_k: float = DEFAULT_ACCURACY_K
    accuracy_percent: float = DEFAULT_ACCURACY_PERCENT
    netd_k: float | None = None
    shading_k: float | None = None
    blur_px: float | None = None
    lens: Lens | None = None
    emissivity: float | None = None
    reflected_c: float | None = None
    calibration: Calibration | None = None
    shading: Shading | None = None
    note: str | None = None
    path: Path | None = field(default=None)

    @property
    def band(self) -> Band:
        """What the radiance balance integrates over: the response where there is one, else the band."""
        return self.response if self.response is not None else self.band_um

    @property
    def reads_counts(self) -> bool:
        """Whether its frames hold counts that only its calibration turns into temperatures."""
        return self.calibration is not None and self.calibration.of == COUNTS

    def accuracy_half_width_k(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """How far the camera may be off at a reading, as it claims."""
        percent_k = self.accuracy_percent / 100 * np.abs(np.asarray(temp_c, dtype=np.float64))
        half_width: NDArray[np.float64] = np.maximum(self.accuracy_k, percent_k)
        return half_width

    def u_accuracy_k(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """
        Standard uncertainty of the offset that all pixels share, at a reading.

        References
        ----------
        .. [1] JCGM 100:2008, 4.3.7: a half-width a, with nothing known within it, gives a / sqrt(3).
        """
        u_k: NDArray[np.float64] = self.accuracy_half_width_k(temp_c) / math.sqrt(3)
        return u_k

    def __repr__(self) -> str:
        return f"<camera {self.name}>"


GENERIC_CAMERA = Camera(name="generic thermal camera, 8-14 um")


def read_camera(path: Path | str | None, *, without_shading: bool = False) -> Camera:
    """
    The camera that a file describes.

    Parameters
    ----------
    path : Path, str or None
        None: `GENERIC_CAMERA`, which claims no more than inexpensive cameras do.
    without_shading : bool
        Leave its shading correction out, for a new one is to be made.

    Returns
    -------
    Camera

    Raises
    ------
    InputError
        The file is missing, is not TOML, or holds an unknown key or a value out of range; all faults at once.

    Examples
    --------
    >>> read_camera(None).band_um
    (8.0, 14.0)
    """
    if path is None:
        return GENERIC_CAMERA
    path = Path(path)
    values = parse_toml(read_text_file(path).text, path)
    faults: list[Fault] = []
    tables = {key: values.pop(key, None) for key in ("lens", "calibration", "shading")}
    if without_shading:
        tables["shading"] = None
    record = read_record(CameraRecord, values, where=_place(path, None), faults=faults)
    parts: dict[str, Any] = {}
    for key, model in (("lens", LensRecord), ("calibration", CalibrationRecord), ("shading", ShadingRecord)):
        table = tables[key]
        if isinstance(table, dict):
            parts[key] = read_record(model, table, where=_place(path, key), faults=faults)
        elif table is not None:
            faults.append(Fault(f"{shown(table)} is not a table", f"{path}, {key}", f"write it below [{key}]"))
    built = {} if record is None else _gather_inner(lambda: _camera_fields(record), _place(path, None), faults)
    if parts.get("lens") is not None:
        built["lens"] = Lens(**parts["lens"].model_dump())
    if parts.get("calibration") is not None:
        calibration = parts["calibration"]
        built |= _gather_inner(
            lambda: {"calibration": Calibration(**calibration.model_dump())}, _place(path, "calibration"), faults
        )
    if parts.get("shading") is not None:
        shading = parts["shading"]
        built |= _gather_inner(lambda: {"shading": Shading(**shading.model_dump())}, _place(path, "shading"), faults)
    if faults:
        raise InputError.from_faults(faults)
    return Camera(**built, path=path)


def write_camera(
    camera: Camera, path: Path, *, overwrite: bool = False, inputs: Iterable[Path | None] = ()
) -> Path | None:
    """
    Write a camera file, whole or not at all.

    Parameters
    ----------
    camera : Camera
    path : Path
    overwrite : bool
        Replace one that is there; it is kept as a backup.
    inputs : iterable of Path
        Files that the command reads: none of them is replaced.

    Returns
    -------
    Path or None
        The backup, if there was something to keep.

    Raises
    ------
    InputError
        The file exists and is not to be overwritten, or cannot be written.
    """
    if path.exists() and not overwrite:
        raise InputError("the file exists", where=str(path), fix="choose another name, or add --force to replace it")
    from thermscan.writing import put_file  # noqa: PLC0415 - reading one writes nothing

    return put_file(path, camera_text(camera).encode("utf-8"), inputs=inputs)


def camera_text(camera: Camera) -> str:
    """
    The TOML of a camera; `read_camera` gives the same camera back.

    Examples
    --------
    >>> print(camera_text(Camera(name="bench camera", netd_k=0.05)).splitlines()[0])
    name = "bench camera"
    """
    lines = [f"name = {toml_value(camera.name)}"]
    for key in ("pixels", "fov_deg", "band_um"):
        if (pair := getattr(camera, key)) is not None:
            lines.append(f"{key} = {toml_value(pair)}")
    if camera.response is not None:
        rows = zip(camera.response.wavelengths_um, camera.response.response, strict=True)
        lines.append(f"response = {toml_value(tuple(rows))}")
    for key in (
        "accuracy_k",
        "accuracy_percent",
        "netd_k",
        "shading_k",
        "blur_px",
        "emissivity",
        "reflected_c",
        "note",
    ):
        if (value := getattr(camera, key)) is not None:
            lines.append(f"{key} = {toml_value(value)}")
    if camera.lens is not None:
        lines += ["", "[lens]"]
        lines += [f"{key} = {toml_value(getattr(camera.lens, key))}" for key in Lens.__slots__]
    if (fit := camera.calibration) is not None:
        lines += ["", "[calibration]", f"model = {toml_value(fit.model)}", f"of = {toml_value(fit.of)}"]
        lines.append(f"parameters = {toml_value(tuple(fit.parameters.tolist()))}")
        if fit.covariance is not None:
            lines.append(f"covariance = {toml_value(tuple(map(tuple, fit.covariance.tolist())))}")
        if fit.range_c is not None:
            lines.append(f"range_c = {toml_value(fit.range_c)}")
    if camera.shading is not None:
        lines += ["", *shading_lines(camera.shading)]
    return "\n".join(lines) + "\n"


def _camera_fields(record: CameraRecord) -> dict[str, Any]:
    """The record's values as `Camera` takes them; a response table sets the band."""
    values = record.model_dump(exclude={"lens", "calibration", "shading"}, exclude_none=True)
    if record.response is not None:
        wavelengths, response = zip(*record.response, strict=True)
        values["response"] = SpectralResponse(wavelengths, response)
        values["band_um"] = values["response"].limits_um
    return values


def _gather_inner(build: Any, where: Any, faults: list[Fault]) -> dict[str, Any]:
    """What ``build`` makes; where it refuses, its faults with the file's name before the key."""
    try:
        result: dict[str, Any] = build()
    except InputError as error:
        faults += [Fault(fault.what, where(fault.where or ""), fault.fix) for fault in error.faults]
        return {}
    return result


def _place(path: Path, table: str | None) -> Any:
    def where(key: str) -> str:
        dotted = ".".join(part for part in (table, key) if part)
        return f"{path}, {dotted}" if dotted else str(path)

    return where
