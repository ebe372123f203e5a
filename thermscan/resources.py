"""Data files of the package, found alike in the source tree and in an installed wheel."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from pathlib import Path


@cache
def data_path(*parts: str) -> Path:
    """
    Path of a data file or folder that comes with thermscan.

    Parameters
    ----------
    *parts : str
        Such as ``"calibration", "emissivity.csv"`` or ``"samples", "departure_display"``.

    Raises
    ------
    FileNotFoundError
        The installation is incomplete.

    Examples
    --------
    >>> data_path("calibration").is_dir()
    True
    """
    package = Path(str(files("thermscan")))
    for root in (package / "data", package.parent):
        candidate = root.joinpath(*parts)
        if candidate.exists():
            return candidate
    raise FileNotFoundError(f"{'/'.join(parts)} is not part of this installation")
