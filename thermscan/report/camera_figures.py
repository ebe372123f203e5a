"""Pictures of a camera's calibration."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from thermscan.errors import InputError
from thermscan.radiometry.fitting import CalibrationFit
from thermscan.report.canvas import FAINT_INK, INK, RULE, report_style
from thermscan.writing import put_file

_SIZE_IN, _DPI = (5.6, 5.6), 160
# Past the outer references by this share, so that the ends are seen.
_MARGIN = 0.06


def draw_fit(fit: CalibrationFit) -> Figure:
    """
    The calibration with its points above, and what it leaves below.

    Parameters
    ----------
    fit : CalibrationFit

    Returns
    -------
    matplotlib.figure.Figure
        Of two axes: temperature against what the camera wrote, and residuals with the 95 % band.
    """
    with report_style():
        figure = Figure(figsize=_SIZE_IN, layout="constrained")
        FigureCanvasAgg(figure)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        span = max(float(np.ptp(fit.values)), 1e-9)
        values = np.linspace(fit.values.min() - _MARGIN * span, fit.values.max() + _MARGIN * span, 201)
        _draw_curve(above, fit, values)
        _draw_residuals(below, fit, values)
        figure.suptitle(f"Calibration: {fit.name}, {fit.values.size} reference points", color=INK, fontsize=9)
    return figure


def write_fit_figure(fit: CalibrationFit, path: Path, *, inputs: Iterable[Path | None] = ()) -> Path | None:
    """
    Write that picture as PNG; none of ``inputs``, the files that the command reads, is replaced.

    Raises
    ------
    InputError
        The name does not end in .png, or the file cannot be written.
    """
    if path.suffix.lower() != ".png":
        raise InputError("the picture is a PNG", where=str(path), fix="let its name end in .png")
    stream = io.BytesIO()
    with report_style():
        draw_fit(fit).savefig(stream, format="png", dpi=_DPI, metadata={"Software": "thermscan"})
    return put_file(path, stream.getvalue(), drawn=True, inputs=inputs)


def _draw_curve(axes: Axes, fit: CalibrationFit, values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> None:
    axes.plot(values, fit.calibration.temperature_c(values), color=INK, linewidth=1.0, label="calibration")
    axes.plot(fit.values, fit.reference_c, "o", color=INK, markersize=4, label="reference points")
    axes.set_ylabel("apparent temperature, °C")
    axes.grid(color=RULE, linewidth=0.4)
    axes.legend(frameon=False, fontsize=7)


def _draw_residuals(axes: Axes, fit: CalibrationFit, values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> None:
    half_k = fit.half_width_k(values)
    if half_k is not None:
        axes.fill_between(values, -half_k, half_k, color=RULE, alpha=0.6, linewidth=0, label="95 % of the fit")
    axes.axhline(0.0, color=FAINT_INK, linewidth=0.6)
    axes.plot(fit.values, fit.residuals_k, "o", color=INK, markersize=4, label="residual")
    axes.plot(
        fit.values,
        fit.leave_one_out_k,
        "s",
        color=INK,
        markersize=5,
        markerfacecolor="none",
        markeredgewidth=0.8,
        label="judged by the other points",
    )
    axes.set_xlabel("counts" if fit.calibration.of == "counts" else "camera's reading, °C")
    axes.set_ylabel("calibrated less reference, K")
    axes.grid(color=RULE, linewidth=0.4)
    axes.legend(frameon=False, fontsize=7, ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.0)
