"""``thermscan camera``: status, standard output and standard error, through the real entry point."""

import json

import numpy as np
import pytest
import tifffile

from tests.radiometry.plates import barrel_lens, view_plate
from thermscan.cli.main import main
from thermscan.radiometry.camera import read_camera
from thermscan.radiometry.planck import band_radiance
from thermscan.radiometry.surface import apparent_temperature

SHAPE = (40, 50)


def write_frame(path, temp_c):
    tifffile.imwrite(path, np.round((np.asarray(temp_c) + 273.15) * 100).astype(np.uint16))
    return str(path)


def run(capsys, *arguments):
    status = main(["camera", *map(str, arguments)])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


@pytest.fixture
def points(tmp_path):
    path = tmp_path / "points.csv"
    known_c = np.array([0.1, 20.3, 40.1, 60.2, 80.4, 97.9])
    shown_c = (known_c - 1.3) / 1.02 + np.random.default_rng(17).normal(0.0, 0.1, 6)
    lines = [f"{known:.1f},{shown:.2f}" for known, shown in zip(known_c, shown_c, strict=True)]
    path.write_text("known_c,value\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_fit_writes_a_camera_that_reads_right(points, tmp_path, capsys):
    out, plot = tmp_path / "mine.toml", tmp_path / "fit.png"
    status, printed, told = run(capsys, "fit", points, "--out", out, "--plot", plot, "--name", "mine")
    assert status == 0
    assert "a constant and a gain  chosen" in printed
    assert f"written: {out}" in told
    camera = read_camera(out)
    assert camera.name == "mine"
    assert camera.calibration.temperature_c((50.0 - 1.3) / 1.02) == pytest.approx(50.0, abs=0.3)
    # 0.3 K of the thermometer, 0.3 K of drift and 0.1 to 0.2 K of scatter and fit: 0.45 to 0.5 K; as a rectangle's
    # half-width 0.78 to 0.87 K.
    assert 0.74 < camera.accuracy_k < 1.0
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert sorted(item.name for item in tmp_path.iterdir()) == ["fit.png", "mine.toml", "points.csv"]


def test_fit_never_overwrites_unless_told_to(points, tmp_path, capsys):
    out = tmp_path / "mine.toml"
    out.write_text("precious", encoding="utf-8")
    status, printed, told = run(capsys, "fit", points, "--out", out)
    assert (status, printed) == (2, "")
    assert told == f"{out}: the file exists; choose another name, or add --force to replace it\n"
    assert out.read_text() == "precious"
    assert run(capsys, "fit", points, "--out", out, "--force")[0] == 0
    assert read_camera(out).calibration is not None


def test_fit_prints_one_strict_document(points, capsys):
    status, printed, told = run(capsys, "fit", points, "--json")
    document = json.loads(printed, parse_constant=pytest.fail)
    assert (status, told) == (0, "")
    assert document["schema"] == "thermscan.camera-fit/1"
    assert document["chosen"] == "linear"
    assert len(document["points"]) == 6
    assert sum(candidate["support"] for candidate in document["candidates"]) == pytest.approx(1.0)


def test_fit_takes_regions_of_frames_in_counts(tmp_path, capsys):
    lines = ["known_c,frame,left,top,right,bottom"]
    for temp_c in (1.0, 20.0, 45.0, 70.0, 95.0):
        counts = np.full(SHAPE, 7000.0)
        counts[10:30, 10:40] = 8000 + 60 * float(band_radiance(temp_c))
        tifffile.imwrite(tmp_path / f"{temp_c:g}.tiff", counts.astype(np.uint16))
        lines.append(f"{temp_c},{temp_c:g}.tiff,12,12,37,27")
    (tmp_path / "points.csv").write_text("\n".join(lines), encoding="utf-8")
    status, printed, _ = run(capsys, "fit", tmp_path / "points.csv", "--unit", "counts", "--json")
    document = json.loads(printed)
    assert status == 0
    assert (document["chosen"], document["of"]) == ("planck-gain", "counts")
    # Half a count is 0.01 K.
    assert max(abs(point["residual_k"]) for point in document["points"]) < 0.02


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--emissivity", "1.2"], "--emissivity: 1.2 is not an emissivity; give one such as 0.96"),
        (["--emissivity", "0.9"], "points.csv: the references' emissivity is 0.9, but what they reflect is not given; "
                                  "add --reflected, the room's temperature as a rule"),
        (["--u-drift", "-1"], "--u-drift: -1 is not an uncertainty; give 0 or more"),
        (["--model", "cubic"], 'model: "cubic" is not a model for C; choose from offset, linear'),
        (["--plot", "fit.jpg"], "fit.jpg: the picture is a PNG; let its name end in .png"),
    ],
)  # fmt: skip
def test_fit_says_what_is_wrong_in_one_line(arguments, line, points, monkeypatch, capsys):
    monkeypatch.chdir(points.parent)
    status, printed, told = run(capsys, "fit", "points.csv", *arguments)
    assert (status, printed, told) == (2, "", f"{line}\n")


def test_a_camera_that_counts_is_checked_in_counts(tmp_path, capsys):
    fitted_c = np.array([1.0, 20.0, 45.0, 70.0, 95.0])
    rows = [f"{c},{8000 + 60 * float(band_radiance(c)):.1f}" for c in fitted_c]
    (tmp_path / "points.csv").write_text("known_c,value\n" + "\n".join(rows), encoding="utf-8")
    assert run(capsys, "fit", tmp_path / "points.csv", "--of", "counts", "--out", tmp_path / "mine.toml")[0] == 0
    ice_c = float(apparent_temperature(0.0, emissivity=0.96, reflected_c=22.0))
    counts = np.full(SHAPE, 8000 + 60 * float(band_radiance(ice_c)))
    tifffile.imwrite(tmp_path / "ice.tiff", np.round(counts).astype(np.uint16))
    arguments = ["--ice", tmp_path / "ice.tiff", "--camera", tmp_path / "mine.toml", "--json"]
    status, printed, _ = run(capsys, "check", *arguments)
    assert status == 0
    # Half a count is 0.01 K.
    assert json.loads(printed)["references"][0]["correction_k"] == pytest.approx(0.0, abs=0.02)


@pytest.fixture
def references(tmp_path):
    def write(error_k):
        ice_c = apparent_temperature(0.0, emissivity=0.96, reflected_c=22.0) + error_k
        can_c = apparent_temperature(98.312, emissivity=0.96, reflected_c=22.0) + error_k
        ice = write_frame(tmp_path / "ice.tiff", np.full(SHAPE, ice_c))
        return ["--ice", ice, "--boiling", write_frame(tmp_path / "can.tiff", np.full(SHAPE, can_c)), "--unit", "cK"]

    return write


def test_check_passes_a_camera_within_its_claims(references, capsys):
    status, printed, told = run(capsys, "check", *references(0.8), "--altitude", 500)
    assert (status, told) == (0, "")
    assert printed.count("pass") == 2
    assert "within what it and the references claim" in printed


def test_check_tells_what_to_add(references, capsys):
    status, printed, _ = run(capsys, "check", *references(3.4), "--pressure", 95.461)
    assert status == 1
    assert printed.count("FAIL") == 2
    assert "Add -3.40 K to its readings" in printed
    status, printed, _ = run(capsys, "check", *references(3.4), "--pressure", 95.461, "--json")
    document = json.loads(printed)
    assert (status, document["passes"]) == (1, False)
    # The frame is stored in steps of 0.01 K.
    assert [one["correction_k"] for one in document["references"]] == pytest.approx([-3.4, -3.4], abs=0.006)


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        ([], "no reference is given; give --ice, --boiling or --block, better two of them"),
        (["--boiling", "can.tiff"], "the boiling point is not known; give --pressure, or --altitude, one of them"),
        (["--block", "b.tiff"], "the block's temperature is not given; give --block-c, what its thermometer shows"),
        (["--boiling", "can.tiff", "--pressure", "1013"],
         "pressure_kpa: 1013 kPa is not the air pressure at a bench; "
         "give kilopascals from 30 to 120, such as 101.3 (1013 hPa is 101.3 kPa)"),
        (["--ice", "none.tiff"], "none.tiff"),
        (["--ice", "ice.tiff", "--reflected", "nan"], "--reflected: nan is not a number to reckon with"),
    ],
)  # fmt: skip
def test_check_says_what_is_missing_in_one_line(arguments, line, capsys):
    status, printed, told = run(capsys, "check", *arguments)
    assert (status, printed) == (2, "")
    assert told.startswith(line)
    assert told.count("\n") == 1


def test_noise_tells_each_kind_and_the_dead_pixels(tmp_path, capsys):
    rng = np.random.default_rng(18)
    cube = 22.0 + rng.normal(0.0, 0.05, (30, *SHAPE))
    cube[:, 7, 9] = 22.0
    path = write_frame(tmp_path / "wall.tiff", cube)
    status, printed, told = run(capsys, "noise", path, "--unit", "cK")
    assert (status, told) == (0, "")
    assert "netd_k = 0.050" in printed
    assert "1: (9, 7)" in printed
    status, printed, _ = run(capsys, "noise", path, "--unit", "cK", "--json")
    document = json.loads(printed)
    assert document["pixel"] == pytest.approx(0.05, rel=0.02)
    assert document["dead_px"] == [[9, 7]]


def test_noise_of_a_single_frame_is_refused(tmp_path, capsys):
    status, printed, told = run(
        capsys, "noise", write_frame(tmp_path / "one.tiff", np.full(SHAPE, 22.0)), "--unit", "cK"
    )
    assert (status, printed) == (2, "")
    assert "record 8 frames or more of a flat scene" in told


def test_tape_and_foil(tmp_path, capsys):
    scene_c = np.full(SHAPE, float(apparent_temperature(65.0, emissivity=0.7, reflected_c=22.0)))
    scene_c[:, 25:] = float(apparent_temperature(65.0, emissivity=0.96, reflected_c=22.0))
    path = write_frame(tmp_path / "warm.tiff", scene_c)
    boxes = ["--part", "2,2,20,30", "--tape", "30,2,45,30"]
    status, printed, _ = run(capsys, "emissivity", path, *boxes, "--reflected", 22, "--unit", "cK")
    assert status == 0
    assert printed.startswith("emissivity 0.700, standard uncertainty 0.0")
    cold = write_frame(tmp_path / "cold.tiff", np.full(SHAPE, 23.0))
    assert run(capsys, "emissivity", cold, *boxes, "--reflected", 22, "--unit", "cK")[0] == 3
    status, printed, _ = run(capsys, "reflected", cold, "--ambient", 22, "--unit", "cK")
    assert status == 0
    assert printed.startswith("reflected_c = 23.1, standard uncertainty 1.")


def test_lens_writes_what_it_found(tmp_path, capsys):
    rng, shape = np.random.default_rng(19), (120, 160)
    lens = barrel_lens(shape)
    paths = [
        write_frame(tmp_path / f"plate{i}.tiff", view_plate(rng, lens, shape, grid=(7, 5), pitch_mm=20.0))
        for i in range(4)
    ]
    out = tmp_path / "mine.toml"
    status, printed, told = run(capsys, "lens", *paths, "--grid", "7x5", "--pitch", 20, "--unit", "cK", "--out", out)
    assert status == 0
    assert "grid found in 4 of 4 frames" in printed
    assert told == f"written: {out}\n"
    assert read_camera(out).lens.k1 == pytest.approx(lens.k1, abs=0.03)
    assert read_camera(out).pixels == (160, 120)


def test_lens_without_a_grid_cannot_judge(tmp_path, capsys):
    path = write_frame(tmp_path / "wall.tiff", 22.0 + np.zeros((120, 160)) + np.linspace(0, 3, 160))
    status, printed, told = run(capsys, "lens", path, "--grid", "7x5", "--pitch", 20, "--unit", "cK")
    assert (status, printed) == (3, "")
    assert told.startswith("the grid of 7 x 5 holes is found in 0 of 1 frames")
    status, _, told = run(capsys, "lens", path, "--grid", "many", "--pitch", 20, "--unit", "cK")
    assert (status, told) == (2, '--grid: "many" is no grid; write columns x rows, such as 7x5\n')


@pytest.mark.parametrize("name", ["", "fit", "check", "noise", "shading", "lens", "emissivity", "reflected"])
def test_help_opens_with_a_question_and_ends_with_an_example(name, capsys):
    status, printed, told = run(capsys, *([name] if name else []), "--help")
    assert (status, told) == (0, "")
    assert "?" in printed.split("Options:")[0]
    assert "Example: thermscan camera" in printed


def test_shading_goes_into_the_camera_file_and_out_of_the_frames(tmp_path, capsys):
    rng = np.random.default_rng(3)
    y, x = np.mgrid[-1:1:60j, -1:1:80j]
    bowl_k = 0.8 * (x**2 + y**2)

    def frame(name):
        return write_frame(tmp_path / name, 22.0 + bowl_k + rng.normal(0.0, 0.05, x.shape))

    out = tmp_path / "mine.toml"
    out.write_text('name = "mine"\nnetd_k = 0.05\n', encoding="utf-8")
    card = frame("card.tiff")
    status, printed, told = run(capsys, "shading", card, "--unit", "cK", "--out", out)
    assert status == 0
    assert "smooth shading 1.6" in printed
    assert f"kept as {out}.bak" in told
    camera = read_camera(out)
    assert (camera.name, camera.netd_k) == ("mine", 0.05)
    status, printed, _ = run(capsys, "shading", card, "--unit", "cK", "--out", out, "--json")
    assert status == 0
    assert json.loads(printed)["shading_k"] == pytest.approx(1.6, abs=0.1)


def test_shading_refuses_a_board_and_never_replaces_what_it_reads(tmp_path, capsys):
    scene = np.full((60, 80), 22.0) + np.random.default_rng(4).normal(0.0, 0.05, (60, 80))
    card = write_frame(tmp_path / "card.tiff", scene)
    before = (tmp_path / "card.tiff").read_bytes()
    scene[20:30, 20:50] += 8.0
    board = write_frame(tmp_path / "board.tiff", scene)
    status, printed, told = run(capsys, "shading", board, "--unit", "cK", "--out", tmp_path / "mine.toml")
    assert (status, printed) == (2, "")
    assert "board.tiff: this is no flat scene" in told
    assert not (tmp_path / "mine.toml").exists()
    status, _, told = run(capsys, "shading", card, "--unit", "cK", "--out", card)
    assert status == 2
    assert "it is not replaced" in told
    assert (tmp_path / "card.tiff").read_bytes() == before
