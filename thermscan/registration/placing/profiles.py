"""Profiles of the frame across places on edges."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def profiles_across(
    apparent: NDArray[np.float32], at: FloatArray, normals: FloatArray, tangents: FloatArray, along: FloatArray
) -> FloatArray:
    """Mean of three side by side across each place; shape (n, len(along)); NaN where the frame has nothing."""
    side = np.array([-0.8, 0.0, 0.8])
    spots = (
        at[:, None, None, :]
        + along[None, None, :, None] * normals[:, None, None, :]
        + side[None, :, None, None] * tangents[:, None, None, :]
    ).astype(np.float32)
    flat = spots.reshape(len(at) * 3, len(along), 2)
    # remap takes fewer than 32768 rows at once.
    pieces = [
        cv2.remap(
            apparent,
            flat[first : first + 30000, :, 0],
            flat[first : first + 30000, :, 1],
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
        for first in range(0, len(flat), 30000)
    ]
    result: FloatArray = np.vstack(pieces).reshape(len(at), 3, len(along)).mean(axis=1).astype(np.float64)
    return result
