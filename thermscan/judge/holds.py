"""Why a comparison can carry no more than a watch: declared once, steered by its code, told by its sentence."""

from __future__ import annotations

from enum import Enum

from thermscan.frozen import dataclass


class HoldCode(Enum):
    """What holds a comparison back."""

    DIVIDED = "divided"
    PROPOSED = "proposed"
    NO_SPLIT = "no-split"
    NOT_ITS_OWN = "not-its-own"
    OPPOSED = "opposed"
    NOT_EQUALLY_WARM = "not-equally-warm"
    ALIKE_IN_SIZE = "alike-in-size"
    MAY_BE_HIDDEN = "may-be-hidden"
    MAY_BE_ANOTHER = "may-be-another"
    MAY_BE_BENCH = "may-be-bench"
    FAMILY_GUESSED = "family-guessed"
    LITTLE_HEAT = "little-heat"


@dataclass(frozen=True, slots=True)
class Hold:
    """A code for the code, and a clause for people that follows 'since'."""

    code: HoldCode
    sentence: str

    def __str__(self) -> str:
        return self.sentence


DIVIDED = Hold(HoldCode.DIVIDED, "the group falls into two camps, and which of them is right cannot be told")
PROPOSED = Hold(HoldCode.PROPOSED, "these parts are not declared as a group, only alike in kind and package")
NO_SPLIT = Hold(HoldCode.NO_SPLIT, "a hotter part is near, and own heat could not be told from received heat")
NOT_ITS_OWN = Hold(
    HoldCode.NOT_ITS_OWN, "its neighbours explain most of its rise, and those of its peers more than theirs"
)
OPPOSED = Hold(HoldCode.OPPOSED, "its temperature differs the other way")
ALIKE_IN_SIZE = Hold(
    HoldCode.ALIKE_IN_SIZE, "they are alike in size only: what they are, and whether they work alike, is not known"
)
