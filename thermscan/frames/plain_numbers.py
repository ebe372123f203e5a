"""Rows of plain decimal numbers, all of one form, read by arithmetic on their bytes: the usual case in a large file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Below this a row is read as quickly cell by cell, and the form of so few says little.
FEWEST_CELLS = 1000
# So many digits, and powers of ten, a float holds exactly (2^53 is above 10^15); the decimal mark is one more.
MOST_DIGITS = 15
MOST_CHARACTERS = MOST_DIGITS + 1
_DIGITS_IN_INT32 = 9
_ZERO, _NINE, _MINUS = ord("0"), 9, ord("-")


def plain_rows(lines: Sequence[str], separator: str, decimal: str) -> dict[int, NDArray[np.float64]]:
    """
    The numbers of those lines that hold nothing but numbers with equally many decimals, each as Python would read it.

    Parameters
    ----------
    lines : sequence of str
    separator, decimal : str
        One character each.

    Returns
    -------
    dict of int to ndarray
        By the line's index; lines of another width than most, or with any cell of another form, are not in it.

    Notes
    -----
    A number of up to 15 digits is a whole number over a power of ten; both are exact in 8 bytes, and IEEE 754 rounds
    their quotient as it would the decimal number itself.

    Examples
    --------
    >>> rows = ["22,50;-3,25;101,75"] * 400
    >>> plain_rows([*rows, "22,5;x;3"], ";", ",")[399].tolist()
    [22.5, -3.25, 101.75]
    """
    counts = np.array([line.count(separator) for line in lines])
    if not len(counts):
        return {}
    width = int(np.bincount(counts).argmax()) + 1
    picked = [int(index) for index in np.flatnonzero(counts == width - 1)]
    if width < 2 or width * len(picked) < FEWEST_CELLS:
        return {}
    text = "\n".join([lines[index] for index in picked])
    if not text.isascii():
        return {}
    raw = np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    # Cells end with a separator or the line's end; the last one with the text.
    ends = np.append(np.flatnonzero((raw == ord(separator)) | (raw == ord("\n"))), raw.size)
    found = _numbers(raw, ends, decimal)
    if found is None:
        return {}
    values, plain = found
    table = values.reshape(len(picked), width)
    whole: NDArray[np.bool_] = np.all(plain.reshape(len(picked), width), axis=1)
    return {index: table[row] for row, index in enumerate(picked) if whole[row]}


def _numbers(
    raw: NDArray[np.uint8], ends: NDArray[np.int64], decimal: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]] | None:
    """The cells as numbers, and which of them are plain; None where hardly one is."""
    starts = np.concatenate([[0], ends[:-1] + 1])
    lengths = ends - starts
    negative = raw[np.minimum(starts, raw.size - 1)] == _MINUS
    lengths = lengths - negative
    longest = int(np.bincount(np.minimum(lengths, MOST_CHARACTERS + 1)).argmax())
    longest = min(max(longest + 2, int(np.percentile(lengths, 99.9))), MOST_CHARACTERS)
    # Where the decimal mark of most cells stands, counted from the end; none for whole numbers.
    sampled = ends[:: max(len(ends) // 64, 1)]
    marks = [int(at) for at in range(1, longest) if (raw[np.maximum(sampled - 1 - at, 0)] == ord(decimal)).mean() > 0.5]
    if len(marks) > 1:
        return None
    decimals = marks[0] if marks else 0
    longest = min(longest, MOST_DIGITS + len(marks))
    plain = (lengths > decimals) & (lengths <= longest)
    whole = np.int32 if longest <= _DIGITS_IN_INT32 else np.int64
    total: NDArray[np.signedinteger[Any]] = np.zeros(len(ends), dtype=whole)
    weight, shortest = 1, int(lengths.min())
    at = ends - 1
    for place in range(longest):
        # Below zero the difference wraps, so that one comparison tells digits from all else.
        digit = raw.take(at, mode="clip") - np.uint8(_ZERO)
        at -= 1
        if marks and place == decimals:
            right = digit == np.uint8((ord(decimal) - _ZERO) % 256)
        else:
            right = digit <= _NINE
            np.multiply(digit, right, out=digit)
            if place >= shortest:
                np.multiply(digit, place < lengths, out=digit)
            np.add(total, np.multiply(digit, whole(weight), dtype=whole), out=total)
            weight *= 10
        plain &= right if place < shortest else right | (place >= lengths)
    if marks:
        plain &= lengths > decimals + 1  # ".5" and "-.5" are left to the reader of single cells
    np.negative(total, out=total, where=negative)
    return total / 10.0**decimals, plain
