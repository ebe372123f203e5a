"""How many frames of a run are held at once: of a long recording every so manyth, so that memory stays flat."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from thermscan.errors import InputError
from thermscan.frames.files import TIFF, file_kind
from thermscan.frames.stored import LEAST_BYTES_A_PIXEL
from thermscan.frames.tiff import open_tiff
from thermscan.frozen import dataclass

# A held frame costs about 25 bytes a pixel, so that this is 250 MB: 130 frames of 320 x 240. Their mean has a twelfth
# of a frame's noise, 4 mK of 50: less than any camera's offset, steps and stripes, which stay in any mean.
MOST_HELD_PIXELS = 10_000_000
# Frames that are looked at one after the other, for what a camera does from one to the next.
MOST_OPENING, FEWEST_OPENING = 64, 8
# So many frames are held in any case; and so many files of one frame each, which may be looks from as many sides.
FEWEST_HELD, MOST_SINGLE = 8, 64
# A number of two digits and two decimals or so, in a text that holds one frame.
CHARACTERS = 5


@dataclass(frozen=True, slots=True)
class Thinning:
    """
    Which frames of a run are held.

    Attributes
    ----------
    every : int
        One in so many; 1: all.
    frames : int
        In the run's files together, as far as that was looked at.
    opening : int
        How many of the first file's frames are looked at without a gap, where not all are held.
    """

    every: int = 1
    frames: int = 0
    opening: int = MOST_OPENING

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was left out, and why."""
        if self.every == 1:
            return ()
        return (f"of {self.frames} frames one in {self.every} was averaged: more would not make the mean better",)

    def chosen(self, paths: Sequence[Path], counts: Sequence[int]) -> list[Path]:
        """The files that are read: all that hold several frames, and one in so many of the others."""
        single = [path for path, count in zip(paths, counts, strict=True) if count == 1][:: self.every]
        several = {path for path, count in zip(paths, counts, strict=True) if count != 1}
        kept = several | set(single)
        return [path for path in paths if path in kept]


def thin_out(paths: Sequence[Path], *, size_px: tuple[int, int] | None) -> tuple[Thinning, list[Path]]:
    """
    Which frames of the files are held, and which files that leaves.

    Files that cannot be read are left to their reader, who says what is wrong with them.
    """
    try:
        if sum(path.stat().st_size for path in paths) < LEAST_BYTES_A_PIXEL * MOST_HELD_PIXELS:
            return Thinning(), list(paths)
    except OSError:
        return Thinning(), list(paths)
    counts, pixels = [], 0
    side = 0
    for path in paths:
        count, frame = _size_of(path, size_px=size_px)
        counts.append(count)
        pixels += count * frame
        side = max(side, frame)
    every = min(-(-pixels // MOST_HELD_PIXELS), sum(counts) // FEWEST_HELD)
    if every <= 1 or (max(counts) == 1 and len(counts) <= MOST_SINGLE):
        return Thinning(), list(paths)
    opening = min(max(MOST_HELD_PIXELS // (4 * max(side, 1)), FEWEST_OPENING), MOST_OPENING)
    thinning = Thinning(every, sum(counts), opening)
    return thinning, thinning.chosen(paths, counts)


def _size_of(path: Path, *, size_px: tuple[int, int] | None) -> tuple[int, int]:
    """Frames in a file, and pixels of one."""
    try:
        if file_kind(path) == TIFF:
            with open_tiff(path) as tiff:
                return tiff.count, tiff.pages[0].rows * tiff.pages[0].cols
        from thermscan.frames.text_log import find_text_log  # noqa: PLC0415 - a TIFF loads nothing of this

        log = find_text_log(path, size_px=size_px)
    except (InputError, OSError):
        return 1, 0
    if log is None:
        return 1, path.stat().st_size // CHARACTERS
    return log.count, log.shape[0] * log.shape[1]
