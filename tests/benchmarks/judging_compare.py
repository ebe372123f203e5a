"""Two versions of the code on the same boards, figure beside figure, as a table for a page."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import judging_lines as trial
import numpy as np
from judging_lines import Line
from judging_tables import NORMAL_95, WATTS_FROM, WAYS, share_text

Figure = Callable[[Sequence[Line]], str]
# From where on a fault is acted on at all, by the judge's choice.
ACT_LEAST_K = 2.0


def print_comparison(old: Sequence[Line], new: Sequence[Line]) -> None:
    """Rows of a table: the old version, the new one on the same boards, and on all its boards."""
    both = {_board(line) for line in old} & {_board(line) for line in new}
    columns = [[line for line in lines if _board(line) in both] for lines in (old, new)]
    every = len({_board(line) for line in new})
    heads = ["", f"before, {len(both)} boards", "after, the same boards"]
    if every > len(both):
        columns.append(list(new))
        heads.append(f"after, all {every} boards")
    print("|" + "|".join(f" {head} " for head in heads) + "|")
    print("|" + " --- |" * len(heads))
    for label, figure in _figures():
        print(f"| {label} | " + " | ".join(figure(lines) for lines in columns) + " |")


def _board(line: Line) -> tuple[int, int]:
    return line["seed"], line["board"]


def _figures() -> list[tuple[str, Figure]]:
    rows: list[tuple[str, Figure]] = []
    for way, label in WAYS.items():
        rows.append((f"**{label}**", lambda _: ""))
        rows += [(name, _of_way(way, figure)) for name, figure in _judging(lone=way == "lone")]
    rows.append(("**places, temperatures, watts**", lambda _: ""))
    return rows + [(name, _of_way("peers", figure)) for name, figure in _measuring()]


def _of_way(way: str, figure: Figure) -> Figure:
    return lambda lines: figure([line for line in lines if line["way"] == way])


def _judging(*, lone: bool) -> list[tuple[str, Figure]]:
    def good(lines: Sequence[Line]) -> list[Line]:
        return [line for line in trial.judged(lines) if line["kind"] == "good"]

    def faulty(lines: Sequence[Line]) -> list[Line]:
        return [line for line in trial.judged(lines) if line["kind"] != "good"]

    rows: list[tuple[str, Figure]] = [
        (
            "hot, z 6 and 3 K or more: 'act' where measured and compared",
            lambda x: share_text(_usable(_large(x)), trial.acted),
        ),
        ("the same, 'act' of all looks", lambda x: share_text(_large(x), trial.acted)),
        ("the same, called 'clear', of all looks", lambda x: share_text(_large(x), _clear)),
    ]
    if lone:
        for kind, label in (("tripled", "three times typical"), ("dead alone", "dead")):
            rows += [
                (f"{label}: 'act' where measured and compared", _share_of(kind, trial.acted)),
                ("the same, told", _share_of(kind, trial.watched)),
            ]
    else:
        for label, low, high in (("4 to 8", 4.0, 8.0), ("above 8", 8.0, np.inf)):
            rows += [
                (f"hot, z {label}: 'act' where measured and compared", _share_of("hot", trial.acted, low, high)),
                ("the same, faults of 2 K and more", _share_of("hot", trial.acted, low, high, least_k=ACT_LEAST_K)),
            ]
        rows += [
            ("dead: 'act' where measured and compared", lambda x: share_text(_usable(_kind(x, "dead")), trial.acted)),
            (
                "culprit that warms a neighbour: the same",
                lambda x: share_text(_usable(_kind(x, "warmed")), trial.acted),
            ),
            ("its neighbour wrongly 'act'", lambda x: share_text(trial.judged(_kind(x, "warmed")), _innocent_act)),
            ("heat at no part, 2 to 25 K: 'act' of all looks", lambda x: share_text(_kind(x, "unmapped"), trial.acted)),
            ("the same, act or watch", lambda x: share_text(_kind(x, "unmapped"), trial.watched)),
            ("culprit stands first, where told", lambda x: share_text(_told(x), trial.first_is_culprit)),
        ]
    return [
        *rows,
        ("good looks with an 'act'", lambda x: share_text(good(x), lambda line: bool(trial.false_acts(line)))),
        ("good looks with a 'watch'", lambda x: share_text(good(x), lambda line: bool(trial.false_watches(line)))),
        ("faulty looks with a wrong 'act'", lambda x: share_text(faulty(x), lambda line: bool(trial.false_acts(line)))),
        ("measured parts of good looks compared with nothing", lambda x: _alone(good(x))),
    ]


def _share_of(
    kind: str, holds: Callable[[Line], bool], low: float = -np.inf, high: float = np.inf, *, least_k: float = 0.0
) -> Figure:
    """Of the looks with such a fault of a size between, where it was measured and compared."""

    def asked(line: Line) -> bool:
        return (np.isinf(low) or low < trial.z_of(line) <= high) and abs(line["fault"]["own_rise_k"]) >= least_k

    return lambda lines: share_text(_usable([line for line in _kind(lines, kind) if asked(line)]), holds)


def _measuring() -> list[tuple[str, Figure]]:
    return [
        ("board not found, refused", lambda x: share_text(x, lambda line: line["said"]["refused"] is not None)),
        (f"wrong by more than {trial.PLACE_WRONG_PX} px, not refused", lambda x: share_text(x, _wrong)),
        ("place within 2 stated u", lambda x: share_text(trial.judged(x), _place_held)),
        ("parts not measurable, of looks not refused", _not_measurable),
        ("parts' means after the camera's offset, K RMS", lambda x: _means(x)[0]),
        ("in 95 % of the stated u_c", lambda x: _means(x)[1]),
        ("differences of a group, K RMS", lambda x: _differences(x)[0]),
        ("in 95 % of their stated u", lambda x: _differences(x)[1]),
        (f"watts of parts of {WATTS_FROM} W or more, supply read", _watts),
        ("processor seconds an inspection, median and most", _seconds),
    ]


def _kind(lines: Sequence[Line], kind: str) -> list[Line]:
    return [line for line in lines if line["kind"] == kind]


def _large(lines: Sequence[Line]) -> list[Line]:
    return [line for line in _kind(lines, "hot") if trial.z_of(line) >= 6 and line["fault"]["own_rise_k"] >= 3]


def _usable(lines: Sequence[Line]) -> list[Line]:
    """Where the part at fault was measured, and compared with something."""
    return [
        line
        for line in trial.judged(lines)
        if trial.part_of(line, line["fault"]["ref"])[6] != "not-measurable"
        and trial.compared(line, line["fault"]["ref"])
    ]


def _told(lines: Sequence[Line]) -> list[Line]:
    return [line for line in trial.judged(lines) if line["kind"] in ("hot", "warmed") and trial.acted(line)]


def _clear(line: Line) -> bool:
    return line["said"].get("overall") == "clear"


def _innocent_act(line: Line) -> bool:
    return bool(trial.around_fault(line, "act"))


def _wrong(line: Line) -> bool:
    return line["said"].get("off_px", 0.0) > trial.PLACE_WRONG_PX


def _place_held(line: Line) -> bool:
    said = line["said"]
    return bool(said["off_px"] <= 2 * said["uncertainty_mm"] * said["px_per_mm"])


def _alone(lines: Sequence[Line]) -> str:
    parts = [part for line in lines for part in line["said"]["parts"] if part[6] != "not-measurable"]
    return f"{sum(not part[7] for part in parts)} of {len(parts)}"


def _not_measurable(lines: Sequence[Line]) -> str:
    parts = [part for line in trial.judged(lines) for part in line["said"]["parts"]]
    return f"{np.mean([part[6] == 'not-measurable' for part in parts]):.0%} of {len(parts)}"


def _means(lines: Sequence[Line]) -> tuple[str, str]:
    errors, held = [], []
    for line in trial.judged(lines):
        rows = np.array([part[1:4] for part in line["said"]["parts"] if part[2] is not None], float)
        if len(rows) > 2:
            error = rows[:, 1] - rows[:, 0]
            errors.append(error - np.median(error))
            held.append(np.abs(error) <= NORMAL_95 * rows[:, 2])
    every = np.concatenate(errors)
    return f"{np.sqrt(np.mean(every**2)):.2f} of {len(every)} parts", f"{np.concatenate(held).mean():.1%}"


def _differences(lines: Sequence[Line]) -> tuple[str, str]:
    pairs = np.array([pair for line in trial.judged(lines) for pair in line["said"].get("peers", [])]).reshape(-1, 2)
    held = np.abs(pairs[:, 0]) <= NORMAL_95 * pairs[:, 1]
    return f"{np.sqrt(np.mean(pairs[:, 0] ** 2)):.2f} of {len(pairs)}", f"{held.mean():.1%}"


def _watts(lines: Sequence[Line]) -> str:
    rows = [
        row[1:] for x in trial.judged(lines) if x["supply_known"] for row in x["said"]["watts"] if row[1] >= WATTS_FROM
    ]
    if not rows:
        return "none"
    true, told, u = np.array(rows).T
    held = np.abs(told - true) <= 2 * u
    return f"off by {np.mean(np.abs(told / true - 1)):.0%} in {len(rows)} parts, {held.mean():.0%} within 2 u"


def _seconds(lines: Sequence[Line]) -> str:
    seconds = [line["said"]["seconds"] for line in lines]
    return f"{np.median(seconds):.1f} and {max(seconds):.0f}"
