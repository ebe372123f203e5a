"""When a watch places the board anew."""

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from thermscan.dynamics import watching
from thermscan.dynamics.alarms import Expected
from thermscan.frames.stream import StreamFrame


@pytest.fixture
def placings(monkeypatch) -> Callable[..., int]:
    """How often a board was placed, once one frame more of it was shown; a chip covers 1 % of the picture."""
    monkeypatch.setattr(watching, "reference_from", lambda *_: None)
    monkeypatch.setattr(watching, "find_part_pixels", lambda _: SimpleNamespace(columns=()))
    watch = watching.Watch(SimpleNamespace(power_on_s=None), None, None, Expected())
    watch._first = object()
    rng = np.random.default_rng(3)

    def shown(*, board_k: float, chip_k: float = 0.0, camera_k: float = 0.0) -> int:
        picture = rng.normal(22.0 + camera_k, 0.05, (120, 160))
        picture[20:100, 30:130] += board_k
        picture[40:50, 40:59] += chip_k
        frame = StreamFrame(picture.astype(np.float32), 0.0, 0, Path("f"), 0)
        watch._hold(frame)
        watch._place(frame)
        return watch._placings

    return shown


def test_a_board_is_placed_again_once_one_part_has_warmed(placings):
    """Two kelvin on one chip in a hundred pixels do not widen what the picture shows as a whole."""
    assert [placings(board_k=-0.7) for _ in range(20)] == [1] * 20
    assert placings(board_k=-0.7, chip_k=0.5) == 1
    assert placings(board_k=-0.7, chip_k=2.0) == 2
    assert placings(board_k=-0.7, chip_k=2.0) == 2


def test_neither_noise_nor_the_cameras_own_offset_places_it_again(placings):
    assert [placings(board_k=0.0) for _ in range(300)] == [1] * 300
    assert placings(board_k=0.0, camera_k=3.0) == 1
