"""Surfaces against the limits that the layout states."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.judge.finding import Finding
from thermscan.judge.thresholds import LIMIT_COVERAGE
from thermscan.regions.measurement import PartMeasurement


def check_limits(measurements: Sequence[PartMeasurement]) -> tuple[Finding, ...]:
    """
    A finding for each part above its ``max_c``, or so near that it cannot be told.

    The hottest 3 x 3 neighbourhood is compared, not the mean: a limit holds for every place of the
    surface. Its uncertainty is that of the absolute temperature, camera accuracy included.

    Parameters
    ----------
    measurements : sequence of PartMeasurement

    Returns
    -------
    tuple of Finding
        In the order of the measurements.
    """
    findings = []
    for m in measurements:
        if m.part.max_c is None or not m.measurable or m.max_c is None or m.u_c is None:
            continue
        excess, reach = m.max_c - m.part.max_c, LIMIT_COVERAGE * m.u_c
        if excess < -reach:
            continue
        reading = f"{m.part.ref} reads {m.max_c:.1f} °C (± {reach:.1f} K at 95 %)"
        limit = f"its limit of {m.part.max_c:g} °C"
        if excess > reach:
            text = f"{reading}, {excess:.1f} K above {limit}."
        else:
            side = "above" if excess > 0 else "below"
            text = f"{reading}, {abs(excess):.1f} K {side} {limit}: whether it is exceeded cannot be told."
        findings.append(
            Finding(
                ref=m.part.ref,
                rule="limit",
                level="act" if excess > reach else "watch",
                direction="hot",
                excess_k=excess,
                u_k=m.u_c,
                score=excess / m.u_c if m.u_c > 0 else None,
                text=text,
                hypotheses=("it may draw too much, or its heatsink may be loose or missing",),
            )
        )
    return tuple(findings)
