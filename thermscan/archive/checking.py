"""Is a bag intact? Every file it lists is there and unchanged, and nothing is there that it does not list."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import field

from thermscan.archive.names import path_fault, path_in_manifest, same_name_key
from thermscan.archive.sources import READ_ERRORS, BagFiles, Damage, digests_of, printable_name, read_whole
from thermscan.archive.tag_files import Declaration, read_declaration, read_pairs, tag_text
from thermscan.frozen import dataclass

ALGORITHMS = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")
RECORD_MARK = "Thermscan-Record"
CONTENTS_FILE = "data/record.json"
SIGNATURE_FILE = "signature-ed25519.json"
_MANIFEST = re.compile(r"(tag)?manifest-([A-Za-z0-9-]+)\.txt")
_LINE = re.compile(r"([0-9A-Fa-f]+)(?:[ \t]+\*?|\*)(.+)")
Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class BagCheck:
    """
    What a look at every byte of a bag told.

    Attributes
    ----------
    damage : tuple of Damage
        Empty: the bag is whole, and a valid BagIt bag.
    notes : tuple of str
        Odd, but allowed by BagIt.
    info : dict
        The first value of each label in bag-info.txt.
    is_record : bool
        Made by ``record pack``: there are results to derive again.
    """

    damage: tuple[Damage, ...]
    notes: tuple[str, ...] = field(default=())
    info: Mapping[str, str] = field(default_factory=dict)
    is_record: bool = False


@dataclass(slots=True)
class _Manifest:
    name: str
    algorithm: str
    is_tag: bool
    lines: dict[str, str] = field(default_factory=dict)


def check_bag(files: BagFiles, *, progress: Progress | None = None) -> BagCheck:
    """
    Compare a bag with its manifests.

    Parameters
    ----------
    files : BagFiles
    progress : callable, optional
        Told the bytes of each file read.

    References
    ----------
    .. [1] J. Kunze et al., The BagIt File Packaging Format (V1.0), RFC 8493, 2018; section 3, complete and valid.
       Stricter here: ``fetch.txt`` is refused, since a record holds all its evidence, and a bag that thermscan made
       lists every tag file twice, in manifests by two algorithms, so that damage to one of them shows which.
    """
    damage, notes = list(files.damage), list[str]()
    declaration = read_declaration(files, damage)
    info = _info(files, declaration, damage)
    is_record = RECORD_MARK in info or CONTENTS_FILE in files.sizes
    manifests = _manifests(files, declaration, damage)
    if "fetch.txt" in files.sizes:
        damage.append(Damage("fetch.txt", "names files elsewhere; a record must hold all of its own"))
    if not any(name.startswith("data/") for name in files.sizes) and not _has_data_folder(files):
        damage.append(Damage("data", "the folder of the payload is missing"))
    payload = [each for each in manifests if not each.is_tag]
    tags = [each for each in manifests if each.is_tag]
    if not payload:
        damage.append(Damage("manifest-sha512.txt", "is missing: there is no manifest of the payload"))
    if is_record:
        damage.extend(_record_faults(files, manifests, info))
    found = _compare(files, manifests, damage, progress)
    _complete(files, payload, damage, every=declaration.version >= (1, 0))
    if declaration.version >= (1, 0):
        _tag_manifests_sound(tags, payload, damage)
    _tags_listed(files, tags, damage, notes, strict=is_record)
    _blame_manifests(tags, found, damage)
    _check_oxum(files, info, damage)
    return BagCheck(tuple(_once(damage)), tuple(notes), info, is_record)


def _info(files: BagFiles, declaration: Declaration, damage: list[Damage]) -> dict[str, str]:
    name = "bag-info.txt" if "bag-info.txt" in files.sizes else "package-info.txt"
    data = read_whole(files, name)
    if data is None:
        return {}
    text = tag_text(data, declaration.encoding)
    if text is None:
        damage.append(Damage(name, f"is not {declaration.encoding} text"))
        return {}
    pairs, faults = read_pairs(text, strict=declaration.version >= (1, 0))
    damage.extend(Damage(name, fault) for fault in faults)
    if sum(label == "Payload-Oxum" for label, _ in pairs) > 1 and declaration.version >= (1, 0):
        # RFC 8493, 2.2.2: it must not be there more than once.
        damage.append(Damage(name, "states Payload-Oxum more than once"))
    info: dict[str, str] = {}
    for label, value in pairs:
        info.setdefault(label, value)
    return info


def _manifests(files: BagFiles, declaration: Declaration, damage: list[Damage]) -> list[_Manifest]:
    found = []
    for name in sorted(files.sizes):
        if not (match := _MANIFEST.fullmatch(name)):
            continue
        algorithm = match[2].lower().replace("-", "")
        if algorithm not in ALGORITHMS:
            damage.append(Damage(name, f'its algorithm "{match[2]}" is not known here: nothing it lists was checked'))
            continue
        data = read_whole(files, name)
        text = tag_text(data, declaration.encoding) if data is not None else None
        if text is None:
            damage.append(Damage(name, f"cannot be read as {declaration.encoding} text"))
            continue
        manifest = _Manifest(name, algorithm, bool(match[1]))
        _read_lines(manifest, text, declaration, damage)
        found.append(manifest)
    return found


def _read_lines(manifest: _Manifest, text: str, declaration: Declaration, damage: list[Damage]) -> None:
    digits = {"md5": 32, "sha1": 40, "sha224": 56, "sha256": 64, "sha384": 96, "sha512": 128}[manifest.algorithm]
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line)
        if match is None or len(match[1]) != digits:
            damage.append(Damage(manifest.name, f"line {number} is not a digest and a path"))
            continue
        path = path_in_manifest(match[2]) if declaration.version >= (1, 0) else match[2].removeprefix("./")
        if fault := path_fault(path):
            damage.append(Damage(manifest.name, f'line {number}: "{printable_name(path)[:120]}" {fault}'))
        elif manifest.is_tag == path.startswith("data/"):
            what = "the payload" if manifest.is_tag else "no payload"
            damage.append(Damage(manifest.name, f'line {number}: "{printable_name(path)[:120]}" is {what}'))
        elif path in manifest.lines:
            damage.append(Damage(manifest.name, f'line {number}: "{printable_name(path)[:120]}" is listed twice'))
        else:
            manifest.lines[path] = match[1].lower()
    keys: dict[str, str] = {}
    for path in manifest.lines:
        other = keys.setdefault(same_name_key(path), path)
        if other != path:
            damage.append(Damage(manifest.name, f'lists "{path}" and "{other}", one name on some systems'))


def _compare(
    files: BagFiles, manifests: list[_Manifest], damage: list[Damage], progress: Progress | None
) -> dict[str, dict[str, str]]:
    """Read every listed file once; its digests by algorithm."""
    listed: dict[str, list[_Manifest]] = {}
    for manifest in manifests:
        for path in manifest.lines:
            listed.setdefault(path, []).append(manifest)
    found: dict[str, dict[str, str]] = {}
    for path, by in listed.items():
        if path not in files.sizes:
            if not any(each.file == path for each in files.damage):
                damage.append(Damage(path, f"is missing, though {by[0].name} lists it"))
            continue
        try:
            found[path] = digests_of(files, path, tuple(dict.fromkeys(each.algorithm for each in by)))
        except READ_ERRORS as error:
            damage.append(Damage(path, f"cannot be read ({error})"))
            continue
        if progress:
            progress(files.sizes[path])
        for manifest in by:
            if found[path][manifest.algorithm] != manifest.lines[path]:
                damage.append(Damage(path, f"is not what was packed: {manifest.name} has another digest"))
    return found


def _complete(files: BagFiles, payload: list[_Manifest], damage: list[Damage], *, every: bool) -> None:
    """Each payload file is listed: in every manifest since BagIt 1.0, in one of them before."""
    for name in files.sizes:
        if not name.startswith("data/") or not payload:
            continue
        missing = [each.name for each in payload if name not in each.lines]
        if missing and (every or len(missing) == len(payload)):
            damage.append(Damage(printable_name(name), f"was added: {missing[0]} does not list it"))


def _tag_manifests_sound(tags: list[_Manifest], payload: list[_Manifest], damage: list[Damage]) -> None:
    """Each tag manifest lists every payload manifest and no tag manifest (RFC 8493, 2.2.1)."""
    for manifest in tags:
        lacking = [each.name for each in payload if each.name not in manifest.lines]
        damage.extend(Damage(manifest.name, f"does not list {name}, as each tag manifest must") for name in lacking)
        wrong = [path for path in manifest.lines if re.fullmatch(r"tagmanifest-[^/]*\.txt", path)]
        damage.extend(Damage(manifest.name, f"lists {name}, a tag manifest, which none may") for name in wrong)


def _tags_listed(
    files: BagFiles, tags: list[_Manifest], damage: list[Damage], notes: list[str], *, strict: bool
) -> None:
    for name in files.sizes:
        if name.startswith("data/") or name == SIGNATURE_FILE or re.fullmatch(r"tagmanifest-.*\.txt", name):
            continue
        lacking = [each.name for each in tags if name not in each.lines]
        if not lacking and tags:
            continue
        if strict and tags and len(lacking) < len(tags):
            damage.append(Damage(lacking[0], f"does not list {printable_name(name)}, as the other tag manifest does"))
        elif strict:
            damage.append(Damage(printable_name(name), "was added: no tag manifest lists it"))
        else:
            notes.append(f"{printable_name(name)} is listed in no tag manifest, so that a change to it would not show")


def _record_faults(files: BagFiles, manifests: list[_Manifest], info: Mapping[str, str]) -> list[Damage]:
    """What every record has, beyond what BagIt asks."""
    faults = []
    for name in ("bag-info.txt", "manifest-sha512.txt", "tagmanifest-sha512.txt", "tagmanifest-sha256.txt"):
        if name not in files.sizes:
            faults.append(Damage(name, "is missing, though every record has it"))
    if "Signature-Key" in info and SIGNATURE_FILE not in files.sizes:
        faults.append(Damage(SIGNATURE_FILE, "is missing, though bag-info.txt says that the record was signed"))
    if "Signature-Key" not in info and SIGNATURE_FILE in files.sizes and "bag-info.txt" in files.sizes:
        faults.append(Damage(SIGNATURE_FILE, "was added: bag-info.txt names no key"))
    known = {each.name for each in manifests}
    for name in files.sizes:
        if (
            re.fullmatch(r"tagmanifest-.*\.txt", name)
            and name in known
            and name
            not in (
                "tagmanifest-sha512.txt",
                "tagmanifest-sha256.txt",
            )
        ):
            faults.append(Damage(name, "was added: a record has no such tag manifest"))
    return faults


def _blame_manifests(tags: list[_Manifest], found: Mapping[str, Mapping[str, str]], damage: list[Damage]) -> None:
    """Where two tag manifests disagree about a file, the one that fits clears the file and accuses the other."""
    if len(tags) < 2:
        return
    for path, sums in found.items():
        told = [(each, each.lines[path] == sums[each.algorithm]) for each in tags if path in each.lines]
        if any(fits for _, fits in told) and not all(fits for _, fits in told):
            good = next(each.name for each, fits in told if fits)
            for bad in (each.name for each, fits in told if not fits):
                damage[:] = [each for each in damage if not (each.file == path and f": {bad} has" in each.what)]
                damage.append(Damage(bad, f"its digest of {path} is wrong: {good} and the file agree"))


def _check_oxum(files: BagFiles, info: Mapping[str, str], damage: list[Damage]) -> None:
    oxum = info.get("Payload-Oxum")
    if oxum is None:
        return
    match = re.fullmatch(r"([0-9]+)\.([0-9]+)", oxum.strip())
    if match is None:
        damage.append(Damage("bag-info.txt", f'Payload-Oxum "{oxum[:60]}" is not bytes.files'))
        return
    sizes = [size for name, size in files.sizes.items() if name.startswith("data/")]
    if (sum(sizes), len(sizes)) != (int(match[1]), int(match[2])):
        what = f"says {match[1]} bytes in {match[2]} files; the payload has {sum(sizes)} in {len(sizes)}"
        damage.append(Damage("bag-info.txt", f"Payload-Oxum {what}"))


def _has_data_folder(files: BagFiles) -> bool:
    return files.path.is_dir() and (files.path / "data").is_dir() and not (files.path / "data").is_symlink()


def _once(damage: list[Damage]) -> list[Damage]:
    return list(dict.fromkeys(damage))
