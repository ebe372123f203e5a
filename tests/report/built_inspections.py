"""Inspections built by hand, of any size, so that the report can be tried without the stages before it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import cycle
from pathlib import Path

import cv2
import numpy as np

from thermscan.frames.frame import Frame, FrameSource
from thermscan.inspection import Inspection
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.before_after import BeforeAfter, Change, Outcome
from thermscan.judge.finding import Finding, Judgement, PartVerdict, UnmappedHeat
from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.covering import Cover
from thermscan.regions.measurement import BudgetLine, PartMeasurement, Rectified
from thermscan.regions.reasons import METAL, TOO_FEW_PIXELS
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.recordings.averaging import AlignedViews
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run, Supply
from thermscan.views.seen import SeenView

PLASTIC = Surface("plastic", 0.95, 0.02)
METAL_SURFACE = Surface("metal", 0.12, 0.05)
MASK = Surface("solder-mask", 0.92, 0.02)
AMBIENT_C = 22.4
MM_PER_PX = 0.5


def build_inspection(
    count: int = 60,
    *,
    flagged: int = 5,
    shape: tuple[int, int] = (240, 320),
    size_mm: tuple[float, float] = (180.0, 120.0),
    quarter_turns: int = 0,
    baseline: bool = True,
    seed: int = 1,
) -> Inspection:
    """A board of ``count`` parts, of which the first ``flagged`` in a random order have a finding."""
    rng = np.random.default_rng(seed)
    board = _board(rng, count, size_mm)
    rises = np.array([_group_rise(part) for part in board.parts]) + rng.normal(0.0, 0.4, count)
    measurable = [part for part in board.parts if part.surface.name != "metal" and part.width_mm > 2.2]
    chosen = [str(ref) for ref in rng.permutation([part.ref for part in measurable])[:flagged]]
    findings = []
    for place, ref in enumerate(chosen):
        index = next(i for i, part in enumerate(board.parts) if part.ref == ref)
        findings.append(_finding(place, ref, rises, index))
        rises[index] += findings[-1].excess_k or 0.0
    apparent, on_board = _raster(board, rises)
    registration = _registration(board, shape, quarter_turns)
    image = _image(apparent, registration, shape, rng)
    measurements = tuple(_measurement(part, rise) for part, rise in zip(board.parts, rises, strict=True))
    findings_by_ref = {finding.ref: finding for finding in findings}
    verdicts = tuple(_verdict(each, findings_by_ref) for each in measurements)
    heat = UnmappedHeat(size_mm[0] * 0.55, size_mm[1] * 0.5, 44.0, 21.6, 16.0, board.parts[0].ref, 7.5)
    unmapped = (heat,) if flagged else ()
    if flagged:
        text = f"Heat of 21.6 K above ambient at no mapped part, 7.5 mm from {board.parts[0].ref}."
        findings.append(Finding(None, "unmapped", "watch", "hot", 21.6, 1.0, 21.6, text))
    overall = "act" if any(each.level == "act" for each in findings) else "watch" if findings else "clear"
    return Inspection(
        run=_run(),
        board=board,
        camera=Camera("a camera of no make"),
        frames=(_frame(image.apparent_c),),
        image=image,
        registration=registration,
        rectified=Rectified(apparent, MM_PER_PX, on_board),
        measurements=measurements,
        judgement=Judgement(verdicts, tuple(findings), unmapped, overall, ("Minutes on are few: compare with care.",)),
        baseline=_baseline(board, apparent, rng) if baseline else None,
        remarks=("The unit was assumed to be cK.",),
    )


def with_part_texts(inspection: Inspection, *texts: str) -> Inspection:
    """The same inspection, with odd texts in turn in every place where a person writes one."""
    odd = cycle(texts)
    parts = {
        part.ref: replace(part, ref=f"{part.ref}{next(odd)}", kind=next(odd), group=next(odd))
        for part in inspection.board.parts
    }
    measurements = tuple(replace(each, part=parts[each.part.ref]) for each in inspection.measurements)
    by_ref = dict(zip(parts, measurements, strict=True))
    judgement = inspection.judgement
    verdicts = tuple(replace(each, measurement=by_ref[each.measurement.part.ref]) for each in judgement.parts)
    findings = tuple(
        replace(
            each, ref=parts[each.ref].ref if each.ref else None, text=f"Finding: {next(odd)}", hypotheses=(next(odd),)
        )
        for each in judgement.findings
    )
    run = replace(inspection.run, stage=next(odd), board_serial=next(odd), operator=next(odd), note=next(odd))
    named = {"name": next(odd), "revision": next(odd), "remarks": (next(odd),)}
    return replace(
        inspection,
        run=run,
        board=replace(inspection.board, parts=tuple(parts.values()), **named),
        measurements=measurements,
        judgement=replace(judgement, parts=verdicts, findings=findings, remarks=tuple(texts)),
    )


def _board(rng: np.random.Generator, count: int, size_mm: tuple[float, float]) -> Board:
    width, height = size_mm
    cols = int(np.ceil(np.sqrt(count * width / height)))
    rows = int(np.ceil(count / cols))
    cell_x, cell_y = (width - 8.0) / cols, (height - 8.0) / rows
    parts = []
    for index in range(count):
        row, col = divmod(index, cols)
        letter = "UUURCQ"[int(rng.integers(6))]
        share = (0.75, 0.55) if letter == "U" else (0.5, 0.5) if letter == "Q" else (0.4, 0.2)
        turned = letter == "U" and rng.random() < 0.3
        room = (cell_y, cell_x) if turned else (cell_x, cell_y)
        parts.append(
            Part(
                f"{letter}{index + 1}",
                round(room[0] * share[0], 2),
                round(room[1] * share[1], 2),
                4.0 + (col + 0.5) * cell_x,
                4.0 + (row + 0.5) * cell_y,
                90.0 if turned else float(rng.choice([0.0, 180.0])),
                METAL_SURFACE if letter == "Q" else PLASTIC,
                kind={"U": "logic", "R": "resistor", "C": "capacitor", "Q": "regulator"}[letter],
                group=f"{'logic' if index % 2 else 'sram'}" if letter == "U" else None,
                package="DIP-16" if letter == "U" else None,
                max_c=85.0,
            )
        )
    outline = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    return Board("Split-flap controller", "B", outline, 1.6, MASK, tuple(parts), Path("/job/board.toml"), "b" * 64)


def _group_rise(part: Part) -> float:
    return {"sram": 9.0, "logic": 6.0}.get(part.group or "", 3.0)


def _finding(place: int, ref: str, rises: np.ndarray, index: int) -> Finding:
    kind = place % 4
    excess = (14.0, -5.0, 2.2, 8.0)[kind]
    level, direction = "watch" if kind == 2 else "act", "cold" if excess < 0 else "hot"
    rule = ("peer", "baseline", "peer", "limit")[kind]
    side = "hotter" if excess > 0 else "colder"
    text = f"{ref} is {abs(excess):.1f} K {side} than its peers (standard uncertainty 0.4 K)."
    own = float(rises[index]) + excess * 0.75 if kind != 1 else None
    received = excess * 0.25 if kind != 1 else None
    hypotheses = ("poor supply or socket contact?",) if excess < 0 else (f"shorted bypass capacitor near {ref}?",)
    source = "U1" if received is not None else None
    return Finding(ref, rule, level, direction, excess, 0.4, excess / 0.4, text, own, received, source, hypotheses)


def _raster(board: Board, rises: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rows, cols = round(board.height_mm / MM_PER_PX), round(board.width_mm / MM_PER_PX)
    rise = np.full((rows, cols), 2.0, dtype=np.float32)
    for part, value in zip(board.parts, rises, strict=True):
        corners = np.round(part.corners_mm() / MM_PER_PX - 0.5).astype(np.int32)
        shown = value * (0.2 if part.surface.name == "metal" else 1.0)
        cv2.fillConvexPoly(rise, corners, float(shown))
    rise = 0.6 * cv2.GaussianBlur(rise, (0, 0), 2.0) + 0.4 * cv2.GaussianBlur(rise, (0, 0), 12.0)
    return AMBIENT_C + rise.astype(np.float64), np.ones((rows, cols), dtype=bool)


def _registration(board: Board, shape: tuple[int, int], quarter_turns: int) -> Registration:
    rows, cols = shape
    seen = np.array([[0.12, 0.14], [0.86, 0.08], [0.95, 0.88], [0.05, 0.93]]) * [cols, rows]
    if board.height_mm > board.width_mm and quarter_turns % 2 == 0:
        # Upright in a level frame: keep the proportions roughly.
        seen = np.array([[0.3, 0.06], [0.68, 0.08], [0.73, 0.95], [0.26, 0.92]]) * [cols, rows]
    corners_px = np.roll(seen, quarter_turns, axis=0)
    homography = homography_from_corners(board.corners_mm, corners_px)
    return Registration("outline", homography, corners_px, np.eye(8) * 0.09, 0.21, 0.18, 31.0)


def _image(
    raster: np.ndarray, registration: Registration, shape: tuple[int, int], rng: np.random.Generator
) -> ThermalImage:
    to_mm = np.array([[MM_PER_PX, 0.0, MM_PER_PX / 2], [0.0, MM_PER_PX, MM_PER_PX / 2], [0.0, 0.0, 1.0]])
    ground = float(AMBIENT_C - 0.5)
    seen = cv2.warpPerspective(
        raster, registration.px_from_mm @ to_mm, shape[::-1], flags=cv2.INTER_LINEAR, borderValue=ground
    )
    noisy = seen + rng.normal(0.0, 0.05, shape)
    noisy[3, 5] = np.nan
    return ThermalImage(noisy, 0.05, 1.0, (8.0, 14.0), 0.6, 4, ("One dead pixel was left out.",))


def _measurement(part: Part, rise: float) -> PartMeasurement:
    if part.surface.name == "metal":
        return PartMeasurement(part, 40, None, None, None, None, AMBIENT_C + rise * 0.2, 31.0, (), METAL)
    if part.width_mm <= 2.2:
        return PartMeasurement(part, 5, None, None, None, None, AMBIENT_C + rise * 0.7, 31.0, (), TOO_FEW_PIXELS)
    budget = (
        BudgetLine("pixel noise", 0.02),
        BudgetLine("registration", 0.3),
        BudgetLine("size of source", 0.15),
        BudgetLine("emissivity", -0.25, "emissivity:plastic"),
        BudgetLine("reflected temperature", 0.1, "reflected"),
        BudgetLine("camera accuracy", 1.0, "camera"),
    )
    whole = float(np.sqrt(sum(line.u_k**2 for line in budget)))
    mean = AMBIENT_C + float(rise)
    return PartMeasurement(part, 64, mean, mean + 1.1, float(rise), whole, mean - 0.4, 31.0, budget)


def _verdict(measured: PartMeasurement, findings: dict[str | None, Finding]) -> PartVerdict:
    if not measured.measurable:
        return PartVerdict(measured, "not-measurable")
    finding = findings.get(measured.part.ref)
    if finding is None:
        return PartVerdict(measured, "normal", ("peer", "limit"))
    return PartVerdict(measured, "watch" if finding.level == "watch" else finding.direction, ("peer",))


def _run() -> Run:
    return Run(
        (Path("/job/idle.tiff"),),
        AMBIENT_C,
        22.0,
        layout=Path("/job/board.toml"),
        stage="all chips fitted, idle",
        minutes_on=15.0,
        board_serial="0042",
        operator="R. Example",
        taken=datetime(2026, 5, 2, 14, 30, tzinfo=UTC),
        supply=(Supply("+5 V", 5.02, 1.31), Supply("-12 V", -12.1, -0.04)),
        path=Path("/job/run.toml"),
    )


def _frame(apparent: np.ndarray) -> Frame:
    values = (apparent + 273.15) * 100.0
    return Frame(values, "cK", "assumed", FrameSource(Path("/job/idle.tiff"), 0, "a" * 64, "TIFF", "uint16"))


def _baseline(board: Board, apparent: np.ndarray, rng: np.random.Generator) -> Baseline:
    rise = np.full_like(apparent, 2.0, dtype=np.float32)
    for part in board.parts:
        corners = np.round(part.corners_mm() / MM_PER_PX - 0.5).astype(np.int32)
        cv2.fillConvexPoly(rise, corners, _group_rise(part) * (0.2 if part.surface.name == "metal" else 1.0))
    rise = 0.6 * cv2.GaussianBlur(rise, (0, 0), 2.0) + 0.4 * cv2.GaussianBlur(rise, (0, 0), 12.0) - 0.8
    known = {part.ref: _group_rise(part) for part in board.parts}
    spread = dict.fromkeys(known, 0.4)
    runs = tuple(
        BaselineRun("2026-04-11", f"00{n}", "all chips fitted, idle", 15.0, 21.0 + n, 6.6, ("c" * 64,), known, spread)
        for n in range(3)
    )
    coarse = cv2.resize(rise + rng.normal(0.0, 0.03, rise.shape).astype(np.float32), None, fx=0.5, fy=0.5)
    return Baseline(board.name, board.revision, "d" * 64, runs, coarse, 2 * MM_PER_PX)


def with_look_before(inspection: Inspection, *, flagged: int = 3) -> Inspection:
    """The same inspection after a repair: a look before it, at other ambient, and what changed of three parts."""
    before = build_inspection(
        len(inspection.board.parts),
        flagged=flagged,
        shape=inspection.image.shape,
        size_mm=(inspection.board.width_mm, inspection.board.height_mm),
        baseline=False,
        seed=1,
    )
    before = replace(before, run=replace(before.run, ambient_c=AMBIENT_C - 2.0, stage="as it came in"))
    was = {each.measurement.part.ref: each.verdict for each in before.judgement.parts}
    now = {each.measurement.part.ref: each.verdict for each in inspection.judgement.parts}
    outcomes = [Outcome.BETTER, Outcome.WORSE, Outcome.NOT_BETTER]
    changes = tuple(
        Change(ref, -9.2, 0.4, -23.0, was[ref], now[ref], outcomes[index])
        if index < len(outcomes)
        else Change(ref, 0.1, 0.4, 0.2, was[ref], now[ref], Outcome.SAME)
        for index, ref in enumerate(now)
    )
    return replace(inspection, before=BeforeAfter(changes, 1.1, 0.5), before_look=before)


def with_views(inspection: Inspection, count: int = 3) -> Inspection:
    """The same inspection from several sides: each part rests on all views but one, the first part on the last."""
    rng = np.random.default_rng(5)
    shape = inspection.image.shape
    seen = []
    for number in range(count):
        registration = replace(_registration(inspection.board, shape, number), view_angle_deg=20.0 + 8 * number)
        image = _image(inspection.rectified.apparent_c, registration, shape, rng)
        seen.append(
            SeenView(
                AlignedViews(image, numbers=(number,)),
                image,
                registration,
                inspection.rectified,
                inspection.measurements,
                Cover(np.zeros(shape, dtype=bool)),
            )
        )
    frames = tuple(
        replace(inspection.frames[0], source=replace(inspection.frames[0].source, path=Path(f"/job/side-{n + 1}.tiff")))
        for n in range(count)
    )
    measurements = tuple(
        replace(each, seen_in=(count - 1,) if index == 0 else tuple(n for n in range(count) if n != index % count))
        if each.measurable
        else each
        for index, each in enumerate(inspection.measurements)
    )
    by_ref = {each.part.ref: each for each in measurements}
    verdicts = tuple(
        replace(each, measurement=by_ref[each.measurement.part.ref]) for each in inspection.judgement.parts
    )
    return replace(
        inspection,
        views=tuple(seen),
        frames=frames,
        measurements=measurements,
        judgement=replace(inspection.judgement, parts=verdicts),
    )
