"""
Errors that a person reads, one line each.

::

    ThermscanError          what was wrong, where, what to do
    ├── InputError          bad input or usage               exit status 2
    └── CannotJudge         the input is sound, but an       exit status 3
                            answer cannot be had from it
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from thermscan.frozen import dataclass
from thermscan.visible import brief

# So much of a fault is told: more, such as a name of thousands of letters, is read by nobody.
LONGEST_LINE = 1000
# No key is nearly as long; likeness is found in a time that grows with the square of the length.
LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class Fault:
    """
    One thing that is wrong: what, where and what to do.

    Examples
    --------
    >>> print(Fault("the file is empty", where="idle.tiff", fix="record it again"))
    idle.tiff: the file is empty; record it again
    """

    what: str
    where: str | None = None
    fix: str | None = None

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        remedy = f"; {self.fix}" if self.fix else ""
        return brief(f"{place}{self.what}{remedy}", LONGEST_LINE)


class ThermscanError(Exception):
    """
    One or more faults, each of which prints as one line.

    Parameters
    ----------
    what : str
        What was wrong, with the value seen and what is allowed.
    where : str, optional
        File, with row, key or page.
    fix : str, optional
        What to do about it.
    """

    exit_status = 3

    def __init__(self, what: str, *, where: str | None = None, fix: str | None = None) -> None:
        self.faults: tuple[Fault, ...] = (Fault(what, where, fix),)
        super().__init__(str(self.faults[0]))

    @classmethod
    def from_faults(cls, faults: Iterable[Fault]) -> ThermscanError:
        """
        One error that carries several faults.

        Examples
        --------
        >>> error = InputError.from_faults([Fault("no ref"), Fault("no body")])
        >>> error.lines()
        ('no ref', 'no body')
        """
        found = tuple(faults)
        error = cls(found[0].what, where=found[0].where, fix=found[0].fix)
        error.faults = found
        error.args = ("\n".join(str(fault) for fault in found),)
        return error

    def lines(self) -> tuple[str, ...]:
        """One line of text for each fault."""
        return tuple(str(fault) for fault in self.faults)


class InputError(ThermscanError):
    """Something that the user gave is wrong."""

    exit_status = 2


class CannotJudge(ThermscanError):  # noqa: N818 - it is not a fault of anything
    """The input is sound, but no answer can be had from it."""

    exit_status = 3


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """
    The known name most like a given one, or None where none is near.

    Examples
    --------
    >>> nearest_name("minutes_om", ["minutes_on", "stage"])
    'minutes_on'
    """
    if len(name) > LONGEST_NAME:
        return None
    by_lower = {item.lower(): item for item in known}
    close = get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None
