"""Reading TIFF: single pages and stacks, and telling a colour picture or a damaged file from a frame."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.files import unreadable
from thermscan.frames.stored import LEAST_BYTES_A_PIXEL, MAX_FILE_PIXELS, UNQUESTIONED_PIXELS, StoredPages
from thermscan.frames.tiff_page import (
    WHITE_IS_ZERO,
    TiffPage,
    describe_page,
    is_colour,
    marked_as_colour,
    why_no_frame,
)
from thermscan.frames.tiff_pixels import contiguous_planes, is_plain, page_planes
from thermscan.frames.tiff_tags import Bytes, Directory, directory_at, read_directories
from thermscan.frames.times import page_times
from thermscan.frozen import dataclass

_EXPORT = "export the temperature of each pixel as a single-channel TIFF or as CSV"
_COLOUR = "this is a colour picture rather than a radiometric frame"
_SUB_DIRECTORIES = 330
# A page has a preview and a few sizes below it at most.
_MOST_SUB_DIRECTORIES = 16
_NO_DATA_TAG = 42113  # GDAL raster format documentation, GTiff: GDAL_NODATA
# Pages that state units state the same one; the texts of these are looked at.
_PAGES_WITH_TEXTS = 16
# How two widespread scientific programs say that further planes follow the only directory's.
_MOST_AXES = 8
_BYTE_BITS = 8
_STACK = re.compile(r"\AImageJ=.*?^images=(\d+)", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True, slots=True, eq=False)
class TiffFrames:
    """
    The pages of an open TIFF that hold frames, not yet unpacked.

    Attributes
    ----------
    pages : tuple of TiffPage
        All of one size.
    remarks : tuple of str
    no_data : float or None
        The value that the file itself declares to be none.
    planes_in_one : int or None
        So many planes follow one another under the only directory.
    """

    pages: tuple[TiffPage, ...]
    remarks: tuple[str, ...]
    no_data: float | None
    planes_in_one: int | None = None

    @property
    def count(self) -> int:
        """Number of frames."""
        return self.planes_in_one or sum(page.frames for page in self.pages)

    @property
    def texts(self) -> tuple[str, ...]:
        """What is written at the first pages, each text once."""
        return tuple(dict.fromkeys(text for page in self.pages[:_PAGES_WITH_TEXTS] for text in page.texts))

    @property
    def times_s(self) -> tuple[float, ...] | None:
        """Seconds since the first frame, where the file says."""
        return page_times([page.texts for page in self.pages], pages=self.count)

    @property
    def stored_as(self) -> str:
        """The type of the stored numbers, such as ``uint16``."""
        return " and ".join(sorted({str(page.dtype.newbyteorder("=")) for page in self.pages}))

    @property
    def looks_like_colour(self) -> bool:
        """Planes that say they are red, green and blue."""
        return any(marked_as_colour(page) for page in self.pages)

    def of(self, stream: BinaryIO, *, where: str) -> TiffFrames:
        """The same pages, to be unpacked from the file opened anew: what its directories say is not read again."""
        file = Bytes(stream, where=where)
        return replace(self, pages=tuple(replace(page, file=file) for page in self.pages))

    def planes(self, every: int = 1, *, first: int = 0) -> Iterator[NDArray[Any]]:
        """Frames from ``first`` on, all or every so manyth, in the file's own type; only one page at a time is held."""
        number = 0
        for page in self.pages:
            count = self.planes_in_one or page.frames
            if count == 1 and (number < first or (number - first) % every):
                number += 1
                continue
            for plane in page_planes(page) if self.planes_in_one is None else contiguous_planes(page, count):
                if number >= first and (number - first) % every == 0:
                    yield plane
                number += 1


@contextmanager
def open_tiff(path: Path) -> Iterator[TiffFrames]:
    """
    The frames of a TIFF, to be unpacked one at a time while it is open.

    Raises
    ------
    InputError
        As `read_tiff`.
    """
    where = str(path)
    try:
        stream = path.open("rb")
    except OSError as error:
        raise unreadable(path, error) from error
    with stream:
        yield _frames_of(Bytes(stream, where=where), where=where)


def read_tiff(path: Path, *, every: int = 1, stop: int | None = None) -> StoredPages:
    """
    The pages of a TIFF as stored, with the texts that describe them.

    Parameters
    ----------
    path : Path
        TIFF or BigTIFF, strips or tiles, any byte order; plain, LZW, deflate, PackBits, Zstandard or LZMA.
    every, stop : int, optional
        Of a long recording: every so manyth page, and none from that one on.

    Returns
    -------
    StoredPages
        One array a page; planes of a stack held in one page are pages too.

    Raises
    ------
    InputError
        A colour picture, a damaged or cut-short file, more pixels than can be held, or pages of several sizes.
    """
    with open_tiff(path) as tiff:
        count = len(range(0, min(stop or tiff.count, tiff.count), every))
        check_total(tiff, where=str(path), read=count)
        pages = tuple(islice(tiff.planes(every), count))
        if tiff.no_data is not None:
            pages = tuple(_without(page, tiff.no_data) for page in pages)
        return StoredPages(
            pages=pages,
            file_format="TIFF",
            stored_as=tiff.stored_as,
            texts=tiff.texts,
            times_s=None if tiff.times_s is None else tiff.times_s[: stop or tiff.count : every],
            looks_like_colour=tiff.looks_like_colour,
            remarks=tiff.remarks,
        )


def check_total(tiff: TiffFrames, *, where: str, read: int | None = None) -> None:
    """
    Refuse more pixels than can be held, before any is unpacked; ``read`` is how many of its frames will be.

    Raises
    ------
    InputError
        They are too many, or far too many for the bytes of the file.
    """
    first = tiff.pages[0]
    total = first.rows * first.cols * tiff.count
    if first.rows * first.cols * (tiff.count if read is None else read) > MAX_FILE_PIXELS:
        raise InputError(
            f"it claims {total / 1e6:.0f} million pixels over all pages; "
            f"up to {MAX_FILE_PIXELS // 10**6} million are read",
            where=where,
            fix="split the recording, or keep every second frame",
        )
    if total > UNQUESTIONED_PIXELS and first.file.size < LEAST_BYTES_A_PIXEL * total:
        raise InputError(
            f"its {first.file.size} bytes unpack to {total / 1e6:.0f} million pixels, as no camera's frames do; "
            f"beyond {UNQUESTIONED_PIXELS // 10**6} million, a pixel takes {LEAST_BYTES_A_PIXEL} bytes at least",
            where=where,
            fix="it is no recording, or a drawn one: keep fewer frames",
        )


def _frames_of(file: Bytes, *, where: str) -> TiffFrames:
    pages: list[TiffPage] = []
    below: list[Directory] = []
    remarks: list[str] = []
    no_data = None
    for directory in read_directories(file):
        if not pages:
            no_data = _no_data(directory)
        if _SUB_DIRECTORIES in directory:
            below.append(directory)
        pages.append(describe_page(directory))
        if directory.open_ended:
            remarks.append("the file ends before it says whether another page follows")
    # A smaller copy of a page is no frame, unless it is all that there is.
    chosen = [page for page in pages if not page.reduced] or pages
    frames, others = _sorted_out(chosen)
    finer = [page for page in frames if page.bits > _BYTE_BITS]
    if finer and len(finer) < len(frames):
        coarse = [page for page in frames if page.bits <= _BYTE_BITS]
        what = "was left out: whole bytes beside finer numbers are a preview or a mask"
        remarks += [f"{_page(page)} {what}" for page in coarse]
        frames = finer
    if not frames and below:
        # The pages that follow one another may be previews, and the numbers lie in a directory below one of them.
        inner = [page for directory in below for page in _pages_below(directory)]
        frames, _ = _sorted_out([page for page in inner if not page.reduced])
    if not frames:
        raise _no_frame(chosen, where=where)
    sizes = sorted({f"{page.cols} x {page.rows}" for page in frames})
    if len(sizes) > 1:
        what = f"its pages differ in size ({', '.join(sizes[:6])}{', …' if len(sizes) > 6 else ''})"
        raise InputError(what, where=where, fix="give each frame in a file of its own")
    remarks += _said_of(frames, others)
    planes_in_one = _planes_in_one(frames[0]) if len(pages) == 1 else None
    return TiffFrames(tuple(frames), tuple(dict.fromkeys(remarks)), no_data, planes_in_one)


def _sorted_out(pages: Sequence[TiffPage]) -> tuple[list[TiffPage], list[TiffPage]]:
    """Those that may be frames, and the others."""
    frames: list[TiffPage] = []
    others: list[TiffPage] = []
    for page in pages:
        (others if is_colour(page) or why_no_frame(page) else frames).append(page)
    return frames, others


def _pages_below(directory: Directory) -> list[TiffPage]:
    offsets = directory.whole(_SUB_DIRECTORIES)
    found = [] if offsets is None else offsets[:_MOST_SUB_DIRECTORIES].tolist()
    where = f"{directory.where}, the directory below it"
    pages = []
    for offset in found:
        try:
            pages.append(describe_page(directory_at(directory.file, directory.form, offset, where=where)))
        except InputError:
            continue  # what is told is what the pages themselves hold
    return pages


def _no_frame(pages: Sequence[TiffPage], *, where: str) -> InputError:
    reasons = [reason for page in pages if not is_colour(page) and (reason := why_no_frame(page))]
    if not reasons:
        return InputError(_COLOUR, where=where, fix=_EXPORT)
    return InputError(reasons[0], where=where, fix=_EXPORT)


def _said_of(frames: Sequence[TiffPage], others: Sequence[TiffPage]) -> list[str]:
    remarks = [remark for page in frames for remark in page.remarks]
    if any(is_colour(page) for page in others):
        remarks.append("the file also holds a colour picture, which was left out")
    for page in others:
        if not is_colour(page):
            remarks.append(f"{_page(page)} was left out: {why_no_frame(page)}")
    if any(page.turned for page in frames):
        remarks.append("the TIFF asks to be shown turned or mirrored; it is read as stored")
    if any(page.photometric == WHITE_IS_ZERO for page in frames):
        remarks.append("the TIFF asks to be shown with its lowest value white; its values are read as stored")
    return remarks


def _page(page: TiffPage) -> str:
    return page.where.rpartition(", ")[2]


def _planes_in_one(page: TiffPage) -> int | None:
    """How many planes the only page's description claims to follow one another; None where it claims none."""
    if not is_plain(page) or page.frames != 1 or page.samples != 1:
        return None
    for text in page.texts:
        match = _STACK.match(text)
        count = int(match[1][:9]) if match else _shape_claimed(text) // (page.rows * page.cols)
        if count > 1:
            return count
    return None


def _shape_claimed(text: str) -> int:
    """Pixels by the shape that a description states together with the word that only one directory is written."""
    if not text.startswith("{") or '"truncated"' not in text:
        return 0
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return 0
    shape = document.get("shape") if isinstance(document, dict) and document.get("truncated") is True else None
    if not isinstance(shape, list) or len(shape) > _MOST_AXES:
        return 0
    return math.prod(n if type(n) is int and 0 < n <= MAX_FILE_PIXELS else 0 for n in shape)


def _without(page: NDArray[Any], no_data: float) -> NDArray[Any]:
    empty = page == no_data
    return np.where(empty, np.nan, page) if empty.any() else page


def _no_data(directory: Directory) -> float | None:
    """The value that the file itself declares to be none, by the tag that geographic TIFFs use."""
    try:
        return float(directory.text(_NO_DATA_TAG) or "")
    except ValueError:
        return None
