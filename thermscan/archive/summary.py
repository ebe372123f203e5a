"""What a folder of records is searched by: one record in short, read from its bag."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from thermscan.archive.names import path_in_manifest
from thermscan.archive.sources import READ_ERRORS, BagFiles, open_bag, read_whole
from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.judge.baseline_file import LONGEST_MINUTES, MOST_RISE_K, MOST_WATTS

CONTENTS, MANIFEST = "data/record.json", "manifest-sha512.txt"
LARGEST_RESULTS_BYTES = 200_000_000
# Budget lines of the surface itself: the same part has the same one on every visit.
_OF_THE_SURFACE = "emissivity"


@dataclass(frozen=True, slots=True)
class PartSummary:
    """
    One measured part.

    Attributes
    ----------
    rise_k, u_k : float
        Above ambient; standard uncertainty of that, camera included.
    visit_u_k : float
        What of it is new on every visit to the same board: neither the camera's, nor the surface's.
    """

    ref: str
    rise_k: float
    u_k: float
    visit_u_k: float
    verdict: str


@dataclass(frozen=True, slots=True)
class FindingSummary:
    """One finding."""

    ref: str | None
    rule: str
    level: str
    direction: str
    text: str


@dataclass(frozen=True, slots=True)
class RecordSummary:
    """One record; ``bag`` is its path below the folder of records."""

    bag: str
    board: str
    revision: str | None
    serial: str | None
    taken: str | None
    stage: str | None
    overall: str
    flagged: tuple[str, ...]
    watts: float | None
    minutes_on: float | None
    parts: tuple[PartSummary, ...] = field(default=())
    findings: tuple[FindingSummary, ...] = field(default=())

    @property
    def moment(self) -> float | None:
        """Seconds since 1970; a time without a zone is taken for UTC."""
        return moment_of(self.taken)


def moment_of(taken: str | None) -> float | None:
    """
    Seconds since 1970 of an ISO 8601 time, or None.

    Examples
    --------
    >>> moment_of("1970-01-01T01:00:00+01:00"), moment_of("1970-01-02"), moment_of("May")
    (0.0, 86400.0, None)
    """
    try:
        moment = datetime.fromisoformat(taken) if taken else None
    except ValueError:
        return None
    if moment is None:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def read_summary(folder: Path, bag: str) -> RecordSummary | None:
    """
    A record in short, or None where the bag is no thermscan record.

    What is read is held against the bag's manifest; the rest of the bag is ``record verify``'s business.

    Raises
    ------
    InputError
        It is damaged.
    """
    with open_bag(folder / bag, whole=False) as files:
        if CONTENTS not in files.sizes:
            if files.damage and not files.sizes:
                raise InputError(files.damage[0].what, where=bag, fix="see: thermscan record verify")
            return None
        digests = _digests(files)
        contents = _document(files, CONTENTS, digests, bag)
        results: Mapping[str, Any] = {}
        if contents.get("results"):
            results = _document(files, f"data/{contents['results']}", digests, bag)
        try:
            return _summary(bag, contents, results)
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            what = f"its record.json or results.json lacks what a record has ({error})"
            raise InputError(what, where=bag, fix="see: thermscan record verify") from error


def _digests(files: BagFiles) -> dict[str, str]:
    text = (read_whole(files, MANIFEST) or b"").decode("utf-8", "replace")
    pairs = (line.split(maxsplit=1) for line in text.splitlines())
    return {path_in_manifest(pair[1]): pair[0].lower() for pair in pairs if len(pair) == 2}


def _document(files: BagFiles, name: str, digests: Mapping[str, str], bag: str) -> dict[str, Any]:
    try:
        data = read_whole(files, name, most_bytes=LARGEST_RESULTS_BYTES)
    except READ_ERRORS:
        data = None
    if data is None or hashlib.sha512(data).hexdigest() != digests.get(name):
        raise InputError(f"{name} is not what was packed", where=bag, fix="see: thermscan record verify")
    try:
        document = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name} is not JSON", where=bag) from error
    if not isinstance(document, dict):
        raise InputError(f"{name} is no table", where=bag)
    return document


def _summary(bag: str, contents: Mapping[str, Any], results: Mapping[str, Any]) -> RecordSummary:
    run = results.get("run") or {}
    rails = run.get("supply") or []
    watts = _within(sum(abs(float(rail["volts"]) * float(rail["amps"])) for rail in rails), MOST_WATTS, "its watts")
    minutes_on = run.get("minutes_on")
    return RecordSummary(
        bag=bag,
        board=str(contents["board"]),
        revision=_text(contents.get("revision")),
        serial=_text(contents.get("serial")),
        taken=_text(contents.get("taken")),
        stage=_text(contents.get("stage")),
        overall=str(contents["overall"]),
        flagged=tuple(str(ref) for ref in contents["flagged"]),
        watts=watts if watts > 0 else None,
        minutes_on=None if minutes_on is None else _within(minutes_on, LONGEST_MINUTES, "minutes_on"),
        parts=tuple(_part(row) for row in results.get("parts") or [] if row.get("rise_k") is not None),
        findings=tuple(
            FindingSummary(_text(row["ref"]), *(str(row[key]) for key in ("rule", "level", "direction", "text")))
            for row in results.get("findings") or []
        ),
    )


def _part(row: Mapping[str, Any]) -> PartSummary:
    whole = _within(row["u_c"], MOST_RISE_K, "u_c")
    lines = row.get("budget")
    if lines:
        own = [line["u_k"] for line in lines if line["shared"] is None and _OF_THE_SURFACE not in line["source"]]
        visit = math.sqrt(sum(_within(u, MOST_RISE_K, "u_k") ** 2 for u in own))
    else:
        visit = whole
    rise_k = _within(row["rise_k"], MOST_RISE_K, "rise_k")
    return PartSummary(str(row["ref"]), rise_k, whole, visit, str(row["verdict"]))


def _within(value: Any, most: float, name: str) -> float:
    """A figure that a look can have: what is beyond, or no number, would spoil the trend of all other visits."""
    number = float(value)
    if not abs(number) <= most:
        raise ValueError(f"{name}: {number:g} is beyond {most:g}")
    return number


def _text(value: Any) -> str | None:
    return None if value is None else str(value)
