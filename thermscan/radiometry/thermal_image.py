"""Apparent temperatures of one view: what the stages after radiometry work on."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.planck import Band, SpectralResponse
from thermscan.radiometry.sensor import SensorErrors
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ThermalImage:
    """
    Apparent (blackbody-equivalent, emissivity 1) temperatures of one view.

    Attributes
    ----------
    apparent_c : ndarray of shape (rows, cols)
        NaN where the pixel does not count.
    noise_k : float
        Standard deviation of a pixel's temporal noise, after averaging; measured or stated.
    accuracy_k : float
        Standard uncertainty of the offset that all pixels share (camera accuracy).
    band_um : tuple of float
        Spectral band of the camera.
    blur_px : float
        Standard deviation of the optics' and detector's point spread, in pixels.
    u_blur_px : float
        Standard uncertainty of that blur; unless measured, hand-held focus leaves it open to about a third.
    frames : int
        How many frames were averaged.
    remarks : tuple of str
    response : SpectralResponse or None
        The camera's response within the band; None: a rectangle.
    sensor : SensorErrors or None
        How uneven the sensor is; None: not looked at.
    """

    apparent_c: NDArray[np.float64]
    noise_k: float
    accuracy_k: float
    band_um: tuple[float, float]
    blur_px: float
    frames: int = 1
    u_blur_px: float = 0.2
    remarks: tuple[str, ...] = field(default=())
    response: SpectralResponse | None = None
    sensor: SensorErrors | None = None

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "apparent_c", read_only(self.apparent_c))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.apparent_c.shape
        return rows, cols

    @property
    def band(self) -> Band:
        """What the radiance balance integrates over: the response where there is one, else the band."""
        return self.response if self.response is not None else self.band_um

    def __repr__(self) -> str:
        rows, cols = self.shape
        return f"<image: {cols} x {rows} pixels, noise {self.noise_k:.3f} K, frames: {self.frames}>"
