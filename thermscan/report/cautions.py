"""The usual cautions, as each report and the terminal carry them."""

from __future__ import annotations

# Their keys in the report's texts.
CAUTIONS = ("mains", "charge", "hot", "surface", "solvent", "clear")

CAUTION_LINE = (
    "Caution: a thermal image sees only surfaces and proves nothing about electrical safety; "
    "mains, high voltage, charged capacitors, picture tubes, hot parts and solvents stay dangerous."
)
