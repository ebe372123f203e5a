"""Text from files and names, made visible before it reaches a terminal: what moves its cursor must not pass as text."""

from __future__ import annotations

import re
import unicodedata

# A name longer than this helps nobody in a message.
LONGEST_SHOWN = 200
_NOT_PLAIN = re.compile(r"[^\n\t\x20-\x7e]")
# Control, format and surrogate characters, separators of lines and paragraphs (Unicode general categories).
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def visible(text: str) -> str:
    """
    Text with all that has no glyph of its own written as its number; line breaks and tabs stay.

    That is control characters, marks for the direction of writing, zero-width characters and halves of characters. The
    form is that of JSON, in whose strings it means the same character.

    Examples
    --------
    >>> print(visible("U1\\x1b[31m\\u202e"))
    U1\\u001b[31m\\u202e
    """
    return _NOT_PLAIN.sub(_written, text)


def brief(text: str, longest: int = LONGEST_SHOWN) -> str:
    """
    Text as a message quotes it: on one line, and not longer than helps.

    Examples
    --------
    >>> brief("minutes\\non"), brief("k" * 400_000, 8)
    ('minutes on', 'kkkkkkkk…')
    """
    start = " ".join(text[: 4 * longest].split())
    return start if len(start) <= longest and len(text) <= 4 * longest else f"{start[:longest]}…"


def _written(match: re.Match[str]) -> str:
    letter = match[0]
    if unicodedata.category(letter) not in _UNSEEN:
        return letter
    code = ord(letter)
    if code <= 0xFFFF:
        return f"\\u{code:04x}"
    high, low = divmod(code - 0x10000, 0x400)
    return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"
