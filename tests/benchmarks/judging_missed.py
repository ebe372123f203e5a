"""
Why faults that were measured and compared are not acted on, and whether anyone could have acted on them.

    python tests/benchmarks/judging_missed.py FOLDER [--first N] [--boards N] [--each]

FOLDER is what `judging.py --seen FOLDER` kept. Hot faults of four deviations and more (by peers, with good runs), and
on lone boards parts at three times their typical watts and dead ones. Each that is not acted on is told by the first
reason that holds. Beside it what an ideal observer would do: one with the same reading, who knows by how much good
units of this board differ and how far readings of this look err, received heat and the load not in doubt at all, with
the judge's own prior and losses.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from judging_draw import SHEET_SPREAD
from judging_looks import LONE_KINDS, _learn
from judging_seen import FromSeen
from judging_world import UNIT_SHARE

from thermscan.errors import ThermscanError
from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison
from thermscan.judge.deciding import decide
from thermscan.judge.posterior import Posterior, put_together
from thermscan.judge.weighing import Suspect, Weighed
from thermscan.robust import robust_sd

LEAST_Z = 4.0
# Degrees of freedom of what was drawn and is known.
KNOWN = 1e6
# Where so much of a fault is not in the excess that was found, reading, split or a good part that differs hide it.
HIDES_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Told:
    """One fault in one way of judging: what was said of it, what keeps it from an act, what could have been."""

    label: str
    level: str
    reason: str
    ideal: str


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--boards", type=int, default=10**6)
    parser.add_argument("--each", action="store_true", help="the figures of each fault as well")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    numbers = {int(path.stem.split("-")[2]): path for path in given.folder.glob("*.seen")}
    chosen = [path for number, path in sorted(numbers.items()) if 0 <= number - given.first < given.boards]
    found: list[Told] = []
    for path in chosen:
        for told, detail in of_board(FromSeen(path)):
            found.append(told)
            if given.each:
                print(f"{path.stem}, {told.label}: {told.level}; {told.reason}; ideally {told.ideal}\n    {detail}")
    print(f"{len(chosen)} boards")
    print_table(found)
    return 0


def print_table(found: Sequence[Told]) -> None:
    """Reasons by sort of fault: how many, and how many of them an ideal observer would act on."""
    by_label: dict[str, list[Told]] = defaultdict(list)
    for each in found:
        by_label[each.label].append(each)
    print("| fault, and why it is not acted on | looks | acted on, told | by an ideal observer |\n|" + " --- |" * 4)
    for label, here in sorted(by_label.items()):
        print(f"| **{label}** | {len(here)} | {_levels([each.level for each in here])} | "
              f"{_levels([each.ideal for each in here])} |")  # fmt: skip
        reasons: dict[str, list[Told]] = defaultdict(list)
        for each in here:
            if each.level != "act":
                reasons[each.reason].append(each)
        for reason, those in sorted(reasons.items(), key=lambda pair: -len(pair[1])):
            told, ideal = ([getattr(each, name) for each in those] for name in ("level", "ideal"))
            print(f"| {reason} | {len(those)} | {_levels(told)} | {_levels(ideal)} |")


def _levels(levels: Sequence[str]) -> str:
    return f"{levels.count('act')}, {len(levels) - levels.count('nothing')}"


def of_board(kept: FromSeen) -> Iterator[tuple[Told, str]]:
    """All faults of a board in all ways of judging, each with its figures."""
    baseline, _ = _learn(kept)
    for look in kept.truth["looks"]:
        if look["kind"] in LONE_KINDS:
            yield from _of_look(kept, look, f"{look['name']}-lone", None, f"lone, {look['kind']}")
        elif look["kind"] == "hot":
            yield from _of_look(kept, look, look["name"], None, _label("peers", look, "z"))
            if baseline is not None:
                z = "z_same_unit" if kept.truth["same_unit"] else "z"
                yield from _of_look(kept, look, look["name"], baseline, _label("good runs", look, z))


def _label(way: str, look: dict[str, Any], z: str) -> str | None:
    fault = look["fault"]
    if fault[z] < LEAST_Z:
        return None
    size = "2 K and more" if fault["own_rise_k"] >= thresholds.ACT_LEAST_K else "under 2 K"
    return f"{way}, z {'4 to 8' if fault[z] <= 8 else 'above 8'}, {size}"


def _of_look(
    kept: FromSeen, look: dict[str, Any], name: str, baseline: Any, label: str | None
) -> Iterator[tuple[Told, str]]:
    """The fault of a look, where it was measured and compared."""
    if label is None:
        return
    try:
        inspection = kept.inspect(name, baseline)
    except ThermscanError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return
    ref, judgement = look["fault"]["ref"], inspection.judgement
    if not judgement[ref].measurement.measurable or not judgement[ref].compared_by:
        return
    suspect: Suspect = judgement.evidence.suspects[ref]
    weighed = [w for w in judgement.evidence.weighed if w.comparison.ref == ref]
    way = "cold" if look["kind"].startswith("dead") else "hot"
    levels = {finding.level for finding in judgement.findings if finding.ref == ref and finding.direction == way}
    level = "act" if "act" in levels else "watch" if levels else "nothing"
    heard = [w.comparison for w in weighed]
    if not heard:
        return
    tightest = min(heard, key=lambda each: each.good_sd_k)
    known, reading_k = _known(kept, look, inspection, tightest)
    ideal = _level(suspect, put_together([known])) or "nothing"
    reason = "acted on" if level == "act" else _reason(look, suspect, heard, tightest)
    yield Told(label, level, reason, ideal), _detail(look, suspect, weighed, reading_k)


def _known(kept: FromSeen, look: dict[str, Any], inspection: Any, one: Comparison) -> tuple[Comparison, float]:
    """The comparison of an ideal observer, and this part's error of reading against its frame."""
    fault, true = look["fault"], look["parts"]
    seen = {m.part.ref: m.mean_c - true[m.part.ref][0] for m in inspection.measurements if m.measurable}
    errors_k = np.array(list(seen.values()))
    u_k, reading_k = robust_sd(errors_k, centre=float(np.median(errors_k))), seen[fault["ref"]] - np.median(errors_k)
    plain = replace(one, degrees=KNOWN, place_k=0.0, harmless=0.0, at_most_watch=None, u_k=u_k)
    if look["kind"] in LONE_KINDS:
        # The sheet's watts are spread about what units usually draw, and units about that.
        k_per_w = abs(fault["own_rise_k"] / fault["watts"])
        level_k = k_per_w * inspection.board.part(fault["ref"]).watts[0] * look["load"]
        wide, own_k = float(np.hypot(SHEET_SPREAD, np.mean(UNIT_SHARE))), k_per_w * true[fault["ref"]][1]
        return replace(plain, excess_k=own_k - level_k + reading_k, own_expected_k=level_k, spread_k=wide * level_k,
                       log_spread=(wide, wide)), float(reading_k)  # fmt: skip
    further = float(np.sqrt(1.0 + 1.0 / max(one.count, 1)))
    # That of one unit's looks is stated for a difference of two of them.
    of_looks = one.rule != "peer" and kept.truth["same_unit"]
    good_k = fault["own_rise_k"] / (fault["z_same_unit"] * 2**0.5 if of_looks else fault["z"])
    return replace(plain, excess_k=fault["own_rise_k"] + reading_k, u_k=u_k * further,
                   spread_k=good_k * further), float(reading_k)  # fmt: skip


def _level(suspect: Suspect, posterior: Posterior) -> str | None:
    odds = suspect.before / (1.0 - suspect.before) * float(np.exp(min(posterior.log_ratio, 50.0)))
    return decide(odds / (1.0 + odds), posterior.matters)


def _reason(look: dict[str, Any], suspect: Suspect, heard: Sequence[Comparison], one: Comparison) -> str:
    """What keeps the fault from an act: the first of these that does."""
    fault_k, posterior = look["fault"]["own_rise_k"], suspect.posterior
    held = next((each.at_most_watch.code.value for each in heard if each.at_most_watch is not None), None)
    free = put_together([replace(each, harmless=0.0) for each in heard])

    def acts_with(**change: Any) -> bool:
        return _level(suspect, put_together([replace(one, **change)])) == "act"

    halved = {"reading and received heat": {"u_k": 0.5 * one.u_k}, "places": {"place_k": 0.5 * one.place_k}}
    halved["how good parts differ"] = {"spread_k": 0.5 * one.spread_k}
    if one.log_spread is not None:
        halved["how good parts differ"] = {"log_spread": tuple(0.5 * each for each in one.log_spread)}
    rules = (
        (abs(fault_k) < thresholds.ACT_LEAST_K, "its own rise is below 2 K, from where on something is acted on"),
        (suspect.level == "act", f"held back: {held or 'its temperature says the opposite'}"),
        (held is not None and _level(suspect, put_together(heard)) == "act", f"held at even odds: {held}"),
        (_level(suspect, free) == "act", "a sink, or another's top"),
        (one.excess_k / fault_k < 1.0 - HIDES_SHARE, "reading, split or a good part that differs hide much of it"),
        (posterior is not None and suspect.suspicion * (1 - posterior.matters) > 0.3, "may be too small to matter"),
        *((acts_with(**change), f"not if half as much were stated for {name}") for name, change in halved.items()),
    )
    return next(
        (reason for holds, reason in rules if holds), "not sure enough, whichever share of the spread is halved"
    )


def _detail(look: dict[str, Any], suspect: Suspect, weighed: Sequence[Weighed], reading_k: float) -> str:
    fault, posterior = look["fault"], suspect.posterior
    told = [
        f"{look['name']} {fault['ref']} own {fault['own_rise_k']:+.1f} K of usual {fault['usual_own_k']:.1f}, "
        f"z {fault['z']} / {fault['z_same_unit']}, read {reading_k:+.2f}; {suspect.suspicion:.2f}"
    ]
    if posterior is not None:
        told.append(f"fault {posterior.fault_k:+.1f} K, matters {posterior.matters:.2f}")
    for w in weighed:
        c = w.comparison
        told.append(
            f"{c.rule} {c.excess_k:+.1f} K of own {c.own_expected_k:.1f}, "
            f"u {c.u_k:.2f}, spread {c.spread_k:.2f}, places {c.place_k:.2f}, {c.count} compared"
            f"{f', harmless {c.harmless:.2f}' if c.harmless else ''}"
            f"{f', held {c.at_most_watch.code.value}' if c.at_most_watch is not None else ''}"
        )
    return "; ".join(told)


if __name__ == "__main__":
    sys.exit(main())
