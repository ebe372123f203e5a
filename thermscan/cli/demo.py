"""``thermscan demo``: the sample job, written out and run."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.demo_records import VISITS, history_document, history_lines, pack_visits
from thermscan.cli.options import tell_backups
from thermscan.cli.progress import stage_progress
from thermscan.errors import InputError
from thermscan.resources import data_path
from thermscan.writing import make_folder, put_files

if TYPE_CHECKING:
    from thermscan.inspection import Inspection

ANOTHER = "name a folder that you may write to"
DEFAULT_FOLDER = "thermscan-demo"
# Its presence says that the folder is the demo's own and may be written again.
MARKER = "made-by-thermscan-demo.txt"
GOOD_RUNS = ("good-1", "good-2", "good-3")
TEST_RUNS = ("shorted-latch", "dead-ram", "warm-neighbour", "recording")
BASELINE_FILE = "good.json"
# Recordings: a power-up against that of a good board, and a supply switched onto a short.
GOOD_POWER_UP, POWER_UP, SHORT = "good-power-up", "power-up", "shorted-capacitor"
# A folder as another program saves frames into it, for ``watch``: the power-up's, which are all there already.
WATCHED = "live"


@click.command("demo")
@click.argument("folder", default=DEFAULT_FOLDER, metavar="[DIR]")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON and nothing else.")
def command(folder: str, as_json: bool) -> int:
    """
    What does thermscan do with a whole job?

    Writes the sample to DIR (default: ./thermscan-demo): the controller board of an invented station's
    departure display, three good runs and four to be judged. Learns the good ones, inspects the others and
    writes their reports; packs three visits to one board as records and shows what changed. Exit status: 0 when
    the demo ran, although the sample's faults are found.

    Example: thermscan demo try-it
    """
    target = Path(folder)
    _write_sample(target)
    with stage_progress("running the sample", stages=_stages()) as progress:
        inspections = _run_sample(target, progress)
        history = pack_visits(target, progress=progress)
    recordings = _run_recordings(target)
    if as_json:
        document = _document(inspections, target) | history_document(history, target) | {"recordings": recordings}
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        told = [*_summary(inspections, target), *history_lines(history, target), *_recording_lines(recordings, target)]
        for line in [*told, _by_hand(target)]:
            click.echo(line)
    return 0


def _stages() -> tuple[str, ...]:
    """Every step of the demo, in order, for its bar."""
    from thermscan.archive.packing import PACK_STAGES
    from thermscan.inspection import STAGES

    judged = (*STAGES, "report")
    return (*STAGES * len(GOOD_RUNS), *judged * len(TEST_RUNS), *(*STAGES, *PACK_STAGES) * len(VISITS))


def _write_sample(target: Path) -> None:
    """Copy the sample's files; a folder with anything of someone else's in it is refused."""
    if target.exists() and not target.is_dir():
        raise InputError("is a file, not a folder", where=str(target), fix="name another folder")
    if target.is_dir() and any(target.iterdir()) and not (target / MARKER).is_file():
        fix = "name another folder, such as: thermscan demo try-it"
        raise InputError("the folder is not empty and was not made by the demo", where=str(target), fix=fix)
    sources = [path for path in sorted(data_path("samples", "departure_display").iterdir()) if path.is_file()]
    contents = {target / source.name: source.read_bytes() for source in sources}
    contents[target / MARKER] = b"thermscan demo made this folder and may write it again.\n"
    contents[target / WATCHED / f"{POWER_UP}.tiff"] = contents[target / f"{POWER_UP}.tiff"]
    make_folder(target, fix=ANOTHER)
    make_folder(target / WATCHED, fix=ANOTHER)
    # What was worked on since the last time is kept beside it.
    tell_backups(put_files(contents, inputs=sources, fix=ANOTHER))


def _run_sample(target: Path, progress: Callable[[str], None]) -> dict[str, Inspection]:
    """The same steps that ``baseline`` and ``inspect`` take, in order."""
    from thermscan.inspection import inspect_run
    from thermscan.judge.baseline_file import write_baseline
    from thermscan.judge.learning import learn_baseline
    from thermscan.report.report import write_report
    from thermscan.runs.reading import read_run

    good = [inspect_run(read_run(target / f"{name}.toml", bench=False), progress=progress) for name in GOOD_RUNS]
    baseline = learn_baseline(good)
    tell_backups([write_baseline(baseline, target / BASELINE_FILE)])
    inspections = {}
    for name in TEST_RUNS:
        run = read_run(target / f"{name}.toml", bench=False)
        inspections[name] = inspect_run(run, baseline=baseline, progress=progress)
        progress("report")
        write_report(inspections[name], _report_folder(target, name))
    return inspections


def _run_recordings(target: Path) -> list[dict[str, Any]]:
    """The steps that ``warmup`` and ``locate`` take; what each found to act on."""
    from thermscan.dynamics.locate_run import locate_run
    from thermscan.dynamics.warmup_run import warm_up_run
    from thermscan.report.time_report import (
        LOCATE_FILES,
        WARM_UP_FILES,
        reserved_results,
        write_located,
        write_warm_up,
    )
    from thermscan.runs.reading import read_run

    runs = {name: read_run(target / f"{name}.toml", overrides={}) for name in (GOOD_POWER_UP, POWER_UP, SHORT)}
    warm_up = warm_up_run(runs[POWER_UP], good_run=runs[GOOD_POWER_UP])
    with reserved_results(_report_folder(target, POWER_UP), WARM_UP_FILES, inputs=runs[POWER_UP].files) as folder:
        write_warm_up(warm_up, folder)
    located = locate_run(runs[SHORT])
    with reserved_results(_report_folder(target, SHORT), LOCATE_FILES, inputs=runs[SHORT].files) as folder:
        write_located(located, folder)
    found = ((POWER_UP, warm_up.findings), (SHORT, located.findings))
    return [
        {
            "run": name,
            "report": str(_report_folder(target, name)),
            "act": [
                {"ref": each.ref, "rule": each.rule, "text": each.text} for each in findings if each.level == "act"
            ],
        }
        for name, findings in found
    ]


def _recording_lines(recordings: list[dict[str, Any]], target: Path) -> list[str]:
    lines = [""]
    for each in recordings:
        lines += [
            f"{each['run']} (a recording):",
            *(f"  {act['text']}" for act in each["act"]),
            f"  {each['report']}",
            "",
        ]
    run, good = target / f"{POWER_UP}.toml", target / f"{GOOD_POWER_UP}.toml"
    lines.append(f"The same by hand: thermscan warmup {run} --baseline-run {good} --out warm-up")
    lines.append(f"                  thermscan watch {target / WATCHED} --run {run} --baseline-run {good} --once")
    lines.append(f"                  thermscan locate {target / f'{SHORT}.toml'} --out short")
    return lines


def _report_folder(target: Path, name: str) -> Path:
    return target / "reports" / name


def _summary(inspections: dict[str, Inspection], target: Path) -> list[str]:
    lines = [f"The sample job is in {target}: {len(GOOD_RUNS)} good runs learned, {len(TEST_RUNS)} runs judged.", ""]
    for name, inspection in inspections.items():
        lines.append(f"{name}: {_overall(inspection)}")
        lines += [f"  {line}" for line in _faults(inspection)]
        lines += [f"  report: {_report_folder(target, name) / 'report.pdf'}", ""]
    return lines


def _by_hand(target: Path) -> str:
    run = target / f"{TEST_RUNS[0]}.toml"
    return f"The same by hand: thermscan inspect {run} --baseline {target / BASELINE_FILE} --out report"


def _overall(inspection: Inspection) -> str:
    return {
        "clear": "nothing to act on",
        "watch": "nothing to act on, something to watch",
        "act": "something to act on",
        "undecided": "could not be decided",
    }[inspection.judgement.overall]


def _faults(inspection: Inspection) -> list[str]:
    """One line for each part to act on: what it is, hot or cold, by how much."""
    lines = []
    for finding in _to_act_on(inspection):
        part = inspection.board.part(finding.ref) if finding.ref else None
        name = f"{finding.ref} ({part.kind})" if part and part.kind else finding.ref or "a place with no part"
        amount = "" if finding.excess_k is None else f" by {abs(finding.excess_k):.1f} K"
        sure = "" if finding.u_k is None else f" (standard uncertainty {finding.u_k:.1f} K)"
        lines.append(f"{name}: {finding.direction}{amount}{sure}")
    return lines


def _to_act_on(inspection: Inspection) -> list[Any]:
    """The strongest finding of each part, in the judge's order."""
    strongest: dict[str | None, Any] = {}
    for finding in inspection.judgement.findings:
        if finding.level == "act":
            known = strongest.get(finding.ref)
            if known is None or abs(finding.score or 0.0) > abs(known.score or 0.0):
                strongest[finding.ref] = finding
    return list(strongest.values())


def _document(inspections: dict[str, Inspection], target: Path) -> dict[str, Any]:
    runs = [
        {
            "run": name,
            "overall": inspection.judgement.overall,
            "report": str(_report_folder(target, name) / "report.pdf"),
            "act": [
                {
                    "ref": finding.ref,
                    "rule": finding.rule,
                    "direction": finding.direction,
                    "excess_k": finding.excess_k,
                    "u_k": finding.u_k,
                    "text": finding.text,
                }
                for finding in _to_act_on(inspection)
            ],
        }
        for name, inspection in inspections.items()
    ]
    return {"schema": "thermscan.demo/1", "folder": str(target), "runs": runs}
