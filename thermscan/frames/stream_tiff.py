"""A stack of TIFF pages, one page at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.clock import Written, time_in_text
from thermscan.frames.files import unreadable
from thermscan.frames.tiff import TiffFrames, open_tiff
from thermscan.frames.times import page_times
from thermscan.frozen import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class TiffStack:
    """
    A TIFF of many frames, understood but not yet read.

    Attributes
    ----------
    tiff : TiffFrames
        What its directories say, of which a long recording has thousands; the file is not kept open.
    remarks : tuple of str
    """

    path: Path
    shape: tuple[int, int]
    tiff: TiffFrames
    times: tuple[Written | None, ...]
    texts: tuple[str, ...]
    remarks: tuple[str, ...] = ()

    @property
    def count(self) -> int:
        """How many planes there are."""
        return self.tiff.count

    @property
    def stored_as(self) -> str:
        """The type of the stored numbers, such as ``uint16``."""
        return self.tiff.stored_as

    def frames(self, first: int = 0) -> Iterator[NDArray[Any]]:
        """
        The planes as stored, in the file's order, from the one numbered ``first`` on.

        Raises
        ------
        InputError
            A page is damaged; it names the page.
        """
        where = str(self.path)
        try:
            stream = self.path.open("rb")
        except OSError as error:
            raise unreadable(self.path, error) from error
        with stream:
            yield from self.tiff.of(stream, where=where).planes(first=first)


def find_tiff_stack(path: Path) -> TiffStack | None:
    """A TIFF of two or more plain planes; None for any other, which is left to the reader of whole files."""
    try:
        with open_tiff(path) as tiff:
            if tiff.count < 2 or tiff.no_data is not None or tiff.looks_like_colour:
                return None
            first = tiff.pages[0]
            shape = (first.rows, first.cols)
            return TiffStack(path, shape, tiff, _times(tiff), tiff.texts, tiff.remarks)
    except InputError:
        return None


def _times(tiff: TiffFrames) -> tuple[Written | None, ...]:
    texts = [page.texts for page in tiff.pages]
    listed = page_times(texts[:1], pages=tiff.count)
    if listed is not None:
        return tuple(Written(each, False) for each in listed)
    if len(texts) != tiff.count or time_written(texts[0]) is None:
        return (None,) * tiff.count
    return tuple(time_written(each) for each in texts)


def time_written(texts: tuple[str, ...]) -> Written | None:
    """The first time that any of a page's texts states."""
    return next((found for text in texts if (found := time_in_text(text)) is not None), None)
