"""The lock-in at every pixel, on frames whose truth is known."""

from pathlib import Path

import numpy as np

from thermscan.dynamics.lockin import basis_for, lock_in
from thermscan.frames.stream import StreamFrame
from thermscan.registration import Drift

SHAPE, PERIOD_S, BREATH_S = (12, 16), 16.0, 4.1


class NoBench:
    """No bench in view."""

    def read_bench(self, _frame, _at):
        return float("nan")


def test_breath_that_sways_the_view_and_is_reflected_is_no_heat_where_the_heat_pulls_the_tracking():
    """Half of the picture reflects 0.1 K of breath, one pixel is heated by 0.3 K; the tracked place follows both."""
    times = np.arange(0.0, 144.0, 0.25)
    rng = np.random.default_rng(2)
    breath, drive = np.sin(2 * np.pi * times / BREATH_S), np.cos(2 * np.pi * times / PERIOD_S)
    reflecting, heated = np.zeros(SHAPE), np.zeros(SHAPE)
    reflecting[:, 8:], heated[6, 3] = 1.0, 1.0
    frames = []
    for number, (time_s, b, d) in enumerate(zip(times, breath, drive, strict=True)):
        values = 22.0 + 0.1 * b * reflecting + 0.3 * d * heated + rng.normal(0.0, 0.01, SHAPE)
        # Hundredths of a pixel, so that nothing is moved; a tenth of it is the heat's doing.
        moved = np.eye(3)
        moved[:2, 2] = 0.008 * b + 0.0008 * d
        frame = StreamFrame(values.astype(np.float32), float(time_s), number, Path("f"), number)
        frames.append((frame, Drift(moved, 1.0, 0.012)))
    found = lock_in(frames, NoBench(), basis_for(PERIOD_S, times), before_c=np.full(SHAPE, 22.0))
    assert abs(found.amplitude[6, 3] - 0.3) < 0.003
    others = np.abs(found.amplitude)[heated == 0]
    # 2 NETD / sqrt(N) = 0.8 mK of noise, and what the breath leaves at another frequency in 144 s.
    assert others.max() < 0.004
