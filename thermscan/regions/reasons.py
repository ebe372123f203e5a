"""Why a part was not measured: declared once, read by messages, report and JSON."""

from __future__ import annotations

from thermscan.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """A code for programs, a sentence for people, and what to do."""

    code: str
    sentence: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.sentence}; {self.remedy}"


OUT_OF_FRAME = Reason(
    "out-of-frame",
    "the part lies outside the frame",
    "take the frame again with the whole part in view",
)
TOO_FEW_PIXELS = Reason(
    "too-few-pixels",
    "fewer than 3 x 3 camera pixels fall on the inner body, so the reading blends with its surroundings",
    "move closer or use a closer-focusing lens",
)
METAL = Reason(
    "low-emissivity",
    "the surface's emissivity is below 0.5, so the reading is mostly a reflection",
    "stick a patch of matt tape on the part and set its surface to tape",
)
BAD_PIXELS = Reason(
    "bad-pixels",
    "too many of the part's pixels have no valid reading",
    "check the file, or the camera's dead pixels",
)
UNPHYSICAL = Reason(
    "reflection-exceeds-reading",
    "the stated reflected temperature accounts for more radiance than was read",
    "check reflected_c and the part's surface",
)
HIDDEN = Reason(
    "hidden",
    "a taller part beside it hides it in this view",
    "take the frame again from nearer the normal, or from the other side",
)
COVERED = Reason(
    "covered",
    "something lies over the part in this view",
    "take the frame again without it",
)
VIEWS_DISAGREE = Reason(
    "views-disagree",
    "it reads differently from different sides: in one of the views it mirrors something or is covered",
    "take one more view, from a third side",
)
PLACE_UNCERTAIN = Reason(
    "place-uncertain",
    "the place of the part in the view is too uncertain for its size",
    "state its height_mm in the layout, or take the frame from nearer the normal",
)
TOO_OBLIQUE = Reason(
    "too-oblique",
    "the part is seen more than 60 degrees from its normal, where emissivity drops",
    "take the frame again from nearer the normal",
)
