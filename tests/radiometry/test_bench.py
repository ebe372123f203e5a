import numpy as np
import pytest
import tifffile

from thermscan.errors import CannotJudge, InputError
from thermscan.radiometry.bench import Estimate, check_reference, emissivity_from_tape, reflected_from_foil
from thermscan.radiometry.bench_temperatures import boiling_point_c, standard_pressure_kpa
from thermscan.radiometry.reference_points import parse_frame_region, read_reference_points, read_region
from thermscan.radiometry.surface import apparent_temperature


@pytest.mark.parametrize("emissivity", [0.3, 0.65, 0.94])
def test_the_tape_method_finds_the_emissivity(emissivity):
    part_c = apparent_temperature(65.0, emissivity=emissivity, reflected_c=22.0)
    tape_c = apparent_temperature(65.0, emissivity=0.96, reflected_c=22.0)
    found = emissivity_from_tape(float(part_c), float(tape_c), reflected_c=22.0, u_reading_k=0.05)
    assert found.value == pytest.approx(emissivity, abs=1e-6)
    assert 0.002 < found.u < 0.03


def test_the_tape_methods_uncertainty_is_its_scatter():
    rng, found, stated = np.random.default_rng(14), [], []
    for _ in range(1000):
        tape_e, reflected_c = rng.normal(0.96, 0.01), rng.normal(22.0, 1.0)
        part_c = apparent_temperature(65.0 + rng.normal(0.0, 0.5), emissivity=0.7, reflected_c=reflected_c)
        tape_c = apparent_temperature(65.0, emissivity=min(tape_e, 1.0), reflected_c=reflected_c)
        estimate = emissivity_from_tape(
            float(part_c + rng.normal(0, 0.1)), float(tape_c), reflected_c=22.0, u_reading_k=0.1
        )
        found.append(estimate.value)
        stated.append(estimate.u)
    # 1000 draws know a standard deviation to 2.2 %.
    assert np.mean(stated) == pytest.approx(np.std(found), rel=0.08)


def test_a_cold_tape_tells_no_emissivity():
    with pytest.raises(CannotJudge, match=r"less than 5 K apart; warm the part by 20 K or more"):
        emissivity_from_tape(23.0, 24.0, reflected_c=22.0, u_reading_k=0.1)


def test_the_foil_tells_the_reflected_temperature():
    foil_c = float(apparent_temperature(22.0, emissivity=0.05, reflected_c=31.0))
    assert reflected_from_foil(foil_c, ambient_c=22.0).value == pytest.approx(31.0, abs=1e-6)
    assert reflected_from_foil(foil_c).value == foil_c
    # Without the foil's own temperature the answer is less sure.
    assert reflected_from_foil(foil_c).u > reflected_from_foil(foil_c, u_reading_k=0.0, ambient_c=22.0).u


@pytest.mark.parametrize(("error_k", "passes"), [(0.0, True), (1.9, True), (-1.9, True), (2.6, False), (-2.6, False)])
def test_a_reference_passes_within_what_the_camera_claims(error_k, passes):
    expected_c = float(apparent_temperature(98.0, emissivity=0.96, reflected_c=22.0))
    check = check_reference(
        "boiling water",
        known_c=98.0,
        u_known_k=0.05,
        read_c=expected_c + error_k,
        accuracy_k=2.0,
        emissivity=Estimate(0.96, 0.01),
        reflected_c=22.0,
    )
    assert check.correction_k == pytest.approx(-error_k, abs=1e-9)
    assert check.passes is passes


@pytest.mark.parametrize("pressure_kpa", [1013.25, 0.0, float("nan")])
def test_a_pressure_of_no_bench_is_refused(pressure_kpa):
    with pytest.raises(InputError, match=r"pressure_kpa: \S+ kPa is not the air pressure at a bench"):
        boiling_point_c(pressure_kpa)


def test_an_altitude_of_no_bench_is_refused():
    with pytest.raises(InputError, match="altitude_m: 12000 m is not an altitude of a bench"):
        standard_pressure_kpa(12000.0)


def test_reference_points_from_a_table_with_decimal_commas(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("known_c;value;emissivity\n0,1;1,4;\n\n98,0;96,2;0,96\n", encoding="utf-8")
    ice, steam = read_reference_points(path, reflected_c=22.0)
    assert (ice.apparent_c, ice.value, ice.of) == (0.1, 1.4, "C")
    assert steam.apparent_c == pytest.approx(float(apparent_temperature(98.0, emissivity=0.96, reflected_c=22.0)))


def test_reference_points_from_regions_of_frames(tmp_path):
    values = np.full((20, 30), 9000, np.uint16)
    values[5:8, 10:15] = 12000
    tifffile.imwrite(tmp_path / "hot.tiff", values)
    path = tmp_path / "points.csv"
    path.write_text(
        "known_c,frame,left,top,right,bottom\n98,hot.tiff,10,5,14,7\n20,hot.tiff,0,0,9,19\n", encoding="utf-8"
    )
    hot, cold = read_reference_points(path, unit="counts")
    assert (hot.value, cold.value, hot.of) == (12000.0, 9000.0, "counts")
    reading = read_region(tmp_path / "hot.tiff", box=(10, 5, 14, 7), unit="counts")
    assert (reading.pixels, reading.spread) == (15, 0.0)


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("known,value\n1,2\n", ['row 1: "known" is an unknown column; did you mean known_c?']),
        ("known_c\n1\n", ["row 1: columns are missing; known_c is needed, and value or frame"]),
        ("known_c,value,value\n1,2,3\n", ["row 1: a column stands twice; keep one"]),
        ("known_c,value\n", ["no reference point; write one a row below the headings"]),
        ("known_c,value\nwarm,2\n3,x\n", [
            'row 2, known_c: "warm" is not a number; write digits, such as 98.3',
            'row 3, value: "x" is not a number; write digits, such as 98.3',
        ]),
        ("known_c,value\n3,5,1,2\n", [
            "row 2: 4 cells stand below 2 headings; write a decimal point, or separate the cells by semicolons",
        ]),
        ("known_c,value\n3,\n", ["row 2: neither value nor frame; write one of them"]),
        ("known_c,value,emissivity\n3,4,0.9\n", [
            "row 2: the reference's emissivity is 0.9, but what it reflects is not given; "
            "add --reflected, the room's temperature as a rule",
        ]),
        ("known_c,value,emissivity\n3,4,0\n", ["row 2, emissivity: 0 is not an emissivity; write one such as 0.96"]),
        ("known_c,value,left\n3,4,1\n", None),
    ],
)  # fmt: skip
def test_faults_of_a_table_are_told_together(text, lines, tmp_path):
    path = tmp_path / "points.csv"
    path.write_text(text, encoding="utf-8")
    if lines is None:  # a region without a frame is of no account
        assert len(read_reference_points(path)) == 1
        return
    with pytest.raises(InputError) as caught:
        read_reference_points(path)
    assert [line.removeprefix(str(path)).lstrip(",: ") for line in caught.value.lines()] == lines


def test_a_region_outside_the_frame_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tiff", np.full((20, 30), 30000, np.uint16))
    with pytest.raises(InputError, match="does not lie in a frame of 30 x 20 pixels"):
        read_region(tmp_path / "a.tiff", box=(0, 0, 30, 5), unit="cK")
    assert parse_frame_region("a b@c.tiff", where="x")[0].name == "a b@c.tiff"
