"""What recordings tell, as documents for other programs: warm-up and where the heat enters."""

from __future__ import annotations

from typing import Any

from thermscan.dynamics.locate_run import Located
from thermscan.dynamics.part_series import PartSeries
from thermscan.dynamics.warmup_run import PartWarmUp, WarmUp
from thermscan.report.results import finding_entry, plain_value, registration_entry, software_versions
from thermscan.runs.describe import run_document

LOCATE_SCHEMA = "thermscan.locate/1"
WARM_UP_SCHEMA = "thermscan.warmup/1"


def warm_up_document(warm_up: WarmUp) -> dict[str, Any]:
    """
    A warm-up as a document of plain Python values, ready for strict JSON.

    Parameters
    ----------
    warm_up : WarmUp

    Returns
    -------
    dict
        A number that could not be had is None.
    """
    document = {
        "schema": WARM_UP_SCHEMA,
        "overall": warm_up.overall,
        "run": run_document(warm_up.run),
        "software": software_versions(),
        "registration": registration_entry(warm_up.series.reference.registration),
        "recording": {
            **recording_entry(warm_up.series),
            "power_on_s": warm_up.power_on.time_s,
            "power_on_source": warm_up.power_on.source,
        },
        "parts": [_part_entry(part) for part in warm_up.parts],
        "not_compared": warm_up.not_compared,
        "board": {"steady": warm_up.steady, "minutes_to_steady": warm_up.minutes_to_steady},
        "findings": [finding_entry(finding) for finding in warm_up.findings],
        "remarks": list(warm_up.remarks),
    }
    plain: dict[str, Any] = plain_value(document)
    return plain


def recording_entry(series: PartSeries) -> dict[str, Any]:
    """How many frames there were, over what time, and where some were lost."""
    times = series.clock.times_s
    return {
        "frames": series.frames,
        "used": len(series.times_s),
        "duration_s": float(times[-1] - times[0]),
        "interval_s": series.clock.interval_s,
        "gaps": len(series.clock.gaps),
        "gap_list": [{"at_s": at, "length_s": length} for at, length in series.clock.gaps],
    }


def _part_entry(part: PartWarmUp) -> dict[str, Any]:
    measured, curve = part.measurement, part.curve
    entry: dict[str, Any] = {
        "ref": measured.part.ref,
        "group": measured.part.group,
        "measurable": measured.measurable and curve is not None,
        "reason": str(measured.reason) if measured.reason else None,
    }
    if measured.measurable and curve is None:
        entry["reason"] = "too few frames show the part; record again with it in view"
    names = ("start_c", "end_c", "steady_c", "steady_u_k", "t63_s")
    entry |= {name: getattr(curve, name) if curve else None for name in names}
    entry["steady_interval_c"] = list(curve.steady_interval_c) if curve else None
    terms = curve.exponentials if curve else None
    entry["tau_s"] = list(terms.tau_s) if terms else []
    entry |= {name: getattr(curve, name) if curve else None for name in ("slope_k_per_s", "slope_u_k_per_s")}
    entry["steady"] = curve.steady if curve else None
    entry["verdict"] = part.verdict
    good = part.good
    entry["good_board"] = (
        {"since_s": good.since_s, "rise_k": good.rise_k, "expected_k": good.expected_k, "u_k": good.u_k}
        if good
        else None
    )
    return entry


def locate_document(located: Located) -> dict[str, Any]:
    """
    Where the heat enters as a document of plain Python values, ready for strict JSON.

    Parameters
    ----------
    located : Located

    Returns
    -------
    dict
        Sources strongest first. A number that could not be had is None.
    """
    document = {
        "schema": LOCATE_SCHEMA,
        "overall": located.overall,
        "run": run_document(located.run),
        "software": software_versions(),
        "registration": registration_entry(located.reference.registration),
        "method": located.method,
        "period_s": located.period_s,
        "period_source": located.period_source,
        "cycles": located.cycles,
        "noise_k": located.noise_k,
        "frames": located.frames,
        "duration_s": located.duration_s,
        "least_watts": located.least_watts,
        "sources": [
            {
                "x_mm": each.x_mm,
                "y_mm": each.y_mm,
                "u_mm": each.u_mm,
                "watts": each.watts,
                "watts_u": each.watts_u,
                "amplitude_k": each.amplitude_k,
                "phase_deg": each.phase_deg,
                "ref": each.ref,
                "nearest_ref": each.nearest_ref,
                "distance_mm": each.distance_mm,
                "across_ref": each.across_ref,
                "across_mm": each.across_mm,
                "score": each.score,
            }
            for each in located.sources
        ],
        "findings": [finding_entry(finding) for finding in located.findings],
        "remarks": list(located.remarks),
    }
    plain: dict[str, Any] = plain_value(document)
    return plain
