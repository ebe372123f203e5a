"""A record looked at byte by byte, its signature, and its result derived again."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import field
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from thermscan.archive.checking import SIGNATURE_FILE, check_bag
from thermscan.archive.rederiving import Rederived, rederive
from thermscan.archive.signing import SIGNED_FILE, SignatureState, check_signature
from thermscan.archive.sources import READ_ERRORS, Damage, open_bag, read_whole
from thermscan.exit_status import BAD_INPUT, CLEAR, FINDING
from thermscan.frozen import dataclass
from thermscan.report.results import software_versions

SCHEMA = "thermscan.verification/1"


@dataclass(frozen=True, slots=True)
class Verification:
    """What is to be said of one record."""

    bag: Path
    damage: tuple[Damage, ...]
    rederived: Rederived
    signature: SignatureState
    key: str | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def intact(self) -> bool:
        """Every file is as it was packed."""
        return not self.damage

    @property
    def exit_status(self) -> int:
        """0 intact and the same, 1 intact but numbers differ, 2 damaged."""
        if not self.intact:
            return BAD_INPUT
        return FINDING if self.rederived.state == "differs" else CLEAR


def verify_record(
    bag: Path,
    *,
    keys: Sequence[Ed25519PublicKey] = (),
    derive: bool = True,
    need_signature: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Verification:
    """
    Is a record intact, who signed it, and does today's software find the same in it?

    Parameters
    ----------
    bag : Path
        A folder or a zip; nothing in it is trusted and nothing is written beside it.
    keys : sequence of public keys
        Those that the user trusts.
    derive : bool
        Derive the result again.
    need_signature : bool
        A record that no known key signed counts as damaged.
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        There is no such record.
    """
    with open_bag(bag) as files:
        if progress:
            progress("reading every file")
        try:
            check = check_bag(files)
        except READ_ERRORS as error:
            return Verification(bag, (Damage(bag.name, f"cannot be read ({error})"),), _NOT_INTACT, "none")
        damage = list(check.damage)
        signature = read_whole(files, SIGNATURE_FILE) if SIGNATURE_FILE in files.sizes else None
        signed = read_whole(files, SIGNED_FILE)
        state, key = check_signature(signature, signed, info_fingerprint=check.info.get("Signature-Key"), known=keys)
        if state == "bad" and not any(each.file == SIGNATURE_FILE for each in damage):
            damage.append(Damage(SIGNATURE_FILE, "does not fit: the record or its signature was changed"))
        if need_signature and state != "good":
            damage.append(Damage(SIGNATURE_FILE, "none of the given keys signed this record"))
        if damage:
            rederived = _NOT_INTACT
        elif not derive:
            rederived = Rederived("not tried", reason="not asked for")
        else:
            rederived = rederive(files, progress=progress)
    return Verification(bag, tuple(damage), rederived, state, key, check.notes)


_NOT_INTACT = Rederived("not tried", reason="the record is damaged")


def verification_document(verifications: Sequence[Verification]) -> dict[str, Any]:
    """What ``record verify --json`` prints."""
    return {
        "schema": SCHEMA,
        "bags": [_entry(each) for each in verifications],
        "software": software_versions(),
    }


def _entry(each: Verification) -> dict[str, Any]:
    again = each.rederived
    return {
        "bag": str(each.bag),
        "intact": each.intact,
        "damage": [{"file": damage.file, "what": damage.what} for damage in each.damage],
        "rederived": again.state,
        "reason": again.reason,
        "differences": [{"what": one.what, "was": one.was, "is": one.now} for one in again.differences],
        "signature": each.signature,
        "key": each.key,
        "software_changed": [{"name": name, "was": was, "is": now} for name, (was, now) in again.software.items()],
        "tables_changed": list(again.tables),
        "notes": list(each.notes),
    }


def verification_text(verifications: Sequence[Verification]) -> str:
    """The document as strict JSON."""
    return json.dumps(verification_document(verifications), ensure_ascii=True, allow_nan=False, indent=2)


def verification_lines(each: Verification) -> list[str]:
    """The same for a person, in lines."""
    lines = [f"{each.bag}: {_headline(each)}"]
    lines += [f"  {damage.file}: {damage.what}" for damage in each.damage]
    lines += [f"  {one.what}: was {_shown(one.was)}, is {_shown(one.now)}" for one in each.rederived.differences]
    changed = each.rederived.software
    if each.rederived.differences:
        was, now = changed.get("thermscan", (None, None))
        ours = software_versions()["thermscan"]
        told = f"thermscan {was} then, {now} now" if "thermscan" in changed else f"thermscan {ours} then and now"
        others = [f"{name} {was} then, {now} now" for name, (was, now) in changed.items() if name != "thermscan"]
        lines.append(f"  computed by {'; '.join([told, *others])}")
        lines += [f"  the table {name} is not that of then" for name in each.rederived.tables]
    if each.intact and each.rederived.state == "not tried":
        lines.append(f"  the result was not derived again: {each.rederived.reason}")
    lines.append(f"  signature: {_signature_line(each)}")
    return lines + [f"  note: {note}" for note in each.notes]


def _headline(each: Verification) -> str:
    if not each.intact:
        return f"DAMAGED, {len(each.damage)} fault{'s' if len(each.damage) != 1 else ''}"
    count = len(each.rederived.differences)
    return {
        "same": "intact, and the raw frames give the same result today",
        "differs": f"intact, but the raw frames give another result today ({count} differences)",
        "not tried": "intact",
    }[each.rederived.state]


def _signature_line(each: Verification) -> str:
    short = (each.key or "")[:16]
    return {
        "none": "none, so that nothing tells who packed it",
        "good": f"good, by the key {short} that was given",
        "bad": "bad: it does not fit this record",
        "unknown key": f"fits, but by the key {short}, which is not among those given with --key: "
        "it does not tell who signed",
    }[each.signature]


def _shown(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)
