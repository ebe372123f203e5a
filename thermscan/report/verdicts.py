"""How a verdict looks: a word, a shape and a colour, so that no reader depends on the colour."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from thermscan.frozen import dataclass
from thermscan.judge.finding import Overall, PartVerdict, Verdict


@dataclass(frozen=True, slots=True)
class Mark:
    """
    The look of one verdict.

    Attributes
    ----------
    word : str
        As in results.json.
    letter : str
        Cut out of the shape, so that hot and cold are told in grey and by the colour-blind; may be empty.
    shape : str
        The shape's name: square, disc, lozenge, ring or cross.
    colour : str
        Hexadecimal.
    """

    word: str
    letter: str
    shape: str
    colour: str


# Colours from M. Okabe and K. Ito, "Color Universal Design" (2008), which keep apart for most colour-blind readers.
VERDICT_MARKS: Mapping[Verdict, Mark] = MappingProxyType(
    {
        "hot": Mark("hot", "H", "square", "#D55E00"),
        "cold": Mark("cold", "C", "disc", "#0072B2"),
        "watch": Mark("watch", "W", "lozenge", "#E69F00"),
        "normal": Mark("normal", "", "disc", "#009E73"),
        "not-measurable": Mark("not-measurable", "", "cross", "#7A7A7A"),
    }
)

# A part's verdict as a reader is told it: 'normal' is said of no part that nothing was held against.
TOLD_MARKS: Mapping[str, Mark] = MappingProxyType(
    {**dict[str, Mark](VERDICT_MARKS.items()), "not-compared": Mark("not-compared", "", "ring", "#7A7A7A")}
)


def told_as(verdict: PartVerdict) -> str:
    """
    The key of a part's verdict in `TOLD_MARKS`, which is also that of its word.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> told_as(SimpleNamespace(verdict="normal", compared_by=())), told_as(SimpleNamespace(verdict="hot"))
    ('not-compared', 'hot')
    """
    return "not-compared" if verdict.verdict == "normal" and not verdict.compared_by else verdict.verdict


OVERALL_MARKS: Mapping[Overall, Mark] = MappingProxyType(
    {
        "act": Mark("act", "A", "square", "#D55E00"),
        "watch": Mark("watch", "W", "lozenge", "#E69F00"),
        "clear": Mark("clear", "", "disc", "#009E73"),
        "undecided": Mark("undecided", "", "cross", "#7A7A7A"),
    }
)

# What each overall verdict means, in a sentence; none of them promises anything beyond what was seen.
OVERALL_SENTENCES: Mapping[Overall, str] = MappingProxyType(
    {
        "act": "Something was found that calls for action before going on.",
        "watch": "Something was found that is worth watching; it is not sure enough, or not large enough, to act on.",
        "clear": "Nothing was found beyond the stated uncertainty among the parts that could be measured and compared.",
        "undecided": "Too little could be measured or compared to tell.",
    }
)
