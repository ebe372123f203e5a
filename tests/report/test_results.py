"""results.json: as the design has it, strict, and true to the inspection."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace

import jsonschema
import numpy as np
import pytest

from tests.report.built_inspections import build_inspection, with_part_texts
from thermscan.inspection import Inspection
from thermscan.report.results import plain_value, results_document, results_schema, results_text

# Typed in from the design's contract, not read from the schema.
TOP_KEYS = {"schema", "overall", "run", "software", "registration", "parts", "unmapped", "findings"}
REGISTRATION_KEYS = {"method", "px_from_mm", "corners_px", "residual_px", "uncertainty_mm", "view_angle_deg"}
PART_KEYS = {"ref", "kind", "group", "package", "surface", "emissivity", "pixels"}
PART_KEYS |= {"mean_c", "max_c", "rise_k", "u_c", "measurable", "reason", "verdict"}
UNMAPPED_KEYS = {"x_mm", "y_mm", "peak_c", "rise_k", "area_mm2", "nearest_ref", "distance_mm"}
FINDING_KEYS = {"ref", "rule", "level", "direction", "excess_k", "u_k", "score", "text"}


@pytest.fixture(scope="module")
def inspection() -> Inspection:
    return build_inspection(60)


def check(document: object) -> None:
    validator = jsonschema.Draft202012Validator(results_schema())
    validator.validate(document)


def test_the_schema_is_itself_sound() -> None:
    jsonschema.Draft202012Validator.check_schema(results_schema())


@pytest.mark.parametrize("count", [1, 20, 120])
@pytest.mark.parametrize("baseline", [True, False])
def test_every_document_meets_the_schema(count: int, baseline: bool) -> None:
    check(json.loads(results_text(results_document(build_inspection(count, baseline=baseline)))))


def test_no_key_of_the_design_is_missing(inspection: Inspection) -> None:
    document = results_document(inspection)
    assert document.keys() >= TOP_KEYS
    assert document["registration"].keys() >= REGISTRATION_KEYS
    assert all(part.keys() >= PART_KEYS for part in document["parts"])
    assert document["unmapped"]
    assert all(heat.keys() >= UNMAPPED_KEYS for heat in document["unmapped"])
    assert all(finding.keys() >= FINDING_KEYS for finding in document["findings"])


@pytest.mark.parametrize("key", sorted(PART_KEYS - {"reason"}))
def test_the_schema_refuses_a_part_without_a_key(inspection: Inspection, key: str) -> None:
    document = results_document(inspection)
    del document["parts"][0][key]
    with pytest.raises(jsonschema.ValidationError):
        check(document)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("overall",), "safe"),
        (("parts", 0, "verdict"), "warm"),
        (("parts", 0, "pixels"), -1),
        (("findings", 0, "level"), "note"),
        (("registration", "px_from_mm"), [[1.0, 0.0], [0.0, 1.0]]),
        (("frames", 0, "sha256"), "short"),
    ],
)
def test_the_schema_refuses_what_the_design_does_not_know(
    inspection: Inspection, path: tuple[str | int, ...], value: object
) -> None:
    document = results_document(inspection)
    place = document
    for step in path[:-1]:
        place = place[step]  # type: ignore[index]
    place[path[-1]] = value  # type: ignore[index]
    with pytest.raises(jsonschema.ValidationError):
        check(document)


def test_a_field_of_a_later_version_is_allowed(inspection: Inspection) -> None:
    check(results_document(inspection) | {"weather": "fair"})


def test_parts_come_in_the_layouts_order_whatever_the_judges(inspection: Inspection) -> None:
    judgement = inspection.judgement
    turned = replace(inspection, judgement=replace(judgement, parts=judgement.parts[::-1]))
    refs = [part["ref"] for part in results_document(turned)["parts"]]
    assert refs == [part.ref for part in inspection.board.parts]


def test_what_was_not_measured_is_null_with_its_reason(inspection: Inspection) -> None:
    parts = results_document(inspection)["parts"]
    metal = [part for part in parts if part["surface"] == "metal"]
    assert metal
    for part in metal:
        assert part["measurable"] is False
        assert [part[key] for key in ("mean_c", "max_c", "rise_k", "u_c")] == [None] * 4
        assert "tape" in part["reason"]
        assert part["verdict"] == "not-measurable"


def test_a_number_that_is_not_finite_becomes_null() -> None:
    inspection = build_inspection(20)
    broken = replace(inspection.registration, residual_px=float("nan"), uncertainty_mm=float("inf"))
    document = results_document(replace(inspection, registration=broken))
    assert document["registration"]["residual_px"] is None
    assert document["registration"]["uncertainty_mm"] is None
    check(json.loads(results_text(document)))


def test_numpy_values_become_plain_ones() -> None:
    given = {
        "a": np.float64(1.5),
        "b": np.int32(2),
        "c": np.bool_(True),
        "d": np.array([[np.nan, 1.0]]),
        "e": np.str_("x"),
    }
    plain = plain_value(given)
    assert plain == {"a": 1.5, "b": 2, "c": True, "d": [[None, 1.0]], "e": "x"}
    assert [type(value) for value in plain.values()] == [float, int, bool, list, str]


@pytest.mark.parametrize("text", ["\ud800", "名前 \U0001f525", "\u202eabc", 'a"\\\n\t\x00', "$x$"])
def test_any_text_survives_as_strict_utf8(text: str) -> None:
    document = results_document(with_part_texts(build_inspection(20), text))
    written = results_text(document).encode("utf-8")
    assert json.loads(written) == document
    check(document)


def test_the_text_is_strict_json(inspection: Inspection) -> None:
    def refuse(name: str) -> None:
        raise AssertionError(name)

    json.loads(results_text(results_document(inspection)), parse_constant=refuse)
    with pytest.raises(ValueError, match="not JSON compliant"):
        results_text({"rise_k": float("nan")})


def test_every_remark_of_the_inspection_is_told(inspection: Inspection) -> None:
    assert results_document(inspection)["remarks"] == list(inspection.remarks)


def test_the_document_needs_no_matplotlib() -> None:
    code = "import sys, thermscan.report.results, thermscan.report.summary; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
