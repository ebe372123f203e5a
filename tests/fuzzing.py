"""
What the fuzzing tests and ``tests/benchmarks/fuzz.py`` share: readers, sound files, and ways to spoil them.

A case is a reader and a number, from which the same bytes come every time. What once ended in a fault of the program is
kept as a file in ``tests/fuzz_cases/READER/``.
"""

from __future__ import annotations

import io
import json
import struct
import tempfile
import warnings
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np

from tests.archive.small_records import small_record
from tests.frames.tiff_bytes import SHORT, page_of, tiff_bytes
from thermscan.archive.bag_writing import finish_bag
from thermscan.archive.checking import RECORD_MARK
from thermscan.archive.history import Filters, list_records, looks_at
from thermscan.archive.index import open_index
from thermscan.archive.trend import trend_document, trend_of
from thermscan.archive.verifying import verification_lines, verify_record
from thermscan.errors import ThermscanError
from thermscan.frames.quality import assess_frames
from thermscan.frames.reading import read_frames
from thermscan.frames.stream import open_stream
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.baseline_file import baseline_text, read_baseline
from thermscan.layout.importing.importing import import_layout
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import read_camera
from thermscan.runs.reading import read_run
from thermscan.writing.tree import fresh_tree

KEPT = Path(__file__).parent / "fuzz_cases"
# Numbers at which readers break: ends of types, what no float holds, what is no number.
NUMBERS = (
    b"0",
    b"-1",
    b"1e308",
    b"1e-308",
    b"nan",
    b"inf",
    b"-0",
    b"9" * 400,
    b"65536",
    b"4294967296",
    b"1_0",
    b"0x7f",
    b"1e400",
)
WORDS = (
    *(b"[", b"]", b"{", b"}", b'"', b'""', b"'", b";", b",", b"\n", b"\r", b"\t", b"\0", b"#", b"=", b"<", b"&"),
    *(b"\x1b[31m", b"\xe2\x80\xae", b"\xff\xfe", b"null", b"true", b"C", b"unit: ", b"[[part]]", b"\\u0000"),
)
ENDS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF)

Reader = Callable[[Path], object]


def _frames(path: Path) -> None:
    assess_frames(read_frames(path, unit="counts"))


def _unit(path: Path) -> None:
    for frame in open_stream([path], ambient_c=22.0):
        frame.values.sum()


def _board(path: Path) -> None:
    path.with_name("parts.csv").write_text("ref;x_mm;y_mm;package\nU1;20,5;30;DIP-16\n")
    read_board(path)


def _parts(path: Path) -> None:
    board = path.with_name("board.toml")
    board.write_text(f'[board]\nwidth_mm = 100\nheight_mm = 80\nparts = "{path.name}"\n')
    read_board(board)


def _run(path: Path) -> None:
    path.with_name("idle.tiff").write_bytes(b"II*\0")
    read_run(path, overrides={})


def _record(path: Path) -> None:
    verification_lines(verify_record(path, derive=False))
    _history(path.parent)


def _contents(path: Path) -> None:
    """A record whose bytes are sound and whose result is not: what the folder's index makes of it."""
    archive = path.with_name("archive")
    archive.mkdir()
    with fresh_tree(archive / "record", inputs=[]) as tree:
        tree.put("data/record.json", b'{"board": "b", "taken": "2026-05-02T14:30:00Z", "overall": "clear", '
                 b'"flagged": [], "results": "report/results.json"}')  # fmt: skip
        tree.put("data/report/results.json", path.read_bytes())
        made = datetime(2026, 5, 2, tzinfo=UTC)
        finish_bag(tree, archive / "record", info=[(RECORD_MARK, "1")], made=made, sign=None, signature_file="none")
    _history(archive)


def _history(archive: Path) -> None:
    with open_index(archive) as index:
        for board in {each.board for each in list_records(index, Filters())}:
            trend_document(trend_of(board, looks_at(index, board=board)))


READERS: dict[str, tuple[Reader, str]] = {
    "tiff": (_frames, "bad.tiff"),
    "stream": (_unit, "bad.tif"),
    "csv": (_frames, "bad.csv"),
    "log": (_unit, "bad.csv"),
    "layout": (_board, "board.toml"),
    "parts": (_parts, "rows.csv"),
    "run": (_run, "run.toml"),
    "baseline": (read_baseline, "good.json"),
    "camera": (read_camera, "camera.toml"),
    "record": (_record, "record.zip"),
    "contents": (_contents, "results.json"),
    "import": (lambda path: import_layout([path], size_mm=(100.0, 80.0)), "pick.txt"),
}


def seeds(reader: str) -> list[bytes]:
    """Sound files of a reader's kind, small, of many forms."""
    made = {"tiff": _tiffs, "stream": _tiffs, "csv": _tables, "log": _logs, "baseline": _baselines, "record": _records}
    return made[reader]() if reader in made else [text.encode() for text in _TEXTS[reader]]


def _tiffs() -> list[bytes]:
    rng = np.random.default_rng(1)
    scene = np.round(29515 + 300 * rng.random((8, 10))).astype(np.uint16)
    packed = page_of(scene, rows_a_strip=4, tags={259: (SHORT, 8), 317: (SHORT, 2)})
    packed.strips = [zlib.compress(strip) for strip in packed.strips]
    description = {270: (2, b'{"unit": "K", "shape": [1, 8, 10], "truncated": true}\0')}
    return [
        tiff_bytes([page_of(scene, rows_a_strip=3)]),
        tiff_bytes([page_of(scene, order=">"), page_of(scene + 1, order=">")], order=">", data_first=False),
        tiff_bytes([packed], big=True),
        tiff_bytes([page_of((scene / 100).astype(np.float32), tags=description)]),
        tiff_bytes([page_of((scene % 4096).astype(np.uint16), tags={258: (SHORT, 12)})]),
    ]


def _tables() -> list[bytes]:
    rng = np.random.default_rng(2)
    rows = [[f"{value:.2f}" for value in row] for row in 22 + 9 * rng.random((6, 7))]
    plain = "\n".join(",".join(row) for row in rows)
    return [
        plain.encode(),
        ("Unit: °C\n" + "\n".join(";".join(row).replace(".", ",") for row in rows)).encode("cp1252"),
        (";0;1;2;3;4;5;6\n" + "\n".join(f"{n};" + ";".join(row) for n, row in enumerate(rows))).encode(),
        ("\n".join(" ".join(f'"{cell} °C"' for cell in row) for row in rows)).encode("utf-16"),
        f"{plain}\n\n{plain}\n".encode(),
        ("x,y,T\n" + "\n".join(f"{x},{y},{rows[y][x]}" for y in range(6) for x in range(7))).encode(),
    ]


def _logs() -> list[bytes]:
    rng = np.random.default_rng(3)
    row = [",".join(f"{value:.1f}" for value in 22 + rng.random(64)) for _ in range(4)]
    block = "\n".join(",".join(f"{value:.1f}" for value in 22 + rng.random(6)) for _ in range(5))
    return [
        "\n".join(f"{0.25 * n},{each}" for n, each in enumerate(row)).encode(),
        "".join(f"time: {0.5 * n} s\n{block}\n" for n in range(3)).encode(),
    ]


def _baselines() -> list[bytes]:
    run = BaselineRun(None, "7", "idle", 15.0, 22.0, 6.5, ("0" * 64,), {"U1": 8.0, "U2": 9.5}, {"U1": 0.1, "U2": 0.2})
    return [
        baseline_text(Baseline("b", "C", "0" * 64, (run, run), np.array([[1.0, np.nan], [2.0, 3.0]]), 0.5)).encode()
    ]


@cache
def _records() -> list[bytes]:
    with tempfile.TemporaryDirectory() as folder:
        return [small_record(Path(folder, "r.zip"), {"U1": 8.0, "U2": 9.5}, flagged=["U2"]).read_bytes()]


_TEXTS = {
    "contents": (
        '{"run": {"supply": [{"rail": "+5 V", "volts": 5.0, "amps": 1.3}], "minutes_on": 20.0}, "parts": ['
        '{"ref": "U1", "rise_k": 8.0, "u_c": 1.02, "verdict": "normal", "budget": [{"source": "camera", "u_k": 1.0, '
        '"shared": "camera"}, {"source": "noise", "u_k": 0.05, "shared": null}]}], "findings": [{"ref": "U1", '
        '"rule": "peer", "level": "act", "direction": "hot", "text": "U1 is hot."}]}',
    ),
    "layout": (
        '[board]\nname = "b"\nwidth_mm = 100.0\nheight_mm = 80\nsurface = "solder-mask"\n'
        '[[part]]\nref = "U1"\nkind = "CPU"\npackage = "DIP-40"\nat_mm = [30.0, 40.0]\nrotation_deg = 90\n'
        '[[part]]\nref = "R1"\nbody_mm = [9.0, 3.0]\nat_mm = [70, 40]\ngroup = "r"\nmax_c = 85\n'
        '[[sticker]]\nat_mm = [30, 20]\nsize_mm = [20, 8]\ntext = "CAL"\n',
        '[board]\noutline_mm = [[0, 0], [90, 0], [90, 60], [0, 60]]\nparts = "parts.csv"\nphoto = "photo.png"\n',
    ),
    "parts": (
        "ref,kind,package,length_mm,width_mm,x_mm,y_mm,rotation_deg,group,surface,max_c\nU1,CPU,DIP-40,,,35,44,0,,,85\n"
        'U2,"a, b",,10,5,60,20,90,g,metal,\n',
        "sep=;\nref;x_mm;y_mm;package\nU1;20,5;30;DIP-16\nU2;40,5;30;DIP-16\n",
    ),
    "run": (
        'layout = "board.toml"\nframes = ["idle.tiff", "idle-*.tiff"]\nunit = "cK"\nambient_c = 22.4\nminutes_on = 15\n'
        'taken = 2026-05-02T14:30:00Z\nsupply = [{ rail = "+5 V", volts = 5.02, amps = 1.31 }]\n'
        "corners_px = [[1.0, 2.0], [90, 2], [90, 60], [1, 60]]\n",
        'frames = "idle.tiff"\nambient_c = 22\nlandmarks = [{ ref = "U1", px = [1, 2] }, { ref = "U2", px = [9, 2] }, '
        '{ ref = "U3", px = [9, 9] }, { ref = "U4", px = [1, 9] }]\n',
    ),
    "camera": (
        'name = "c"\npixels = [160, 120]\nfov_deg = [56, 42]\nband_um = [8, 14]\nnetd_k = 0.05\nblur_px = 0.6\n'
        "[lens]\nfx_px = 150.0\nfy_px = 150.0\ncx_px = 80\ncy_px = 60\nk1 = -0.1\n"
        '[calibration]\nmodel = "offset"\nof = "C"\nparameters = [-1.2]\ncovariance = [[0.04]]\nrange_c = [0, 100]\n',
        'name = "c"\nresponse = [[7.5, 0.0], [8.0, 1.0], [13.0, 0.9], [14.0, 0.0]]\n',
    ),
    "import": (
        "Ref;Package;X (mm);Y (mm);Rot;Side\nU1;DIP-16;20;30;90;top\nR1;0805;40;35;0;Bottom\n",
        "%TF.FileFunction,Component,L1,Top*%\n%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.3*%\nD10*\n%TO.C,R1*%\n%TO.CRot,90*%\n"
        "%TO.CFtp,DIP-8*%\nX5000000Y2500000D03*\n%TD*%\nM02*\n",
        '<IPC-2581><CadHeader units="MILLIMETER"/><Step><Component refDes="U3" packageRef="DIP-8">'
        '<Location x="1" y="2"/><Xform rotation="90"/></Component></Step></IPC-2581>',
    ),
}  # fmt: skip


def spoilt(reader: str, number: int) -> bytes:
    """One of the seeds with a few things done to it; the same number gives the same bytes."""
    rng = np.random.default_rng([number, zlib.crc32(reader.encode())])
    known = seeds(reader)
    data = bytearray(known[int(rng.integers(len(known)))])
    for _ in range(1 + int(rng.geometric(0.4))):
        if not data:
            break
        at = int(rng.integers(len(data)))
        _WAYS[int(rng.integers(len(_WAYS)))](rng, data, at)
    return bytes(data)


def _flip(rng: np.random.Generator, data: bytearray, at: int) -> None:
    data[at] ^= 1 << int(rng.integers(8))


def _set(rng: np.random.Generator, data: bytearray, at: int) -> None:
    end = ENDS[int(rng.integers(len(ENDS)))]
    form = "<>"[int(rng.integers(2))] + "BHI"[int(rng.integers(3))]
    raw = struct.pack(form, end & (256 ** struct.calcsize(form) - 1))
    data[at : at + len(raw)] = raw


def _cut(rng: np.random.Generator, data: bytearray, at: int) -> None:
    del data[at : at + int(rng.geometric(0.05))]


def _end(_rng: np.random.Generator, data: bytearray, at: int) -> None:
    del data[at:]


def _repeat(rng: np.random.Generator, data: bytearray, at: int) -> None:
    data[at:at] = data[at : at + int(rng.geometric(0.02))] * int(rng.integers(1, 40))


def _word(rng: np.random.Generator, data: bytearray, at: int) -> None:
    data[at:at] = WORDS[int(rng.integers(len(WORDS)))] * (1 if rng.random() < 0.9 else 300)


def _number(rng: np.random.Generator, data: bytearray, at: int) -> None:
    """Another number in the place of the next one."""
    start = next((i for i in range(at, len(data)) if data[i : i + 1].isdigit()), None)
    if start is not None:
        end = start
        while end < len(data) and data[end : end + 1] in b"0123456789.":
            end += 1
        data[start:end] = NUMBERS[int(rng.integers(len(NUMBERS)))]


def _move(rng: np.random.Generator, data: bytearray, at: int) -> None:
    piece = data[at : at + int(rng.geometric(0.05))]
    to = int(rng.integers(len(data)))
    data[to : to + len(piece)] = piece


_WAYS = (_flip, _flip, _set, _set, _cut, _end, _repeat, _word, _number, _number, _move)


def attempt(reader: str, data: bytes) -> None:
    """Read the bytes; only an error of our own, in few plain lines, may come of it. Any other error comes through."""
    read, name = READERS[reader]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("error")
        path = Path(folder, name)
        path.write_bytes(data)
        try:
            read(path)
        except ThermscanError as error:
            lines = error.lines()
            if not lines or any("\n" in line or not line for line in lines):
                raise AssertionError(f"not plain lines: {lines}") from error
            json.dumps(lines)
            io.StringIO().writelines(lines)
