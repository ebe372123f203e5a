"""What is alarming in the first minutes of power, part by part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from thermscan.dynamics.fin_kernel import BODY_J_PER_M3K
from thermscan.dynamics.part_series import PartSeries
from thermscan.dynamics.power_on import PowerOn
from thermscan.dynamics.should_rise import FEWEST_PEERS, TIMING_S, Should, peers_k, should_rise
from thermscan.frozen import dataclass
from thermscan.judge.thresholds import ACT_LEAST_K, LIMIT_COVERAGE
from thermscan.layout.board import Part
from thermscan.registration.geometry.heights import body_height_mm

FloatArray = NDArray[np.float64]
Level = Literal["watch", "act"]

# One false alarm in a hundred good power-ups, shared out over all that is asked of parts, and over the time watched:
# readings some seconds apart say nearly the same, so that a minute of them is worth about ten looks.
FALSE_RATE, LOOKS = 0.01, 10
# A rise this much above what is expected is no spread.
LEAST_SHARE, LEAST_K, WATCH_SHARE = 0.4, 0.8, 0.25
# Before so long nothing is compared: the first seconds hold the timing's error more than the parts'.
FIRST_S = 3.0
# A body takes in what its watts give, more or less by what is not known of its heat capacity; later it hands on as much
# as it gets, and its neighbours' heat arrives.
CAPACITY_SHARE, WATTS_UNTIL_S = 1.6, 60.0
# One body in twenty of those whose height nothing tells is flatter than its median by more than this many spreads.
FLATTER = 1.645
# A limit that a part will pass within so long is alarming; sooner is worse.
WATCH_BEFORE_S, ACT_BEFORE_S = 300.0, 60.0
LIMIT_SHARE_NEAR = 0.6
U_ABSOLUTE_K = 2.0


@dataclass(frozen=True, slots=True)
class Alarm:
    """One part that does not rise as it should; ``seconds_to_limit`` where it has a limit and is rising."""

    ref: str
    rule: str
    level: Level
    rise_k: float
    expected_k: float | None
    slope_k_per_s: float
    seconds_to_limit: float | None
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """
    What the parts are held against.

    Attributes
    ----------
    since_s : ndarray of shape (n,)
        Time since power-on of the good board's recording; empty where there is none.
    good_k : dict of ref to ndarray of shape (n,)
        Its rises.
    steady_k : dict of ref to (float, float)
        Rise of known-good steady runs and its spread: no part may be above that on its way.
    """

    since_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    good_k: dict[str, FloatArray] = field(default_factory=dict)
    steady_k: dict[str, tuple[float, float]] = field(default_factory=dict)

    def at(self, ref: str, since_s: float) -> float | None:
        """The good board's rise then; None where it was not recorded so long."""
        curve = self.good_k.get(ref)
        if curve is None or not len(self.since_s) or since_s > self.since_s[-1]:
            return None
        return float(np.interp(since_s, self.since_s, curve))


def expected_of(series: PartSeries, power_on: PowerOn) -> Expected:
    """A good board's power-up as something to hold others against."""
    began = float(series.times_s[0]) if power_on.time_s is None else power_on.time_s
    since = series.times_s - began
    before = since <= max(0.0, float(since[0]))
    start = np.nanmean(series.mean_c[before], axis=0)
    return Expected(since, {ref: series.mean_c[:, n] - start[n] for n, ref in enumerate(series.refs)})


def alarms_of(
    parts: Sequence[Part], level_c: FloatArray, rise_k: FloatArray, slope: FloatArray,
    *, since_s: float | None, u_rise_k: FloatArray, u_slope: FloatArray, expected: Expected,
) -> tuple[Alarm, ...]:  # fmt: skip
    """
    All alarms of one moment, the worst first.

    Parameters
    ----------
    parts : sequence of Part
        Those measured.
    level_c, rise_k, slope, u_rise_k, u_slope : ndarray of shape (parts,)
    since_s : float or None
        Since power-on. None: it was not seen; then only limits are compared.
    expected : Expected
    """
    asked: list[tuple[Should, ...]] = [()] * len(parts)
    by_watts = [False] * len(parts)
    if since_s is not None and since_s >= FIRST_S:
        good = np.array([np.nan if (k := expected.at(part.ref, since_s)) is None else k for part in parts])
        asked = should_rise(parts, rise_k, good, since_s=since_s)
        by_watts = [part.watts is not None and since_s <= WATTS_UNTIL_S for part in parts]
    questions = sum(len(each) for each in asked) + sum(by_watts)
    z = float(ndtri(1.0 - FALSE_RATE / (max(questions, 1) * LOOKS)))
    found: list[Alarm] = []
    for n, part in enumerate(parts):
        if not np.isfinite(rise_k[n]):
            continue
        seconds = _seconds_to_limit(part, float(level_c[n]), float(slope[n]), float(u_slope[n]))
        now = _Now(float(rise_k[n]), float(slope[n]), seconds, float(u_rise_k[n]), z)
        above = [alarm for should in asked[n] if (alarm := _above(part, should, now)) is not None]
        # The good board by itself and with the peers say the same of a part: the graver is told, once.
        candidates = [_limit(part, float(level_c[n]), now), *sorted(above, key=lambda each: each.level)[:1]]
        if since_s is not None and since_s >= FIRST_S:
            candidates.append(_steady(part, expected.steady_k.get(part.ref), now))
            candidates.append(_watts(part, since_s, now) if by_watts[n] else None)
        found += [each for each in candidates if each is not None]
    return tuple(sorted(found, key=lambda each: (each.level != "act", -each.rise_k)))


def held_against_nothing(parts: Sequence[Part], expected: Expected) -> tuple[str, ...]:
    """Those of the measured parts for which neither a good board, nor two peers, nor their watts tell a rise."""
    level = np.zeros(len(parts))
    return tuple(
        part.ref for n, part in enumerate(parts)
        if part.ref not in expected.good_k and part.ref not in expected.steady_k
        and len(peers_k(parts, level, n)) < FEWEST_PEERS and part.watts is None
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Now:
    """One part at one moment; ``z`` how many standard uncertainties are no chance."""

    rise_k: float
    slope: float
    seconds: float | None
    noise_k: float
    z: float


def _above(part: Part, should: Should, now: _Now) -> Alarm | None:
    """Above what a good part would have risen, by more than chance and by enough to matter."""
    expected_k = should.expected_k
    excess = now.rise_k - expected_k
    share = excess / expected_k if expected_k > 0 else np.inf
    if excess < max(now.z * float(np.hypot(now.noise_k, should.u_k)), LEAST_K) or share < WATCH_SHARE:
        return None
    level: Level = "act" if share >= LEAST_SHARE else "watch"
    text = f"{part.ref} has risen {now.rise_k:.1f} K, {excess:.1f} K more than {should.words} at this time"
    return Alarm(part.ref, should.rule, level, now.rise_k, expected_k, now.slope, now.seconds, text)


def _steady(part: Part, steady: tuple[float, float] | None, now: _Now) -> Alarm | None:
    """Above the rise that good boards end with: on its way no part is."""
    if steady is None:
        return None
    rise, slope, seconds = now.rise_k, now.slope, now.seconds
    most = steady[0] + max(3 * steady[1], LEAST_SHARE * steady[0], ACT_LEAST_K)
    if rise <= most:
        return None
    text = f"{part.ref} has risen {rise:.1f} K, above the {steady[0]:.1f} K that good boards end with"
    return Alarm(part.ref, "baseline", "act", rise, steady[0], slope, seconds, text)


def _watts(part: Part, since_s: float, now: _Now) -> Alarm | None:
    """Faster than its watts can warm its body."""
    assert part.watts is not None
    rise, slope, seconds = now.rise_k, now.slope, now.seconds
    height_mm, spread = body_height_mm(part)
    share = np.pi / 4 if part.round_body else 1.0
    stored = BODY_J_PER_M3K * share * part.length_mm * part.width_mm * 1e-6 * height_mm * 1e-3
    doubt = max(CAPACITY_SHARE, float(np.exp(FLATTER * spread)))
    most = doubt * part.watts[1] * (since_s + TIMING_S) / stored
    if rise < most + max(now.z * now.noise_k, LEAST_K):
        return None
    drawn = rise * stored / since_s
    text = (
        f"{part.ref} has risen {rise:.1f} K in {since_s:.0f} s, as about {drawn:.2g} W would make it; it may draw "
        f"{part.watts[1]:g} W at most"
    )
    return Alarm(part.ref, "watts", "act", rise, float(most / doubt), slope, seconds, text)


def _limit(part: Part, level_c: float, now: _Now) -> Alarm | None:
    if part.max_c is None:
        return None
    rise, slope, seconds = now.rise_k, now.slope, now.seconds
    over = level_c - part.max_c
    if over > LIMIT_COVERAGE * U_ABSOLUTE_K:
        text = f"{part.ref} is at {level_c:.0f} °C, above its limit of {part.max_c:g} °C"
        return Alarm(part.ref, "limit", "act", rise, None, slope, 0.0, text)
    if over > 0:
        text = f"{part.ref} is at {level_c:.0f} °C, at its limit of {part.max_c:g} °C"
        return Alarm(part.ref, "limit", "watch", rise, None, slope, 0.0, text)
    # A curve bends on its way: only a part that is past some of the way at this slope is told to pass its limit.
    if seconds is None or seconds > WATCH_BEFORE_S or rise < LIMIT_SHARE_NEAR * (rise + part.max_c - level_c):
        return None
    act = seconds <= ACT_BEFORE_S
    text = (
        f"{part.ref} rises {slope:.2f} K/s at {level_c:.0f} °C and will pass its limit of {part.max_c:g} °C "
        f"in {seconds:.0f} s"
    )
    return Alarm(part.ref, "limit", "act" if act else "watch", rise, None, slope, seconds, text)


def _seconds_to_limit(part: Part, level_c: float, slope: float, u_slope: float) -> float | None:
    if part.max_c is None or not slope > 4 * u_slope or slope <= 0:
        return None
    return max(part.max_c - level_c, 0.0) / slope
