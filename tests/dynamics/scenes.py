"""Small recordings of our own making: rectangles of known temperature, a blur, noise; fast enough for every test."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import tifffile
from scipy.ndimage import gaussian_filter

WIDTH_MM, HEIGHT_MM = 120.0, 90.0
SHAPE = (120, 160)
PX_PER_MM = 1.15
LEFT_PX, TOP_PX = 11.0, 8.0
CORNERS_PX = [
    [LEFT_PX, TOP_PX],
    [LEFT_PX + WIDTH_MM * PX_PER_MM, TOP_PX],
    [LEFT_PX + WIDTH_MM * PX_PER_MM, TOP_PX + HEIGHT_MM * PX_PER_MM],
    [LEFT_PX, TOP_PX + HEIGHT_MM * PX_PER_MM],
]
AMBIENT_C = 22.0
# ref: centre and size in millimetres
PARTS = {
    "U1": (25.0, 20.0, 30.0, 13.0),
    "U2": (70.0, 20.0, 22.0, 10.0),
    "U3": (100.0, 20.0, 22.0, 10.0),
    "U4": (20.0, 50.0, 22.0, 10.0),
    "U5": (52.0, 50.0, 22.0, 10.0),
    "U6": (86.0, 50.0, 22.0, 10.0),
    "U7": (30.0, 75.0, 22.0, 10.0),
    "U8": (75.0, 75.0, 26.0, 12.0),
}
GROUP = ("U2", "U3", "U4", "U5", "U6", "U7")
Rises = Callable[[float], dict[str, float]]


def write_layout(folder: Path, *, more: dict[str, str] | None = None) -> None:
    """``board.toml``: surfaces painted black (emissivity 0.999), so that what is read is what is."""
    lines = ["[board]", 'name = "test"', f"width_mm = {WIDTH_MM}", f"height_mm = {HEIGHT_MM}"]
    for ref, (x, y, length, width) in PARTS.items():
        lines += ["[[part]]", f'ref = "{ref}"', f"body_mm = [{length}, {width}]", f"at_mm = [{x}, {y}]"]
        lines += ["emissivity = 0.999", "height_mm = 0.5"]
        lines += ['group = "gates"'] if ref in GROUP else []
        lines += [more[ref]] if more and ref in more else []
    (folder / "board.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def picture_c(rises_k: dict[str, float], *, board_k: float = 0.0, shift_px: tuple[float, float] = (0, 0)) -> np.ndarray:
    """One frame without noise."""
    fine = 3
    rows, cols = SHAPE[0] * fine, SHAPE[1] * fine
    y = (np.arange(rows) + 0.5) / fine - 0.5 - shift_px[1]
    x = (np.arange(cols) + 0.5) / fine - 0.5 - shift_px[0]
    x_mm, y_mm = np.meshgrid((x - LEFT_PX) / PX_PER_MM, (y - TOP_PX) / PX_PER_MM)
    scene = np.full((rows, cols), AMBIENT_C)
    inside = (x_mm >= 0) & (x_mm <= WIDTH_MM) & (y_mm >= 0) & (y_mm <= HEIGHT_MM)
    # The bare board differs a little from the bench, as solder mask does.
    scene[inside] = AMBIENT_C + 0.8 + board_k
    for ref, (cx, cy, length, width) in PARTS.items():
        body = (np.abs(x_mm - cx) <= length / 2) & (np.abs(y_mm - cy) <= width / 2)
        scene[body] = AMBIENT_C + 0.3 + rises_k.get(ref, 0.0)
    blurred = gaussian_filter(scene, 0.6 * fine)
    return blurred.reshape(SHAPE[0], fine, SHAPE[1], fine).mean(axis=(1, 3))


@cache
def unit_pictures() -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """What is there at no rise, and what a kelvin of the bare board and of each part adds; drawn once."""
    base = picture_c({})
    return base, picture_c({}, board_k=1.0) - base, {ref: picture_c({ref: 1.0}) - base for ref in PARTS}


def write_recording(
    path: Path, times_s: np.ndarray, rises: Rises, *, noise_k: float = 0.05, board_share: float = 0.4, seed: int = 1
) -> None:
    """A stack in hundredths of a kelvin; the bare board rises by a share of what the parts rise on average."""
    rng = np.random.default_rng(seed)
    base, board, units = unit_pictures()
    with tifffile.TiffWriter(path) as writer:
        for time_s in times_s:
            now = rises(float(time_s))
            frame = base + board_share * float(np.mean(list(now.values()))) * board
            frame = frame + sum(now[ref] * units[ref] for ref in now)
            frame = frame + rng.normal(0.0, noise_k, SHAPE)
            counts = np.round((frame + 273.15) * 100).astype(np.uint16)
            writer.write(counts, description=f"unit: cK; time_s: {time_s:.3f}", metadata=None, contiguous=False)


def write_run(folder: Path, name: str, *lines: str, corners: bool = True) -> Path:
    """A run file beside its recording."""
    text = [f'layout = "board.toml"\nframes = ["{name}.tiff"]\nambient_c = {AMBIENT_C}']
    text += [f"corners_px = {CORNERS_PX}"] if corners else []
    path = folder / f"{name}.toml"
    path.write_text("\n".join([*text, *lines]) + "\n", encoding="utf-8")
    return path


def warming(ends_k: dict[str, float], *, tau_s: float = 60.0, power_on_s: float = 10.0) -> Rises:
    """Every part rises to its end with one time constant."""
    return lambda t: {r: end * (1.0 - np.exp(-max(t - power_on_s, 0.0) / tau_s)) for r, end in ends_k.items()}


def write_switched(
    path: Path, times_s: np.ndarray, discs, *, period_s: float, noise_k: float = 0.05, drift_k: float = 0.0,
    sway_px: float = 0.0, parts_w: dict[str, float] | None = None, seed: int = 1, on_k: float = 6.0,
) -> None:  # fmt: skip
    """
    A warm board with a small supply switched on and off: heat in the bare sheet by finite differences.

    ``parts_w`` are kelvin a second that a part's body takes while on; it gives nothing to the board.
    """
    from scipy.ndimage import map_coordinates

    from samples.simulator.recording import switched
    from samples.simulator.sheet import sheet_rises

    rng = np.random.default_rng(seed)
    base = picture_c(dict.fromkeys(PARTS, on_k), board_k=0.5 * on_k)
    _, _, units = unit_pictures()
    bodies = sum(units.values())
    rows, cols = np.indices(SHAPE)
    at = np.array([(rows - TOP_PX) / PX_PER_MM - 0.5, (cols - LEFT_PX) / PX_PER_MM - 0.5])
    inside = (at[0] > -0.5) & (at[1] > -0.5) & (at[0] < HEIGHT_MM - 0.5) & (at[1] < WIDTH_MM - 0.5)
    level = switched(period_s)
    body_k = dict.fromkeys(parts_w or {}, 0.0)
    before = times_s[0]
    span = float(np.ptp(times_s))
    with tifffile.TiffWriter(path) as writer:
        solved = sheet_rises((WIDTH_MM, HEIGHT_MM), discs, times_s, level=level, cell_mm=1.0)
        for time_s, rise in zip(times_s, solved, strict=True):
            seen = map_coordinates(rise, at, order=1, mode="nearest") * inside * (1 - np.clip(bodies, 0, 1))
            for fine in np.arange(before, time_s, 0.1):
                for ref, rate in (parts_w or {}).items():
                    body_k[ref] += 0.1 * (rate * level(fine) - 0.01 * body_k[ref])
            before = time_s
            frame = base + gaussian_filter(seen, 0.6) + sum(body_k[ref] * units[ref] for ref in body_k)
            if sway_px:
                frame = np.roll(frame, 0)
                gy, gx = np.gradient(frame)
                frame = frame - sway_px * np.sin(2 * np.pi * time_s / 4.1) * (gx + 0.5 * gy)
            share = (time_s - times_s[0]) / span
            frame = frame + drift_k * (share + 0.4 * np.sin(5.0 * share)) + rng.normal(0.0, noise_k, SHAPE)
            counts = np.round((frame + 273.15) * 100).astype(np.uint16)
            writer.write(counts, description=f"unit: cK; time_s: {time_s:.3f}", metadata=None, contiguous=False)
