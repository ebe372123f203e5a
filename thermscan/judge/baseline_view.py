"""A baseline told to a person: the board, its runs, and what each part usually does."""

from __future__ import annotations

from typing import Any

import numpy as np

from thermscan.frozen import dataclass
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.expected import expect_from

SCHEMA = "thermscan.baseline-summary/1"
DIGEST_LETTERS = 12


@dataclass(frozen=True, slots=True)
class PartUsual:
    """
    What the runs say of one part.

    Attributes
    ----------
    mean_k : float
        Rise, mean over the runs after each was brought to their common level.
    seen_sd_k : float or None
        Standard deviation between the runs; None for fewer than two.
    expected_sd_k : float
        By how much another good board may differ, as it is used in judging: what is expected of such
        parts and what the runs show, weighed together.
    runs : int
        In how many runs the part was measurable.
    """

    ref: str
    mean_k: float
    seen_sd_k: float | None
    expected_sd_k: float
    runs: int


def parts_of(baseline: Baseline) -> tuple[PartUsual, ...]:
    """
    What the runs say of each part, in the order of the refs.

    Examples
    --------
    >>> def run(rise_k):
    ...     return BaselineRun(None, None, None, 15.0, 22.0, None, (), {"U1": rise_k}, {"U1": 0.1})
    >>> baseline = Baseline("b", None, "0", (run(8.0), run(8.4)), np.zeros((2, 2)), 0.5)
    >>> [(part.ref, round(part.mean_k, 1), round(part.seen_sd_k, 2)) for part in parts_of(baseline)]
    [('U1', 8.2, 0.28)]
    """
    expected = expect_from(baseline, same_serial=False)
    return tuple(
        PartUsual(
            ref,
            float(expected.mean_k[i]),
            float(expected.seen_sd_k[i]) if np.isfinite(expected.seen_sd_k[i]) else None,
            float(expected.sd_k[i]),
            int(expected.runs[i]),
        )
        for i, ref in enumerate(expected.refs)
    )


def summary_document(baseline: Baseline) -> dict[str, Any]:
    """A baseline's summary as plain values for strict JSON; the raster and single readings stay in the file."""
    return {
        "schema": SCHEMA,
        "board": {
            "name": baseline.board_name,
            "revision": baseline.board_revision,
            "layout_digest": baseline.layout_digest,
        },
        "runs": [
            {
                "number": number,
                "taken": run.taken,
                "board_serial": run.board_serial,
                "stage": run.stage,
                "minutes_on": run.minutes_on,
                "ambient_c": run.ambient_c,
                "supply_w": run.supply_w,
                "frame_sha256": list(run.frame_sha256),
                "parts": len(run.rise_k),
            }
            for number, run in enumerate(baseline.runs, start=1)
        ],
        "parts": [
            {
                "ref": part.ref,
                "mean_rise_k": round(part.mean_k, 3),
                "seen_sd_k": None if part.seen_sd_k is None else round(part.seen_sd_k, 3),
                "expected_sd_k": round(part.expected_sd_k, 3),
                "runs": part.runs,
            }
            for part in parts_of(baseline)
        ],
        "remarks": list(baseline.remarks),
    }


def summary_lines(baseline: Baseline) -> list[str]:
    """
    The same in lines of text.

    Examples
    --------
    >>> good = BaselineRun("2026-05-02", "17", "idle", 15.0, 22.0, 4.1, ("ab" * 32,), {"U1": 8.0}, {"U1": 0.1})
    >>> lines = summary_lines(Baseline("b", "A", "0" * 64, (good,), np.zeros((2, 2)), 0.5))
    >>> lines[0], lines[2]
    ('Known-good runs of b, revision A (layout 000000000000)', '  1: 2026-05-02, serial 17, stage idle, \
15 min on, ambient 22 °C, supply 4.1 W, 1 part, frame abababababab')
    """
    revision = f", revision {baseline.board_revision}" if baseline.board_revision else ""
    lines = [
        f"Known-good runs of {baseline.board_name}{revision} (layout {baseline.layout_digest[:DIGEST_LETTERS]})",
        f"{len(baseline.runs)} run{_s(len(baseline.runs))}:",
    ]
    lines += [f"  {number}: {_run_line(run)}" for number, run in enumerate(baseline.runs, start=1)]
    lines.append("Rise of each part, the runs brought to one level; by how much they differ, and a good board may:")
    lines.append(f"  {'part':<10}{'rise K':>8}{'seen ± K':>10}{'may ± K':>9}{'runs':>6}")
    for part in parts_of(baseline):
        seen = "" if part.seen_sd_k is None else f"{part.seen_sd_k:.2f}"
        lines.append(f"  {part.ref:<10}{part.mean_k:8.2f}{seen:>10}{part.expected_sd_k:9.2f}{part.runs:6d}")
    lines += [f"Remark: {remark}" for remark in baseline.remarks]
    # The file may come from anyone: control characters could drive the terminal.
    return ["".join(letter if letter.isprintable() else " " for letter in line) for line in lines]


def _run_line(run: BaselineRun) -> str:
    facts = [
        run.taken or "time not stated",
        f"serial {run.board_serial}" if run.board_serial else "serial not stated",
        f"stage {run.stage}" if run.stage else None,
        None if run.minutes_on is None else f"{run.minutes_on:g} min on",
        f"ambient {run.ambient_c:g} °C",
        None if run.supply_w is None else f"supply {run.supply_w:.3g} W",
        f"{len(run.rise_k)} part{_s(len(run.rise_k))}",
    ]
    if run.frame_sha256:
        shown = " ".join(digest[:DIGEST_LETTERS] for digest in run.frame_sha256)
        facts.append(f"frame{_s(len(run.frame_sha256))} {shown}")
    return ", ".join(fact for fact in facts if fact)


def _s(count: int) -> str:
    return "" if count == 1 else "s"
