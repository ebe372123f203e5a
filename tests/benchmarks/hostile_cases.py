"""The bad files of hostile.py: what makes each folder bad, the command that meets it, and how that may end."""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "samples" / "departure_display"
INSPECT = ("inspect", "run.toml")
WITH_BASELINE = (*INSPECT, "--baseline", "good.json")
FRAME = ("frame", "bad.tiff")
TABLE = ("frame", "bad.csv")
BAD, UNDECIDED = 2, 3
ANY = (0, 1, BAD, UNDECIDED)
Make = Callable[[Path], None]


@dataclass(frozen=True)
class Case:
    """A folder made bad, the command that meets it, and the statuses it may end with."""

    name: str
    make: Make
    command: tuple[str, ...] = INSPECT
    allowed: tuple[int, ...] = (BAD,)


def all_cases() -> Iterator[Case]:
    """All of them."""
    for group in (irregular, unpacking, names, numbers, layouts, tables, words, baselines, others):
        yield from group()


def job(folder: Path) -> None:
    """The sample's first good run, as run.toml."""
    for name in ("board.toml", "parts.csv", "good-1.tiff"):
        shutil.copy(SAMPLE / name, folder / name)
    shutil.copy(SAMPLE / "good-1.toml", folder / "run.toml")


def replaced(name: str, old: str, new: str) -> Make:
    """The job with some text of a file replaced."""

    def make(folder: Path) -> None:
        job(folder)
        text = (folder / name).read_text(encoding="utf-8")
        if old not in text:
            raise ValueError(f"{old!r} is not in {name}")
        (folder / name).write_text(text.replace(old, new), encoding="utf-8")

    return make


def line(name: str, key: str, value: str) -> Make:
    """The job with the value of a key that stands on one line replaced."""

    def make(folder: Path) -> None:
        job(folder)
        lines = (folder / name).read_text(encoding="utf-8").splitlines()
        changed = [f"{key} = {value}" if each.startswith(f"{key} =") else each for each in lines]
        (folder / name).write_text("\n".join(changed if changed != lines else [f"{key} = {value}", *lines]) + "\n")

    return make


def added(name: str, text: str | bytes) -> Make:
    """The job with a file written or, where it is there, lengthened."""

    def make(folder: Path) -> None:
        job(folder)
        with (folder / name).open("ab") as file:
            file.write(text.encode() if isinstance(text, str) else text)

    return make


def pipe(name: str) -> Make:
    """The job with a file replaced by a named pipe that nobody writes to."""

    def make(folder: Path) -> None:
        job(folder)
        (folder / name).unlink(missing_ok=True)
        os.mkfifo(folder / name)

    return make


def device(name: str) -> Make:
    """The job with a file replaced by a link to a device without an end."""

    def make(folder: Path) -> None:
        job(folder)
        (folder / name).unlink(missing_ok=True)
        (folder / name).symlink_to("/dev/zero")

    return make


def written_by(script: str) -> Make:
    """The job with a frame that a few lines of numpy and tifffile write."""

    def make(folder: Path) -> None:
        job(folder)
        imports = (
            "import numpy as np, tifffile; rng = np.random.default_rng(1); grey = dict(photometric='minisblack'); "
        )
        subprocess.run([sys.executable, "-c", imports + script], check=True, cwd=folder)

    return make


def irregular() -> Iterator[Case]:
    """Pipes and devices wherever a file is named."""
    for how, place in (("fifo", pipe), ("device", device)):
        yield Case(f"{how}: run", place("run.toml"))
        yield Case(f"{how}: layout", place("board.toml"))
        yield Case(f"{how}: parts", place("parts.csv"))
        yield Case(f"{how}: frame", place("good-1.tiff"))
        yield Case(f"{how}: frame alone", place("good-1.tiff"), ("frame", "good-1.tiff"))
        yield Case(f"{how}: baseline", place("good.json"), WITH_BASELINE)
        yield Case(f"{how}: camera", place("camera.toml"), (*INSPECT, "--camera", "camera.toml"))
        yield Case(f"{how}: camera as unit", place("camera.toml"), (*INSPECT, "--unit", "camera.toml"))
        yield Case(f"{how}: import", place("pick.csv"), ("layout", "import", "pick.csv", "--out", "new.toml"))
        yield Case(f"{how}: picture", place("photo.jpg"), ("layout", "photo", "photo.jpg", "--layout", "board.toml"))
        yield Case(f"{how}: place", place("photo.jpg"), ("layout", "place", "photo.jpg", "--out", "page.html"))
        yield Case(f"{how}: points", place("points.csv"), ("camera", "fit", "points.csv", "--out", "c.toml"))
        yield Case(f"{how}: times", place("times.csv"), (*INSPECT, "--times", "times.csv"))

        def photo(folder: Path, place: Callable[[str], Make] = place) -> None:
            place("photo.png")(folder)
            with (folder / "board.toml").open("a") as file:
                file.write('photo = "photo.png"\n')

        yield Case(f"{how}: photo of the layout", photo, ("layout", "check", "board.toml"), (0, BAD))


def unpacking() -> Iterator[Case]:
    """Small files that unpack to much, many pages, eight bits."""
    zeros = "tifffile.imwrite('bad.tiff', np.zeros({}, np.uint16), compression='zlib', **grey)"
    yield Case("unpack: 7000 x 7000", written_by(zeros.format("(7000, 7000)")), FRAME)
    yield Case("unpack: 2000 pages", written_by(zeros.format("(2000, 512, 640)")), FRAME)
    yield Case("unpack: 60 pages", written_by(zeros.format("(70, 512, 640)")), FRAME)
    yield Case("unpack: a strip of 2 GB", _long_strip, (*FRAME, "--unit", "counts"), (0, BAD))
    largest = "tifffile.imwrite('bad.tiff', (29515 + 9 * rng.random((1950, 2560))).astype(np.uint16), **grey)"
    yield Case("unpack: largest that is read", written_by(largest), FRAME, (0,))
    yield Case("pages: 60,000", _many_pages(60_000), (*FRAME, "--unit", "cK"), (0, BAD))
    yield Case("pages: 120,000", _many_pages(120_000), (*FRAME, "--unit", "cK"))
    picture = "tifffile.imwrite('good-1.tiff', rng.integers(0, 255, (240, 320)).astype(np.uint8), **grey)"
    yield Case("8 bits: picture", written_by(picture), allowed=(BAD, UNDECIDED))
    coarse = (
        "page = (tifffile.imread('good-1.tiff').astype(float) - 27315) / 100;"
        "tifffile.imwrite('good-1.tiff', np.round(page).astype(np.uint8), **grey)"
    )
    yield Case("8 bits: temperatures", written_by(coarse), (*INSPECT, "--unit", "C"), (BAD, UNDECIDED))


def names() -> Iterator[Case]:
    """Patterns without end, names that no file system holds."""
    yield Case("glob: /**", replaced("run.toml", '["good-1.tiff"]', '["/**"]'))
    yield Case("glob: /**/*.nothing", replaced("run.toml", '["good-1.tiff"]', '["/**/*.nothing"]'))
    yield Case("name: 5,000 characters", replaced("run.toml", "good-1.tiff", "g" * 5000))
    yield Case("name: 5,000 as layout", replaced("run.toml", "board.toml", "b" * 5000))
    yield Case("name: 5,000 as parts", replaced("board.toml", "parts.csv", "p" * 5000))
    yield Case("name: 5,000 as photo", added("board.toml", f'photo = "{"p" * 5000}"\n'), allowed=ANY)
    yield Case("name: 5,000 on the line", job, ("frame", "f" * 5000))
    yield Case("name: 5,000 as baseline", job, (*INSPECT, "--baseline", "f" * 5000))
    yield Case("name: 5,000 as run", job, ("inspect", "f" * 5000 + ".toml"))
    yield Case("name: NUL", replaced("run.toml", "good-1.tiff", "good\\u0000-1.tiff"))
    yield Case("key: 400 kB", added("run.toml", "k" * 400_000 + " = 1\n"))
    yield Case("key: 400 kB in the layout", added("board.toml", "k" * 400_000 + " = 1\n"))
    yield Case("toml: nested deeply", added("run.toml", "note2 = " + "[" * 100_000 + "\n"))


def numbers() -> Iterator[Case]:
    """Numbers that no float can hold, or that nothing on a bench has."""
    for digits in (300, 400, 5000):
        yield Case(f"number: {digits} digits", line("run.toml", "ambient_c", "9" * digits))
    yield Case("number: 400 digits in the layout", line("board.toml", "thickness_mm", "9" * 400))
    yield Case("number: 400 digits in a row", added("parts.csv", "ZZ1,,DIP-40,,," + "9" * 400 + ",50,0,,,\n"))
    yield Case("number: emissivity 1e-300", added("run.toml", "camera_emissivity = 1e-300\n"))
    yield Case("number: board of 1e300 mm", line("board.toml", "width_mm", "1e300"))
    yield Case("number: board of 1e-300 mm", line("board.toml", "width_mm", "1e-300"))
    yield Case("number: a part of 1e-11 mm", added("parts.csv", "ZZ1,,,1e-11,1e-11,50,50,0,,,\n"), allowed=ANY)
    yield Case(
        "number: supply of 1e11 A",
        line("run.toml", "supply", '[{ rail = "a", volts = 12.0, amps = 1e11 }]'),
        allowed=ANY,
    )
    yield Case("number: minutes 1e-11", line("run.toml", "minutes_on", "1e-11"), allowed=ANY)
    far, point = "[[0, 0], [1e11, -1e11], [1e11, 1e11], [0, 9]]", "[[1e-9, 0], [2e-9, 0], [2e-9, 1e-9], [0, 1e-9]]"
    yield Case("number: corners at 1e11", line("run.toml", "corners_px", far), allowed=(BAD, UNDECIDED))
    yield Case("number: corners in a point", line("run.toml", "corners_px", point), allowed=(BAD, UNDECIDED))


def layouts() -> Iterator[Case]:
    """Layouts beyond all measure."""
    check = ("layout", "check", "board.toml")
    rows = "".join(f"XX{n},,DIP-16,,,{20 + n % 150},{20 + n // 150 % 90},0,,,\n" for n in range(100_000))
    some = rows[: rows.index("XX9000,")]
    yield Case("layout: no parts", replaced("board.toml", 'parts = "parts.csv"', ""), allowed=(BAD, UNDECIDED))
    yield Case("layout: 100,000 parts", added("parts.csv", rows))
    yield Case("layout: 9,000 parts checked", added("parts.csv", some), check, (0,))
    yield Case("layout: 30,000 faulty rows", added("parts.csv", "U1,x,y,z,ninety,,,,\n" * 30_000))
    yield Case("layout: 5,000 faulty rows", added("parts.csv", "U1,x,y,z,ninety,,,,\n" * 5_000))
    yield Case(
        "layout: 5,000 unknown packages",
        added("parts.csv", some[: some.index("XX5000,")].replace("DIP-16,,", "QQ-7,5,5")),
        check,
        (0,),
    )
    points = f"outline_mm = {[[n, n] for n in range(60_000)]}\n"
    yield Case("layout: 60,000 points", added("board.toml", points))


def tables() -> Iterator[Case]:
    """Text that is no table, or too much of one."""
    yield Case("csv: doubled quotes", added("bad.csv", '""23.70, 23.47""\n' * 60), TABLE, (0, BAD))
    yield Case(
        "csv: doubled quotes once", added("bad.csv", '22.1,22.2\n""23.70, 23.47""\n22.1,22.3\n'), TABLE, (0, BAD)
    )
    yield Case("csv: 3 million rows", added("bad.csv", "22.5,22.6,22.7\n" * 3_000_000), TABLE)
    yield Case("csv: one row of 5 million", added("bad.csv", "22.5," * 5_000_000), TABLE)
    yield Case("csv: 2 million quotes", added("bad.csv", '"' * 2_000_000 + "\n1,2\n"), TABLE)
    yield Case("csv: quotes and commas", added("bad.csv", '",' * 1_000_000 + "\n1,2\n"), TABLE)
    yield Case(
        "csv: a line of words", added("bad.csv", "T in " * 400_000 + "\n22.1,22.2\n22.1,22.3\n"), TABLE, (0, BAD)
    )
    yield Case(
        "csv: 200,000 lines of words", added("bad.csv", "unit is unit in\n" * 200_000 + "22.1,22.2\n"), TABLE, (0, BAD)
    )
    yield Case(
        "csv: digits and blanks", added("bad.csv", ("1" * 50 + " " * 50) * 20_000 + "\n22.1,22.2\n"), TABLE, (0, BAD)
    )
    yield Case("csv: long numbers", added("bad.csv", f"{'9' * 5000},1\n1,2\n"), TABLE)
    yield Case("csv: zeros", added("bad.csv", bytes(4000)), TABLE)
    yield Case("csv: bytes of all kinds", added("bad.csv", bytes(range(256)) * 40), TABLE)
    yield Case("csv: parts with quotes", added("parts.csv", '"' * 300_000), ("layout", "check", "board.toml"))
    yield Case(
        "csv: a cell of 500 kB", added("parts.csv", f"U1,{'k' * 500_000},DIP-16\n"), ("layout", "check", "board.toml")
    )


def words() -> Iterator[Case]:
    """Bytes and marks that a terminal obeys."""
    yield Case("words: escape bytes", added("bad.csv", b"\x1b[31m22.1\x1b[0m,22\n" * 9), TABLE)
    yield Case("words: right to left", line("run.toml", "operator", '"bench \\u202e2\\u200f"'), allowed=ANY)
    yield Case(
        "words: a ref right to left",
        replaced("parts.csv", "U1,", "U\u202e1,"),
        ("layout", "check", "board.toml"),
        (0, BAD),
    )
    yield Case("words: escape bytes in a key", added("run.toml", '"\\u001b[31mred" = 1\n'))
    yield Case("words: escape bytes in a name", replaced("run.toml", "good-1.tiff", "\\u001b[31mred.tiff"))
    yield Case("words: escapes on the line", job, ("frame", "\x1b[31mred\u202e.tiff"))
    script = "page = tifffile.imread('good-1.tiff');"
    script += "tifffile.imwrite('bad.tiff', page, description='unit: K \\x1b[31m', metadata=None, **grey)"
    yield Case("words: escapes in a TIFF", written_by(script), FRAME, (0, BAD))


def baselines() -> Iterator[Case]:
    """Baselines in which one thing cannot be."""
    refs = [line.split(",")[0] for line in (SAMPLE / "parts.csv").read_text().splitlines()[1:]]
    of_the_file = {
        "mm_per_px 1e300": {"mm_per_px": 1e300},
        "mm_per_px 1e-300": {"mm_per_px": 1e-300},
        "digits": {"mm_per_px": int("9" * 400)},
        "no runs": {"runs": []},
        "raster empty": {"rise_raster_k": []},
        "raster of empty rows": {"rise_raster_k": [[]]},
        "raster of 1e308": {"rise_raster_k": [[1e308] * 380] * 260},
        "raster of null": {"rise_raster_k": [[None] * 380] * 260},
        "raster of one": {"rise_raster_k": [[1.0]]},
        "raster of 10 million": {"rise_raster_k": [[1.0] * 3200] * 3200},
        "words": {"remarks": ["\x1b[31m\u202e" * 100]},
    }
    of_the_run = {
        "rises of 1e308": {"rise_k": dict.fromkeys(refs, 1e308)},
        "doubts of 1e308": {"u_k": dict.fromkeys(refs, 1e308)},
        "doubts of 0": {"u_k": dict.fromkeys(refs, 0.0)},
        "no rises": {"rise_k": {}, "u_k": {}},
        "ambient 1e300": {"ambient_c": 1e300},
        "watts 1e300": {"supply_w": 1e300},
    }
    harmless = {"words", "raster of null", "raster of one", "doubts of 0", "raster of 10 million"}
    for name, change in of_the_file.items():
        yield Case(f"baseline: {name}", _baseline(change, {}), WITH_BASELINE, ANY if name in harmless else (BAD,))
    for name, change in of_the_run.items():
        yield Case(f"baseline: {name}", _baseline({}, change), WITH_BASELINE, ANY if name in harmless else (BAD,))
    yield Case("baseline: nested deeply", added("good.json", "[" * 200_000), WITH_BASELINE)
    yield Case("baseline: as it should be", _baseline({}, {}), WITH_BASELINE, (0, 1, UNDECIDED))


def others() -> Iterator[Case]:
    """Files of other programs, photos, cameras."""
    importing = ("--out", "new.toml")
    endless = "Ref;X;Y\n" + "U1;" * 300_000
    yield Case("import: a row without end", added("pick.csv", endless), ("layout", "import", "pick.csv", *importing))
    laughs = "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(12))
    xml = f'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">{laughs}]><IPC-2581>&m;</IPC-2581>'
    yield Case("import: laughs", added("pick.xml", xml), ("layout", "import", "pick.xml", *importing))
    photo = added("photo.png", _png_bomb())
    yield Case("picture: 30000 x 30000", photo, ("layout", "photo", "photo.png", "--layout", "board.toml"))
    yield Case("picture: to place", photo, ("layout", "place", "photo.png", "--out", "page.html"))
    camera = (*INSPECT, "--camera", "camera.toml")
    yield Case("camera: numbers", added("camera.toml", 'name = "c"\nnetd_k = 1e300\nblur_px = 1e300\n'), camera)
    yield Case("camera: blur of 1e11", added("camera.toml", 'name = "c"\nblur_px = 1e11\n'), camera, ANY)
    yield Case("camera: noise of 1e-11", added("camera.toml", 'name = "c"\nnetd_k = 1e-11\n'), camera, ANY)
    lens = 'name = "c"\n[lens]\nfx_px = 1e-11\nfy_px = 1e11\ncx_px = 0\ncy_px = 1e11\nk1 = 1e11\n'
    yield Case("camera: lens", added("camera.toml", lens), camera, ANY)


def _baseline(of_the_file: dict[str, object], of_the_run: dict[str, object]) -> Make:
    """The job with a baseline in which some things are other than they should be."""

    def make(folder: Path) -> None:
        job(folder)
        script = (
            "import sys; from pathlib import Path; from thermscan.layout.reading import read_board;"
            "from thermscan.layout.digest import layout_digest; print(layout_digest(read_board(Path(sys.argv[1]))))"
        )
        command = [sys.executable, "-c", script, str(folder / "board.toml")]
        digest = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT).stdout.strip()
        refs = [line.split(",")[0] for line in (SAMPLE / "parts.csv").read_text().splitlines()[1:]]
        run = {"taken": None, "board_serial": None, "stage": None, "minutes_on": 20.0, "ambient_c": 22.4,
               "supply_w": 6.0, "frame_sha256": ["0" * 64], "rise_k": dict.fromkeys(refs, 8.0),
               "u_k": dict.fromkeys(refs, 0.1), **of_the_run}  # fmt: skip
        document = {"schema": "thermscan.baseline/1", "board_name": "departure display controller",
                    "board_revision": "C", "layout_digest": digest, "mm_per_px": 0.5, "runs": [run],
                    "rise_raster_k": [[5.0] * 380] * 260, **of_the_file}  # fmt: skip
        (folder / "good.json").write_text(json.dumps(document))

    return make


def _many_pages(count: int) -> Make:
    """Pages of 8 x 8 that share their pixels, one directory each, written with struct."""

    def make(folder: Path) -> None:
        tags = [(256, 3, 1, 8), (257, 3, 1, 8), (258, 3, 1, 16), (259, 3, 1, 1), (262, 3, 1, 1), (273, 4, 1, 8),
                (278, 3, 1, 8), (279, 4, 1, 128)]  # fmt: skip
        body = b"".join(struct.pack("<HHII", *tag) for tag in tags)
        size = 2 + len(body) + 4
        first = 8 + 128
        raw = bytearray(struct.pack("<2sHI", b"II", 42, first) + struct.pack("<64H", *(29515 + n for n in range(64))))
        for number in range(count):
            after = first + (number + 1) * size if number + 1 < count else 0
            raw += struct.pack("<H", len(tags)) + body + struct.pack("<I", after)
        (folder / "bad.tiff").write_bytes(raw)

    return make


def _long_strip(folder: Path) -> None:
    """640 x 480 pixels whose one strip unpacks to 2 GB."""
    squeeze = zlib.compressobj(9)
    strip = b"".join(squeeze.compress(bytes(10**7)) for _ in range(200)) + squeeze.flush()
    tags = [
        (256, 3, 1, 640),
        (257, 3, 1, 480),
        (258, 3, 1, 16),
        (259, 3, 1, 8),
        (273, 4, 1, 8),
        (279, 4, 1, len(strip)),
    ]
    body = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    (folder / "bad.tiff").write_bytes(struct.pack("<2sHI", b"II", 42, 8 + len(strip)) + strip + body)


def _png_bomb() -> bytes:
    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    squeeze = zlib.compressobj(9)
    rows = b"".join(squeeze.compress(bytes(30_001)) for _ in range(30_000)) + squeeze.flush()
    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
