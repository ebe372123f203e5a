"""``inspect --no-layout`` through the real entry point, on a board whose truth is known."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tifffile

from tests.regions.rendering import frontal, make_board, make_part, render
from thermscan.cli.main import main
from thermscan.layout.reading import read_board

VIEW = frontal(1.2)
# Two rows of chips, 20 x 8 mm, and one larger body.
CHIPS = [
    make_part(f"U{3 * row + i + 1}", x_mm=16.0 + 24.0 * i, y_mm=18.0 + 14.0 * row) for row in range(2) for i in range(3)
]
BIG = make_part("U9", x_mm=50.0, y_mm=62.0, length_mm=50.0, width_mm=15.0)
TEMPS = {part.ref: 45.0 for part in CHIPS} | {"U9": 50.0}


def write_frame(path, temps_c=TEMPS, *, noise_k=0.05):
    image = render(make_board(*CHIPS, BIG), VIEW, temps_c, board_c=35.0, noise_k=noise_k, seed=5)
    counts = np.round((image.apparent_c + 273.15) * 100).astype(np.uint16)
    tifffile.imwrite(path, counts, description="unit: cK")
    return str(path)


@pytest.fixture(scope="module")
def frame(tmp_path_factory):
    return write_frame(tmp_path_factory.mktemp("frames") / "idle.tiff")


@pytest.fixture(scope="module")
def hot_frame(tmp_path_factory):
    return write_frame(tmp_path_factory.mktemp("frames") / "hot.tiff", TEMPS | {"U5": 57.0})


def run(capsys, *arguments):
    status = main(["inspect", *map(str, arguments)])
    shown = capsys.readouterr()
    return status, shown.out, shown.err


def test_bodies_are_numbered_in_reading_order_and_measured(frame, capsys):
    status, out, _ = run(capsys, frame, "--no-layout", "--ambient", 22, "--surface", "painted", "--json")
    document = json.loads(out)
    assert status == 0
    assert document["schema"] == "thermscan.regions/1"
    assert document["overall"] == "clear"
    assert [region["ref"] for region in document["regions"]] == [f"body-{i + 1}" for i in range(7)]
    middles = np.array([np.mean(region["corners_px"], axis=0) for region in document["regions"]])
    places = np.array([[part.x_mm, part.y_mm] for part in (*CHIPS, BIG)]) * 1.2 + [10.3, 8.7]
    assert np.abs(middles - places).max() < 0.6
    assert [region["size_group"] for region in document["regions"]] == ["A"] * 6 + [None]
    for region, part in zip(document["regions"], (*CHIPS, BIG), strict=True):
        # The renderer's bodies are black, and a painted surface is taken for 0.93: that is within u.
        assert abs(region["mean_c"] - TEMPS[part.ref]) < 2.5 * region["u_c"]
        assert region["rise_k"] == pytest.approx(region["mean_c"] - 22.0)


def test_without_a_size_nothing_is_told_in_millimetres(frame, capsys):
    _, out, _ = run(capsys, frame, "--no-layout", "--ambient", 22, "--json")
    document = json.loads(out)
    assert document["registration"] is None
    assert {region["at_mm"] for region in document["regions"]} == {None}
    assert {region["rotation_deg"] for region in document["regions"]} == {None}
    assert any("the board's size is not known" in remark for remark in document["remarks"])


def test_a_hot_chip_among_its_like_is_to_be_watched_and_no_more(hot_frame, capsys):
    status, out, _ = run(capsys, hot_frame, "--no-layout", "--ambient", 22, "--json")
    document = json.loads(out)
    assert (status, document["overall"]) == (0, "watch")
    assert [(finding["ref"], finding["level"], finding["direction"]) for finding in document["findings"]] == [
        ("body-5", "watch", "hot")
    ]
    # 12 K over its like, seen through an emissivity that is taken for a few per cent too low.
    assert document["findings"][0]["excess_k"] == pytest.approx(12.0, abs=1.0)
    assert "alike in size only" in document["findings"][0]["text"]
    verdicts = {region["ref"]: region["verdict"] for region in document["regions"]}
    assert verdicts == {f"body-{i + 1}": "watch" if i == 4 else "normal" for i in range(7)}


def test_a_first_layout_is_written_and_inspected_like_any_other(frame, tmp_path, capsys):
    layout = tmp_path / "board.toml"
    status, out, err = run(
        capsys, frame, "--no-layout", "--ambient", 22, "--width-mm", 100, "--write-layout", layout, "--json"
    )
    assert status == 0
    assert f"first layout written to {layout}" in err
    board = read_board(layout)
    # Told from the picture: the frame is frontal, so the proportions are those of the pixels.
    assert board.height_mm == pytest.approx(80.0, abs=1.0)
    for part, true in zip(board.parts, (*CHIPS, BIG), strict=True):
        assert (part.x_mm, part.y_mm) == (pytest.approx(true.x_mm, abs=0.8), pytest.approx(true.y_mm, abs=0.8))
        # Half a pixel to each side, at 1.2 pixels a millimetre.
        assert part.length_mm == pytest.approx(true.length_mm, abs=0.9)
        assert part.width_mm == pytest.approx(true.width_mm, abs=0.9)
        assert part.rotation_deg % 180 == 0
        assert part.group is None
    document = json.loads(out)
    assert document["registration"]["method"] == "outline"
    corners = " ".join(f"{x},{y}" for x, y in document["registration"]["corners_px"])
    status, again, _ = run(capsys, frame, "--layout", layout, "--ambient", 22, "--corners", corners, "--json")
    # Without groups, limits or known-good runs there is nothing to compare its parts with.
    assert (status, json.loads(again)["not_compared"]) == (3, [part.ref for part in board.parts])
    by_ref = {part["ref"]: part for part in json.loads(again)["parts"]}
    for region in document["regions"]:
        assert by_ref[region["ref"]]["mean_c"] == pytest.approx(region["mean_c"], abs=0.4)


def test_a_layout_that_was_there_is_kept(frame, tmp_path, capsys):
    layout = tmp_path / "board.toml"
    layout.write_text("# hours of work\n")
    options = ["--no-layout", "--ambient", 22, "--width-mm", 100, "--height-mm", 80, "--write-layout", layout]
    _, _, err = run(capsys, frame, *options)
    assert (tmp_path / "board.toml.bak").read_text() == "# hours of work\n"
    assert "what was there before is kept as" in err


def test_the_report_holds_document_table_and_numbered_picture(frame, tmp_path, capsys):
    folder = tmp_path / "report"
    status, out, _ = run(capsys, frame, "--no-layout", "--ambient", 22, "--out", folder, "--json")
    assert status == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        "numbered-regions.png",
        "report.html",
        "report.pdf",
        "report.sha256",
        "results.csv",
        "results.json",
    ]
    assert json.loads((folder / "results.json").read_text()) == json.loads(out)
    rows = (folder / "results.csv").read_text().splitlines()
    assert len(rows) == 8
    assert rows[1].startswith("body-1,,A,,plastic,")


def test_the_terminal_shows_every_region(frame, capsys):
    status, out, err = run(capsys, frame, "--no-layout", "--ambient", 22)
    assert status == 0
    lines = out.splitlines()
    assert lines[0].startswith("Overall: clear.")
    assert sum(line.startswith("  body-") for line in lines) == 7
    assert err == ""


def test_a_frame_without_bodies_cannot_be_judged(tmp_path, capsys):
    path = tmp_path / "cold.tiff"
    values = 29_500 + np.random.default_rng(2).normal(0, 5, (120, 160))
    tifffile.imwrite(path, values.astype(np.uint16), description="unit: cK")
    status, out, err = run(capsys, path, "--no-layout", "--ambient", 21.9)
    assert (status, out) == (3, "")
    assert err.startswith("no body stands out from its surroundings in this frame; let the board warm up")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--width-mm", "100"], "--width-mm needs --no-layout"),
        (["--write-layout", "b.toml"], "--write-layout needs --no-layout"),
        (["--no-layout", "--write-layout", "b.toml"], "--write-layout needs --width-mm: a layout is in millimetres"),
        (["--no-layout", "--height-mm", "80"], "--height-mm needs --width-mm"),
        (["--no-layout", "--layout", "b.toml"], "--layout cannot go with --no-layout"),
        (["--no-layout", "--baseline", "b.json"], "--baseline cannot go with --no-layout"),
        (["--no-layout", "--explain", "U1"], "--explain cannot go with --no-layout"),
        (["--no-layout", "--surface", "plastik"], '--surface: "plastik" is not a known surface; did you mean plastic?'),
        (["--no-layout", "--width-mm", "0"], "Invalid value for '--width-mm': 0.0 is not in the range"),
    ],
)
def test_options_that_make_no_sense_together_are_refused_in_one_line(frame, options, message, capsys):
    status, out, err = run(capsys, frame, "--ambient", 22, *options)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert message in err


def test_millimetres_of_a_board_that_fills_the_frame_need_its_corners(tmp_path, capsys):
    rows, cols = np.indices((120, 160))
    apparent_c = 30.0 + np.random.default_rng(1).normal(0, 0.05, (120, 160))
    apparent_c[(abs(rows - 60) < 10) & (abs(cols - 80) < 25)] += 8.0
    path = tmp_path / "near.tiff"
    tifffile.imwrite(path, np.round((apparent_c + 273.15) * 100).astype(np.uint16), description="unit: cK")
    status, _, err = run(capsys, path, "--no-layout", "--ambient", 22, "--width-mm", 100)
    assert status == 3
    assert err.startswith("the board's outline does not stand out from the bench")
    corners = ["--corners", "-20,-10 180,-10 180,130 -20,130"]
    status, out, _ = run(capsys, path, "--no-layout", "--ambient", 22, "--width-mm", 100, *corners, "--json")
    assert status == 3  # one region alone: there is nothing to compare it with
    document = json.loads(out)
    assert document["overall"] == "undecided"
    assert document["registration"]["method"] == "corners"
    assert document["regions"][0]["at_mm"] == [pytest.approx(50.0, abs=0.5), pytest.approx(35.0, abs=0.5)]
