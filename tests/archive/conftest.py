"""A small job and a record of it, made once."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import bagit
import numpy as np
import pytest
import tifffile

from thermscan.archive.packing import PackOptions, pack_record
from thermscan.archive.signing import make_key, read_private_key
from thermscan.runs.reading import read_run

LAYOUT = """
[board]
name = "small board"
revision = "B"
width_mm = 60.0
height_mm = 40.0
parts = "parts.csv"
"""
PARTS = """ref,kind,package,x_mm,y_mm,max_c,height_mm
U1,latch,DIP-20,20,20,33,4
U2,latch,DIP-20,42,30,70,4
"""
RUN = """
layout = "board.toml"
frames = ["frame.tiff"]
unit = "cK"
ambient_c = 23.0
stage = "idle"
minutes_on = 15
board_serial = "0042"
operator = "R. Example"
taken = 2026-05-02T14:30:00Z
supply = [{ rail = "+5 V", volts = 5.0, amps = 1.0 }]
corners_px = [[9.5, 9.5], [69.5, 9.5], [69.5, 49.5], [9.5, 49.5]]
"""


def write_job(folder: Path) -> Path:
    """A board with two parts, one above its limit, and a frame of it; its run file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "board.toml").write_text(LAYOUT, encoding="utf-8")
    (folder / "parts.csv").write_text(PARTS, encoding="utf-8")
    (folder / "run.toml").write_text(RUN, encoding="utf-8")
    frame_c = np.full((60, 80), 23.0)
    frame_c[10:50, 10:70] = 30.0
    frame_c[25:35, 18:44] = 42.0
    frame_c += np.random.default_rng(7).normal(0.0, 0.05, frame_c.shape)
    tifffile.imwrite(folder / "frame.tiff", np.round((frame_c + 273.15) * 100).astype(np.uint16))
    return folder / "run.toml"


def resealed(record: Path) -> Path:
    """A record that was changed by hand, with manifests that fit again, as the reference library writes them."""
    (record / "tagmanifest-sha256.txt").unlink()
    bagit.Bag(str(record)).save(manifests=True)
    names = [line.split(maxsplit=1)[1] for line in (record / "tagmanifest-sha512.txt").read_text().splitlines()]
    lines = [f"{hashlib.sha256((record / name).read_bytes()).hexdigest()}  {name}\n" for name in names]
    (record / "tagmanifest-sha256.txt").write_text("".join(lines))
    return record


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return write_job(tmp_path / "job")


@pytest.fixture(scope="session")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with ``record`` (a folder), ``record.zip``, ``signed`` and the key ``bench.key``, all of one job."""
    folder = tmp_path_factory.mktemp("packed")
    run = read_run(write_job(folder / "job"), overrides={})
    make_key(folder / "bench.key")
    (folder / "photo.png").write_bytes(b"a photo")
    options = PackOptions(report=False, photos=[folder / "photo.png"], command=["thermscan", "record", "pack"])
    pack_record(run, folder / "record", options=options)
    pack_record(run, folder / "record.zip", options=options)
    signed = PackOptions(report=False, key=read_private_key(folder / "bench.key"))
    pack_record(run, folder / "signed", options=signed)
    return folder


@pytest.fixture
def record(packed: Path, tmp_path: Path) -> Path:
    """A copy of the record that a test may damage."""
    return Path(shutil.copytree(packed / "record", tmp_path / "record"))
