"""``thermscan camera shading``: a sensor's unevenness from a flat frame, kept in the camera file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import tell_backups


@click.command(name="shading", short_help="How uneven is its sensor? From a flat frame, for 'inspect' to take out.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FRAME…")
@click.option(
    "--camera", "camera_path", type=click.Path(path_type=Path), metavar="FILE", help="Camera file to start from."
)
@click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or counts.")
@click.option("--camera-emissivity", type=float, metavar="E", help="What the camera itself was set to.")
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE", help="Camera file to write.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def shading(files: tuple[Path, ...], out: Path, as_json: bool, **options: Any) -> int:
    """
    How uneven is the sensor? Take a frame of a matt card at room temperature that fills the view, out of focus.

    Best just before the board is looked at, and without a shutter click in between. Several frames are averaged. The
    correction goes into the camera file: one that is there keeps its other keys, and as it was is kept beside
    it. Runs that name that file as their camera are corrected.

    Exit status: 0 written, 2 bad input (a scene that is not flat among it).

    Example: thermscan camera shading card.tiff --out my-camera.toml
    """
    import numpy as np

    from thermscan.frames.reading import read_frames
    from thermscan.frames.units import COUNTS
    from thermscan.radiometry.camera import read_camera
    from thermscan.radiometry.camera_shading import add_shading
    from thermscan.radiometry.imaging import form_image
    from thermscan.radiometry.shading import smooth_terms
    from thermscan.radiometry.shading_fit import fit_shading
    from thermscan.writing import check_places

    read = (*files, options["camera_path"])
    check_places((out,), read)
    base_path = options["camera_path"] or (out if out.exists() else None)
    base = read_camera(base_path, without_shading=True)
    unit = COUNTS if options["unit"] is None and base.reads_counts else options["unit"]
    frames = [frame for path in files for frame in read_frames(path, unit=unit)]
    images = [
        form_image(frame, base, camera_emissivity=options["camera_emissivity"], reflected_c=22.0) for frame in frames
    ]
    found = fit_shading([image.apparent_c for image in images], where=", ".join(str(path) for path in files))
    backup = add_shading(found, out, base=base_path, inputs=read)
    rows, cols = images[0].shape
    smooth_k = smooth_terms((rows, cols)) @ found.coefficients
    figures = {
        "shading_k": float(np.ptp(smooth_k)),
        "rows_k": float(np.std(found.rows_k)),
        "columns_k": float(np.std(found.columns_k)),
        "left_k": found.left_k,
    }
    if as_json:
        document = {"schema": "thermscan.camera-shading/1", "frames": len(frames), "at_c": found.at_c, **figures}
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
    else:
        click.echo(f"flat scene at {found.at_c:.1f} °C, {cols} x {rows} pixels, frames: {len(frames)}")
        click.echo(f"smooth shading {figures['shading_k']:.2f} K, largest less smallest")
        click.echo(f"rows {figures['rows_k']:.3f} K, columns {figures['columns_k']:.3f} K (standard deviations)")
        click.echo(f"left after it between centre and edge: {found.left_k:.2f} K (one standard uncertainty)")
    tell_backups([backup])
    click.echo(f"written: {out}", err=True)
    return 0
