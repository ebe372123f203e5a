"""What the report tells in words: findings, what was not measured, where it all came from, cautions."""

from __future__ import annotations

from pathlib import Path

from thermscan.frames.frame import Frame
from thermscan.inspection import Inspection
from thermscan.judge.finding import Finding
from thermscan.report.cautions import CAUTIONS
from thermscan.report.first_page import first_page
from thermscan.report.flowing import Block, heading
from thermscan.report.gathering import findings_by_weight
from thermscan.report.lettering import signed
from thermscan.report.results import software_versions
from thermscan.report.shown import Shown, visible
from thermscan.report.summary import registration_line
from thermscan.report.verdicts import OVERALL_MARKS, VERDICT_MARKS, Mark

_INDENT_PT = 14.0

# There can be thousands of frames; results.json has them all.
_MOST_FILES = 24

_UNIT_SOURCES = {"file": "as the file says", "given": "as given", "assumed": "assumed"}


def first_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """The first page: what was looked at and found, what to do, what was not compared, what this cannot tell."""
    page = first_page(inspection, shown)
    mark = OVERALL_MARKS[inspection.judgement.overall]
    word = shown.say("head.result", word=shown.say(f"word.{mark.word}"))
    said = shown.say(f"overall.{mark.word}")
    return [
        Block(word, size_pt=13.0, bold=True, indent_pt=_INDENT_PT + 5.0, gap_pt=0.0, mark=mark),
        Block(said),
        heading(shown.say("first.looked")),
        Block(" ".join(page.looked)),
        heading(shown.say("first.found")),
        *(
            Block(each.sentence, indent_pt=_INDENT_PT, gap_pt=4.0, mark=_finding_mark(each.finding))
            for each in page.found
        ),
        *([] if page.found else [Block(shown.say("first.nothing"))]),
        *([Block(page.more)] if page.more else []),
        *([heading(shown.say("change.heading"))] if page.changed else []),
        *(Block(text) for text in page.changed),
        heading(shown.say("first.do")),
        *(Block(text, gap_pt=3.0) for text in page.do),
        heading(shown.say("first.not_compared")),
        Block(page.not_compared),
        heading(shown.say("first.cannot")),
        *(Block(text, gap_pt=3.0) for text in page.cannot),
        Block(shown.say("first.surface_words"), gap_pt=8.0, faint=True),
        Block(shown.say("first.caution"), bold=True),
    ]


def figures_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """The findings in figures, for those who want to check; empty where there are none."""
    findings = findings_by_weight(inspection.judgement.findings)
    if not findings:
        return []
    blocks = [heading(shown.say("detail.findings")), Block(shown.say("detail.statistics"), faint=True)]
    for finding in findings:
        blocks.append(Block(visible(finding.text), indent_pt=_INDENT_PT, gap_pt=4.0, mark=_finding_mark(finding)))
        blocks.append(Block(_detail(finding), size_pt=7.0, indent_pt=_INDENT_PT, gap_pt=0.5, faint=True))
    return blocks


def watts_blocks(inspection: Inspection) -> list[Block]:
    """What each part draws by its heat beside what it may draw; empty where no part's watts are known beforehand."""
    rows = []
    for each in inspection.judgement.parts:
        seen = each.watts
        if seen is None or seen.allowed is None or seen.allowed.gives_no_heat:
            continue
        band = seen.allowed
        told = f"{each.measurement.part.ref}: {seen.power_w:.2g} ± {seen.u_w:.1g} W (k = 1); "
        told += f"typically {band.typical_w:.2g} W, at most {band.most_w:.2g} W by {band.source}"
        rows.append(Block(told, size_pt=7.5, gap_pt=1.0))
    return [heading("Watts by heat, and what is allowed"), *rows] if rows else []


def remark_blocks(inspection: Inspection) -> list[Block]:
    """What the stages remarked; empty where there is nothing."""
    remarks = inspection.remarks
    return [heading("Remarks"), *(Block(f"{remark[:1].upper()}{remark[1:]}") for remark in remarks)] if remarks else []


def provenance_blocks(inspection: Inspection) -> list[Block]:
    """Run, files with their hashes, camera, registration and software."""
    return [
        heading("Run"),
        *_facts(_run_facts(inspection)),
        heading("Files"),
        *_file_blocks(inspection),
        heading("Image and registration"),
        *_facts(_image_facts(inspection)),
        Block(registration_line(inspection)),
        *_baseline_blocks(inspection),
        heading("Software"),
        Block(", ".join(f"{name} {number or 'unknown'}" for name, number in software_versions().items())),
    ]


def caution_blocks(shown: Shown) -> list[Block]:
    """The usual cautions."""
    return [heading(shown.say("caution.heading")), *(Block(caution, gap_pt=3.0) for caution in caution_texts(shown))]


def caution_texts(shown: Shown) -> list[str]:
    """The usual cautions, as each report carries them."""
    return [shown.say(f"caution.{key}") for key in CAUTIONS]


def _finding_mark(finding: Finding) -> Mark:
    return VERDICT_MARKS["watch" if finding.level == "watch" else finding.direction]


def _detail(finding: Finding) -> str:
    told = [f"{finding.level}, {finding.direction}", f"rule: {finding.rule}"]
    if finding.excess_k is not None:
        spread = "" if finding.u_k is None else f" ± {finding.u_k:.1f} (k = 1)"
        told.append(f"{signed(finding.excess_k)}{spread} K")
    if finding.score is not None:
        told.append(f"score {finding.score:.1f}")
    if finding.own_k is not None and finding.received_k is not None:
        giver = f", most from {finding.source_ref}" if finding.source_ref else ""
        told.append(f"own heat {finding.own_k:.1f} K, received {finding.received_k:.1f} K{giver}")
    return "; ".join(told)


def _facts(facts: dict[str, object]) -> list[Block]:
    return [Block(f"{name}: {value}", gap_pt=1.0) for name, value in facts.items() if value is not None]


def _run_facts(inspection: Inspection) -> dict[str, object]:
    run = inspection.run
    facts: dict[str, object] = {
        "Board": " ".join(filter(None, [inspection.board.name, inspection.board.revision])),
        "Serial": run.board_serial,
        "Stage": run.stage,
        "Taken": run.taken.isoformat(sep=" ") if run.taken else None,
        "Operator": run.operator,
        "Time on": None if run.minutes_on is None else f"{run.minutes_on:g} min",
        "Ambient": f"{run.ambient_c:.1f} °C",
        "Reflected temperature": f"{run.reflected_c:.1f} °C",
        "Note": run.note,
    }
    if run.supply:
        rails = [f"{each.rail} {each.volts:g} V {each.amps:g} A ({each.watts:.2f} W)" for each in run.supply]
        facts["Supply"] = f"{'; '.join(rails)}; {sum(each.watts for each in run.supply):.2f} W in all"
    return facts


def _file_blocks(inspection: Inspection) -> list[Block]:
    board, run = inspection.board, inspection.run
    blocks = [
        Block(f"{what}: {path}", gap_pt=1.0)
        for what, path in (("Run file", run.path), ("Layout", board.path), ("Camera file", run.camera))
        if path is not None
    ]
    if board.sha256:
        blocks.append(Block(f"Layout's SHA-256: {board.sha256}", size_pt=7.0, indent_pt=_INDENT_PT, gap_pt=0.0))
    files: dict[tuple[Path, str], list[Frame]] = {}
    for frame in inspection.frames:
        files.setdefault((frame.source.path, frame.source.sha256), []).append(frame)
    for (path, sha256), frames in list(files.items())[:_MOST_FILES]:
        first = frames[0]
        rows, cols = first.shape
        pages = f", {len(frames)} pages" if len(frames) > 1 else ""
        told = f"Frames: {path}{pages}; {first.source.file_format} of {first.source.stored_as}, "
        told += f"{cols} x {rows} pixels, unit {first.unit} ({_UNIT_SOURCES.get(first.unit_source, first.unit_source)})"
        blocks.append(Block(told, gap_pt=3.0))
        blocks.append(Block(f"SHA-256: {sha256}", size_pt=7.0, indent_pt=_INDENT_PT, gap_pt=0.0))
    if len(files) > _MOST_FILES:
        blocks.append(Block(f"… and {len(files) - _MOST_FILES} files more, all in results.json."))
    return blocks


def _image_facts(inspection: Inspection) -> dict[str, object]:
    image = inspection.image
    low, high = image.band_um
    return {
        "Frames averaged": image.frames,
        "Noise a pixel (1 standard deviation)": f"{image.noise_k * 1000:.0f} mK",
        "Camera's accuracy (k = 1)": f"{image.accuracy_k:.2g} K",
        "Band": f"{low:g} to {high:g} µm",
        "Blur (1 standard deviation)": f"{image.blur_px:.2f} px",
        "Camera's own emissivity setting": f"{_camera_emissivity(inspection):g}",
    }


def _baseline_blocks(inspection: Inspection) -> list[Block]:
    if inspection.baseline is None:
        return []
    blocks = [heading("Baseline")]
    for number, run in enumerate(inspection.baseline.runs, start=1):
        told = [
            f"Known-good run {number}",
            f"serial {run.board_serial}" if run.board_serial else "",
            f"taken {run.taken}" if run.taken else "",
            run.stage or "",
            f"ambient {run.ambient_c:.1f} °C",
            f"{len(run.rise_k)} parts measured",
        ]
        blocks.append(Block("; ".join(filter(None, told)), gap_pt=1.0))
    return blocks


def _camera_emissivity(inspection: Inspection) -> float:
    """What the frames were taken with: the run's word, else the camera file's, else 1."""
    stated = (inspection.run.camera_emissivity, inspection.camera.emissivity)
    return next((value for value in stated if value is not None), 1.0)
