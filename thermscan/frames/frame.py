"""A frame as a file holds it: values, unit, and where they came from."""

from __future__ import annotations

from dataclasses import field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only


@dataclass(frozen=True, slots=True)
class FrameSource:
    """Where a frame came from, so that the next person can find it again."""

    path: Path
    page: int
    sha256: str
    file_format: str  # "TIFF" or "CSV"
    stored_as: str  # such as "uint16" or "text"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Frame:
    """
    One 2-D radiometric image.

    Attributes
    ----------
    values : ndarray of shape (rows, cols)
        As the file has them, in ``unit``. NaN where the file has no number.
    unit : str
        ``cK dK K C F mK``, or ``counts`` where a camera file must turn them into temperatures.
    unit_source : str
        ``file`` (it says so), ``given`` (the user says so) or ``assumed``.
    source : FrameSource
    time_s : float or None
        Seconds since the recording's first frame, where the file says.
    remarks : tuple of str
        What a reader of the result should know, in sentences.
    """

    values: NDArray[np.float64]
    unit: str
    unit_source: str
    source: FrameSource
    time_s: float | None = None
    remarks: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        values = self.values
        if values.flags.writeable or values.base is not None or values.dtype != np.float64:
            object.__setattr__(self, "values", read_only(values))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.values.shape
        return rows, cols

    def __repr__(self) -> str:
        rows, cols = self.shape
        return f"<frame {self.source.path.name} page {self.source.page}: {cols} x {rows} pixels, {self.unit}>"
