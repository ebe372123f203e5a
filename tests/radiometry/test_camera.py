from dataclasses import fields

import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.radiometry.calibration import Calibration
from thermscan.radiometry.camera import Camera, Lens, read_camera, write_camera
from thermscan.radiometry.planck import SpectralResponse
from thermscan.resources import data_path

FULL = Camera(
    name='the "bench" camera',
    pixels=(256, 192),
    fov_deg=(56.0, 42.0),
    band_um=(7.5, 13.5),
    response=SpectralResponse((7.5, 8.0, 13.0, 13.5), (0.0, 1.0, 0.9, 0.0)),
    accuracy_k=1.5,
    accuracy_percent=0.0,
    netd_k=0.05,
    blur_px=0.7,
    lens=Lens(240.0, 240.5, 127.5, 95.5, k1=-0.2, p1=1e-4),
    emissivity=0.95,
    reflected_c=21.0,
    calibration=Calibration("linear", np.array([1.25, 1.02]), covariance=np.diag([0.01, 1e-6]), range_c=(0.0, 98.0)),
)


def written(tmp_path, text):
    path = tmp_path / "camera.toml"
    path.write_text(text, encoding="utf-8")
    return path


def lines_of(path):
    with pytest.raises(InputError) as caught:
        read_camera(path)
    return [line.removeprefix(f"{path}, ") for line in caught.value.lines()]


@pytest.mark.parametrize("camera", [FULL, Camera(name="least")], ids=["full", "least"])
def test_a_camera_comes_back_as_it_was_written(camera, tmp_path):
    path = tmp_path / "camera.toml"
    write_camera(camera, path)
    back = read_camera(path)
    for field in fields(Camera):
        if field.name not in ("path", "calibration"):
            assert getattr(back, field.name) == getattr(camera, field.name), field.name
    if camera.calibration is not None:
        for field in fields(Calibration):
            assert np.array_equal(getattr(back.calibration, field.name), getattr(camera.calibration, field.name))
    assert back.path == path
    assert [item.name for item in tmp_path.iterdir()] == ["camera.toml"]


def test_an_existing_file_is_kept_unless_told_otherwise(tmp_path):
    path = written(tmp_path, "mine")
    with pytest.raises(InputError, match="the file exists; choose another name, or add --force"):
        write_camera(FULL, path)
    assert path.read_text() == "mine"
    write_camera(FULL, path, overwrite=True)
    assert read_camera(path).name == FULL.name


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(InputError, match=r"cannot be written \(No such file or directory\)"):
        write_camera(FULL, tmp_path / "none" / "camera.toml")


@pytest.mark.parametrize("path", sorted(data_path("calibration", "cameras").glob("*.toml")), ids=lambda path: path.stem)
def test_the_cameras_that_come_along_are_sound(path):
    camera = read_camera(path)
    size = tuple(int(number) for number in path.stem.removeprefix("generic-").split("x"))
    assert camera.pixels == size
    assert camera.netd_k is None
    assert camera.band == (8.0, 14.0)


def test_the_generic_camera_claims_no_more_than_usual():
    generic = read_camera(None)
    # 2 K as a rectangle is 2 / sqrt(3); above 100 C 2 % of the reading is more.
    assert generic.u_accuracy_k(50.0) == pytest.approx(1.1547, abs=1e-4)
    assert generic.u_accuracy_k(300.0) == pytest.approx(6.0 / np.sqrt(3), rel=1e-12)
    assert generic.accuracy_half_width_k([20.0, 150.0]).tolist() == [2.0, 3.0]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('name = "x"\nnetd = 0.05', "netd: unknown key; did you mean netd_k?"),
        ('nmae = "x"\nname = "x"', "nmae: unknown key; did you mean name?"),
        ("pixels = [256, 192]", "name: it is missing"),
        ('name = "x"\npixels = [256]', "pixels: [256] is not a size; write [columns, rows], such as [256, 192]"),
        ('name = "x"\npixels = [256, -1]',
         "pixels: [256, -1] is not a size; write [columns, rows], such as [256, 192]"),
        ('name = "x"\nband_um = [14, 8]',
         "band_um: [14, 8] is not a band; write the shorter wavelength first, such as [8, 14]"),
        ('name = "x"\nfov_deg = [200, 42]',
         "fov_deg: [200, 42] is not a field of view; give degrees between 0 and 180, such as [56, 42]"),
        ('name = "x"\nband_um = [8000, 14000]',
         "band_um: [8000, 14000] is no band of a thermal camera; write micrometres, such as [8, 14]"),
        (f"name = 'x'\naccuracy_k = 1{400 * '0'}", "accuracy_k: a whole number of very many digits is too large"),
        ('name = "x"\nband_um = [8, 1' + "0" * 400 + "]", "band_um: [8, 1" + "0" * 35 + "… is not a list of 2 numbers; "
         "write the shorter and the longer wavelength in micrometres, such as [8, 14]"),
        ('name = "x"\n[calibration]\nmodel = "linear"\nparameters = [0, 1]\ncovariance = [[1, 2], [3]]',
         "calibration.covariance: its rows have unlike lengths; give each row as many numbers"),
        ('name = "x"\naccuracy_k = -1', "accuracy_k: -1 is below 0"),
        ('name = "x"\nnetd_k = "50 mK"', 'netd_k: "50 mK" is not a number'),
        ('name = "x"\nlens = 3', "lens: 3 is not a table; write it below [lens]"),
        ('name = "x"\n[lens]\nfx_px = 1\nfy_px = 1\ncx_px = 1', "lens.cy_px: it is missing"),
        ('name = "x"\nresponse = [[8, 1], [7, 1]]', "response: wavelengths must rise, in micrometres above 0"),
        ('name = "x"\n[calibration]\nmodel = "cubic"\nparameters = [1]',
         'calibration.model: "cubic" is not a model; write offset, linear, planck or planck-zero'),
        ('name = "x"\n[calibration]\nmodel = "linear"\nparameters = [1]',
         "calibration.parameters: a model linear has 2 finite parameters, not [1.0]; write [intercept_c, slope]"),
        ('name = "x"\n[calibration]\nmodel = "linear"\nparameters = [1, 0]',
         "calibration.parameters: the slope is 0, so every value means the same temperature"),
        ('name = "x"\n[calibration]\nmodel = "offset"\nparameters = [1]\ncovariance = [[1, 2]]',
         "calibration.covariance: the covariance is not a finite 1 x 1 table"),
    ],
)  # fmt: skip
def test_each_fault_is_one_line_with_what_to_do(text, line, tmp_path):
    assert lines_of(written(tmp_path, text)) == [line]


def test_an_impossible_emissivity_is_one_line(tmp_path):
    (line,) = lines_of(written(tmp_path, 'name = "x"\nemissivity = 1.2'))
    assert line.startswith("emissivity: 1.2 is not above 0 and at most 1")


def test_all_faults_of_a_file_come_together(tmp_path):
    found = lines_of(written(tmp_path, 'nmae = "x"\nband_um = 3\n[lens]\nfx_pix = 1'))
    assert len(found) == 8  # name missing, nmae, band_um, four of the lens missing, fx_pix
    assert "lens.fx_pix: unknown key; did you mean fx_px?" in found


@pytest.mark.parametrize(("text", "match"), [("", "the file is empty"), ("name = ", "not valid TOML")])
def test_a_file_that_is_no_toml_is_told(text, match, tmp_path):
    with pytest.raises(InputError, match=match):
        read_camera(written(tmp_path, text))


def test_a_missing_file_is_told(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_camera(tmp_path / "none.toml")
