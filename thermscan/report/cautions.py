"""The usual cautions, as each report and the terminal carry them."""

from __future__ import annotations

CAUTIONS = (
    "Mains and high-voltage sections can kill. Follow the local codes and leave mains work to licensed people.",
    "Charged capacitors and picture tubes stay dangerous long after the power is off. "
    "Have them discharged, and measure that they are, before touching anything.",
    "Hot parts burn. Let the board cool before touching it.",
    "A thermal image sees only surfaces. It shows nothing of what lies under them "
    "and proves nothing about electrical safety.",
    "Cleaning solvents burn, and so do their vapours. Air the room, and power the board only when it is dry.",
    "'Normal' and 'clear' say that nothing stood out beyond the stated uncertainty, not that nothing is wrong.",
)

CAUTION_LINE = (
    "Caution: a thermal image sees only surfaces and proves nothing about electrical safety; "
    "mains, high voltage, charged capacitors, picture tubes, hot parts and solvents stay dangerous."
)
