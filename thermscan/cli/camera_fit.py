"""``thermscan camera fit``: a calibration from reference points."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.options import tell_backups
from thermscan.errors import InputError

if TYPE_CHECKING:
    from thermscan.radiometry.camera import Camera
    from thermscan.radiometry.fitting import CalibrationFit
    from thermscan.radiometry.reference_points import ReferencePoint

# 95 % of a normal law lie within this many standard deviations.
NORMAL_95 = 1.959964


@click.command(name="fit", short_help="Calibrate it from reference points.")
@click.argument("points_path", type=click.Path(path_type=Path), metavar="POINTS.csv")
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Camera file to write.")
@click.option("--force", is_flag=True, help="Replace that file if it exists.")
@click.option("--plot", type=click.Path(path_type=Path), metavar="FILE.png", help="Picture of the fit to write.")
@click.option(
    "--camera",
    "camera_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Camera file to start from; its calibration is replaced.",
)
@click.option("--of", type=click.Choice(["C", "counts"]), help="What the column value holds.")
@click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or counts.")
@click.option("--model", metavar="NAME", help="offset linear planck-gain planck planck-zero; else the best.")
@click.option("--emissivity", type=float, metavar="E", default=1.0, show_default=True, help="Of the references.")
@click.option(
    "--reflected",
    "--reflected-c",
    "reflected_c",
    type=float,
    metavar="C",
    help="What the references reflect: the room's temperature as a rule.",
)
@click.option("--camera-emissivity", type=float, metavar="E", help="What the camera itself was set to.")
@click.option(
    "--u-reference",
    "u_reference_k",
    type=float,
    metavar="K",
    default=0.3,
    show_default=True,
    help="Standard uncertainty that all references share (the thermometer's).",
)
@click.option(
    "--u-drift",
    "u_drift_k",
    type=float,
    metavar="K",
    default=0.3,
    show_default=True,
    help="Standard uncertainty of what the camera moves from day to day.",
)
@click.option("--name", metavar="TEXT", help="Name for the camera file.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def fit(points_path: Path, as_json: bool, **options: Any) -> int:
    """
    Which calibration do these reference points tell, and how sure is it?

    POINTS.csv has the columns known_c and value (what the camera showed), or known_c and frame, with left, top, right,
    bottom for a region of it. Six points from ice to boiling water are a good set.

    Example: thermscan camera fit points.csv --emissivity 0.96 --reflected 22 --out my-camera.toml --plot fit.png
    """
    from thermscan.radiometry.camera import read_camera, write_camera
    from thermscan.radiometry.fitting import fit_calibration
    from thermscan.radiometry.reference_points import read_reference_points
    from thermscan.writing import check_places

    for key, option in (("u_reference_k", "--u-reference"), ("u_drift_k", "--u-drift")):
        if not (math.isfinite(options[key]) and options[key] >= 0):
            raise InputError(f"{options[key]:g} is not an uncertainty", where=option, fix="give 0 or more")
    out, plot = options["out"], options["plot"]
    if out is not None and out.exists() and not options["force"]:
        raise InputError("the file exists", where=str(out), fix="choose another name, or add --force to replace it")
    if plot is not None and plot.suffix.lower() != ".png":
        raise InputError("the picture is a PNG", where=str(plot), fix="let its name end in .png")
    read = (points_path, options["camera_path"])
    check_places((out, plot), read)
    base = read_camera(options["camera_path"])
    points = read_reference_points(
        points_path,
        of=options["of"],
        unit="counts" if options["unit"] is None and base.reads_counts else options["unit"],
        emissivity=options["emissivity"],
        reflected_c=options["reflected_c"],
        band_um=base.band,
    )
    of = points[0].of
    found = fit_calibration(
        _values(points, base, options),
        [point.apparent_c for point in points],
        of=of,
        band_um=base.band,
        model=options["model"],
    )
    camera = _calibrated(base, found, options)
    if out is not None:
        tell_backups([write_camera(camera, out, overwrite=options["force"], inputs=read)])
    if plot is not None:
        from thermscan.report.camera_figures import write_fit_figure

        tell_backups([write_fit_figure(found, plot, inputs=read)])
    if as_json:
        click.echo(json.dumps(_document(found, camera), ensure_ascii=False, allow_nan=False, indent=2))
    else:
        for line in _lines(found, camera):
            click.echo(line)
        for path in (out, plot):
            if path is not None:
                click.echo(f"written: {path}", err=True)
    for remark in found.remarks:
        click.echo(remark, err=True)
    return 0


def _values(points: tuple[ReferencePoint, ...], base: Camera, options: dict[str, Any]) -> list[float]:
    """What the camera wrote, with its own emissivity correction undone."""
    from thermscan.radiometry.surface import undo_camera_correction

    values = [point.value for point in points]
    emissivity = options["camera_emissivity"] or base.emissivity or 1.0
    if points[0].of != "C" or emissivity == 1.0:
        return values
    reflected_c = options["reflected_c"] if base.reflected_c is None else base.reflected_c
    if reflected_c is None:
        raise InputError(
            f"the camera was set to emissivity {emissivity:g}, but what reflected temperature it used is not given",
            where="--reflected",
            fix="give it in degrees Celsius",
        )
    undone = undo_camera_correction(
        values, camera_emissivity=emissivity, camera_reflected_c=reflected_c, band_um=base.band
    )
    return [float(value) for value in undone]


def _calibrated(base: Camera, found: CalibrationFit, options: dict[str, Any]) -> Camera:
    """The camera with its new calibration; what it claims from now on follows from the fit."""
    import numpy as np
    from scipy.special import stdtrit

    name = options["name"] or (base.name if options["camera_path"] else "camera calibrated at the bench")
    half_k = found.half_width_k(np.linspace(found.values.min(), found.values.max(), 51))
    if half_k is None:
        return replace(base, name=name, calibration=found.calibration, path=None)
    # Few points know their own scatter badly: Student's factor widens it as it does the fit's interval.
    scatter_k = found.scatter_k * float(stdtrit(found.degrees, 0.975)) / NORMAL_95
    parts = (float(np.nanmax(half_k)) / NORMAL_95, scatter_k, options["u_reference_k"], options["u_drift_k"])
    u_k = math.sqrt(sum(part**2 for part in parts))
    # The file states half-widths of a rectangle, as data sheets do.
    accuracy_k = round(math.sqrt(3.0) * u_k, 3)
    return replace(
        base, name=name, calibration=found.calibration, accuracy_k=accuracy_k, accuracy_percent=0.0, path=None
    )


def _lines(found: CalibrationFit, camera: Camera) -> list[str]:
    unit = "counts" if found.calibration.of == "counts" else "C"
    lines = [f"{'reference':>12}{unit:>12}{'residual':>11}{'left out':>11}"]
    for reference_c, value, residual_k, left_out_k in zip(
        found.reference_c, found.values, found.residuals_k, found.leave_one_out_k, strict=True
    ):
        left_out = "-" if math.isnan(left_out_k) else f"{left_out_k:+.3f} K"
        lines.append(f"{reference_c:>10.2f} C{value:>12.2f}{residual_k:>+9.3f} K{left_out:>11}")
    lines.append("")
    lines.append(f"{'model':<13}{'free':>5}{'rms':>10}{'AICc':>9}")
    for candidate in found.candidates:
        rms = "not tried" if candidate.rms_k is None else f"{candidate.rms_k:.3f} K"
        aicc = "-" if candidate.aicc is None else f"{candidate.aicc:.1f}"
        mark = "  chosen" if candidate.name == found.name else ""
        lines.append(f"{candidate.name:<13}{candidate.free:>5}{rms:>10}{aicc:>9}  {candidate.words}{mark}")
    lines.append("")
    values = ", ".join(f"{value:.8g}" for value in found.calibration.parameters)
    lines.append(f"{found.calibration.model}: [{values}]")
    half_k = found.half_width_k(found.values)
    if half_k is not None:
        lines.append(f"the fit itself is sure to {float(half_k.max()):.2f} K (95 %) from lowest to highest reference")
        lines.append(f"with reference, scatter and drift the camera is good to {camera.accuracy_k:.2f} K (half-width)")
    return lines


def _document(found: CalibrationFit, camera: Camera) -> dict[str, Any]:
    half_k = found.half_width_k(found.values)
    return {
        "schema": "thermscan.camera-fit/1",
        "model": found.calibration.model,
        "chosen": found.name,
        "of": found.calibration.of,
        "parameters": found.calibration.parameters.tolist(),
        "covariance": None if found.calibration.covariance is None else found.calibration.covariance.tolist(),
        "scatter_k": None if math.isnan(found.scatter_k) else found.scatter_k,
        "degrees_of_freedom": found.degrees,
        "accuracy_k": camera.accuracy_k,
        "points": [
            {
                "reference_c": float(found.reference_c[i]),
                "value": float(found.values[i]),
                "residual_k": float(found.residuals_k[i]),
                "left_out_k": None if math.isnan(found.leave_one_out_k[i]) else float(found.leave_one_out_k[i]),
                "half_width_k": None if half_k is None else float(half_k[i]),
            }
            for i in range(found.values.size)
        ],
        "candidates": [
            {"name": c.name, "free": c.free, "rms_k": c.rms_k, "aicc": c.aicc, "support": c.support}
            for c in found.candidates
        ],
        "remarks": list(found.remarks),
    }
