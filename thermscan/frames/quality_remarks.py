"""What may speak against a frame: declared once, read by messages, report and JSON."""

from __future__ import annotations

from dataclasses import replace

from thermscan.frozen import dataclass


@dataclass(frozen=True, slots=True)
class QualityRemark:
    """
    A code for programs, a sentence for people, and what to do.

    Examples
    --------
    >>> print(NOISY.about(noise_k=0.5))
    a pixel's noise is 0.50 K, several times what a camera should have; let the camera settle, or average more frames
    """

    code: str
    sentence: str
    remedy: str

    def about(self, **seen: float | str) -> QualityRemark:
        """The remark with what was seen filled into its sentence."""
        return replace(self, sentence=self.sentence.format(**seen))

    def __str__(self) -> str:
        return f"{self.sentence}; {self.remedy}"


MANY_BAD = QualityRemark(
    "many-bad-pixels",
    "{percent:.1f} % of the pixels hold no temperature",
    "export the frame again, without masks or overlays",
)
DEAD_PIXELS = QualityRemark(
    "dead-pixels",
    "dead pixels, each repaired from its neighbours: {count}",
    "refresh the camera's own bad-pixel list if it has one",
)
FLICKERING_PIXELS = QualityRemark(
    "flickering-pixels",
    "flickering pixels, each repaired from its neighbours: {count}",
    "refresh the camera's own bad-pixel list if it has one",
)
SOFT_EDGES = QualityRemark(
    "soft-edges",
    "no edge in the view is sharper than {blur_px:.1f} pixels: it is out of focus, unless nothing in it has an edge",
    "focus on the board's edge, or move to where the lens is sharp",
)
NO_DETAIL = QualityRemark(
    "no-detail",
    "every pixel holds the same value, as with the shutter or the lens cap closed",
    "take the frame again",
)
EIGHT_BIT = QualityRemark(
    "eight-bit",
    "its {levels} different values are the levels of eight-bit data, {step:.2g} apart",
    "save the camera's full-resolution temperatures, not a picture of them",
)
COARSE_STEPS = QualityRemark(
    "coarse-steps",
    "its values come in steps of {step_k:.2g} K, coarser than any camera's noise",
    "save the temperatures with two decimals, or in cK",
)
NOISY = QualityRemark(
    "noisy",
    "a pixel's noise is {noise_k:.2f} K, several times what a camera should have",
    "let the camera settle, or average more frames",
)
STRIPES = QualityRemark(
    "stripes",
    "each {direction} has an offset of its own, {size_k:.2f} K in usual size, more than a pixel's noise",
    "close the camera's shutter once (a recalibration) before the frame is taken",
)
SATURATED_HOT = QualityRemark(
    "saturated-hot",
    "{count} pixels stand at the top of the range ({end_c:.1f} °C): they may be hotter",
    "choose the camera's higher range",
)
SATURATED_COLD = QualityRemark(
    "saturated-cold",
    "{count} pixels stand at the bottom of the range ({end_c:.1f} °C): they may be colder",
    "choose the camera's lower range",
)
UNLIKELY_UNIT = QualityRemark(
    "unlikely-unit",
    "in {unit} most of the view lies between {low_c:.1f} and {high_c:.1f} °C, which is unlikely for a bench{hint}",
    "check the unit, and the ambient temperature",
)
REPEATED_FRAMES = QualityRemark(
    "repeated-frames",
    "{count} of {frames} frames repeat the one before to the last digit, as while a shutter is closed",
    "leave them out: they are no new evidence",
)
AVERAGED_BY_CAMERA = QualityRemark(
    "averaged-by-camera",
    "each frame repeats {percent:.0f} % of the noise of the one before: the camera averages over time",
    "switch its noise reduction off, or take the noise for larger than it looks",
)
