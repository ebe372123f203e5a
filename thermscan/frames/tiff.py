"""Reading TIFF: single pages and stacks, and telling a colour picture or a damaged file from a frame."""

from __future__ import annotations

import logging
import math
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.stored import MAX_FILE_PIXELS, MAX_FRAME_PIXELS, StoredPages
from thermscan.frames.times import page_times

# What the TIFF and codec libraries raise on damaged files; codec errors are RuntimeErrors.
_DAMAGE = (
    tifffile.TiffFileError,
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    ImportError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    struct.error,
    TypeError,
    ValueError,
)
_EXPORT = "export the temperature of each pixel as a single-channel TIFF or as CSV"
_AGAIN = "copy or export it again"
_COLOUR = frozenset({"RGB", "PALETTE", "YCBCR", "SEPARATED", "CIELAB", "ICCLAB", "ITULAB"})
_TEXT_TAGS = frozenset({"ImageDescription", "DocumentName", "PageName"})
_FIRST_PRIVATE_TAG = 32768  # TIFF 6.0, section 8: private fields
_NO_COMPRESSION = 1
_UPRIGHT = 1  # TIFF 6.0, section 8: Orientation, row 0 at the top and column 0 at the left
_NO_DATA_TAG = 42113  # GDAL raster format documentation, GTiff: GDAL_NODATA


def read_tiff(path: Path) -> StoredPages:
    """
    The pages of a TIFF as stored, with the texts that describe them.

    Parameters
    ----------
    path : Path
        TIFF or BigTIFF, strips or tiles, any byte order and compression.

    Returns
    -------
    StoredPages
        One array a page; planes of a stack held in one page are pages too.

    Raises
    ------
    InputError
        A colour picture, a damaged or cut-short file, more pixels than can be held, or pages of several sizes.
    """
    where = str(path)
    with _heard_from_tifffile() as complaints:
        try:
            with tifffile.TiffFile(path) as tiff:
                pages = _pages_once(tiff, where=where)
                _check_sizes(pages, where=where)
                _check_complete(tiff, path)
                if complaints:
                    raise InputError(f"the TIFF is damaged ({complaints[0]})", where=where, fix=_AGAIN)
                stored = _pages_of(tiff, where=where)
        except _DAMAGE as error:
            raise InputError(f"the TIFF is damaged ({_brief(error)})", where=where, fix=_AGAIN) from error
    if complaints:
        raise InputError(f"the TIFF is damaged ({complaints[0]})", where=where, fix=_AGAIN)
    return stored


@contextmanager
def _heard_from_tifffile() -> Iterator[list[str]]:
    """Keep the TIFF library's log off the screen; its errors mean that the file is damaged."""
    complaints: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.ERROR:
                complaints.append(_brief(record.getMessage()))

    log = logging.getLogger("tifffile")
    listener, propagate = Listener(), log.propagate
    log.addHandler(listener)
    log.propagate = False
    try:
        yield complaints
    finally:
        log.removeHandler(listener)
        log.propagate = propagate


def _pages_once(tiff: Any, *, where: str) -> list[Any]:
    """The file's pages but for thumbnails; each page points at the next, and a damaged file may lead in a circle."""
    pages, seen = [], set()
    for page in tiff.pages:
        if page.offset in seen:
            raise InputError("its pages lead in a circle", where=where, fix=_AGAIN)
        seen.add(page.offset)
        if not page.is_reduced:
            pages.append(page)
    if not pages:
        raise InputError("the TIFF holds no page", where=where, fix=_AGAIN)
    return pages


def _brief(error: object) -> str:
    # Library messages begin with the object they speak of, in angle brackets.
    words = " ".join(str(error).split())
    words = words.rpartition("> ")[2] or words
    return words[:120] or type(error).__name__


def _check_sizes(pages: list[Any], *, where: str) -> None:
    """Refuse before anything is allocated."""
    total = 0
    for number, page in enumerate(pages, start=1):
        rows, cols = int(page.imagelength), int(page.imagewidth)
        if rows < 1 or cols < 1:
            raise InputError(f"it claims {cols} x {rows} pixels", where=f"{where}, page {number}", fix=_AGAIN)
        depth = max(int(page.imagedepth), 1)
        if rows * cols > MAX_FRAME_PIXELS:
            raise InputError(
                f"it claims {cols} x {rows} pixels; up to {MAX_FRAME_PIXELS // 10**6} million are read",
                where=f"{where}, page {number}",
                fix="it is damaged or no frame; export it again",
            )
        total += rows * cols * depth * max(int(page.samplesperpixel), 1)
    _check_total(total, where=where)


def _check_total(pixels: int, *, where: str) -> None:
    if pixels > MAX_FILE_PIXELS:
        raise InputError(
            f"it claims {pixels / 1e6:.0f} million pixels over all pages; "
            f"up to {MAX_FILE_PIXELS // 10**6} million are read",
            where=where,
            fix="split the recording, or keep every second frame",
        )


def _check_complete(tiff: Any, path: Path) -> None:
    """Bytes that a page points at must lie in the file: the TIFF library gives zeros for those that do not."""
    size = path.stat().st_size
    for number, page in enumerate(tiff.pages, start=1):
        where = f"{path}, page {number}"
        offsets, counts = tuple(page.dataoffsets), tuple(page.databytecounts)
        wanted = math.prod(page.chunked)
        if (
            len(offsets) < wanted
            or len(counts) < wanted
            or any(n <= 0 or at <= 0 for at, n in zip(offsets, counts, strict=False))
        ):
            raise InputError("parts of the picture are missing", where=where, fix=_AGAIN)
        end = max(at + n for at, n in zip(offsets, counts, strict=False))
        needs = page.imagelength * page.imagewidth * page.samplesperpixel * page.bitspersample // 8
        if end > size:
            raise InputError(f"the file is cut short: it has {size} bytes and needs {end}", where=where, fix=_AGAIN)
        if page.compression == _NO_COMPRESSION and sum(counts) < needs:
            raise InputError(f"the page has {sum(counts)} bytes and needs {needs}", where=where, fix=_AGAIN)
    for series in tiff.series:
        start = series.dataoffset
        if start is not None and start + series.nbytes > size:
            raise InputError(
                f"the file is cut short: it has {size} bytes and needs {start + series.nbytes}",
                where=str(path),
                fix=_AGAIN,
            )
        _check_total(math.prod(series.shape), where=str(path))


def _pages_of(tiff: Any, *, where: str) -> StoredPages:
    stacks: list[NDArray[Any]] = []
    remarks: list[str] = []
    colour, doubtful = 0, False
    for series in tiff.series:
        page = series.keyframe
        if page.is_reduced:
            continue
        planes = _planes_first(series, where=where)
        if planes is None:
            colour += 1
            continue
        doubtful = doubtful or page.photometric.name in _COLOUR
        stacks.append(planes)
    if not stacks:
        raise InputError("this is a colour picture rather than a radiometric frame", where=where, fix=_EXPORT)
    if colour:
        remarks.append("the file also holds a colour picture, which was left out")
    shapes = {stack.shape[1:] for stack in stacks}
    if len(shapes) > 1:
        sizes = ", ".join(sorted(f"{cols} x {rows}" for rows, cols in shapes))
        raise InputError(f"its pages differ in size ({sizes})", where=where, fix="give each frame in a file of its own")
    pages = tuple(np.asarray(plane, dtype=np.float64) for stack in stacks for plane in stack)
    empty = _nodata(tiff)
    if empty is not None:
        pages = tuple(np.where(page == empty, np.nan, page) for page in pages)
    if any(_turned(page) for page in tiff.pages):
        remarks.append("the TIFF asks to be shown turned or mirrored; it is read as stored")
    texts = _texts(tiff)
    return StoredPages(
        pages=pages,
        file_format="TIFF",
        stored_as=" and ".join(sorted({str(stack.dtype.name) for stack in stacks})),
        texts=texts,
        times_s=page_times([_texts_of(page) for page in tiff.pages], pages=len(pages)),
        looks_like_colour=doubtful,
        remarks=tuple(remarks),
    )


def _planes_first(series: Any, *, where: str) -> NDArray[Any] | None:
    """A series as (planes, rows, cols); None for a colour picture."""
    page, axes, shape = series.keyframe, str(series.axes), tuple(series.shape)
    kind = np.dtype(series.dtype)
    if kind.kind not in "uif" or page.bitspersample < 8:
        raise InputError(
            f"its pixels are stored as {kind.name} of {page.bitspersample} bits, not as numbers",
            where=where,
            fix=_EXPORT,
        )
    photometric = page.photometric.name
    samples_last = axes.endswith("S") and shape[-1] > 1
    planar_numbers = photometric == "RGB" and not samples_last and page.samplesperpixel > 1 and kind != np.uint8
    # Planes one after the other, marked as red, green and blue, are how some programs save a stack of three
    # frames; whole bytes are a picture all the same.
    if photometric in _COLOUR and not planar_numbers:
        return None
    array = np.asarray(series.asarray())
    if array.shape != shape or array.size == 0:
        raise InputError("parts of the picture are missing", where=where, fix=_AGAIN)
    if samples_last:
        transparency = shape[-1] == 2 and page.extrasamples and page.extrasamples[0] in (1, 2)
        if not transparency:
            raise InputError(
                f"it has {shape[-1]} values a pixel, where a radiometric frame has one", where=where, fix=_EXPORT
            )
        array, axes = array[..., 0], axes[:-1]
    if "Y" not in axes or "X" not in axes:
        raise InputError(f"its axes ({axes}) hold no picture", where=where, fix=_EXPORT)
    array = np.moveaxis(array, (axes.index("Y"), axes.index("X")), (-2, -1))
    return array.reshape(-1, *array.shape[-2:])


def _nodata(tiff: Any) -> float | None:
    """The value that the file itself declares to be none, by the tag that geographic TIFFs use."""
    tag = tiff.pages[0].tags.get(_NO_DATA_TAG)
    try:
        return None if tag is None else float(str(tag.value).strip("\0 "))
    except ValueError:
        return None


def _turned(page: Any) -> bool:
    tag = page.tags.get("Orientation")
    return tag is not None and tag.value != _UPRIGHT


def _texts(tiff: Any) -> tuple[str, ...]:
    found = dict.fromkeys(text for page in tiff.pages for text in _texts_of(page))
    return tuple(found)


def _texts_of(page: Any) -> tuple[str, ...]:
    texts = []
    for tag in page.tags:
        if tag.name in _TEXT_TAGS or (tag.code >= _FIRST_PRIVATE_TAG and isinstance(tag.value, str)):
            value = tag.value
            texts.append(value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value))
        elif tag.name == "DateTime":
            texts.append(f"DateTime: {tag.value}")
    return tuple(texts)
