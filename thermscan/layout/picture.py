"""Pictures for the page on which a layout is made: a visible photo, or a frame as shades of grey."""

from __future__ import annotations

import base64
from hashlib import sha256
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.photo_file import read_scale
from thermscan.named_file import refuse_irregular

# More than a screen shows even when zoomed in; the page stays a few megabytes.
LONGEST_SIDE_PX = 2600
LARGEST_PHOTO_BYTES = 100_000_000
# What a telephone's finest sensor takes; three bytes each while it is read. Other kinds of file: cli/main.py.
MOST_PHOTO_PIXELS = 120_000_000
JPEG_QUALITY = 88
# The coldest and hottest pixels would take all shades for themselves.
DARKEST_PERCENT, BRIGHTEST_PERCENT = 1.0, 99.7


@dataclass(frozen=True, slots=True)
class PagePicture:
    """
    A picture as the page embeds it.

    Attributes
    ----------
    kind : str
        ``photo`` or ``frame``.
    url : str
        ``data:`` address with the whole picture in it.
    width_px, height_px : int
        As embedded.
    scale : float
        Pixels of the file for one pixel embedded.
    key : str
        Tells this picture from others, for what the browser keeps.
    """

    kind: Literal["photo", "frame"]
    url: str
    width_px: int
    height_px: int
    scale: float
    key: str


def read_photo(path: Path) -> PagePicture:
    """
    A visible photo, upright as its camera says, smaller where it is very large, without the place and date in it.

    Raises
    ------
    InputError
        Missing, or not a picture that can be read.

    Examples
    --------
    >>> read_photo(Path("no-such.jpg"))
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such.jpg: cannot be read (No such file or directory); check the name
    """
    pixels = photo_pixels(path)
    longest = max(pixels.shape[:2])
    scale = max(1.0, longest / LONGEST_SIDE_PX)
    if scale > 1.0:
        size = (round(pixels.shape[1] / scale), round(pixels.shape[0] / scale))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, encoded = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return _page_picture("photo", "image/jpeg", encoded.tobytes(), pixels, scale)


def photo_pixels(path: Path) -> NDArray[np.uint8]:
    """
    The pixels of a visible photo, upright as its camera says; shape (rows, cols, 3), blue first.

    Raises
    ------
    InputError
        Missing, or not a picture that can be read.

    Examples
    --------
    >>> photo_pixels(Path("no-such.jpg"))
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such.jpg: cannot be read (No such file or directory); check the name
    """
    refuse_irregular(path)
    try:
        if path.stat().st_size > LARGEST_PHOTO_BYTES:
            raise InputError("the picture is larger than 100 MB", where=str(path), fix="save it smaller")
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path), fix="check the name") from error
    if (size := read_scale(path)) and size.width_px * size.height_px > MOST_PHOTO_PIXELS:
        what = f"it has {size.width_px} x {size.height_px} pixels; up to {MOST_PHOTO_PIXELS // 10**6} million are read"
        raise InputError(what, where=str(path), fix="save it smaller")
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if data else None
    except cv2.error:
        pixels = None
    if pixels is None:
        raise InputError("not a picture that can be read", where=str(path), fix="give a JPEG or PNG photo, or a frame")
    return np.asarray(pixels, dtype=np.uint8)


def picture_of_frame(values: ArrayLike) -> PagePicture:
    """
    A frame in shades of grey, pixel for pixel, hot is bright; pixels without a value are black.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        In any unit.

    Examples
    --------
    >>> picture_of_frame([[20.0, 30.0], [float("nan"), 40.0]]).width_px
    2
    """
    frame = np.asarray(values, dtype=np.float64)
    seen = frame[np.isfinite(frame)]
    low, high = np.percentile(seen, [DARKEST_PERCENT, BRIGHTEST_PERCENT]) if seen.size else (0.0, 1.0)
    shades = np.clip((frame - low) / max(high - low, 1e-9), 0.0, 1.0)
    pixels = np.round(np.nan_to_num(shades) * 255.0).astype(np.uint8)
    _, encoded = cv2.imencode(".png", pixels)
    return _page_picture("frame", "image/png", encoded.tobytes(), pixels, 1.0)


def _page_picture(
    kind: Literal["photo", "frame"], media_type: str, data: bytes, pixels: NDArray[np.generic], scale: float
) -> PagePicture:
    url = f"data:{media_type};base64,{base64.b64encode(data).decode('ascii')}"
    height, width = pixels.shape[:2]
    return PagePicture(kind, url, width, height, scale, sha256(data).hexdigest()[:16])
