"""What known-good runs let expect of each part, and how much good looks differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.board_wide import fit_board_wide
from thermscan.judge.comparison import look_u_k, specimen_u_k
from thermscan.judge.spread import shrunk_scales
from thermscan.regions.measurement import PartMeasurement

# Fewer parts in common with the known-good runs cannot be brought to one level with them.
FEWEST_IN_COMMON = 3


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """
    What the baseline lets expect of each part, before shift and scale.

    ``specimens``: how many others than the board judged the runs show at least; None: they are of that very one.
    ``seen_sd_k``: how much the runs differ themselves, NaN for fewer than two; ``sd_k`` weighs the expectation in.
    ``steady_k``: so much of ``sd_k`` does not grow with the rise.
    ``scale_sd``: by which share all rises together differ from one further good run to the mean of these;
    ``runs_scale``: how the runs' rises are to ``mean_k``, which grows steeper than any of them where both err.
    """

    refs: tuple[str, ...]
    mean_k: NDArray[np.float64]
    sd_k: NDArray[np.float64]
    runs: NDArray[np.intp]
    degrees: float
    seen_sd_k: NDArray[np.float64]
    steady_k: float
    specimens: int | None = None
    scale_sd: float = 0.0
    runs_scale: float = 1.0


def expect_from(
    baseline: Baseline,
    *,
    same_serial: bool = True,
    own_shares: Mapping[str, float] | None = None,
    specimen_k: Mapping[str, float] | None = None,
) -> Expected:
    """
    Each part's usual rise and how much it differs from run to run.

    Parameters
    ----------
    baseline : Baseline
    same_serial : bool
        Whether the runs and the board judged are one specimen: specimens differ more than looks.
    own_shares : mapping of ref to float, optional
        How much of each part's rise is its own heat, 0 to 1: the rest, from many neighbours, varies less.
    specimen_k : mapping of ref to float, optional
        What a part's own emissivity adds between specimens.

    Returns
    -------
    Expected

    Notes
    -----
    The runs are brought to a common level first, each by its own shift and scale. The spread is expected
    as a share of the rise; the runs together say how far that is off, and the more runs there are the more
    a part's own scatter counts. What measuring adds to the runs' scatter is taken out of it.
    """
    refs = tuple(sorted({ref for run in baseline.runs for ref in run.rise_k}))
    table = np.array([[run.rise_k.get(ref, np.nan) for ref in refs] for run in baseline.runs]).reshape(-1, len(refs))
    levelled, scales = _levelled(table)
    runs = np.isfinite(levelled).sum(axis=0)
    mean = np.nansum(levelled, axis=0) / np.maximum(runs, 1)
    share = thresholds.REPEAT_SHARE if same_serial else thresholds.PEER_SHARE
    own = np.clip([(own_shares or {}).get(ref, 1.0) for ref in refs], 0.0, 1.0)
    varies = own + thresholds.RECEIVED_VARIES * (1.0 - own)
    grown = share * mean * varies
    scatter = np.nansum((levelled - mean) ** 2, axis=0)
    many = runs > 1
    # Runs without a serial may all be of one specimen, whose emissivities are wrong by the same in each.
    specimens = None if same_serial else max(len({run.board_serial for run in baseline.runs if run.board_serial}), 1)
    noise = np.array([[run.u_k.get(ref, 0.0) for ref in refs] for run in baseline.runs]).reshape(-1, len(refs))
    if specimens is not None and specimens > 1:
        noise = np.hypot(noise, [(specimen_k or {}).get(ref, 0.0) for ref in refs])
    # Deviations from a mean of n are smaller than from the truth.
    smaller = np.sqrt(np.maximum(1 - 1 / np.maximum(runs, 1), 1e-9))
    known = np.isfinite(levelled) & many
    # Most of what measuring adds is the sensor's unevenness.
    told = shrunk_scales(
        ((levelled - mean) / smaller)[known],
        np.broadcast_to(grown, levelled.shape)[known],
        noise=0.0,
        steady=np.hypot(noise[known], thresholds.REPEAT_FLOOR_K),
        degrees=thresholds.EXPECTATION_DEGREES,
        bounds=factor_bounds(share),
    )
    weight = min(told.degrees, 2 * thresholds.EXPECTATION_DEGREES)
    further = np.maximum(runs - 1, 0)
    measured = (told.steady**2) * np.mean(noise**2, axis=0)
    natural = np.maximum(scatter - np.where(many, further * measured, 0.0), 0.0)
    steady_k = told.steady * thresholds.REPEAT_FLOOR_K
    variance = (weight * ((told.nature * grown) ** 2 + steady_k**2) + natural) / (weight + further)
    floor = np.hypot(thresholds.REPEAT_SHARE_BOUNDS[0] * mean * varies, 0.5 * thresholds.REPEAT_FLOOR_K)
    seen = np.sqrt(np.where(many, scatter / np.maximum(further, 1), np.nan))
    sd = np.maximum(np.sqrt(variance), floor)
    scale = float(scales.mean())
    return Expected(refs, mean, sd, runs, told.degrees, seen, steady_k, specimens, _scale_sd(scales), scale)


def comparison_u_k(common: Sequence[PartMeasurement], expected: Expected) -> NDArray[np.float64]:
    """
    Standard uncertainty of each part's reading against the baseline's, without the runs' own noise.

    A part's own emissivity cancels only where both are one specimen.
    """
    looks = np.array([look_u_k(m) for m in common])
    if expected.specimens is None:
        return looks
    own = np.array([specimen_u_k(m) for m in common]) * np.sqrt(1 + 1 / expected.specimens)
    result: NDArray[np.float64] = np.hypot(looks, own)
    return result


def common_parts(
    measurements: Sequence[PartMeasurement], expected: Expected
) -> tuple[tuple[PartMeasurement, ...], NDArray[np.intp]]:
    """Measurable parts that the baseline knows, and their places in ``expected``."""
    place = {ref: i for i, ref in enumerate(expected.refs)}
    both = [m for m in measurements if m.measurable and m.rise_k is not None and m.part.ref in place]
    return tuple(both), np.array([place[m.part.ref] for m in both], dtype=np.intp)


def factor_bounds(share: float) -> tuple[float, float]:
    """Bounds of the factor on a spread that is expected as this share of the rise."""
    low, high = thresholds.REPEAT_SHARE_BOUNDS
    return low / share, high / share


def _scale_sd(scales: NDArray[np.float64]) -> float:
    """
    By which share one further good run differs from the mean of these, all rises together.

    Expectation and what the runs show, weighed; one look differs from the mean of n by sqrt(1 + 1/n) of it.
    """
    n = len(scales)
    known = thresholds.SCALE_DEGREES * thresholds.SCALE_USUAL_SD**2 + float(np.sum((scales - scales.mean()) ** 2))
    return float(np.sqrt(known / (thresholds.SCALE_DEGREES + n - 1) * (1 + 1 / n)))


def _levelled(table: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The runs, each brought to the mean of all by its own shift and scale; and the scales."""
    levelled, scales = table.copy(), np.ones(len(table))
    for _ in range(3 if len(table) > 1 else 0):
        counts = np.isfinite(levelled).sum(axis=0)
        mean = np.nansum(levelled, axis=0) / np.maximum(counts, 1)
        for i, row in enumerate(table):
            both = np.isfinite(row) & (counts > 1)
            if both.sum() < FEWEST_IN_COMMON:
                continue
            sd = np.hypot(thresholds.REPEAT_SHARE * mean[both], thresholds.REPEAT_FLOOR_K)
            fit = fit_board_wide(row[both], mean[both], sd)
            scales[i] = max(fit.scale, 0.2)
            levelled[i] = (row - fit.shift_k) / scales[i]
    return levelled, scales
