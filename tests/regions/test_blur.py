"""The blur that was put into a frame is read back from the board's edges."""

import numpy as np
import pytest

from tests.regions.rendering import make_board, make_part, make_registration, render
from thermscan.regions.blur import estimate_blur

OBLIQUE = np.array([[1.1, 0.15, 12.0], [-0.12, 1.0, 20.0], [-0.0006, 0.0012, 1.0]])


@pytest.mark.parametrize("blur_px", [0.4, 0.6, 0.9, 1.3])
def test_the_blur_put_in_is_read_back(blur_px):
    board = make_board(make_part())
    image = render(board, OBLIQUE, {"U1": 45.0}, blur_px=blur_px, noise_k=0.05)
    found = estimate_blur(image, make_registration(board, OBLIQUE), board)
    assert found is not None
    # The renderer's own grid of 1/8 px and the fit on 14-px stretches leave a few hundredths.
    assert found.blur_px == pytest.approx(blur_px, abs=0.07)


def test_a_board_as_warm_as_the_bench_tells_no_blur():
    board = make_board(make_part())
    image = render(board, OBLIQUE, {"U1": 45.0}, board_c=22.3, noise_k=0.05)
    assert estimate_blur(image, make_registration(board, OBLIQUE), board) is None
