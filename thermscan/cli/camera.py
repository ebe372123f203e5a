"""``thermscan camera``: calibrate a camera and check it, with what a bench has."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.camera_fit import fit
from thermscan.cli.camera_lens import lens
from thermscan.cli.camera_shading import shading
from thermscan.errors import InputError

if TYPE_CHECKING:
    from thermscan.radiometry.bench import ReferenceCheck
    from thermscan.radiometry.camera import Camera
    from thermscan.radiometry.reference_points import RegionReading

FINDING = 1
# A thermometer from the kitchen drawer or the multimeter's: half-width 1 K.
U_THERMOMETER_K = 0.6
REGION_HELP = "FILE, or FILE@left,top,right,bottom in pixels"


@click.group(name="camera", no_args_is_help=False)
def command() -> None:
    """
    How far can this camera be trusted? Calibrate it, check it, and measure its noise and its lens.

    Example: thermscan camera check --ice ice.tiff@60,40,90,70 --boiling can.tiff@60,40,90,70 --altitude 450
    """


command.add_command(fit)
command.add_command(lens)
command.add_command(shading)


@command.command(name="check", short_help="Does it read right on ice, boiling water or a taped block?")
@click.option("--camera", "camera_path", type=click.Path(path_type=Path), metavar="FILE", help="Camera file.")
@click.option("--ice", metavar="FRAME", help=f"Wet, melting ice. {REGION_HELP}.")
@click.option("--boiling", metavar="FRAME", help="Tape on a can of boiling water, below the water line.")
@click.option("--pressure", "pressure_kpa", type=float, metavar="KPA", help="Air pressure at the bench itself.")
@click.option("--altitude", "altitude_m", type=float, metavar="M", help="Instead of the pressure; less exact.")
@click.option("--block", metavar="FRAME", help="Tape on a metal block with a thermometer in it.")
@click.option("--block-c", type=float, metavar="C", help="What that thermometer shows.")
@click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or counts.")
@click.option(
    "--reflected",
    "--reflected-c",
    "reflected_c",
    type=float,
    metavar="C",
    default=22.0,
    show_default=True,
    help="The room's temperature, which the references reflect.",
)
@click.option("--emissivity", type=float, metavar="E", default=0.96, show_default=True, help="Of ice and tape.")
@click.option("--camera-emissivity", type=float, metavar="E", help="What the camera itself was set to.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def check(as_json: bool, **options: Any) -> int:
    """
    Does the camera read right on melting ice, boiling water, or a taped block with a thermometer?

    Give two references or more. Passes where each reading is within what camera and reference together may be off;
    else it tells what to add. Exit status 1 where it does not pass.

    Example: thermscan camera check --ice ice.tiff@60,40,90,70 --boiling can.tiff@60,40,90,70 --pressure 96.1
    """
    from thermscan.radiometry.camera import read_camera

    for key, option in (("reflected_c", "--reflected"), ("block_c", "--block-c"), ("emissivity", "--emissivity")):
        if options[key] is not None and not math.isfinite(options[key]):
            raise InputError(f"{options[key]:g} is not a number to reckon with", where=option)
    camera = read_camera(options["camera_path"])
    references = _references(options)
    if not references:
        raise InputError("no reference is given", fix="give --ice, --boiling or --block, better two of them")
    checks = [_checked(reference, camera, options) for reference in references]
    passes = all(one.passes for one in checks)
    if as_json:
        document = {
            "schema": "thermscan.camera-check/1",
            "camera": camera.name,
            "passes": passes,
            "references": [_check_document(one) for one in checks],
        }
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
    else:
        for line in _check_lines(checks, passes):
            click.echo(line)
    return 0 if passes else FINDING


@command.command(name="noise", short_help="How noisy and how even is it?")
@click.argument("recording", type=click.Path(path_type=Path), metavar="RECORDING")
@click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or counts.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def noise(recording: Path, unit: str | None, as_json: bool) -> int:
    """
    How noisy is the camera, how even, and which of its pixels are dead?

    Needs a recording of 8 frames or more (50 are better) of a flat, still scene: a matt board at room temperature, out
    of focus, filling the frame.

    Example: thermscan camera noise wall.tiff --unit cK
    """
    import numpy as np

    from thermscan.frames.reading import read_frames
    from thermscan.frames.units import COUNTS, celsius
    from thermscan.radiometry.pattern_noise import measure_pattern_noise

    frames = read_frames(recording, unit=unit)
    counts = frames[0].unit == COUNTS
    cube = np.stack([frame.values if counts else celsius(frame.values, frame.unit) for frame in frames])
    times = [frame.time_s for frame in frames]
    known = None if any(time is None for time in times) else np.array(times, dtype=np.float64)
    found = measure_pattern_noise(cube, times_s=known)
    dead = [[int(col), int(row)] for row, col in np.argwhere(found.dead)]
    unit_name = "counts" if counts else "K"
    if as_json:
        values = {key: getattr(found, key) for key in _NOISE_WORDS}
        document = {"schema": "thermscan.camera-noise/1", "unit": unit_name, "frames": found.frames}
        document |= values | {"drift_per_minute": found.drift_per_minute, "dead_px": dead}
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
        return 0
    click.echo(f"{recording}: {found.frames} frames; standard deviations")
    for key, words in _NOISE_WORDS.items():
        click.echo(f"  {words:<44} {getattr(found, key):8.3f} {unit_name}")
    if found.drift_per_minute is not None:
        click.echo(f"  {'drift of the whole frame':<44} {found.drift_per_minute:+8.3f} {unit_name}/min")
    shown = ", ".join(f"({x}, {y})" for x, y in dead[:12]) + (" …" if len(dead) > 12 else "")
    click.echo(f"  {'dead or flickering pixels':<44} {len(dead):4d}{': ' + shown if dead else ''}")
    if not counts:
        click.echo(f"For the camera file: netd_k = {found.pixel:.3f}")
        click.echo("What stays uneven goes into it by 'thermscan camera shading', and 'inspect' takes it out.")
    return 0


@command.command(name="emissivity", short_help="What is this part's emissivity, by a patch of tape?")
@click.argument("frame", type=click.Path(path_type=Path), metavar="FRAME")
@click.option("--part", required=True, metavar="L,T,R,B", help="The part's region, in pixels.")
@click.option("--tape", required=True, metavar="L,T,R,B", help="The tape's region, stuck on the same part.")
@click.option(
    "--reflected",
    "--reflected-c",
    "reflected_c",
    type=float,
    required=True,
    metavar="C",
    help="Apparent temperature of what both reflect.",
)
@click.option("--tape-emissivity", type=float, metavar="E", default=0.96, show_default=True, help="Of the tape.")
@click.option("--camera", "camera_path", type=click.Path(path_type=Path), metavar="FILE", help="Camera file.")
@click.option("--unit", metavar="UNIT", help="Unit of the frame: cK dK K C F mK, or counts.")
def emissivity(frame: Path, part: str, tape: str, camera_path: Path | None, unit: str | None, **given: float) -> int:
    """
    What is this part's emissivity? Compare it with a patch of tape on it, warmed well above the room.

    Example: thermscan camera emissivity warm.tiff --part 40,30,60,40 --tape 70,30,80,40 --reflected 22
    """
    from thermscan.radiometry.bench import emissivity_from_tape
    from thermscan.radiometry.camera import read_camera

    camera = read_camera(camera_path)
    readings = [_apparent(f"{frame}@{box}", camera, unit, None, given["reflected_c"]) for box in (part, tape)]
    (part_c, part_reading), (tape_c, tape_reading) = readings
    u_reading_k = sum((r.spread / r.pixels**0.5) ** 2 for r in (part_reading, tape_reading)) ** 0.5
    found = emissivity_from_tape(
        part_c,
        tape_c,
        reflected_c=given["reflected_c"],
        u_reading_k=max(u_reading_k, 0.05),
        tape_emissivity=given["tape_emissivity"],
        band_um=camera.band,
    )
    click.echo(f"emissivity {found.value:.3f}, standard uncertainty {found.u:.3f}")
    if found.value > 1:
        click.echo("an emissivity above 1 cannot be: check the regions and --reflected", err=True)
    return 0


@command.command(name="reflected", short_help="What does the board reflect, by crumpled foil?")
@click.argument("frame", metavar="FRAME")
@click.option("--ambient", "--ambient-c", "ambient_c", type=float, metavar="C", help="Temperature of the foil itself.")
@click.option("--camera", "camera_path", type=click.Path(path_type=Path), metavar="FILE", help="Camera file.")
@click.option("--unit", metavar="UNIT", help="Unit of the frame: cK dK K C F mK, or counts.")
def reflected(frame: str, ambient_c: float | None, camera_path: Path | None, unit: str | None) -> int:
    """
    What does the board reflect? Lay crumpled and flattened kitchen foil where it lies, and look at that.

    FRAME is FILE, or FILE@left,top,right,bottom for a region of it; the camera set to emissivity 1.

    Example: thermscan camera reflected foil.tiff@60,40,90,70 --ambient 22
    """
    from thermscan.radiometry.bench import reflected_from_foil
    from thermscan.radiometry.camera import read_camera

    if ambient_c is not None and not math.isfinite(ambient_c):
        raise InputError(f"{ambient_c:g} is not a number to reckon with", where="--ambient")
    camera = read_camera(camera_path)
    foil_c, reading = _apparent(frame, camera, unit, None, 22.0 if ambient_c is None else ambient_c)
    u_k = float(camera.u_accuracy_k(foil_c) ** 2 + reading.spread**2 / reading.pixels) ** 0.5
    found = reflected_from_foil(foil_c, ambient_c=ambient_c, u_reading_k=u_k, band_um=camera.band)
    click.echo(f"reflected_c = {found.value:.1f}, standard uncertainty {found.u:.1f} K")
    return 0


_NOISE_WORDS = {
    "pixel": "a pixel, from frame to frame (NETD)",
    "shared": "of it, shared with neighbouring pixels",
    "row": "rows as a whole, from frame to frame",
    "column": "columns as a whole, from frame to frame",
    "frame": "the whole frame, from frame to frame",
    "fixed_pixel": "fixed pattern of pixels",
    "fixed_row": "fixed pattern of rows",
    "fixed_column": "fixed pattern of columns",
    "shading_change": "smooth shading, from frame to frame",
    "shading": "smooth shading, largest less smallest",
}


def _references(options: dict[str, Any]) -> list[tuple[str, float, float, str]]:
    from thermscan.radiometry import bench_temperatures as bench

    found = []
    if options["ice"]:
        found.append(("melting ice", bench.ICE_POINT_C, bench.U_ICE_POINT_K, options["ice"]))
    if options["boiling"]:
        pressure_kpa, altitude_m = options["pressure_kpa"], options["altitude_m"]
        if (pressure_kpa is None) == (altitude_m is None):
            raise InputError("the boiling point is not known", fix="give --pressure, or --altitude, one of them")
        u_k = bench.U_BOILING_POINT_K
        if pressure_kpa is None:
            pressure_kpa, u_k = bench.standard_pressure_kpa(altitude_m), bench.U_BOILING_POINT_FROM_ALTITUDE_K
        found.append(("boiling water", bench.boiling_point_c(pressure_kpa), u_k, options["boiling"]))
    if options["block"]:
        if options["block_c"] is None:
            raise InputError("the block's temperature is not given", fix="give --block-c, what its thermometer shows")
        found.append(("taped block", options["block_c"], U_THERMOMETER_K, options["block"]))
    return found


def _checked(reference: tuple[str, float, float, str], camera: Camera, options: dict[str, Any]) -> ReferenceCheck:
    from thermscan.radiometry.bench import U_TAPE_EMISSIVITY, Estimate, check_reference

    name, known_c, u_known_k, frame = reference
    read_c, _ = _apparent(frame, camera, options["unit"], options["camera_emissivity"], options["reflected_c"])
    return check_reference(
        name,
        known_c=known_c,
        u_known_k=u_known_k,
        read_c=read_c,
        accuracy_k=float(camera.accuracy_half_width_k(read_c)),
        emissivity=Estimate(options["emissivity"], U_TAPE_EMISSIVITY),
        reflected_c=options["reflected_c"],
        band_um=camera.band,
    )


def _apparent(
    frame: str, camera: Camera, unit: str | None, camera_emissivity: float | None, reflected_c: float
) -> tuple[float, RegionReading]:
    """Mean apparent temperature of a region, by the camera's own calibration."""
    from thermscan.frames.units import COUNTS
    from thermscan.radiometry.imaging import apparent_of_reading
    from thermscan.radiometry.reference_points import parse_frame_region, read_region

    path, box = parse_frame_region(frame, where=frame)
    reading = read_region(path, box=box, unit=COUNTS if unit is None and camera.reads_counts else unit)
    apparent_c = apparent_of_reading(
        reading.mean, reading.of, camera, camera_emissivity=camera_emissivity, reflected_c=reflected_c, where=str(path)
    )
    return float(apparent_c), reading


def _check_document(one: ReferenceCheck) -> dict[str, Any]:
    return {
        "name": one.name,
        "expected_c": one.expected_c,
        "read_c": one.read_c,
        "correction_k": one.correction_k,
        "u_correction_k": one.u_correction_k,
        "allowed_k": one.allowed_k,
        "passes": one.passes,
    }


def _check_lines(checks: list[ReferenceCheck], passes: bool) -> list[str]:
    lines = [f"{'reference':<16}{'expected':>10}{'read':>10}{'to add':>9}{'allowed':>9}"]
    for one in checks:
        word = "pass" if one.passes else "FAIL"
        lines.append(
            f"{one.name:<16}{one.expected_c:>8.2f} C{one.read_c:>8.2f} C{one.correction_k:>+7.2f} K"
            f"{one.allowed_k:>7.2f} K  {word}"
        )
    if passes:
        lines.append("The camera reads within what it and the references claim.")
        return lines
    corrections = [one.correction_k for one in checks]
    doubt = max(2 * one.u_correction_k for one in checks)
    if len(checks) > 1 and max(corrections) - min(corrections) <= 2 * doubt:
        mean = sum(corrections) / len(corrections)
        lines.append(f"Add {mean:+.2f} K to its readings: 'thermscan camera fit' puts that into a camera file.")
    elif len(checks) > 1:
        lines.append("The error changes with temperature: calibrate with 'thermscan camera fit', six points or more.")
    else:
        lines.append(f"Add {corrections[0]:+.2f} K near this temperature; check at a second one before trusting it.")
    return lines
