"""One run packed into a record that lasts: evidence, result, and all that derives the one from the other again."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from thermscan.archive.bag_writing import Written, finish_bag
from thermscan.archive.checking import CONTENTS_FILE, RECORD_MARK, SIGNATURE_FILE
from thermscan.archive.crate import METADATA_FILE, crate_text, readme_text
from thermscan.archive.plain_frames import write_plain_frames
from thermscan.archive.portable import portable
from thermscan.archive.signing import fingerprint, raw_key, signature_text
from thermscan.archive.staging import RUN_FILE, Staged, stage_inputs
from thermscan.archive.time_evidence import KINDS, time_contents
from thermscan.errors import CannotJudge, ThermscanError
from thermscan.frozen import dataclass
from thermscan.inspection import Inspection, inspect_run
from thermscan.judge.baseline_file import read_baseline
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.report.gathering import flagged_verdicts
from thermscan.report.report import report_contents
from thermscan.report.results import results_document, results_text, software_versions
from thermscan.report.shown import Shown
from thermscan.resources import data_path
from thermscan.runs.run import Run
from thermscan.writing.tree import Tree, fresh_tree

RECORD_VERSION = "1"
RESULTS_FILE = "report/results.json"
# The look before a repair has a folder of its own, with a run file of its own.
BEFORE = "before"
ANOTHER_RECORD = "choose another name with --out, or move the old record away"
CONTENTS_SCHEMA = "thermscan.record-contents/1"
Progress = Callable[[str], None]
# Shown while a record is packed, after the stages of the inspection.
PACK_STAGES = ("copying", "report", "plain frames", "writing")


@dataclass(frozen=True, slots=True)
class Packed:
    """A record in its place, with what was found."""

    written: Written
    overall: str
    inspection: Inspection | None
    refusal: str | None = None


@dataclass(frozen=True, slots=True)
class PackOptions:
    """What goes into a record beside the run; see ``record pack --help``."""

    baseline: Path | None = None
    photos: Sequence[Path] = ()
    attachments: Sequence[Path] = ()
    command: Sequence[str] = ()
    key: Ed25519PrivateKey | None = None
    report: bool = True
    # A look at the same board before its repair.
    before: Run | None = None
    # What else the run's recording is to tell; see ``thermscan.archive.time_evidence.KINDS``.
    also: Sequence[str] = ()
    shown: Shown = field(default_factory=Shown)


def pack_record(run: Run, out: Path, *, options: PackOptions, progress: Progress | None = None) -> Packed:
    """
    Copy a run's files, inspect the copies, and write both as a BagIt bag.

    The result is derived from the copies, so that what is in the record is what was judged. A run that cannot be
    judged is packed without a result, with the reason.

    Parameters
    ----------
    run : Run
    out : Path
        A folder, or a zip where the name ends in ``.zip``; must not exist.
    options : PackOptions
    progress : callable, optional
        Told each stage.

    Raises
    ------
    InputError
        An input cannot be read, or the record not written. Nothing is left behind then.
    """
    tell = progress or _tell_nobody
    before_files = options.before.files if options.before else ()
    inputs = (*run.files, *before_files, options.baseline, *options.photos, *options.attachments)
    if options.baseline is not None:
        read_baseline(options.baseline)  # told by the name that the user knows
    with fresh_tree(out, inputs=inputs, fix=ANOTHER_RECORD) as tree:
        data = Tree(tree.path / "data")
        tell("copying")
        staged = stage_inputs(
            run,
            data,
            baseline=options.baseline,
            photos=options.photos,
            attachments=options.attachments,
        )
        before = stage_inputs(options.before, Tree(data.path / BEFORE), baseline=None) if options.before else None
        made = made_at(run)
        try:
            board = read_board(staged.run.layout) if staged.run.layout else None
            _write_time_results(staged, data, options.also, tell=tell)
            inspection, refusal = _inspected(staged, before, tell)
            _write_result(inspection, data, options=options, made=made, tell=tell)
            tell("plain frames")
            write_plain_frames(staged.run, data)
            if before:
                write_plain_frames(before.run, Tree(before.root))
        except ThermscanError as error:
            raise staged.told(before.told(error) if before else error) from error
        contents = _contents(staged, inspection, board, refusal=refusal, options=options)
        _describe(data, contents, run, made=made, has_results=inspection is not None)
        tell("writing")
        written = finish_bag(
            tree,
            out,
            info=_info(contents, made, options.key),
            made=made,
            sign=None if options.key is None else _signer(options.key),
            signature_file=SIGNATURE_FILE,
        )
    return Packed(written, contents["overall"], inspection, refusal)


def made_at(run: Run) -> datetime:
    """
    The time that a record bears: SOURCE_DATE_EPOCH where it is set, else the run's ``taken``, else its newest frame's.

    References
    ----------
    .. [1] Reproducible Builds, SOURCE_DATE_EPOCH specification 1.1.
    """
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isdecimal() and len(epoch) <= 11:
        return datetime.fromtimestamp(int(epoch), UTC)
    if run.taken is not None:
        return run.taken if run.taken.tzinfo else run.taken.replace(tzinfo=UTC)
    newest = max(int(path.stat().st_mtime) for path in run.frames)
    return datetime.fromtimestamp(newest, UTC)


def table_digests() -> dict[str, str]:
    """SHA-256 of each calibration table that a result may hang on."""
    folder = data_path("calibration")
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.glob("*.csv"))}


def _inspected(staged: Staged, before: Staged | None, tell: Progress) -> tuple[Inspection | None, str | None]:
    baseline = read_baseline(staged.baseline) if staged.baseline else None
    try:
        former = inspect_run(before.run, baseline=baseline, progress=tell) if before else None
        inspection = inspect_run(staged.run, baseline=baseline, before=former, progress=tell)
    except CannotJudge as error:
        return None, "; ".join(str(fault) for fault in error.faults).replace(f"{staged.root}/", "")
    return portable(inspection, staged.root), None


def _write_result(
    inspection: Inspection | None, data: Tree, *, options: PackOptions, made: datetime, tell: Progress
) -> None:
    tell("report")
    if inspection is None:
        return
    if not options.report:
        data.put(RESULTS_FILE, results_text(results_document(inspection)).encode("utf-8"))
        return
    for name, content in report_contents(inspection, options.shown, made=made).items():
        data.put(f"{PurePosixPath(RESULTS_FILE).parent}/{name}", content)


def _write_time_results(staged: Staged, data: Tree, kinds: Sequence[str], *, tell: Progress) -> None:
    baseline = read_baseline(staged.baseline) if staged.baseline and kinds else None
    for kind in kinds:
        tell(kind)
        for name, content in time_contents(kind, staged.run, staged.root, baseline=baseline).items():
            data.put(f"{PurePosixPath(RESULTS_FILE).parent}/{name}", content)


def _contents(
    staged: Staged, inspection: Inspection | None, board: Board | None, *, refusal: str | None, options: PackOptions
) -> dict[str, Any]:
    run = staged.run
    again = ["thermscan", "inspect", RUN_FILE]
    if staged.baseline:
        again += ["--baseline", staged.baseline.relative_to(staged.root).as_posix()]
    if options.before:
        again += ["--before", f"{BEFORE}/{RUN_FILE}"]
    return {
        "schema": CONTENTS_SCHEMA,
        "board": board.name if board else "",
        "revision": board.revision if board else None,
        "serial": run.board_serial,
        "taken": run.taken.isoformat() if run.taken else None,
        "stage": run.stage,
        "overall": inspection.judgement.overall if inspection else "undecided",
        "flagged": [each.measurement.part.ref for each in flagged_verdicts(inspection)] if inspection else [],
        "refusal": refusal,
        "results": RESULTS_FILE if inspection else None,
        "run": RUN_FILE,
        "baseline": staged.baseline.relative_to(staged.root).as_posix() if staged.baseline else None,
        "before": f"{BEFORE}/{RUN_FILE}" if options.before else None,
        "also": {kind: f"{PurePosixPath(RESULTS_FILE).parent}/{KINDS[kind]}" for kind in options.also},
        "command": list(options.command),
        "derive_again": " ".join(again),
        "software": software_versions(),
        "tables_sha256": table_digests(),
    }


def _describe(data: Tree, contents: Mapping[str, Any], run: Run, *, made: datetime, has_results: bool) -> None:
    """record.json, the note for readers, and the RO-Crate's description of all files."""
    root = data.path
    text = json.dumps(contents, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    data.put(PurePosixPath(CONTENTS_FILE).name, text.encode("utf-8"))
    names = sorted(path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file())
    data.put("README.txt", readme_text(names).encode("utf-8"))
    files = {name: (root / name).stat().st_size for name in sorted([*names, "README.txt"])}
    crate = crate_text(
        files,
        contents,
        results=RESULTS_FILE if has_results else None,
        date=made.isoformat(),
        operator=run.operator,
    )
    data.put(METADATA_FILE, crate.encode("utf-8"))


def _info(contents: Mapping[str, Any], made: datetime, key: Ed25519PrivateKey | None) -> list[tuple[str, str]]:
    described = [contents["board"], contents["revision"], contents["serial"] and f"serial {contents['serial']}"]
    pairs = [
        ("Bag-Software-Agent", f"thermscan {contents['software'].get('thermscan')}"),
        ("Bagging-Date", made.date().isoformat()),
        ("External-Description", f"thermal record of {' '.join(filter(None, described))}"),
        (RECORD_MARK, RECORD_VERSION),
    ]
    if contents["serial"]:
        pairs.append(("External-Identifier", contents["serial"]))
    if key is not None:
        pairs.append(("Signature-Key", fingerprint(raw_key(key.public_key()))))
    return pairs


def _signer(key: Ed25519PrivateKey) -> Callable[[bytes], bytes]:
    return lambda signed: signature_text(signed, key)


def _tell_nobody(stage: str) -> None:
    """No progress is wanted."""
