"""``thermscan record``: evidence that lasts, and what became of a board over the years."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import bench_of, run_from, run_options, shown_from, shown_options
from thermscan.cli.progress import stage_progress
from thermscan.cli.record_history import list_command, trend_command


@click.group("record", no_args_is_help=False)
def command() -> None:
    """
    What was seen, kept so that the next person can check it?

    Packs a run with its raw frames and result into one record, checks records, lists a folder of them, and shows how
    a board's parts changed from visit to visit.

    Example: thermscan record pack run.toml --baseline good.json --out 2026-05-02.zip
    """


@command.command("pack", short_help="Pack a run, its raw frames and its result into a record.")
@click.argument("inputs", nargs=-1, required=True, metavar="RUN.toml | FRAME...")
@run_options
@click.option(
    "--baseline", "baseline_file", metavar="FILE", help="Known-good runs, as 'thermscan baseline' wrote them."
)
@click.option("--before", "before_file", metavar="RUN", help="A look at the board before its repair, kept as well.")
@click.option(
    "--with",
    "also",
    multiple=True,
    type=click.Choice(["warmup", "locate"]),
    help="Of a recording: what 'thermscan warmup' or 'locate' tells of it, too; may be repeated.",
)
@click.option("--out", required=True, metavar="BAG|ZIP", help="The record: a folder, or a zip where it ends in .zip.")
@click.option("--photo", "photos", multiple=True, metavar="FILE", help="A photo to keep with it; may be repeated.")
@click.option("--attach", "attachments", multiple=True, metavar="FILE", help="A note or any file to keep with it.")
@click.option("--sign", "key_file", metavar="KEY", help="Sign with this private key (see 'thermscan record key').")
@shown_options
@click.option("--no-report", is_flag=True, help="Leave PDF and pictures out; results.json is always there.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON and nothing else.")
def pack(
    inputs: tuple[str, ...],
    *,
    baseline_file: str | None,
    before_file: str | None,
    also: tuple[str, ...],
    out: str,
    photos: tuple[str, ...],
    attachments: tuple[str, ...],
    key_file: str | None,
    no_report: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """
    What was seen, kept so that it can be checked in ten years?

    Copies frames, layout, run, baseline and camera file bit for bit, inspects the copies, and writes all with the
    result as a BagIt bag. Exit status: 0 when packed, whatever was found.

    Example: thermscan record pack run.toml --baseline good.json --photo board.jpg --out 2026-05-02.zip
    """
    from thermscan.archive.packing import ANOTHER_RECORD, PACK_STAGES, PackOptions, pack_record
    from thermscan.archive.signing import read_private_key
    from thermscan.inspection import STAGES
    from thermscan.runs.reading import read_run
    from thermscan.writing.tree import check_free

    show = {key: options.pop(key) for key in ("language", "units_shown")}
    target = Path(out)
    check_free(target, fix=ANOTHER_RECORD)
    key = read_private_key(Path(key_file)) if key_file else None
    run = run_from(inputs, options)
    packing = PackOptions(
        baseline=Path(baseline_file) if baseline_file else None,
        photos=[Path(name) for name in photos],
        attachments=[Path(name) for name in attachments],
        command=_command_line(out, key_file),
        key=key,
        report=not no_report,
        before=read_run(Path(before_file), bench=bench_of(options)) if before_file else None,
        also=tuple(dict.fromkeys(also)),
        shown=shown_from(show, habit=run.units_shown),
    )
    with stage_progress("packing", stages=(*also, *STAGES, *PACK_STAGES)) as progress:
        packed = pack_record(run, target, options=packing, progress=progress)
    written = packed.written
    if as_json:
        document = {
            "schema": "thermscan.record/1",
            "bag": str(written.path),
            "files": written.files,
            "bytes": written.size_bytes,
            "manifest_sha512": written.manifest_sha512,
            "overall": packed.overall,
            "refusal": packed.refusal,
        }
        click.echo(json.dumps(document, ensure_ascii=True, allow_nan=False, indent=2))
    else:
        click.echo(f"{written.path}: {written.files} files, {written.size_bytes} bytes; overall: {packed.overall}")
        click.echo(f"SHA-512 of its manifest: {written.manifest_sha512}")
    if packed.refusal:
        click.echo(f"packed without a result, since the run could not be judged: {packed.refusal}", err=True)
    return 0


def _command_line(out: str, key_file: str | None) -> list[str]:
    """The command as given; where the record went and which file holds the key are no part of the evidence."""
    given = click.get_current_context().obj
    words = ["thermscan", *(given if isinstance(given, tuple) else ("record", "pack"))]
    hidden = {out: "RECORD", f"--out={out}": "--out=RECORD"}
    if key_file:
        hidden |= {key_file: "KEY", f"--sign={key_file}": "--sign=KEY"}
    return [hidden.get(word, word) for word in words if word not in ("--json", "--debug")]


@command.command("verify", short_help="Is a record intact, and does it still give the same result?")
@click.argument("bags", nargs=-1, required=True, metavar="BAG...")
@click.option("--key", "key_files", multiple=True, metavar="PUB", help="A public key that you trust; may be repeated.")
@click.option("--need-signature", is_flag=True, help="A record that none of the given keys signed counts as damaged.")
@click.option("--no-derive", is_flag=True, help="Check the files only; do not derive the result again.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON and nothing else.")
def verify(
    bags: tuple[str, ...], *, key_files: tuple[str, ...], need_signature: bool, no_derive: bool, as_json: bool
) -> int:
    """
    Is a record as it was packed, and do its raw frames still give the same result?

    Checks every file, then derives the result again and compares it. Exit status: 0 intact and the same, 1 intact
    but numbers differ, 2 damaged.

    Example: thermscan record verify 2026-05-02.zip --key bench.key.pub
    """
    from thermscan.archive.signing import read_public_key
    from thermscan.archive.verifying import verification_lines, verification_text, verify_record
    from thermscan.errors import InputError
    from thermscan.inspection import STAGES

    keys = [read_public_key(Path(name)) for name in key_files]
    found, statuses = [], [0]
    stages = ("reading every file", *(() if no_derive else STAGES))
    with stage_progress("verifying", runs=len(bags), stages=stages) as progress:
        for name in bags:
            try:
                each = verify_record(
                    Path(name), keys=keys, derive=not no_derive, need_signature=need_signature, progress=progress
                )
            except InputError as error:
                click.echo("\n".join(error.lines()), err=True)
                statuses.append(error.exit_status)
                continue
            found.append(each)
            statuses.append(each.exit_status)
    if as_json:
        click.echo(verification_text(found))
    else:
        for each in found:
            for line in verification_lines(each):
                click.echo(line)
    return max(statuses)


@command.command("key", short_help="Make a key to sign records with.")
@click.argument("file", metavar="FILE")
def key(file: str) -> int:
    """
    Who packed this? Make a key that tells.

    Writes a private key to FILE and the public one beside it, as FILE.pub. Keep the first to yourself; give the
    second to whoever is to check your records. A lost private key cannot be had again: records signed with it stay
    checkable, new ones need a new key.

    Example: thermscan record key bench.key
    """
    from thermscan.archive.signing import fingerprint, make_key, raw_key, read_public_key

    public = make_key(Path(file))
    click.echo(f"private key: {file}; public key: {public}")
    click.echo(f"fingerprint: {fingerprint(raw_key(read_public_key(public)))}")
    return 0


command.add_command(list_command)
command.add_command(trend_command)
