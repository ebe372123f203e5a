"""What the report tells in words: findings, what was not measured, where it all came from, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from thermscan.frames.frame import Frame
from thermscan.inspection import Inspection
from thermscan.judge.finding import Finding
from thermscan.report.cautions import CAUTIONS
from thermscan.report.first_page import first_page, registration_text
from thermscan.report.flowing import Block, heading
from thermscan.report.gathering import findings_by_weight
from thermscan.report.lettering import signed
from thermscan.report.results import software_versions
from thermscan.report.sentences import in_words_of
from thermscan.report.shown import Shown, listed, visible
from thermscan.report.verdicts import OVERALL_MARKS, VERDICT_MARKS, Mark
from thermscan.runs.run import Supply
from thermscan.views.seen import SeenView

_INDENT_PT = 14.0

# There can be thousands of frames; results.json has them all.
_MOST_FILES = 24


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


def watts_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """What each part draws by its heat beside what it may draw; empty where no part's watts are known beforehand."""
    rows = []
    for each in inspection.judgement.parts:
        seen = each.watts
        if seen is None or seen.allowed is None or seen.allowed.gives_no_heat:
            continue
        band = seen.allowed
        told = shown.say(
            "about.watts",
            ref=visible(each.measurement.part.ref),
            drawn=_figures(seen.power_w, shown),
            u=_figures(seen.u_w, shown, digits=1),
            typical=_figures(band.typical_w, shown),
            most=_figures(band.most_w, shown),
            source=visible(band.source),
        )
        rows.append(Block(told, size_pt=7.5, gap_pt=1.0))
    return [heading(shown.say("about.watts_heading")), *rows] if rows else []


def views_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """Which parts were read from which of several views; empty where there was one."""
    views = sum(isinstance(view, SeenView) for view in inspection.views)
    if views < 2:
        return []
    refs: dict[tuple[int, ...], list[str]] = {}
    for each in inspection.measurements:
        if each.measurable:
            refs.setdefault(each.seen_in, []).append(each.part.ref)
    lines = [
        f"{shown.say('part.seen_in', views=', '.join(str(number + 1) for number in seen), n=views)}: {listed(named)}"
        for seen, named in sorted(refs.items(), key=lambda item: (-len(item[0]), item[0]))
    ]
    return [heading(shown.say("part.seen_from")), *(Block(line) for line in lines)]


def remark_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """What the stages remarked; empty where there is nothing."""
    told = [in_words_of(remark, shown)[0] for remark in inspection.remarks]
    if not told:
        return []
    return [heading(shown.say("detail.remarks")), *(Block(text) for text in told)]


def provenance_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """Run, files with their hashes, camera, registration and software."""
    software = [f"{name} {number or shown.say('about.unknown')}" for name, number in software_versions().items()]
    return [
        heading(shown.say("about.run")),
        *_facts(_run_facts(inspection, shown), shown),
        *_stage_blocks(inspection, shown),
        heading(shown.say("about.files")),
        *_file_blocks(inspection, shown),
        heading(shown.say("about.image")),
        *_facts(_image_facts(inspection, shown), shown),
        Block(registration_text(inspection, shown)),
        *_baseline_blocks(inspection, shown),
        heading(shown.say("about.software")),
        Block(", ".join(software)),
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


def _facts(facts: dict[str, str | None], shown: Shown) -> list[Block]:
    told = [(shown.say(f"about.{key}"), value) for key, value in facts.items() if value]
    return [Block(f"{name}: {visible(value)}", gap_pt=1.0) for name, value in told]


def _figures(value: float, shown: Shown, *, digits: int = 2) -> str:
    """A number of so many figures, in the language's way."""
    return f"{value:.{digits}g}".replace(".", shown.say("number.decimal"))


def _plain(value: float, shown: Shown) -> str:
    return f"{value:g}".replace(".", shown.say("number.decimal"))


def _rails(supply: Sequence[Supply], shown: Shown) -> list[str]:
    return [
        f"{each.rail} {_plain(each.volts, shown)} V {_plain(each.amps, shown)} A ({shown.number(each.watts, 2)} W)"
        for each in supply
    ]


def _stage_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    """The stages of the first power, one below the other: readings, how long it was watched, what was alarming."""
    blocks = []
    for each in inspection.run.stages:
        told = [": ".join(filter(None, [each.stage or shown.say("about.stage_unnamed"), each.at]))]
        told += [shown.say("about.stage_supply", rails="; ".join(_rails(each.supply, shown)))] if each.supply else []
        told += [f"{shown.say('about.note')}: {each.note}"] if each.note else []
        if each.frames:
            minutes = shown.number(each.minutes or 0.0, 1)
            told.append(shown.say("about.stage_watched", frames=each.frames, minutes=minutes))
            told.append("; ".join(text for _, text in each.alarms) or shown.say("about.stage_quiet"))
        blocks.append(Block(visible(f"{'. '.join(told)}."), gap_pt=2.0))
    return [heading(shown.say("about.stages")), *blocks] if blocks else []


def _run_facts(inspection: Inspection, shown: Shown) -> dict[str, str | None]:
    run = inspection.run
    rails = _rails(run.supply, shown)
    watts = shown.number(sum(each.watts for each in run.supply), 2)
    minutes = None if run.minutes_on is None else shown.say("number.minutes", value=_plain(run.minutes_on, shown))
    return {
        "board": " ".join(filter(None, [inspection.board.name, inspection.board.revision])),
        "serial": run.board_serial,
        "stage": run.stage,
        "taken": run.taken.isoformat(sep=" ") if run.taken else None,
        "operator": run.operator,
        "minutes_on": minutes,
        "ambient": shown.temp(run.ambient_c),
        "reflected": shown.temp(run.reflected_c),
        "note": run.note,
        "supply": shown.say("about.supply_line", rails="; ".join(rails), watts=watts) if rails else None,
    }


def _file_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    board, run = inspection.board, inspection.run
    named = {"run_file": run.path, "layout": board.path, "camera_file": run.camera}
    blocks = _facts({key: str(path) if path else None for key, path in named.items()}, shown)
    if board.sha256:
        told = shown.say("about.layout_sha256", digest=board.sha256)
        blocks.append(Block(told, size_pt=7.0, indent_pt=_INDENT_PT, gap_pt=0.0))
    files: dict[tuple[Path, str], list[Frame]] = {}
    for frame in inspection.frames:
        files.setdefault((frame.source.path, frame.source.sha256), []).append(frame)
    for (path, sha256), frames in list(files.items())[:_MOST_FILES]:
        first = frames[0]
        rows, cols = first.shape
        source = f"about.unit_{first.unit_source}"
        told = shown.say(
            "about.frames",
            path=path,
            pages=shown.say("about.pages", n=len(frames)) if len(frames) > 1 else "",
            kind=first.source.file_format,
            stored=first.source.stored_as,
            size=f"{cols} x {rows}",
            unit=first.unit,
            source=shown.say(source) if shown.has(source) else first.unit_source,
        )
        blocks.append(Block(told, gap_pt=3.0))
        blocks.append(Block(f"SHA-256: {sha256}", size_pt=7.0, indent_pt=_INDENT_PT, gap_pt=0.0))
    if len(files) > _MOST_FILES:
        blocks.append(Block(shown.say("about.more_files", n=len(files) - _MOST_FILES)))
    return blocks


def _image_facts(inspection: Inspection, shown: Shown) -> dict[str, str | None]:
    image = inspection.image
    low, high = image.band_um
    return {
        "averaged": str(image.frames),
        "noise": f"{shown.number(image.noise_k * 1000, 0)} mK",
        "accuracy": f"{_figures(image.accuracy_k, shown)} K",
        "band": shown.say("about.band_line", low=_plain(low, shown), high=_plain(high, shown)),
        "blur": f"{shown.number(image.blur_px, 2)} px",
        "emissivity": _plain(_camera_emissivity(inspection), shown),
    }


def _baseline_blocks(inspection: Inspection, shown: Shown) -> list[Block]:
    if inspection.baseline is None:
        return []
    blocks = [heading(shown.say("about.baseline"))]
    for number, run in enumerate(inspection.baseline.runs, start=1):
        told = [
            shown.say("about.good_run", n=number),
            shown.say("head.serial", value=visible(run.board_serial)) if run.board_serial else "",
            shown.say("head.taken", value=visible(run.taken)) if run.taken else "",
            visible(run.stage or ""),
            shown.say("head.room", value=shown.temp(run.ambient_c)),
            shown.say("about.parts_measured", n=len(run.rise_k)),
        ]
        blocks.append(Block("; ".join(filter(None, told)), gap_pt=1.0))
    return blocks


def _camera_emissivity(inspection: Inspection) -> float:
    """What the frames were taken with: the run's word, else the camera file's, else 1."""
    stated = (inspection.run.camera_emissivity, inspection.camera.emissivity)
    return next((value for value in stated if value is not None), 1.0)
