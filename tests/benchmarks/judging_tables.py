"""Tables made of the judging trials' lines, each share with 95 % bounds for its independent boards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from judging_lines import (
    PLACE_WRONG_PX,
    Line,
    acted,
    around_fault,
    compared,
    false_acts,
    false_watches,
    first_is_culprit,
    judged,
    part_of,
    watched,
    z_of,
)
from scipy import stats

Z_EDGES = (0.0, 2.0, 4.0, 6.0, 10.0, 20.0, np.inf)
BARE_EDGES_K = (2.0, 4.0, 7.0, 12.0, 25.0)
# Each tenth, and finer where most parts are.
SUSPICION_EDGES = (0.0, 0.003, 0.01, 0.03, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0)
WATTS_FROM = 0.3
# A board that draws so much more or less than the good runs' mean is like them, or should be told to differ.
BOARD_ALIKE, BOARD_APART = 0.10, 0.20
NORMAL_95 = 1.959964
WAYS = {"peers": "by peers alone", "baseline": "with known-good runs", "lone": "lone board: no groups, no good runs"}


def print_tables(lines: Sequence[Line]) -> None:
    """All tables."""
    boards = {(line["seed"], line["board"]) for line in lines}
    looks = {(line["seed"], line["board"], line["name"]) for line in lines}
    print(f"{len(boards)} independent boards, {len(looks)} looks, {len(lines)} inspections")
    faults = [line for line in lines if line["said"].get("fault")]
    print(f"internal faults: {len(faults)}")
    places_table([line for line in lines if line["way"] == "peers"])
    for way, label in WAYS.items():
        chosen = [line for line in lines if line["way"] == way]
        if chosen:
            print(f"\n== {label}")
            recall_table(chosen)
            false_table(chosen)
            suspicion_table(chosen)
    print("\n== all ways together")
    suspicion_table(lines)
    peers = [line for line in lines if line["way"] == "peers"]
    temperature_table(peers)
    watts_table(peers)
    seconds = [line["said"]["seconds"] for line in lines]
    print(f"\nprocessor seconds an inspection: median {np.median(seconds):.2f}, most {max(seconds):.1f}")


def share_text(lines: Sequence[Line], holds: Callable[[Line], bool]) -> str:
    """
    A share of looks with 95 % bounds after Clopper and Pearson, for as many trials as there are independent boards.

    Looks at one board are not independent: counts are brought down to the number of boards, in proportion.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413.
    """
    if not lines:
        return "none"
    count = sum(holds(line) for line in lines)
    boards = len({(line["seed"], line["board"]) for line in lines})
    low, high = bounds(count / len(lines) * boards, boards)
    looks = f"{count} of {len(lines)}" + (f" on {boards}" if boards < len(lines) else "")
    return f"{100 * count / len(lines):.1f} % ({100 * low:.1f} to {100 * high:.1f}; {looks})"


def bounds(count: float, trials: float) -> tuple[float, float]:
    """
    Bounds of a share by Clopper and Pearson, 95 %.

    Examples
    --------
    >>> low, high = bounds(0, 60)
    >>> bool(low == 0 and abs(high - 0.0596) < 1e-4)
    True
    """
    low = stats.beta.ppf(0.025, count, trials - count + 1) if count > 0 else 0.0
    high = stats.beta.ppf(0.975, count + 1, trials - count) if count < trials else 1.0
    return float(low), float(high)


def recall_table(lines: Sequence[Line]) -> None:
    """How many faults are told, by how far they stand out of what good units differ by."""
    print(f"  {'fault':34}{'looks':>6}{'refused':>8}{'not meas.':>10}{'not comp.':>10}   act, of those compared")
    for kind in ("hot", "dead", "warmed"):
        here = [line for line in lines if line["kind"] == kind]
        for low, high in pairwise(Z_EDGES):
            _recall_row(f"{kind}, z {low:g} to {high:g}", [line for line in here if low <= z_of(line) < high])
    large = [x for x in lines if x["kind"] == "hot" and z_of(x) >= 6 and x["fault"]["own_rise_k"] >= 3]
    _recall_row("hot, z 6 or more and 3 K or more", large)
    for kind, label in (("tripled", "three times its typical watts"), ("dead alone", "dead, of 0.3 W or the most")):
        here = [x for x in lines if x["kind"] == kind]
        _recall_row(label, here)
        _recall_row(f"  of them {WATTS_FROM} W or more", [x for x in here if (x.get("drawn_w") or 0.0) >= WATTS_FROM])
    for low, high in pairwise(BARE_EDGES_K):
        here = [x for x in lines if x["kind"] == "unmapped" and low <= x["fault"]["own_rise_k"] < high]
        _recall_row(f"heat at no part, {low:g} to {high:g} K", here)


def _recall_row(label: str, lines: Sequence[Line]) -> None:
    if not lines:
        return
    seen = judged(lines)
    measured = [x for x in seen if x["kind"] == "unmapped" or part_of(x, x["fault"]["ref"])[6] != "not-measurable"]
    usable = [x for x in measured if x["kind"] == "unmapped" or compared(x, x["fault"]["ref"])]
    counts = f"{len(lines):6}{len(lines) - len(seen):8}{len(seen) - len(measured):10}{len(measured) - len(usable):10}"
    print(f"  {label:34}{counts}   {share_text(usable, acted)}; act or watch {share_text(usable, watched)}")
    print(f"  {'':34}{'':34}   of all looks: act {share_text(lines, acted)}, 'clear' {share_text(lines, _clear)}")


def _clear(line: Line) -> bool:
    return line["said"].get("overall") == "clear"


def false_table(lines: Sequence[Line]) -> None:
    """Whom it accuses wrongly."""
    seen = judged(lines)
    good = [line for line in seen if line["kind"] == "good"]
    faulty = [line for line in seen if line["kind"] != "good"]
    warmed = [line for line in seen if line["kind"] == "warmed"]
    told = [x for x in seen if x["kind"] in ("hot", "warmed") and acted(x)]
    rows = (
        ("good looks with an 'act'", good, lambda x: bool(false_acts(x))),
        ("good looks with a 'watch'", good, lambda x: bool(false_watches(x))),
        ("  of a part or a place", good, lambda x: any(f["rule"] != "board" for f in false_watches(x))),
        *_board_rule_rows(good),
        ("faulty looks with a wrong 'act'", faulty, lambda x: bool(false_acts(x))),
        ("  of them: the only 'act' is wrong", faulty, lambda x: bool(false_acts(x)) and not acted(x)),
        ("warmed neighbour wrongly 'act'", warmed, lambda x: bool(around_fault(x, "act"))),
        ("warmed neighbour mentioned", warmed, lambda x: bool(around_fault(x, "any"))),
        ("culprit told: it stands first", told, first_is_culprit),
    )
    for label, chosen, holds in rows:
        print(f"  {label:36}{share_text(chosen, holds)}")
    rules = Counter(f"{f['rule']} {f['direction']}" for line in seen for f in false_acts(line))
    print(f"  wrong 'act' by rule: {dict(rules) or 'none'}")
    asked = [part for line in good for part in line["said"]["parts"] if part[6] != "not-measurable"]
    alone = sum(not part[7] for part in asked)
    print(f"  good looks: {alone} of {len(asked)} measured parts compared with nothing")


def _board_rule_rows(good: Sequence[Line]) -> list[tuple[str, list[Line], Callable[[Line], bool]]]:
    """Whether the board as a whole is told to differ where it draws other watts than the good runs, and only there."""
    told = [line for line in good if line["way"] == "baseline" and {"good_w", "watts"} <= line.keys()]
    near = [line for line in told if _other_watts(line) < BOARD_ALIKE]
    far = [line for line in told if _other_watts(line) >= BOARD_APART]
    between = [line for line in told if BOARD_ALIKE <= _other_watts(line) < BOARD_APART]
    rows = (
        (f"  of the board: watts within {BOARD_ALIKE:.0%}", near),
        (f"  of the board: {BOARD_ALIKE:.0%} to {BOARD_APART:.0%} off", between),
        (f"  of the board: {BOARD_APART:.0%} off or more", far),
    )
    return [(label, lines, _board_told) for label, lines in rows if told]


def _other_watts(line: Line) -> float:
    return abs(line["watts"] / float(np.mean(line["good_w"])) - 1.0)


def _board_told(line: Line) -> bool:
    return any(finding["rule"] == "board" for finding in line["said"]["findings"])


def suspicion_table(lines: Sequence[Line]) -> None:
    """How often parts were at fault whose stated probability of it lay within each band."""
    stated = [
        (part[8], line["fault"] is not None and part[0] == line["fault"]["ref"], (line["seed"], line["board"]))
        for line in judged(lines)
        for part in line["said"]["parts"]
        if part[8] is not None
    ]
    if not stated:
        return
    print(f"  {'suspicion stated':>18}{'parts':>8}{'mean':>8}   at fault (three of four looks hold a fault)")
    for low, high in pairwise(SUSPICION_EDGES):
        here = [each for each in stated if low <= each[0] and (each[0] < high or high == SUSPICION_EDGES[-1])]
        if here:
            at_fault = sum(each[1] for each in here)
            boards = len({each[2] for each in here})
            least, most = bounds(at_fault / len(here) * min(boards, len(here)), min(boards, len(here)))
            told = f"{100 * at_fault / len(here):.1f} % ({100 * least:.1f} to {100 * most:.1f})"
            mean = float(np.mean([each[0] for each in here]))
            within = "" if least <= mean <= most else "   stated otherwise"
            print(f"  {low:8.3f} to {high:5.3f}{len(here):8}{mean:8.3f}   {told}{within}")


def places_table(lines: Sequence[Line]) -> None:
    """Refused and wrong places, and parts that could not be measured, by camera."""
    print(f"\n{'columns':>8}{'looks':>7}  refused; wrong (over {PLACE_WRONG_PX} px RMS, not refused)")
    for cols, here in _by_columns(lines):
        seen = judged(here)
        off = [x["said"]["off_px"] for x in seen]
        wrong = share_text(here, lambda x: x["said"].get("off_px", 0.0) > PLACE_WRONG_PX)
        print(f"{cols:>8}{len(here):7}  {share_text(here, lambda x: x['said']['refused'] is not None)}; {wrong}")
        if off:
            # uncertainty_mm is half the radius that holds a part's centre with 95 %.
            held = [x["said"]["off_px"] <= 2 * x["said"]["uncertainty_mm"] * x["said"]["px_per_mm"] for x in seen]
            half, most = np.median(off), np.quantile(off, 0.95)
            print(f"{'':15}  RMS px: median {half:.2f}, 95 % {most:.2f}; within 2 stated u: {np.mean(held):.0%}")
        parts = [part for x in seen for part in x["said"]["parts"]]
        reasons = Counter(part[5] for part in parts if part[6] == "not-measurable")
        if parts:
            told = ", ".join(f"{reason} {n / len(parts):.0%}" for reason, n in reasons.most_common(4))
            print(f"{'':15}  not measurable: {sum(reasons.values()) / len(parts):.0%} of parts ({told})")


def temperature_table(lines: Sequence[Line]) -> None:
    """Errors of parts' means, and how often the stated uncertainties hold them."""
    print("\ncolumns   parts  RMS K as read / camera's offset off   in 95 % of u_c   differences  RMS K   in 95 % of u")
    for cols, here in _by_columns(judged(lines)):
        rows = [np.array([p[1:4] for p in x["said"]["parts"] if p[2] is not None], float) for x in here]
        rows = [row for row in rows if len(row) > 2]
        if not rows:
            continue
        errors = [row[:, 1] - row[:, 0] for row in rows]
        apart = np.concatenate([error - np.median(error) for error in errors])
        error, u = np.concatenate(errors), np.concatenate([row[:, 2] for row in rows])
        peers = np.array([pair for x in here for pair in x["said"].get("peers", [])]).reshape(-1, 2)
        within = np.mean(np.abs(error) <= NORMAL_95 * u)
        told = f"{cols:>7}{len(error):8}{_rms(error):10.2f} / {_rms(apart):.2f}{within:25.1%}{len(peers):17}"
        if len(peers):
            told += f"{_rms(peers[:, 0]):8.2f}{np.mean(np.abs(peers[:, 0]) <= NORMAL_95 * peers[:, 1]):13.1%}"
        print(told)


def watts_table(lines: Sequence[Line]) -> None:
    """How well watts come out, with and without the supply's reading."""
    print(f"\nwatts of parts of {WATTS_FROM} W or more: mean error, median, bias; within 2 stated u")
    for known in (True, False):
        for cols, here in _by_columns([x for x in judged(lines) if x["supply_known"] == known]):
            rows = [row for x in here for row in x["said"].get("watts", []) if row[1] >= WATTS_FROM]
            if rows:
                true, told, u = np.array([row[1:] for row in rows]).T
                error = told / true - 1
                within = np.mean(np.abs(told - true) <= 2 * u)
                label = "supply read" if known else "no supply"
                print(
                    f"{label:>12}{cols:>8}{len(rows):6} parts: {np.mean(np.abs(error)):.1%}, "
                    f"{np.median(np.abs(error)):.1%}, {np.mean(error):+.1%}; {within:.0%}"
                )


def _by_columns(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    columns = sorted({line["cols"] for line in lines})
    parted = [(str(cols), [line for line in lines if line["cols"] == cols]) for cols in columns]
    return [*parted, ("all", list(lines))] if len(columns) > 1 else parted


def _rms(values: Any) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
