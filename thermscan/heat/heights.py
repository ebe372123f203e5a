"""How high bodies stand, as far as view, layout and like parts tell: what they lose by their sides goes with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.registration.registration import PartHeight

# A body of which the layout tells no height: the middle of what through-hole boards carry (common practice).
USUAL_HEIGHT_MM = 3.5
# Half of the parts that may stand on sockets (4 to 5 mm) do; sinks and cans reach 16 mm and more.
SOCKET_MM, UNUSUAL_MM = 2.3, 16.0
# Of what is not known of heights that were not seen, parts alike share this: they stand on sockets together, mostly.
ALIKE_VARIANCE = 0.67
# No body with legs is flatter: a picture in which all tops lie in the board's plane does not show heights.
FLATTEST_MM = 1.0
# As measured with callipers or read off a drawing, the legs' stand-off left out.
STATED_HEIGHT_MM = 0.5
# So many parts stand far taller than usual: on a sink of which the layout says nothing those made to be screwed to one,
# processors and others; and bodies of which neither package nor like tell the height, that may be any can (judgement,
# after boards on the bench; no source).
SCREWED, PROCESSOR, ON_SINK, UNTOLD = 0.5, 0.2, 0.03, 0.3
SCREWED_PACKAGE, SCREWED_KINDS, PROCESSOR_KINDS = "TO-", ("regulator", "power transistor"), ("cpu", "processor")
# So often what was seen is something else: of 1,376 bodies seen beside four and more of their kind 8 % lay beyond two
# stated uncertainties from their middle (5 % by chance; some on sockets, some not), 0.4 % by more than 5 mm. Of 21
# sinks whose height a view told 8 were told below 10 mm, though all reach higher (48 boards of the judging trials).
SEEN_WRONGLY, SINK_UNSEEN = 0.05, 0.4
# So many of a kind that are seen tell how high it stands.
FEWEST_ALIKE = 3


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """
    How high bodies stand, in millimetres; each of shape (n,).

    Attributes
    ----------
    height_mm, u_mm : ndarray
        The likeliest, and its standard uncertainty.
    alike_mm : ndarray
        So much of that uncertainty parts alike share.
    sink : ndarray
        How probable it is that they stand on a sink that was not seen.
    """

    height_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    alike_mm: NDArray[np.float64]
    sink: NDArray[np.float64]


def standing_mm(parts: Sequence[Part], seen: Mapping[str, PartHeight]) -> Standing:
    """
    How high each body stands.

    Parameters
    ----------
    parts : sequence of Part
    seen : mapping of ref to PartHeight
        What the view tells.

    Notes
    -----
    Bodies alike in kind and size stand equally high, on sockets or not. A mixture of four cases, of which the
    likeliest and the deviation from it are told: a body stands as its like do, or taller with a sink; and its height
    was seen rightly, or something else was taken for it.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> chips = [Part(f"U{i}", 20.0, 7.0, 10.0, 10.0 * i, 0.0, Surface("plastic", 0.93, 0.02)) for i in range(5)]
    >>> seen = {"U0": PartHeight(15.0, 0.8, True)} | {f"U{i}": PartHeight(4.5, 0.8, True) for i in range(1, 5)}
    >>> standing_mm(chips, seen).height_mm.tolist()
    [4.5, 4.5, 4.5, 4.5, 4.5]
    >>> standing_mm(chips[:1], seen).height_mm.round(1).tolist()
    [15.0]
    """
    known = [seen.get(part.ref) for part in parts]
    kinds = [(part.package or part.kind, round(part.length_mm), round(part.width_mm)) for part in parts]
    alike: dict[object, list[float]] = {}
    for each, kind in zip(known, kinds, strict=True):
        if each is not None and each.seen and _shows(each):
            alike.setdefault(kind, []).append(each.height_mm)
    told = [_standing(part, each, alike.get(kind, ())) for part, each, kind in zip(parts, known, kinds, strict=True)]
    height_mm, u_mm, sink = np.array(told, dtype=np.float64).reshape(-1, 3).T
    unseen = np.array([each is None or not each.seen for each in known]) & np.array(
        [part.height_mm is None for part in parts]
    )
    alike_mm = np.where(unseen, np.sqrt(ALIKE_VARIANCE) * np.minimum(u_mm, SOCKET_MM), 0.0)
    return Standing(height_mm, u_mm, alike_mm, sink)


def _shows(seen: PartHeight) -> bool:
    return seen.height_mm + 2.0 * seen.u_mm >= FLATTEST_MM


def _standing(part: Part, seen: PartHeight | None, alike_mm: Sequence[float]) -> tuple[float, float, float]:
    """Likeliest height, its standard uncertainty, and how probable a sink is that was not seen."""
    if part.height_mm is not None:
        return part.height_mm, STATED_HEIGHT_MM, 0.0
    told = len(alike_mm) >= FEWEST_ALIKE
    usual_mm = float(np.median(alike_mm)) if told else (part.usual_height_mm or USUAL_HEIGHT_MM) + SOCKET_MM
    known = told or part.usual_height_mm is not None
    sink, unseen = _on_sink(part)
    high = sink if known else max(sink, UNTOLD)
    plain, tall = (usual_mm, SOCKET_MM), (usual_mm + np.sqrt(2.0 / np.pi) * UNUSUAL_MM, 0.6 * UNUSUAL_MM)
    if seen is None or not _shows(seen):
        cases = [(1.0 - high, *plain), (high, *tall)]
    else:
        as_usual, as_any = (_density(seen, usual_mm, spread_mm) for spread_mm in (SOCKET_MM, UNUSUAL_MM))
        cases = [
            ((1.0 - high) * (1.0 - SEEN_WRONGLY) * as_usual, *_both(seen, *plain)),
            ((1.0 - high) * SEEN_WRONGLY * as_any, *plain),
            (high * (1.0 - unseen) * as_any, *_both(seen, usual_mm, UNUSUAL_MM)),
            (high * unseen * as_usual, *tall),
        ]
    weight, mean_mm, sd_mm = np.array(cases).T
    weight = weight / weight.sum()
    height_mm = float(mean_mm[np.argmax(weight)])
    lower = mean_mm <= height_mm
    u_mm = float(np.sqrt(weight[lower] @ (sd_mm**2 + (mean_mm - height_mm) ** 2)[lower]))
    # A package is at least as thick as it is, whatever is seen.
    return max(height_mm, part.usual_height_mm or 0.0), u_mm, float(weight[-1]) * sink / high


def _on_sink(part: Part) -> tuple[float, float]:
    """How probable it is that a part stands on a sink; and that it is not seen then."""
    kind = (part.kind or "").lower()
    if (part.package or "").upper().startswith(SCREWED_PACKAGE) or any(word in kind for word in SCREWED_KINDS):
        return SCREWED, SINK_UNSEEN
    if any(word in kind for word in PROCESSOR_KINDS):
        return PROCESSOR, SINK_UNSEEN
    return ON_SINK, SEEN_WRONGLY


def _density(seen: PartHeight, mean_mm: float, spread_mm: float) -> float:
    """Normal density of what was seen, but for a factor that all cases share."""
    sd_mm = float(np.hypot(spread_mm, seen.u_mm))
    return float(np.exp(-0.5 * ((seen.height_mm - mean_mm) / sd_mm) ** 2) / sd_mm) + 1e-300


def _both(seen: PartHeight, mean_mm: float, spread_mm: float) -> tuple[float, float]:
    """What was seen weighed against what is held before."""
    weight = spread_mm**2 / (spread_mm**2 + seen.u_mm**2)
    return mean_mm + weight * (seen.height_mm - mean_mm), float(np.sqrt(weight)) * seen.u_mm
