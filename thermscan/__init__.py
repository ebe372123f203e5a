"""
Which part of a circuit board runs hotter or colder than it should, by how much, how sure, and why?

The names below are all that a notebook needs; each is imported when it is first used. What they say is in
their own documentation: ``help(thermscan.inspect_run)``.

Examples
--------
The sample job, as ``thermscan demo`` writes it:

>>> import thermscan
>>> from thermscan.resources import data_path
>>> run = thermscan.read_run(data_path("samples", "departure_display", "shorted-latch.toml"))
>>> run
<run shorted-latch.toml: shorted-latch.tiff, ambient 22 °C>
>>> inspection = thermscan.inspect_run(run)
>>> inspection
<inspection of departure display controller: act, 1 findings>
>>> inspection["U15"].verdict.verdict
'hot'
>>> [finding.rule for finding in inspection["U15"].findings]
['peer']
>>> inspection["U155"]
Traceback (most recent call last):
KeyError: 'no part U155; did you mean U15?'
>>> table = inspection.table()
>>> sorted(table)[:4], len(table["ref"]) == len(inspection.board.parts)
(['emissivity', 'group', 'kind', 'max_c'], True)
"""

from __future__ import annotations

# Nothing is imported here: a command begins with this file, and an interrupt in it would show a traceback.
# Type checkers take this constant for true.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from thermscan.errors import CannotJudge, InputError, ThermscanError
    from thermscan.frames.frame import Frame
    from thermscan.frames.reading import read_frames
    from thermscan.from_frames import inspect_frames
    from thermscan.inspected_part import InspectedPart
    from thermscan.inspection import Inspection, inspect_run
    from thermscan.judge.baseline import Baseline
    from thermscan.judge.baseline_file import read_baseline, write_baseline
    from thermscan.judge.finding import Finding, Judgement, PartVerdict, UnmappedHeat
    from thermscan.judge.learning import learn_baseline
    from thermscan.layout.board import Board, Part, Surface
    from thermscan.layout.reading import read_board
    from thermscan.radiometry.camera import Camera, read_camera
    from thermscan.regions.measurement import BudgetLine, PartMeasurement
    from thermscan.registration.registration import Registration
    from thermscan.report.report import write_report
    from thermscan.runs.reading import read_run
    from thermscan.runs.run import Run

# name: the module that holds it.
_WHERE = {
    "Baseline": "thermscan.judge.baseline",
    "Board": "thermscan.layout.board",
    "BudgetLine": "thermscan.regions.measurement",
    "Camera": "thermscan.radiometry.camera",
    "CannotJudge": "thermscan.errors",
    "Finding": "thermscan.judge.finding",
    "Frame": "thermscan.frames.frame",
    "InputError": "thermscan.errors",
    "InspectedPart": "thermscan.inspected_part",
    "Inspection": "thermscan.inspection",
    "Judgement": "thermscan.judge.finding",
    "Part": "thermscan.layout.board",
    "PartMeasurement": "thermscan.regions.measurement",
    "PartVerdict": "thermscan.judge.finding",
    "Registration": "thermscan.registration.registration",
    "Run": "thermscan.runs.run",
    "Surface": "thermscan.layout.board",
    "ThermscanError": "thermscan.errors",
    "UnmappedHeat": "thermscan.judge.finding",
    "inspect_frames": "thermscan.from_frames",
    "inspect_run": "thermscan.inspection",
    "learn_baseline": "thermscan.judge.learning",
    "read_baseline": "thermscan.judge.baseline_file",
    "read_board": "thermscan.layout.reading",
    "read_camera": "thermscan.radiometry.camera",
    "read_frames": "thermscan.frames.reading",
    "read_run": "thermscan.runs.reading",
    "write_baseline": "thermscan.judge.baseline_file",
    "write_report": "thermscan.report.report",
}

__all__ = [
    "Baseline",
    "Board",
    "BudgetLine",
    "Camera",
    "CannotJudge",
    "Finding",
    "Frame",
    "InputError",
    "InspectedPart",
    "Inspection",
    "Judgement",
    "Part",
    "PartMeasurement",
    "PartVerdict",
    "Registration",
    "Run",
    "Surface",
    "ThermscanError",
    "UnmappedHeat",
    "inspect_frames",
    "inspect_run",
    "learn_baseline",
    "read_baseline",
    "read_board",
    "read_camera",
    "read_frames",
    "read_run",
    "write_baseline",
    "write_report",
]


def __getattr__(name: str) -> object:
    """A public name, imported when it is first used."""
    if name not in _WHERE:
        raise AttributeError(f"module 'thermscan' has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415 - see above

    found: object = getattr(import_module(_WHERE[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """The public names."""
    return sorted(__all__)
