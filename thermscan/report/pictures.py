"""What the board pictures share: a fitted frame, colours, a colour bar and a key."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Colormap
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from thermscan.inspection import Inspection
from thermscan.report.canvas import POINTS_AN_INCH, Sheet
from thermscan.report.gathering import FLAGGED_VERDICTS
from thermscan.report.lettering import text_width_pt
from thermscan.report.shown import Shown
from thermscan.report.verdicts import TOLD_MARKS, VERDICT_MARKS, Mark, told_as

# matplotlib's own; even in lightness, so that it reads in grey and for colour-blind readers.
THERMAL_MAP = "cividis"
# Under the picture, so that it shows where a pixel has no reading.
NO_READING_COLOUR = "#D8D8D8"

# Room beside a picture for its scales, in points.
_LEFT_PT, _BOTTOM_PT, _TOP_PT, _BAR_PT = 30.0, 26.0, 4.0, 52.0

# What the line that explains the shapes takes up.
KEY_PT = 14.0
# All five verdicts together just fit the width at this size; more is set smaller.
_KEY_TEXT_PT = 6.5

_OUTLINES: dict[str, str] = {"normal": "plate.plain", "not-measurable": "plate.dashed"}


def picture_axes(sheet: Sheet, width: float, height: float, *, bar: bool = True) -> tuple[Axes, Axes | None]:
    """Axes of the largest size that keeps the picture's proportions, and axes for its colour bar."""
    room_x = sheet.width_pt - _LEFT_PT - (_BAR_PT if bar else 4.0)
    room_y = sheet.height_pt - _BOTTOM_PT - _TOP_PT
    scale = min(room_x / width, room_y / height)
    shown_x, shown_y = width * scale, height * scale
    bottom = sheet.height_pt - _TOP_PT - shown_y
    left = _LEFT_PT + (room_x - shown_x) / 2
    axes = sheet.axes(left, bottom, shown_x, shown_y)
    bar_height = min(shown_y, 260.0)
    beside = sheet.axes(left + shown_x + 8.0, bottom + shown_y - bar_height, 9.0, bar_height) if bar else None
    return axes, beside


def picture_height_pt(width_pt: float, width: float, height: float, *, bar: bool = True) -> float:
    """Height of a sheet on which a picture of these proportions fills the width."""
    room_x = width_pt - _LEFT_PT - (_BAR_PT if bar else 4.0)
    return room_x * height / width + _BOTTOM_PT + _TOP_PT


def thermal_map(name: str = THERMAL_MAP) -> Colormap:
    """A colour map that leaves pixels without a reading clear, so that the ground below shows."""
    return mpl.colormaps[name].with_extremes(bad=(0.0, 0.0, 0.0, 0.0))


def colour_range(values: NDArray[np.float64]) -> tuple[float, float]:
    """
    Ends of the colour scale: all but the most extreme pixels, which the bar's arrows stand for.

    Examples
    --------
    >>> colour_range(np.array([20.0, 30.0, np.nan]))
    (20.0, 30.0)
    >>> colour_range(np.array([np.nan]))
    (0.0, 1.0)
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return 0.0, 1.0
    low, high = (float(end) for end in np.percentile(finite, [0.1, 99.95], method="nearest"))
    return (low, high) if high - low > 0.1 else (low - 0.5, high + 0.5)


def draw_bar(
    beside: Axes | None,
    picture: ScalarMappable,
    values: NDArray[np.float64],
    shown: Shown,
    *,
    difference: bool = False,
    label: str | None = None,
) -> None:
    """The colour bar, with an arrow at each end that some pixels lie beyond; none where no pixel has a reading."""
    if beside is None:
        return
    if not np.isfinite(values).any():
        beside.set_axis_off()
        return
    low, high = picture.get_clim()
    beyond_low, beyond_high = bool(np.nanmin(values) < low), bool(np.nanmax(values) > high)
    extend = {(False, False): "neither", (True, False): "min", (False, True): "max", (True, True): "both"}
    height_pt = beside.get_window_extent().height * POINTS_AN_INCH / beside.figure.dpi
    bar = beside.figure.colorbar(picture, cax=beside, extend=extend[beyond_low, beyond_high])
    ticks = shown_ticks(low, high, shown, difference=difference)
    bar.set_ticks([value for value, _ in ticks], labels=[text for _, text in ticks])
    unit = shown.diff_unit if difference else shown.temp_unit
    label = label or shown.say("plate.temp_scale", unit=unit)
    # Beside a low picture there is room for the unit only.
    bar.set_label(label if text_width_pt(label, 7.0) < height_pt else unit)


def shown_ticks(low: float, high: float, shown: Shown, *, difference: bool) -> list[tuple[float, str]]:
    """
    Round values of the unit shown within a range in °C or K: where each lies, and how it is written.

    Examples
    --------
    >>> from thermscan.report.shown import Shown
    >>> shown_ticks(20.0, 30.0, Shown("de", "F"), difference=False)[:2]
    [(21.11111111111111, '70,0'), (23.88888888888889, '75,0')]
    """
    factor, offset = (1.0, 0.0) if shown.units == "C" else (1.8, 0.0 if difference else 32.0)
    wanted = MaxNLocator(nbins=7, steps=[1, 2, 2.5, 5, 10]).tick_values(low * factor + offset, high * factor + offset)
    digits = 1 if np.ptp(wanted) < 50 else 0
    places = [((float(value) - offset) / factor, float(value)) for value in wanted]
    return [(place, shown.number(value, digits)) for place, value in places if low <= place <= high]


def draw_map_key(sheet: Sheet, *looks: Inspection, flagged_only: bool = False) -> Sheet:
    """One line that explains the outlines and shapes in use in these looks; what remains above it is handed back."""
    used = {told_as(each) for look in looks for each in look.judgement.parts}
    shown = sheet.shown
    entries: list[tuple[str, str]] = []
    for verdict, mark in VERDICT_MARKS.items():
        # Parts that nothing was held against have the plain outline, too.
        kinds = [kind for kind in (verdict, *(["not-compared"] if verdict == "normal" else [])) if kind in used]
        flagged = verdict in FLAGGED_VERDICTS
        if not kinds or (flagged_only and not flagged):
            continue
        look = mark_look(mark, shown) if flagged else shown.say(_OUTLINES[verdict])
        entries.append((verdict, f"{', '.join(shown.say(f'word.{kind}') for kind in kinds)}: {look}"))
    size = _KEY_TEXT_PT
    needed = sum(text_width_pt(text, size) for _, text in entries) + 20.0 * len(entries)
    if needed > sheet.width_pt:
        size *= sheet.width_pt / needed
    x = 0.0
    for kind, text in entries:
        if kind in FLAGGED_VERDICTS:
            sheet.mark(x + 4.0, 5.0, TOLD_MARKS[kind], size_pt=5.5)
        else:
            sheet.frame(x, 2.0, 8.0, 6.0, dashed=kind == "not-measurable")
        sheet.text(x + 11.0, 2.5, text, fontsize=size)
        x += 20.0 + text_width_pt(text, size)
    return sheet.part(0.0, KEY_PT, sheet.width_pt, sheet.height_pt - KEY_PT)


def mark_look(mark: Mark, shown: Shown) -> str:
    """A verdict's shape in words."""
    shape = shown.say(f"plate.{mark.shape}")
    return shown.say("plate.letter_in", letter=mark.letter, shape=shape) if mark.letter else shape
