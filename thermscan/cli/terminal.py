"""What the command prints, on its way to standard output and standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO

from thermscan.visible import visible


class VisibleStream:
    """
    A text stream that lets nothing through which a terminal would obey; all else is the stream's own.

    ``unfiltered`` is the stream itself, for a progress bar that moves the cursor on purpose.
    """

    def __init__(self, stream: TextIO) -> None:
        self.unfiltered = stream

    def write(self, text: str) -> int:
        """Write what can be seen of a text."""
        self.unfiltered.write(visible(text))
        return len(text)

    def writelines(self, lines: Any) -> None:
        """Write what can be seen of some lines."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.unfiltered, name)

    def __iter__(self) -> Iterator[str]:
        return iter(self.unfiltered)


@contextmanager
def visible_streams() -> Iterator[None]:
    """Standard output and standard error show text from files as it is, while the command runs."""
    out, err = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (stream and VisibleStream(stream) for stream in (out, err))
    try:
        yield
    finally:
        sys.stdout, sys.stderr = out, err
