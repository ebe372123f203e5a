"""The warm-up of a run: recording in, curves, verdicts and findings out. It draws and prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.against_good import (
    LEAST_RISE_K,
    EqualTime,
    check_it_rises,
    compare_at_equal_time,
    findings_of,
)
from thermscan.dynamics.part_series import PartSeries, extract_series
from thermscan.dynamics.power_on import PowerOn, find_power_on
from thermscan.dynamics.warmup import WarmUpCurve, fit_curves
from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass
from thermscan.judge.asleep import REMARK as NO_HEAT_REMARK
from thermscan.judge.asleep import nothing_compared
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Finding, Judgement, Overall, Verdict
from thermscan.judge.judging import judge_run
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import read_camera
from thermscan.regions.measurement import BudgetLine, PartMeasurement
from thermscan.regions.rectify import rectify_frame
from thermscan.runs.run import Run

FloatArray = NDArray[np.float64]

NOTHING_ROSE = f"no part has risen by {LEAST_RISE_K:g} K since power-on: is the board powered? Nothing was compared"

STAGES = ("reading", "registration", "reading every frame", "curves", "judging")
# So many frames at least make a curve.
FEWEST_FRAMES = 8


@dataclass(frozen=True, slots=True, eq=False)
class PartWarmUp:
    """One part of the layout: its measurement as judged (where it will end), and its curve where it has one."""

    measurement: PartMeasurement
    curve: WarmUpCurve | None
    verdict: Verdict
    findings: tuple[Finding, ...]
    good: EqualTime | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WarmUp:
    """
    What a recording of a board after power-on tells.

    Attributes
    ----------
    power_on : PowerOn
    parts : tuple of PartWarmUp
        In the layout's order.
    judgement : Judgement
        Of the state that the board will end in, by the rules for a steady one.
    findings : tuple of Finding
        Those, and what the warm-up itself shows; what is to be acted on first.
    steady : bool or None
        The board: every part that was read; None where that cannot be told.
    minutes_to_steady : float or None
        From the end of the recording until the last part is within half a kelvin of its end.
    """

    run: Run
    board: Board
    series: PartSeries
    power_on: PowerOn
    parts: tuple[PartWarmUp, ...]
    judgement: Judgement
    findings: tuple[Finding, ...]
    overall: Overall
    steady: bool | None
    minutes_to_steady: float | None
    good: PartSeries | None = None
    good_power_on: PowerOn | None = None
    remarks: tuple[str, ...] = field(default=())

    @property
    def not_compared(self) -> tuple[str, ...]:
        """Parts that were measured, but that no rule and no good board's power-up had anything to hold against."""
        at_equal_time = {part.measurement.part.ref for part in self.parts if part.good is not None}
        return tuple(ref for ref in self.judgement.not_compared if ref not in at_equal_time)


def warm_up_run(
    run: Run,
    *,
    baseline: Baseline | None = None,
    good_run: Run | None = None,
    progress: Callable[[str], None] | None = None,
) -> WarmUp:
    """
    How each part warms up, where it will end, and what of that is not as it should be.

    Parameters
    ----------
    run : Run
        Its frames are a recording.
    baseline : Baseline, optional
        Known-good runs, steady.
    good_run : Run, optional
        The recorded power-up of a good board of this type; compared at equal times.
    progress : callable, optional

    Raises
    ------
    InputError
        A file is wrong, or the frames are no recording.
    CannotJudge
        The board is not found, or no part can be measured.
    """
    tell = progress or (lambda _stage: None)
    if run.layout is None:
        raise InputError("no layout is named", where=str(run.path or "run"), fix='write layout = "board.toml"')
    board = read_board(run.layout)
    series = extract_series(run, board, read_camera(run.camera), progress=tell)
    tell("curves")
    power_on = power_on_of(series)
    curves = curves_of(series, power_on)
    good = None if good_run is None else _series_of_good(good_run, board)
    good_on = None if good is None else power_on_of(good)
    tell("judging")
    at_end = tuple(
        ended(measured, curves.get(index), ambient_c=run.ambient_c)
        for index, measured in enumerate(series.reference.measurements)
    )
    judgement = _judged_at_end(series, at_end, curves, baseline=baseline)
    if baseline is None and good is None and _nothing_rose(series, power_on):
        judgement = nothing_compared(judgement, NOTHING_ROSE)
    compared = _at_equal_time(series, power_on, good, good_on)
    own = [*findings_of(tuple(compared.values())), *_will_pass(series.reference.measurements, at_end, curves)]
    told = {(finding.ref, finding.rule) for finding in own}
    others = [finding for finding in judgement.findings if (finding.ref, finding.rule) not in told]
    findings = tuple(sorted([*own, *others], key=lambda each: (each.level != "act", -abs(each.excess_k or 0.0))))
    parts = tuple(
        PartWarmUp(
            measured, curves.get(index),
            _verdict(measured, [f for f in findings if f.ref == measured.part.ref]),
            tuple(f for f in findings if f.ref == measured.part.ref),
            compared.get(measured.part.ref),
        )
        for index, measured in enumerate(at_end)
    )  # fmt: skip
    steady, wait = board_steady(tuple(curves.values()))
    return WarmUp(
        run, board, series, power_on, parts, judgement, findings,
        _overall(judgement, findings, compared=bool(compared)), steady, wait, good, good_on,
        _remarks(run, series, power_on, judgement, good_on),
    )  # fmt: skip


def power_on_of(series: PartSeries) -> PowerOn:
    """As the run states it, else as the curves show it."""
    given = series.reference.run.power_on_s
    return PowerOn(given, "given") if given is not None else find_power_on(series.times_s, series.mean_c)


def curves_of(series: PartSeries, power_on: PowerOn) -> dict[int, WarmUpCurve]:
    """The curve of each measured part, by its number in the layout."""
    enough = np.isfinite(series.mean_c).sum(axis=0) >= FEWEST_FRAMES
    if len(series.times_s) < FEWEST_FRAMES or not enough.any():
        raise CannotJudge(
            f"only {len(series.times_s)} of {series.frames} frames show the board, or no part in it can be measured",
            fix="record for longer, from nearer, with the whole board in view",
        )
    if power_on.time_s is not None and power_on.time_s >= series.times_s[-FEWEST_FRAMES]:
        raise InputError(
            f"power_on_s is {power_on.time_s:g} s, but the recording ends at {series.times_s[-1]:.1f} s",
            where=str(series.reference.run.path or "run"),
            fix="count it on the recording's own clock",
        )
    fitted = fit_curves(series.times_s, series.mean_c[:, enough], power_on_s=power_on.time_s)
    numbers = [index for index, good in zip(series.pixels.columns, enough, strict=True) if good]
    return dict(zip(numbers, fitted, strict=True))


def ended(measured: PartMeasurement, curve: WarmUpCurve | None, *, ambient_c: float) -> PartMeasurement:
    """A part's measurement as it will be once the board is steady, with what is not known of that in its budget."""
    if curve is None or measured.mean_c is None or measured.max_c is None or measured.u_c is None:
        return measured
    more = curve.steady_c - measured.mean_c
    return replace(
        measured,
        mean_c=curve.steady_c,
        max_c=measured.max_c + more,
        rise_k=curve.steady_c - ambient_c,
        u_c=float(np.hypot(measured.u_c, curve.steady_u_k)),
        budget=(*measured.budget, BudgetLine("warm-up", curve.steady_u_k, None)),
    )


def _series_of_good(good_run: Run, board: Board) -> PartSeries:
    if good_run.layout is not None and read_board(good_run.layout).sha256 != board.sha256:
        known = {part.ref for part in read_board(good_run.layout).parts}
        if not known & {part.ref for part in board.parts}:
            raise InputError("it is of another board", where=str(good_run.path), fix="name a run of this board type")
    series = extract_series(good_run, board, read_camera(good_run.camera))
    check_it_rises(series.mean_c - np.nanmean(series.mean_c[:FEWEST_FRAMES], axis=0), where=str(good_run.path))
    return series


def _judged_at_end(
    series: PartSeries,
    at_end: Sequence[PartMeasurement],
    curves: dict[int, WarmUpCurve],
    *,
    baseline: Baseline | None,
) -> Judgement:
    """The judge's rules on the state that the board will end in: the picture is scaled up as its parts will rise."""
    reference = series.reference
    rectified = rectify_frame(
        reference.image, reference.registration, reference.board, fov_deg=reference.fov_deg, covered=reference.covered
    )
    start = float(np.median([curve.start_c for curve in curves.values()]))
    now = np.array([curve.end_c - curve.start_c for curve in curves.values()])
    then = np.array([curve.steady_c - curve.start_c for curve in curves.values()])
    grown = float(np.median(then[now > 1.0] / now[now > 1.0])) if (now > 1.0).any() else 1.0
    picture = start + np.clip(grown, 0.8, 3.0) * (np.asarray(rectified.apparent_c) - start)
    return judge_run(
        at_end,
        replace(rectified, apparent_c=picture),
        reference.board,
        reference.run,
        baseline=baseline,
        noise_k=reference.image.noise_k,
        registration=reference.registration,
        band_um=reference.image.band,
    )


def rises_at(series: PartSeries, power_on: PowerOn, since_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each measured part's rise since power-on at a time after it, its standard uncertainty, and its slope then."""
    began = float(series.times_s[0]) if power_on.time_s is None else power_on.time_s
    since = series.times_s - began
    before = since <= max(0.0, float(since[0]) + 1e-9)
    width = max(0.04 * since_s, 1.5)
    near = np.abs(since - since_s) <= width
    with np.errstate(invalid="ignore"):
        start = np.nanmean(series.mean_c[before], axis=0)
        offset = since[near] - since_s
        middle = np.nanmean(series.mean_c[near], axis=0)
        spread = (offset - offset.mean())[:, None]
        slope = np.nansum(spread * (series.mean_c[near] - middle), axis=0) / max(float((spread**2).sum()), 1e-9)
        noise = np.nanstd(np.diff(series.mean_c, axis=0), axis=0) / np.sqrt(2)
    rise = middle - slope * offset.mean() - start
    u = noise * np.sqrt(1.0 / max(near.sum(), 1) + 1.0 / max(before.sum(), 1))
    return rise, u, slope


def _nothing_rose(series: PartSeries, power_on: PowerOn) -> bool:
    """Whether power is said to have come on and no part shows it; a board that was on before is not meant."""
    if power_on.time_s is None:
        return False
    rise, _, _ = rises_at(series, power_on, float(series.times_s[-1]) - power_on.time_s)
    return not float(np.nanmax(rise)) >= LEAST_RISE_K


def _at_equal_time(
    series: PartSeries, power_on: PowerOn, good: PartSeries | None, good_on: PowerOn | None
) -> dict[str, EqualTime]:
    if good is None or good_on is None:
        return {}
    spans = [
        float(each.times_s[-1] - (each.times_s[0] if on.time_s is None else on.time_s))
        for each, on in ((series, power_on), (good, good_on))
    ]
    since_s = 0.98 * min(spans)
    rise, u, _ = rises_at(series, power_on, since_s)
    good_rise, good_u, _ = rises_at(good, good_on, since_s)
    at, there = {r: i for i, r in enumerate(series.refs)}, {r: i for i, r in enumerate(good.refs)}
    common = [ref for ref in at if ref in there]
    here, gone = [at[ref] for ref in common], [there[ref] for ref in common]
    fine = np.isfinite(rise[here]) & np.isfinite(good_rise[gone])
    refs = [ref for ref, good_one in zip(common, fine, strict=True) if good_one]
    here, gone = [at[ref] for ref in refs], [there[ref] for ref in refs]
    compared = compare_at_equal_time(
        refs, rise[here], good_rise[gone], np.hypot(u[here], good_u[gone]), since_s=since_s
    )
    return {each.ref: each for each in compared}


def _will_pass(
    now: Sequence[PartMeasurement], at_end: Sequence[PartMeasurement], curves: dict[int, WarmUpCurve]
) -> list[Finding]:
    """Parts that are below their limit still, and will end above it."""
    found = []
    for index, (measured, then) in enumerate(zip(now, at_end, strict=True)):
        limit, curve = measured.part.max_c, curves.get(index)
        if limit is None or curve is None or measured.max_c is None or then.max_c is None or then.u_c is None:
            continue
        excess = then.max_c - limit
        if measured.max_c > limit or excess < -1.645 * then.u_c or excess <= 0:
            continue
        sure = excess > 1.645 * then.u_c
        text = (
            f"{measured.part.ref} is still rising: at {measured.max_c:.0f} °C now, it will end near "
            f"{then.max_c:.0f} °C (± {1.96 * then.u_c:.0f} K at 95 %), above its limit of {limit:g} °C."
        )
        found.append(
            Finding(
                ref=measured.part.ref, rule="limit", level="act" if sure else "watch", direction="hot",
                excess_k=excess, u_k=then.u_c, score=excess / then.u_c, text=text,
            )
        )  # fmt: skip
    return found


def _verdict(measured: PartMeasurement, findings: Sequence[Finding]) -> Verdict:
    if measured.reason is not None:
        return "not-measurable"
    acts = [finding for finding in findings if finding.level == "act"]
    if acts:
        return max(acts, key=lambda finding: abs(finding.score or 0.0)).direction
    return "watch" if findings else "normal"


def _overall(judgement: Judgement, findings: Sequence[Finding], *, compared: bool) -> Overall:
    levels = {finding.level for finding in findings}
    if "act" in levels:
        return "act"
    if "watch" in levels:
        return "watch"
    return "clear" if compared else judgement.overall


def board_steady(curves: Sequence[WarmUpCurve]) -> tuple[bool | None, float | None]:
    flags = [curve.steady for curve in curves]
    steady = False if False in flags else (None if None in flags else True)
    waits = [curve.wait_s for curve in curves if curve.wait_s is not None]
    return steady, (0.0 if steady else max(waits) / 60.0) if waits else None


def _remarks(
    run: Run, series: PartSeries, power_on: PowerOn, judgement: Judgement, good_on: PowerOn | None
) -> tuple[str, ...]:
    # A good board's power-up is something that parts without heat were compared with.
    judged = (each for each in judgement.remarks if good_on is None or each != NO_HEAT_REMARK)
    said = [*run.remarks, *series.remarks, *judged]
    if power_on.source == "not seen":
        said.append(
            "when the power came on is not seen in the recording: the first frame stands for it, and no slope at "
            "power-on is told (state power_on_s, or start recording before)"
        )
    if run.off_frames:
        said.append("off_frames were not looked at: a warm-up starts from the frames before power-on")
    if not series.pixels.has_bench:
        said.append("too little of the bench is in view to take the camera's own drift out")
    if good_on is not None and good_on.source == "not seen":
        said.append("the good board's power-on is not seen in its recording; its first frame stands for it")
    return tuple(dict.fromkeys(said))
