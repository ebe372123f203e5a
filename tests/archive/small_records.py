"""Small records made by hand, thousands of them: no frames, a result that says what a test wants."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from thermscan.archive.bag_writing import finish_bag
from thermscan.archive.checking import RECORD_MARK
from thermscan.writing.tree import fresh_tree

NOISE_U_K, CAMERA_U_K, SURFACE_U_K = 0.05, 1.0, 0.2


def small_record(
    out: Path,
    rises_k: Mapping[str, float],
    *,
    board: str = "tape controller",
    serial: str | None = "0042",
    taken: str | None = "2026-05-02T14:30:00Z",
    stage: str | None = "idle",
    watts: float | None = 5.0,
    minutes_on: float = 20.0,
    flagged: Sequence[str] = (),
) -> Path:
    """A record whose parts rise as told."""
    parts = [
        {
            "ref": ref,
            "rise_k": rise,
            "u_c": (NOISE_U_K**2 + CAMERA_U_K**2 + SURFACE_U_K**2) ** 0.5,
            "verdict": "hot" if ref in flagged else "normal",
            "budget": [
                {"source": "camera", "u_k": CAMERA_U_K, "shared": "camera"},
                {"source": "emissivity of the part", "u_k": SURFACE_U_K, "shared": None},
                {"source": "noise", "u_k": NOISE_U_K, "shared": None},
            ],
        }
        for ref, rise in rises_k.items()
    ]
    findings = [
        {"ref": ref, "rule": "peer", "level": "act", "direction": "hot", "text": f"{ref} is hot."} for ref in flagged
    ]
    supply = [] if watts is None else [{"rail": "+5 V", "volts": 5.0, "amps": watts / 5.0}]
    results = {"run": {"supply": supply, "minutes_on": minutes_on}, "parts": parts, "findings": findings}
    contents = {
        "board": board, "revision": "B", "serial": serial, "taken": taken, "stage": stage,
        "overall": "act" if flagged else "clear", "flagged": list(flagged), "results": "report/results.json",
    }  # fmt: skip
    with fresh_tree(out, inputs=[]) as tree:
        tree.put("data/record.json", json.dumps(contents).encode())
        tree.put("data/report/results.json", json.dumps(results).encode())
        made = datetime(2026, 5, 2, tzinfo=UTC)
        finish_bag(tree, out, info=[(RECORD_MARK, "1")], made=made, sign=None, signature_file="none")
    return out
