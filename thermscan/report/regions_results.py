"""Regions found without a layout: as other programs, a spreadsheet and a person at the terminal read them."""

from __future__ import annotations

from typing import Any

from thermscan.judge.finding import PartVerdict
from thermscan.no_layout import RegionsFound
from thermscan.regions.found_layout import FoundRegion
from thermscan.report.cautions import CAUTION_LINE
from thermscan.report.results import measured_entry, plain_value, software_versions
from thermscan.report.verdicts import OVERALL_SENTENCES
from thermscan.runs.describe import run_document

# Not the schema of an inspection: without a layout there are no parts, and mostly no millimetres.
REGIONS_SCHEMA_NAME = "thermscan.regions/1"
NOTHING_COMPARED = "No three like-sized regions stand near one another, so nothing could be compared."


def regions_document(found: RegionsFound) -> dict[str, Any]:
    """
    What was found as a document of plain Python values, ready for strict JSON.

    Parameters
    ----------
    found : RegionsFound

    Returns
    -------
    dict
        ``registration`` is None where the board's size is not known, and so are a region's places in
        millimetres; its ``corners_px`` are always there.
    """
    registration = found.registration
    document = {
        "schema": REGIONS_SCHEMA_NAME,
        "overall": found.judgement.overall,
        "run": run_document(found.run),
        "software": software_versions(),
        "registration": None
        if registration is None
        else {
            "method": registration.method,
            "px_from_mm": registration.px_from_mm,
            "corners_px": registration.corners_px,
            "residual_px": registration.residual_px,
            "uncertainty_mm": registration.uncertainty_mm,
            "view_angle_deg": registration.view_angle_deg,
        },
        "regions": [_region_entry(*pair) for pair in zip(found.regions, found.judgement.parts, strict=True)],
        "findings": [
            {
                "ref": finding.ref,
                "rule": finding.rule,
                "level": finding.level,
                "direction": finding.direction,
                "excess_k": finding.excess_k,
                "u_k": finding.u_k,
                "score": finding.score,
                "text": finding.text,
            }
            for finding in found.judgement.findings
        ],
        "remarks": found.remarks,
    }
    plain: dict[str, Any] = plain_value(document)
    return plain


def regions_table(document: dict[str, Any]) -> dict[str, Any]:
    """The regions under the headings of parts.csv, for `thermscan.report.tables.parts_csv`."""
    return {"parts": [{**region, "group": region["size_group"]} for region in document["regions"]]}


def regions_lines(found: RegionsFound) -> list[str]:
    """
    Overall verdict, findings, a table of the regions, remarks and a caution, for the terminal.

    Returns
    -------
    list of str
    """
    judgement = found.judgement
    sentence = OVERALL_SENTENCES[judgement.overall] if judgement.overall != "undecided" else NOTHING_COMPARED
    lines = [f"Overall: {judgement.overall}. {sentence}"]
    lines += [f"  {finding.level}, {finding.direction}: {finding.text}" for finding in judgement.findings]
    measured = sum(verdict.measurement.measurable for verdict in judgement.parts)
    lines.append(f"Found {len(found.regions)} regions; {measured} of them could be measured.")
    unit = "mm" if found.registration is not None else "px"
    lines.append(f"  region   group   x, y ({unit})       size ({unit})      mean C   max C  rise K   u K   verdict")
    lines += [_line(*pair) for pair in zip(found.regions, judgement.parts, strict=True)]
    lines += [f"Remark: {remark}" for remark in found.remarks]
    lines.append(CAUTION_LINE)
    return lines


def _region_entry(region: FoundRegion, verdict: PartVerdict) -> dict[str, Any]:
    flat, board = region.part_px, region.part_mm
    return {
        "ref": region.ref,
        "size_group": region.size_group,
        "surface": flat.surface.name,
        "emissivity": flat.surface.emissivity,
        **measured_entry(verdict),
        "step_k": region.body.step_k,
        "corners_px": flat.corners_mm(),
        "at_mm": [board.x_mm, board.y_mm] if board else None,
        "body_mm": [board.length_mm, board.width_mm] if board else None,
        "rotation_deg": board.rotation_deg if board else None,
    }


def _line(region: FoundRegion, verdict: PartVerdict) -> str:
    measured, part = verdict.measurement, region.part_mm or region.part_px
    place = f"{part.x_mm:.1f}, {part.y_mm:.1f}"
    size = f"{part.length_mm:.1f} x {part.width_mm:.1f}"
    numbers = "".join(
        f"{'-':>8}" if value is None else f"{value:8.1f}"
        for value in (measured.mean_c, measured.max_c, measured.rise_k, measured.u_c)
    )
    return f"  {region.ref:<8} {region.size_group or '-':<6} {place:<16} {size:<16}{numbers}   {verdict.verdict}"
