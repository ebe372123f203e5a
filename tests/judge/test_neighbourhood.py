"""Warmed neighbours are one line, and stay parts to be watched."""

from __future__ import annotations

from collections import Counter

from tests.judge.scenes import look_at, usual_powers
from thermscan.judge.learning import learn_baseline
from thermscan.judge.weighing import Meaning


def test_what_one_culprit_warms_is_one_finding_by_each_rule():
    baseline = learn_baseline([look_at(usual_powers(), seed=i, name=f"g{i}") for i in range(3)])
    judgement = look_at(usual_powers() | {"VR1": 3.0}, name="now").judge(baseline=baseline)
    warmed = {w.comparison.ref for w in judgement.evidence.weighed if w.level and w.meaning is Meaning.RECEIVED}
    warmed -= {f.ref for f in judgement.findings if f.level == "act"}
    assert len(warmed) >= 2
    about = [f for f in judgement.findings if f.ref in warmed and f.source_ref == "VR1" and f.level == "watch"]
    assert len({f.ref for f in about}) == 1
    others = warmed - {f.ref for f in about}
    assert any(all(ref in f.text for ref in others) for f in about)
    verdicts = {p.measurement.part.ref: p for p in judgement.parts}
    assert {verdicts[ref].verdict for ref in warmed} == {"watch"}
    assert all("warmed by VR1" in (verdicts[ref].reason or "") for ref in others)
    assert max(Counter(f.rule for f in about).values()) == 1
