"""Frames made for the tests of this room."""

from pathlib import Path

from thermscan.frames.frame import Frame, FrameSource


def frame_of(values, unit="C"):
    return Frame(values, unit, "given", FrameSource(Path("made.tiff"), 0, "0" * 64, "TIFF", "float64"))
