"""Readings that no bench shows end with 2 and name the value to look at; a frame out of focus is called so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from samples.simulator import IDEAL, place_camera, render_frame, solve_board, write_csv, write_layout, write_tiff
from thermscan.cli.main import main
from thermscan.layout.board import Board, Part, Surface

MATT = Surface("plastic", 0.95, 0.02)
AMBIENT_C = 22.0


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six chips of one sort, in focus and out of it."""
    outline = np.array([[0, 0], [100, 0], [100, 80], [0, 80]], dtype=float)
    parts = tuple(
        Part(f"U{i}", 22.0, 12.0, 20.0 + 30.0 * (i % 3), 25.0 + 30.0 * (i // 3), 0.0, MATT, group="sram")
        for i in range(6)
    )
    board = Board("test", None, outline, thickness_mm=1.6, surface=MATT, parts=parts)
    field = solve_board(board, {part.ref: 0.3 for part in parts}, ambient_c=AMBIENT_C)
    pose = place_camera(board, (120, 160), tilt_deg=10.0, fill=0.75)
    folder = tmp_path_factory.mktemp("job")
    write_layout(folder, board)
    for name, blur_px in (("sharp", 0.6), ("soft", 4.0)):
        seen = render_frame(
            field, board, pose, rng=np.random.default_rng(1), netd_k=0.05, sensor=IDEAL, blur_px=blur_px
        )
        write_tiff(folder / f"{name}.tiff", [seen.apparent_c])
    sharp = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.05, sensor=IDEAL).apparent_c
    (folder / "corners.txt").write_text(" ".join(f"{x:.1f},{y:.1f}" for x, y in pose.px(outline)), encoding="utf-8")
    write_csv(folder / "kelvin.csv", sharp + 273.15)
    write_csv(folder / "fahrenheit.csv", sharp * 1.8 + 32.0)
    return folder


def inspect(job: Path, capsys: pytest.CaptureFixture[str], frame: str, *options: str) -> tuple[int, str, str]:
    status = main(["inspect", str(job / frame), "--layout", str(job / "board.toml"), *options])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


@pytest.mark.parametrize(
    ("frame", "options", "told"),
    [
        ("kelvin.csv", ("--unit", "C", "--ambient", "22"), ("nearly all of it reads 29", "K would suit better")),
        ("fahrenheit.csv", ("--unit", "C", "--ambient", "22"), ("nearly all of it reads 7", "F would suit better")),
        ("sharp.tiff", ("--ambient", "42"), ("20.", "below the ambient of 42 °C", "ambient_c")),
        ("sharp.tiff", ("--ambient", "72"), ("--ambient", "72 degrees Fahrenheit is 22.2 C")),
        ("sharp.tiff", ("--ambient", "22", "--unit", "K"), ("K, the unit given",)),
    ],
)
def test_a_bench_that_cannot_be_is_refused_and_the_value_to_look_at_named(
    job: Path, capsys: pytest.CaptureFixture[str], frame: str, options: tuple[str, ...], told: tuple[str, ...]
) -> None:
    status, printed, said = inspect(job, capsys, frame, *options)
    assert (status, printed) == (2, "")
    assert said.count("\n") == 1
    for words in told:
        assert words in said


def test_a_calibration_under_which_no_bench_can_be_is_refused(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    camera = job / "wrong.toml"
    camera.write_text('name = "wrong"\n[calibration]\nmodel = "offset"\nparameters = [-40.0]\n', encoding="utf-8")
    status, _, said = inspect(job, capsys, "sharp.tiff", "--ambient", "22", "--camera", str(camera))
    assert status == 2
    assert "the camera file" in said


def test_the_same_frame_at_the_right_ambient_is_judged(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    corners = (job / "corners.txt").read_text(encoding="utf-8")
    status, printed, said = inspect(job, capsys, "sharp.tiff", "--ambient", "22", "--corners", corners)
    assert status == 0
    assert "out of focus" not in printed + said


@pytest.mark.parametrize("placed", [True, False])
def test_a_frame_out_of_focus_is_called_so_by_inspect(
    job: Path, capsys: pytest.CaptureFixture[str], placed: bool
) -> None:
    corners = (job / "corners.txt").read_text(encoding="utf-8")
    _, printed, said = inspect(job, capsys, "soft.tiff", "--ambient", "22", *(["--corners", corners] if placed else []))
    assert "out of focus" in printed + said
