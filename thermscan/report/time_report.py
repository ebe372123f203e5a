"""The files that `warmup` and `locate` write into a folder, and their lines for the terminal."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from matplotlib.figure import Figure

from thermscan.dynamics.locate_run import Located
from thermscan.dynamics.warmup_run import WarmUp
from thermscan.report.canvas import report_style
from thermscan.report.cautions import CAUTION_LINE
from thermscan.report.heat_figure import heat_figure
from thermscan.report.results import results_text
from thermscan.report.summary import listed, not_compared_lines
from thermscan.report.time_results import locate_document, warm_up_document
from thermscan.report.verdicts import OVERALL_SENTENCES
from thermscan.report.warmup_figure import warm_up_figure
from thermscan.writing import ReservedFolder, reserved_folder

_DOTS_AN_INCH = 200
LOCATE_FILES = ("locate.json", "heat.png", "heat.pdf")
WARM_UP_FILES = ("warmup.json", "warmup.png", "warmup.pdf")


@contextmanager
def reserved_results(out_dir: Path, names: Iterable[str], *, inputs: Iterable[Path | None]) -> Iterator[ReservedFolder]:
    """A folder kept for these files until they are written; to be asked for before the work is done."""
    with reserved_folder(Path(out_dir), inputs=inputs) as folder:
        folder.check(name for name in names if (folder.path / name).exists())
        yield folder


def write_warm_up(warm_up: WarmUp, folder: ReservedFolder) -> tuple[Path, ...]:
    """The document and the figure of a warm-up."""
    return folder.put(warm_up_contents(warm_up), last="warmup.json")


def warm_up_contents(warm_up: WarmUp) -> dict[str, bytes]:
    """A warm-up's files, by name, before they are written."""
    contents = {"warmup.json": results_text(warm_up_document(warm_up)).encode("utf-8")}
    with report_style():
        figure = warm_up_figure(warm_up)
        contents["warmup.png"] = drawn(figure, "png")
        contents["warmup.pdf"] = drawn(figure, "pdf")
    return contents


def drawn(figure: Figure, kind: str) -> bytes:
    """A figure's bytes."""
    stream = io.BytesIO()
    about = {"Software": "thermscan"} if kind == "png" else {"Creator": "thermscan"}
    figure.savefig(stream, format=kind, dpi=_DOTS_AN_INCH, metadata=about)
    return stream.getvalue()


def warm_up_lines(warm_up: WarmUp) -> list[str]:
    """A warm-up in a few plain lines, for the terminal."""
    series = warm_up.series
    lines = [f"Overall: {warm_up.overall}. {OVERALL_SENTENCES[warm_up.overall]}"]
    for finding in warm_up.findings:
        lines.append(f"  {finding.level}, {finding.direction}: {finding.text}")
    span = series.times_s[-1] - (warm_up.power_on.time_s if warm_up.power_on.time_s is not None else series.times_s[0])
    after = "after power-on" if warm_up.power_on.time_s is not None else "seen"
    lines.append(f"{len(series.times_s)} of {series.frames} frames used, to {span:.0f} s {after}.")
    lines.append(_steady_line(warm_up))
    rising = [
        part for part in warm_up.parts
        if part.curve is not None
        and (part.curve.steady is False or (part.verdict != "normal" and part.curve.steady is None))
    ]  # fmt: skip
    rising.sort(key=lambda each: (each.verdict == "normal", -(each.curve.still_to_go_k if each.curve else 0.0)))
    for part in rising[:8]:
        assert part.curve is not None
        low, high = part.curve.steady_interval_c
        lines.append(
            f"  {part.measurement.part.ref}: {part.curve.end_c:.1f} °C now, will end near {part.curve.steady_c:.0f} °C "
            f"({low:.0f} to {high:.0f})"
        )
    if len(rising) > 8:
        lines.append(f"  and {len(rising) - 8} more: {listed([part.measurement.part.ref for part in rising[8:]])}")
    unread = [part.measurement.part.ref for part in warm_up.parts if part.curve is None]
    if unread:
        lines.append(f"Not measured, {len(unread)}: {listed(unread)} (the reasons are in the result).")
    lines.extend(not_compared_lines(warm_up.not_compared))
    lines.extend(f"Remark: {remark}" for remark in warm_up.remarks)
    lines.append(CAUTION_LINE)
    return [line.rstrip() for line in lines]


def _steady_line(warm_up: WarmUp) -> str:
    if warm_up.steady:
        return "Steady: every part is within 0.5 K of where it will end."
    wait = warm_up.minutes_to_steady
    when = "" if wait is None else f"; about {max(wait, 0.1):.1f} more minutes until it is"
    return f"{'Not steady yet' if warm_up.steady is False else 'Whether it is steady cannot be told'}{when}."


def write_located(located: Located, folder: ReservedFolder) -> tuple[Path, ...]:
    """The document and the pictures of where the heat enters."""
    return folder.put(locate_contents(located), last="locate.json")


def locate_contents(located: Located) -> dict[str, bytes]:
    """The files of where the heat enters, by name, before they are written."""
    contents = {"locate.json": results_text(locate_document(located)).encode("utf-8")}
    with report_style():
        figure = heat_figure(located)
        contents["heat.png"] = drawn(figure, "png")
        contents["heat.pdf"] = drawn(figure, "pdf")
    return contents


def located_lines(located: Located, *, wanted_w: float | None = None) -> list[str]:
    """Where the heat enters in a few plain lines, for the terminal."""
    if located.method == "lock-in":
        found = "found in the recording" if located.period_source == "found" else "as given"
        how = f"switched every {located.period_s:.4g} s ({found}), {located.cycles:.1f} cycles"
    else:
        how = "difference between power on and off"
    lines = [f"{len(located.sources) or 'No'} source{'' if len(located.sources) == 1 else 's'} of heat: {how}."]
    lines.extend(f"  {finding.text}" for finding in located.findings)
    if not located.sources:
        lines.append(f"  Heat of {1000 * located.least_watts:.2g} mW on bare board would just have shown.")
    if wanted_w is not None and located.duration_s > 0:
        minutes = located.minutes_for(wanted_w)
        lines.append(f"To find {1000 * wanted_w:g} mW on bare board, record for {max(minutes, 0.1):.1f} minutes.")
    lines.extend(f"Remark: {remark}" for remark in located.remarks)
    lines.append(CAUTION_LINE)
    return lines
