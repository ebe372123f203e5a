import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.radiometry.fitting import fit_calibration
from thermscan.report.camera_figures import draw_fit, write_fit_figure

REFERENCE_C = np.array([0.0, 22.0, 41.0, 60.0, 79.0, 98.0])
FIT = fit_calibration((REFERENCE_C - 1.0) / 1.03 + [0.1, -0.1, 0.05, -0.05, 0.1, -0.1], REFERENCE_C)


def test_the_picture_says_what_it_shows():
    above, below = draw_fit(FIT).axes
    assert above.get_figure().get_suptitle() == "Calibration: linear, 6 reference points"
    assert (above.get_ylabel(), below.get_ylabel()) == ("apparent temperature, °C", "calibrated less reference, K")
    assert below.get_xlabel() == "camera's reading, °C"
    shown = {line.get_label(): line.get_ydata() for line in below.get_lines()}
    assert shown["residual"] == pytest.approx(FIT.residuals_k)
    assert shown["judged by the other points"] == pytest.approx(FIT.leave_one_out_k)
    # All points and the band lie within the axes.
    low, high = below.get_ylim()
    assert low < min(shown["residual"]) < max(shown["residual"]) < high


def test_a_single_point_can_be_drawn_too():
    above, below = draw_fit(fit_calibration([20.0], [21.0])).axes
    assert len(below.collections) == 0
    assert above.get_lines()[1].get_ydata().tolist() == [21.0]


def test_the_picture_is_a_png_or_nothing(tmp_path):
    write_fit_figure(FIT, tmp_path / "fit.png")
    assert [item.name for item in tmp_path.iterdir()] == ["fit.png"]
    with pytest.raises(InputError, match=r"let its name end in \.png"):
        write_fit_figure(FIT, tmp_path / "fit.jpg")
    with pytest.raises(InputError, match="cannot be written"):
        write_fit_figure(FIT, tmp_path / "none" / "fit.png")
