"""results.json: the inspection as other programs read it."""

from __future__ import annotations

import json
import math
import platform
from collections.abc import Mapping
from datetime import date, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from thermscan.frames.frame import Frame
from thermscan.inspection import Inspection
from thermscan.judge.finding import Finding, PartVerdict, UnmappedHeat
from thermscan.regions.sensor_lines import told_lines
from thermscan.registration.registration import PartHeight, Registration
from thermscan.report.gathering import verdicts_in_layout_order
from thermscan.runs.describe import run_document
from thermscan.views.seen import SeenView

if TYPE_CHECKING:
    from thermscan.dynamics.still_rising import Rising
    from thermscan.judge.before_after import BeforeAfter

SCHEMA_NAME = "thermscan.inspection/1"

# Distributions under which each library may be installed, the usual one first.
_DISTRIBUTIONS = {
    "thermscan": ("thermscan",),
    "numpy": ("numpy",),
    "opencv": ("opencv-python", "opencv-python-headless", "opencv-contrib-python", "opencv-contrib-python-headless"),
    "scipy": ("scipy",),
    "scikit-image": ("scikit-image",),
    "tifffile": ("tifffile",),
    "matplotlib": ("matplotlib",),
}


def results_document(inspection: Inspection) -> dict[str, Any]:
    """
    The inspection as a document of plain Python values, ready for strict JSON.

    Parameters
    ----------
    inspection : Inspection

    Returns
    -------
    dict
        As the schema in :func:`results_schema` has it. A number that could not be had is None.

    Notes
    -----
    Parts are in the layout's order, and findings in the judge's.
    """
    judgement = inspection.judgement
    document = {
        "schema": SCHEMA_NAME,
        "overall": judgement.overall,
        "run": run_document(inspection.run),
        "software": software_versions(),
        "board": {
            "name": inspection.board.name,
            "revision": inspection.board.revision,
            "layout": inspection.board.path,
            "sha256": inspection.board.sha256,
        },
        "frames": [_frame_entry(frame) for frame in inspection.frames],
        "registration": registration_entry(inspection.registration),
        **_views_entry(inspection),
        "parts": [_part_entry(each, inspection.registration) for each in verdicts_in_layout_order(inspection)],
        "not_compared": judgement.not_compared,
        "unmapped": [_unmapped_entry(heat) for heat in judgement.unmapped],
        "findings": [finding_entry(finding) for finding in judgement.findings],
        "remarks": list(inspection.remarks),
    }
    if inspection.rising is not None:
        document["warm_up"] = _rising_entry(inspection.rising)
    if inspection.before is not None:
        document["before"] = _before_entry(inspection.before)
    plain: dict[str, Any] = plain_value(document)
    return plain


def results_text(document: Mapping[str, Any]) -> str:
    """
    A document as strict JSON text that ends with a line feed.

    Raises
    ------
    ValueError
        The document holds NaN or infinity; those of :func:`results_document` never do.

    Examples
    --------
    >>> print(results_text({"rise_k": None}), end="")
    {
      "rise_k": null
    }
    """
    return json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2) + "\n"


def results_schema() -> dict[str, Any]:
    """
    The JSON Schema (draft 2020-12) that every results.json meets.

    Examples
    --------
    >>> results_schema()["properties"]["schema"]["const"]
    'thermscan.inspection/1'
    """
    text = files("thermscan.report").joinpath("schema", "inspection-1.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def software_versions() -> dict[str, str | None]:
    """
    Versions of what computed the result; None where it cannot be told.

    Examples
    --------
    >>> sorted(software_versions())[:3]
    ['matplotlib', 'numpy', 'opencv']
    """
    versions: dict[str, str | None] = {name: _version_of(names) for name, names in _DISTRIBUTIONS.items()}
    return versions | {"python": platform.python_version()}


def plain_value(value: Any) -> Any:  # noqa: PLR0911 - one return a kind of value
    """
    A value as JSON can hold it: numpy scalars and arrays, paths, times and non-finite numbers are converted.

    Examples
    --------
    >>> plain_value({"rise_k": np.float32(1.5), "u_k": float("nan"), "corners_px": np.zeros((1, 2))})
    {'rise_k': 1.5, 'u_k': None, 'corners_px': [[0.0, 0.0]]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain_value(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain_value(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_value(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return plain_value(str(value))
    if isinstance(value, str):
        # A file name that is no Unicode reaches Python as lone surrogates, which UTF-8 cannot hold.
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    return value


@cache
def _version_of(names: tuple[str, ...]) -> str | None:
    for name in names:
        try:
            return version(name)
        except PackageNotFoundError:
            continue
    return None


def _frame_entry(frame: Frame) -> dict[str, Any]:
    rows, cols = frame.shape
    return {
        "path": frame.source.path,
        "page": frame.source.page,
        "sha256": frame.source.sha256,
        "file_format": frame.source.file_format,
        "stored_as": frame.source.stored_as,
        "rows": rows,
        "cols": cols,
        "unit": frame.unit,
        "unit_source": frame.unit_source,
        "time_s": frame.time_s,
    }


def _rising_entry(rising: Rising) -> dict[str, Any]:
    """Where parts will end; what is judged is that, what is measured is the end of the recording."""
    return {
        "power_on_s": rising.power_on.time_s,
        "power_on_source": rising.power_on.source,
        "steady": rising.steady,
        "minutes_to_steady": rising.minutes_to_steady,
        "parts": [
            {"ref": ref, "steady_c": curve.steady_c, "steady_u_k": curve.steady_u_k, "steady": curve.steady}
            for ref, curve in rising.curves.items()
        ],
    }


def _views_entry(inspection: Inspection) -> dict[str, Any]:
    """Where several views were used: the frames of each, and where the board lies in them."""
    if len(inspection.views) == 1:
        return {}
    entries: list[dict[str, Any]] = []
    for view in inspection.views:
        names = list(dict.fromkeys(str(inspection.frames[k].source.path) for k in view.numbers))
        if isinstance(view, SeenView):
            entries.append({"frames": names, "registration": registration_entry(view.registration), "reason": None})
        else:
            reason = " / ".join(str(fault) for fault in view.faults)
            entries.append({"frames": names, "registration": None, "reason": reason})
    return {"views": entries}


def registration_entry(registration: Registration) -> dict[str, Any]:
    """Where the board lies in the frame, as all documents say it."""
    return {
        "method": registration.method,
        "px_from_mm": registration.px_from_mm,
        "corners_px": registration.corners_px,
        "residual_px": registration.residual_px,
        "uncertainty_mm": registration.uncertainty_mm,
        "view_angle_deg": registration.view_angle_deg,
    }


def measured_entry(verdict: PartVerdict) -> dict[str, Any]:
    """What was measured of one part or region and what it was judged to be, as both documents say it."""
    measured = verdict.measurement
    return {
        "pixels": measured.pixels,
        "mean_c": measured.mean_c,
        "max_c": measured.max_c,
        "rise_k": measured.rise_k,
        "u_c": measured.u_c,
        "measurable": measured.measurable,
        "reason": str(measured.reason) if measured.reason else None,
        "verdict": verdict.verdict,
        "reason_code": measured.reason.code if measured.reason else None,
        "verdict_reason": verdict.reason,
        "compared_by": verdict.compared_by,
        "apparent_mean_c": measured.apparent_mean_c,
    }


def _part_entry(verdict: PartVerdict, registration: Registration) -> dict[str, Any]:
    measured = verdict.measurement
    part = measured.part
    return {
        "ref": part.ref,
        "kind": part.kind,
        "group": part.group,
        "package": part.package,
        "surface": part.surface.name,
        "emissivity": part.surface.emissivity,
        **measured_entry(verdict),
        "suspicion": verdict.suspicion,
        **_watts_entry(verdict),
        "view_angle_deg": measured.view_angle_deg,
        "views": len(measured.seen_in),
        "seen_in": [view + 1 for view in measured.seen_in],
        **_height_entry(registration.heights.get(part.ref)),
        "budget": [
            {"source": line.source, "u_k": line.u_k, "shared": line.shared} for line in told_lines(measured.budget)
        ],
    }


def _watts_entry(verdict: PartVerdict) -> dict[str, Any]:
    """What the part draws by its heat, and what it may draw."""
    seen = verdict.watts
    band = seen.allowed if seen is not None else None
    return {
        "watts": seen.power_w if seen is not None else None,
        "watts_u": seen.u_w if seen is not None else None,
        "expected_w": [band.typical_w, band.most_w] if band is not None else None,
        "expected_source": band.source if band is not None else None,
    }


def _before_entry(before: BeforeAfter) -> dict[str, Any]:
    """What changed since the look before a repair."""
    return {
        "scale": before.scale,
        "shift_k": before.shift_k,
        "changes": [
            {
                "ref": each.ref,
                "outcome": each.outcome.value,
                "change_k": each.change_k,
                "u_k": each.u_k,
                "score": each.score,
                "was": each.was,
                "now": each.now,
            }
            for each in before.changes
        ],
        "remarks": before.remarks,
    }


def _height_entry(height: PartHeight | None) -> dict[str, Any]:
    """How high its top stands, as layout, package and views together tell."""
    if height is None:
        return {"height_mm": None, "u_height_mm": None}
    return {"height_mm": height.height_mm, "u_height_mm": height.u_mm}


def _unmapped_entry(heat: UnmappedHeat) -> dict[str, Any]:
    return {
        "x_mm": heat.x_mm,
        "y_mm": heat.y_mm,
        "peak_c": heat.peak_c,
        "rise_k": heat.rise_k,
        "area_mm2": heat.area_mm2,
        "nearest_ref": heat.nearest_ref,
        "distance_mm": heat.distance_mm,
    }


def finding_entry(finding: Finding) -> dict[str, Any]:
    """One judgement, as all documents say it."""
    return {
        "ref": finding.ref,
        "rule": finding.rule,
        "level": finding.level,
        "direction": finding.direction,
        "excess_k": finding.excess_k,
        "u_k": finding.u_k,
        "score": finding.score,
        "text": finding.text,
        "own_k": finding.own_k,
        "received_k": finding.received_k,
        "source_ref": finding.source_ref,
        "hypotheses": finding.hypotheses,
    }
