"""
What the judge was given at each look of a board, kept in a file, so that another judge can be put before the same.

A change of `thermscan.judge` or `thermscan.heat` is tried on kept boards in seconds: frames are not read and boards
not placed anew. What stands before the judge (frames, places, measurements) is that of the code that kept the file.
The file is a pickle: a version whose runs, boards or measurements have other fields cannot read it, and refuses it.
"""

from __future__ import annotations

import pickle
import zlib
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from judging_camera import SHAPES

import thermscan.inspection as inspecting
from thermscan.errors import ThermscanError
from thermscan.layout.board import Board, Part
from thermscan.regions.leaning import possible_leaning
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.runs.reading import read_run
from thermscan.runs.run import Run

# Fields of an inspection that judging again does not need.
DROPPED = ("frames", "picture", "views", "judgement", "image")


@dataclass(frozen=True)
class Given:
    """An inspection's fields without its pixels, and what its judge was given; or why there is none."""

    inspection: dict[str, Any]
    positional: tuple[Any, ...]
    named: dict[str, Any]
    refused: ThermscanError | None = None


class FromFiles:
    """Inspections as a user has them; what the judge was given is gathered where it is to be kept."""

    def __init__(self, folder: Path, *, keep: bool = False) -> None:
        self.folder, self.keep = folder, keep
        self.given: dict[tuple[str, bool], Given] = {}
        self._last: tuple[tuple[Any, ...], dict[str, Any]] = ((), {})
        self._judge = inspecting.judge_run
        if keep:
            inspecting.judge_run = self._overheard

    def names(self) -> list[str]:
        """The run files, by name."""
        return sorted(path.stem for path in self.folder.glob("*.toml"))

    def inspect(self, name: str, baseline: Any) -> Any:
        """The inspection of one run file."""
        try:
            found = inspecting.inspect_run(read_run(self.folder / f"{name}.toml", overrides={}), baseline=baseline)
        except ThermscanError as error:
            self.given[name, baseline is not None] = Given({}, (), {}, refused=error)
            raise
        if self.keep:
            named = {key: value for key, value in self._last[1].items() if key != "baseline"}
            self.given[name, baseline is not None] = Given(_without_pixels(found), self._last[0], named)
        return found

    def write(self, path: Path, truth: dict[str, Any]) -> None:
        """Keep what the judge was given, with the truth beside it."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(zlib.compress(pickle.dumps((_fields(), self.names(), truth, self.given)), 1))

    def _overheard(self, *positional: Any, **named: Any) -> Any:
        self._last = (positional, named)
        return self._judge(*positional, **named)


class FromSeen:
    """The same inspections, judged again by the code on the path."""

    def __init__(self, path: Path) -> None:
        kept, self._names, self.truth, self.given = pickle.loads(zlib.decompress(path.read_bytes()))
        if kept != _fields():
            raise ValueError(f"{path}: its looks were kept by a version with other fields")

    def names(self) -> list[str]:
        """The run files, by name."""
        return list(self._names)

    def inspect(self, name: str, baseline: Any) -> Any:
        """The inspection of one run file, with the verdicts of today."""
        given = self.given[name, baseline is not None]
        if given.refused is not None:
            raise given.refused
        judgement = inspecting.judge_run(*given.positional, **self._with_leaning(given), baseline=baseline)
        return inspecting.Inspection(**given.inspection, image=None, judgement=judgement)

    def _with_leaning(self, given: Given) -> dict[str, Any]:
        """What else the judge is given; what may hide a part is told anew, from place and heights."""
        if given.named.get("leaning") is None:
            return given.named
        (shape,) = (shape for shape in SHAPES if shape[1] == self.truth["cols"])
        told = possible_leaning(given.positional[2], given.named["registration"], shape=shape)
        return {**given.named, "leaning": told}


def _fields() -> list[list[str]]:
    """What a pickle goes by: the fields of the results in it, in their order."""
    return [
        [each.name for each in fields(kind)] for kind in (Run, Board, Part, PartMeasurement, Rectified, Registration)
    ]


def _without_pixels(inspection: Any) -> dict[str, Any]:
    """Frames keep their digests; pictures, views and the verdicts are dropped."""
    frames = tuple(replace(frame, values=np.zeros((1, 1))) for frame in inspection.frames)
    kept = {each.name: getattr(inspection, each.name) for each in fields(inspection)}
    return {name: value for name, value in kept.items() if name not in DROPPED} | {"frames": frames}
