"""A stack of TIFF pages, one page at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.clock import Written, time_in_text
from thermscan.frames.times import page_times

_AGAIN = "copy or export it again"
_GREY = frozenset({"MINISBLACK", "MINISWHITE"})
_TEXT_TAGS = ("ImageDescription", "DateTime", "PageName", "DocumentName")
_DAMAGE = (tifffile.TiffFileError, OSError, ValueError, RuntimeError, IndexError, KeyError, TypeError, EOFError)


@dataclass(frozen=True, slots=True, eq=False)
class TiffStack:
    """
    A TIFF of many frames, understood but not yet read.

    Attributes
    ----------
    flat : bool
        The planes follow one another behind a single page's header, as some programs save stacks.
    """

    path: Path
    shape: tuple[int, int]
    count: int
    stored_as: str
    times: tuple[Written | None, ...]
    texts: tuple[str, ...]
    flat: bool = False

    def frames(self) -> Iterator[NDArray[Any]]:
        """
        The planes as stored, in the file's order.

        Raises
        ------
        InputError
            A page is damaged or of another size; it names the page.
        """
        number = 0
        try:
            with tifffile.TiffFile(self.path) as tiff:
                for number, plane in enumerate(self._planes(tiff)):
                    if plane.shape != self.shape:
                        rows, cols = plane.shape[-2:]
                        size = f"{cols} x {rows} pixels, the first has {self.shape[1]} x {self.shape[0]}"
                        raise InputError(f"it has {size}", where=f"{self.path}, page {number}", fix=_AGAIN)
                    yield plane
        except _DAMAGE as error:
            where = f"{self.path}, page {number + 1}"
            raise InputError("the recording is cut short or damaged here", where=where, fix=_AGAIN) from error

    def _planes(self, tiff: Any) -> Iterator[NDArray[Any]]:
        if not self.flat:
            size = self.path.stat().st_size
            for page in tiff.pages:
                # The TIFF library gives zeros for bytes that are not there.
                if any(at + n > size for at, n in zip(page.dataoffsets, page.databytecounts, strict=False)):
                    raise EOFError
                yield page.asarray()
            return
        kind = np.dtype(tiff.byteorder + np.dtype(self.stored_as).char)
        pixels = self.shape[0] * self.shape[1]
        with self.path.open("rb") as stream:
            stream.seek(int(tiff.series[0].dataoffset))
            for _ in range(self.count):
                raw = stream.read(pixels * kind.itemsize)
                if len(raw) < pixels * kind.itemsize:
                    raise EOFError
                yield np.frombuffer(raw, kind).reshape(self.shape)


def find_tiff_stack(path: Path) -> TiffStack | None:
    """A TIFF of two or more plain grey planes; None for any other, which is left to the reader of whole files."""
    try:
        with tifffile.TiffFile(path) as tiff:
            first: Any = tiff.pages[0]
            last: Any = tiff.pages[len(tiff.pages) - 1]
            plain = first.photometric.name in _GREY and first.samplesperpixel == 1 and first.imagedepth == 1
            kind = np.dtype(first.dtype) if first.dtype is not None else np.dtype("V")
            if not plain or kind.kind not in "uif" or any(tag.name == "GDAL_NODATA" for tag in first.tags):
                return None
            shape = (int(first.imagelength), int(first.imagewidth))
            count, flat = len(tiff.pages), False
            if count == 1:
                series = tiff.series[0]
                count = int(np.prod(series.shape[:-2]))
                flat = True
                if count < 2 or series.dataoffset is None or tuple(series.shape[-2:]) != shape:
                    return None
            times, texts = _times(tiff, count, flat=flat)
            if first.is_reduced or last.is_reduced:
                return None
    except _DAMAGE:
        return None
    return TiffStack(path, shape, count, kind.name, times, texts, flat)


def _times(tiff: Any, count: int, *, flat: bool) -> tuple[tuple[Written | None, ...], tuple[str, ...]]:
    first = texts_of(tiff.pages[0])
    listed = page_times([first], pages=count)
    if listed is not None:
        return tuple(Written(each, False) for each in listed), first
    if flat or _written_in(first) is None:
        return (None,) * count, first
    return tuple(_written_in(texts_of(page)) for page in tiff.pages), first


def _written_in(texts: tuple[str, ...]) -> Written | None:
    return next((found for text in texts if (found := time_in_text(text)) is not None), None)


def texts_of(page: Any) -> tuple[str, ...]:
    """What is written at a page."""
    found = []
    for name in _TEXT_TAGS:
        tag = page.tags.get(name)
        if tag is not None:
            text = tag.value.decode("utf-8", "replace") if isinstance(tag.value, bytes) else str(tag.value)
            found.append(f"DateTime: {text}" if name == "DateTime" else text)
    return tuple(found)
