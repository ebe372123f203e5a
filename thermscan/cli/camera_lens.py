"""``thermscan camera lens``: distortion from views of a warmed plate."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import tell_backups
from thermscan.errors import InputError


@click.command(name="lens", short_help="How does its lens distort? From a warmed plate with a grid.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FRAME…")
@click.option("--grid", required=True, metavar="COLSxROWS", help="Holes, or corners between squares, such as 7x5.")
@click.option("--pitch", "pitch_mm", type=float, required=True, metavar="MM", help="Distance between neighbours.")
@click.option(
    "--kind", type=click.Choice(["holes", "squares"]), default="holes", show_default=True, help="Of the grid."
)
@click.option(
    "--camera", "camera_path", type=click.Path(path_type=Path), metavar="FILE", help="Camera file to start from."
)
@click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or counts.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Camera file to write.")
@click.option("--force", is_flag=True, help="Replace that file if it exists.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def lens(files: tuple[Path, ...], as_json: bool, **options: Any) -> int:
    """
    How does the lens distort? Take 6 to 10 frames of a warmed plate with a grid, tilted differently in each.

    Any flat plate does that stands out: metal with holes before something cold, or squares of tape on warm bare metal.
    With fewer than three views the field of view must stand in the camera file.

    Example: thermscan camera lens plate1.tiff plate2.tiff plate3.tiff --grid 7x5 --pitch 20 --out my-camera.toml
    """
    from thermscan.frames.reading import read_frames
    from thermscan.radiometry.camera import read_camera, write_camera
    from thermscan.radiometry.lens_fit import fit_lens
    from thermscan.writing import check_places

    out = options["out"]
    if out is not None and out.exists() and not options["force"]:
        raise InputError("the file exists", where=str(out), fix="choose another name, or add --force to replace it")
    read = (*files, options["camera_path"])
    check_places((out,), read)
    base = read_camera(options["camera_path"])
    frames = [frame for path in files for frame in read_frames(path, unit=options["unit"])]
    found = fit_lens(
        [frame.values for frame in frames],
        grid=_grid(options["grid"]),
        pitch_mm=options["pitch_mm"],
        kind=options["kind"],
        fov_deg=base.fov_deg,
    )
    rows, cols = frames[0].shape
    if out is not None:
        camera = replace(base, pixels=(cols, rows), lens=found.lens, path=None)
        tell_backups([write_camera(camera, out, overwrite=options["force"], inputs=read)])
    lens_values = {key: getattr(found.lens, key) for key in found.lens.__slots__}
    if as_json:
        document = {
            "schema": "thermscan.camera-lens/1",
            "lens": lens_values,
            "u_k1": found.u_k1,
            "u_k2": found.u_k2,
            "residual_px": found.residual_px,
            "largest_shift_px": found.largest_shift_px,
            "frames": len(frames),
            "frames_used": list(found.used),
        }
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
        return 0
    click.echo(f"grid found in {len(found.used)} of {len(frames)} frames, met to {found.residual_px:.3f} px")
    click.echo(
        f"k1 {found.lens.k1:+.4f} (standard uncertainty {found.u_k1:.4f}), k2 {found.lens.k2:+.4f} ({found.u_k2:.4f})"
    )
    click.echo(f"focal length {found.lens.fx_px:.1f} x {found.lens.fy_px:.1f} px, "
               f"axis at ({found.lens.cx_px:.1f}, {found.lens.cy_px:.1f})")  # fmt: skip
    click.echo(f"distortion moves the frame's border by up to {found.largest_shift_px:.1f} px")
    if out is not None:
        click.echo(f"written: {out}", err=True)
    return 0


def _grid(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"\s*(\d{1,3})\s*[x×]\s*(\d{1,3})\s*", text)
    if match is None:
        raise InputError(f'"{text}" is no grid', where="--grid", fix="write columns x rows, such as 7x5")
    return int(match[1]), int(match[2])
