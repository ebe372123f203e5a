"""Bodies on the frame are drawn where their tops are seen, as they were measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.report.built_inspections import build_inspection
from thermscan.inspection import Inspection
from thermscan.registration.geometry.parallax import pose_seen, seen_part
from thermscan.report.plate_frame import frame_bodies


def _with_heights(inspection: Inspection, height_mm: float) -> Inspection:
    parts = [replace(part, height_mm=height_mm) for part in inspection.board.parts]
    verdicts = tuple(
        replace(verdict, measurement=replace(verdict.measurement, part=part))
        for verdict, part in zip(inspection.judgement.parts, parts, strict=True)
    )
    return replace(
        inspection,
        board=replace(inspection.board, parts=tuple(parts)),
        judgement=replace(inspection.judgement, parts=verdicts),
    )


def test_a_tall_body_is_drawn_where_it_was_measured() -> None:
    tall = _with_heights(build_inspection(12), 15.0)
    found = tall.registration
    pose = pose_seen(found, shape=tall.image.shape, corners_mm=tall.board.corners_mm, fov_deg=None)
    bodies = {body.ref: body.corners for body in frame_bodies(tall)}
    feet = {body.ref: body.corners for body in frame_bodies(build_inspection(12))}
    assert bodies.keys() == feet.keys()
    moved = []
    for part in tall.board.parts:
        seen = seen_part(part, found, pose)
        np.testing.assert_allclose(found.mm(bodies[part.ref]).mean(axis=0), [seen.x_mm, seen.y_mm], atol=1e-6)
        moved.append(np.linalg.norm(bodies[part.ref] - feet[part.ref], axis=1).mean())
    assert min(moved) > 1.0
