"""What may speak against a frame: declared once, read by messages, report and JSON."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class QualityRemark:
    """
    A code for programs, a sentence for people, and what to do.

    Examples
    --------
    >>> print(DEAD_PIXELS.about(count=2))
    dead pixels, each repaired from its neighbours: 2; mask them in the camera if it can, and keep small parts off them
    """

    code: str
    sentence: str
    remedy: str

    def about(self, **seen: float | str) -> QualityRemark:
        """The remark with what was seen filled into its sentence."""
        return replace(self, sentence=self.sentence.format(**seen))

    def __str__(self) -> str:
        return f"{self.sentence}; {self.remedy}"


DEAD_PIXELS = QualityRemark(
    "dead-pixels",
    "dead pixels, each repaired from its neighbours: {count}",
    "mask them in the camera if it can, and keep small parts off them",
)
EIGHT_BIT = QualityRemark(
    "eight-bit",
    "only {levels} different values, in steps of {step_k:.2g} K: this is eight-bit data in radiometric dress",
    "save the camera's full-resolution temperatures",
)
COARSE_STEPS = QualityRemark(
    "coarse-steps",
    "its values come in steps of {step_k:.2g} K, coarser than the camera's noise",
    "save the temperatures with two decimals, or in cK",
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
    "in {unit} most of the view lies between {low_c:.1f} and {high_c:.1f} °C, which is unlikely for a bench",
    "check the unit, or the ambient temperature",
)
