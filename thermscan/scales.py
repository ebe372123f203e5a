"""The step between degrees Celsius (``_c``) and absolute temperature (``_abs_k``). Nowhere else."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

# The kelvin and Celsius scales differ by this by definition (SI brochure, 9th edition, 2.3.1).
ZERO_C_ABS_K = 273.15


def abs_k_from_c(temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    Absolute temperature of Celsius readings; NaN stays NaN.

    Examples
    --------
    >>> float(abs_k_from_c(0.0))
    273.15
    """
    return np.asarray(temp_c, dtype=np.float64) + ZERO_C_ABS_K


def c_from_abs_k(temp_abs_k: ArrayLike) -> NDArray[np.float64]:
    """
    Celsius readings of absolute temperatures; NaN stays NaN.

    Examples
    --------
    >>> float(c_from_abs_k(273.15))
    0.0
    """
    return np.asarray(temp_abs_k, dtype=np.float64) - ZERO_C_ABS_K


def read_only(array: ArrayLike, dtype: Any = np.float64) -> NDArray[Any]:
    """
    A copy of an array that cannot be written to, for results that are frozen.

    Examples
    --------
    >>> read_only([1, 2]).flags.writeable
    False
    """
    copy = np.array(array, dtype=dtype)
    copy.flags.writeable = False
    return copy
