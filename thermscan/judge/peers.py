"""Parts that should run alike, compared with one another on their own heat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.split import HeatSplit
from thermscan.judge import thresholds
from thermscan.judge.comparison import Comparison, alike_u_k, contrasts_u_k
from thermscan.judge.holding_back import held_back
from thermscan.judge.places import place_sd_k, place_share
from thermscan.judge.spread import Scales, robust_spread, shrunk_scales
from thermscan.layout.board import Board, Part
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import sensor_u_k, with_sensor

# Two parts cannot tell which of them is wrong.
FEWEST_PEERS = 3
# A peer that lies this many standard deviations off is not used as a yardstick for the others.
YARDSTICK_LIMIT = 3.5
# Two halves this many expected deviations apart are two camps.
DIVIDING_GAP = 3.0


@dataclass(frozen=True, slots=True)
class PeerGroup:
    """Parts that should run alike; ``proposed`` where the layout does not say so itself."""

    name: str
    refs: tuple[str, ...]
    proposed: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """What is compared, for the members of one group in order."""

    members: tuple[PartMeasurement, ...]
    own_k: NDArray[np.float64]
    rise_k: NDArray[np.float64]
    level_k: float
    grown_k: float
    steady_k: float
    place_k: float
    u_k: NDArray[np.float64]

    @property
    def expected_sd_k(self) -> float:
        """Between good peers: what grows with their heat, and what does not."""
        return float(np.hypot(self.grown_k, self.steady_k))


def peer_groups(parts: Sequence[Part]) -> tuple[PeerGroup, ...]:
    """
    The groups that the layout declares, then those proposed from kind, package and value.

    Parameters
    ----------
    parts : sequence of Part
        In any order; the groups come in the order of their names.

    Returns
    -------
    tuple of PeerGroup
        Groups of fewer than three parts are left out.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> plastic = Surface("plastic", 0.93, 0.02)
    >>> parts = [Part(f"U{i}", 20, 7, 10, 10 * i, 0, plastic, group="sram") for i in (1, 2, 3)]
    >>> peer_groups(parts)
    (PeerGroup(name='sram', refs=('U1', 'U2', 'U3'), proposed=False),)
    """
    declared: dict[str, list[str]] = {}
    alike: dict[str, list[str]] = {}
    for part in parts:
        if part.group:
            declared.setdefault(part.group, []).append(part.ref)
        elif part.kind and (part.package or part.value):
            label = " ".join(word for word in (part.kind, part.package, part.value) if word)
            alike.setdefault(label, []).append(part.ref)
    groups = [PeerGroup(name, tuple(sorted(refs)), False) for name, refs in sorted(declared.items())]
    groups += [PeerGroup(name, tuple(sorted(refs)), True) for name, refs in sorted(alike.items())]
    return tuple(group for group in groups if len(group.refs) >= FEWEST_PEERS)


def compare_peers(
    measurements: Sequence[PartMeasurement], board: Board, split: HeatSplit | None
) -> tuple[Comparison, ...]:
    """
    Every measurable part of every group against its peers.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    board : Board
    split : HeatSplit or None
        None: temperatures alone are compared, and a part near a hotter one can at most be watched.

    Returns
    -------
    tuple of Comparison

    Notes
    -----
    Leave one out: a part is no yardstick for itself. Peers that lie far off are not used as yardsticks
    either, one after the other, as long as more than half of the group remains; where more would have to
    go, the group is divided and nobody in it is accused. The spread between good peers is expected as a
    share of their own heat, and the expectation gives way to what all groups and the group itself show.

    References
    ----------
    .. [1] G. J. Hahn and W. Q. Meeker, Statistical Intervals, Wiley 1991, section 4.7 (prediction of one
       further value: t sqrt(1 + 1/n)).
    """
    told = _pooled_scales([readings for group, readings in _groups(measurements, split) if not group.proposed])
    index = {part.ref: i for i, part in enumerate(board.parts)}
    coolest_k = min((float(m.rise_k) for m in measurements if m.measurable and m.rise_k is not None), default=0.0)
    comparisons: list[Comparison] = []
    for group, readings in _groups(measurements, split, told):
        degrees = thresholds.EXPECTATION_DEGREES if group.proposed else told.degrees
        comparisons += _compare_group(
            group, readings, tuple(measurements), degrees=degrees, split=split, index=index, coolest_k=coolest_k
        )
    return tuple(comparisons)


# Before anything is known of this board.
_UNTOLD = Scales(1.0, 1.0, thresholds.EXPECTATION_DEGREES)


def _groups(
    measurements: Sequence[PartMeasurement], split: HeatSplit | None, told: Scales = _UNTOLD
) -> list[tuple[PeerGroup, _Readings]]:
    by_ref = {m.part.ref: m for m in measurements if m.measurable and m.rise_k is not None}
    found: list[tuple[PeerGroup, _Readings]] = []
    for group in peer_groups([m.part for m in measurements]):
        members = tuple(with_sensor(by_ref[ref], told.steady) for ref in group.refs if ref in by_ref)
        if len(members) >= FEWEST_PEERS:
            found.append((group, _readings(members, split, told, proposed=group.proposed)))
    return found


def _readings(
    members: tuple[PartMeasurement, ...], split: HeatSplit | None, told: Scales, *, proposed: bool
) -> _Readings:
    rise = np.array([float(m.rise_k or 0.0) for m in members])
    own = rise.copy()
    if split is not None:
        heats = [split.of(m.part.ref) for m in members]
        known = [heat for heat in heats if heat is not None]
        received = np.array([heat.received_k for heat in known])
        # Heat at a board's edge has fewer ways out: the same watts make more kelvin there.
        response = np.array([heat.self_response for heat in known])
        at_edge = np.array([heat.own_board_k for heat in known]) * (
            1.0 - np.median(response) / np.maximum(response, 1e-12)
        )
        own = rise - received - split.constant_k - at_edge
    level = max(float(np.median(own)), 0.0)
    # Nothing is known of groups that nobody declared: their own expectation stands.
    share = thresholds.PROPOSED_SHARE if proposed else told.nature * thresholds.PEER_SHARE
    place_k = place_share(split) * level
    places = [place_sd_k(m.part, [other.part for other in members if other is not m], place_k) for m in members]
    u_k = np.array([float(np.hypot(alike_u_k(m), place)) for m, place in zip(members, places, strict=True)])
    return _Readings(members, own, rise, level, share * level, told.steady * thresholds.PEER_FLOOR_K, place_k, u_k)


def _pooled_scales(readings: Sequence[_Readings]) -> Scales:
    """How far the spread of all groups together is from what is expected."""
    deviations: list[float] = []
    expected: list[float] = []
    noise: list[float] = []
    steady: list[float] = []
    for group in readings:
        n = len(group.own_k)
        # Deviations from the middle of n are smaller than from the truth.
        deviations += ((group.own_k - np.median(group.own_k)) / np.sqrt(1.0 - 1.0 / n)).tolist()
        expected += [group.grown_k] * n
        sensor = np.array([sensor_u_k(m) for m in group.members])
        noise += np.sqrt(np.maximum(group.u_k**2 - sensor**2, 0.0)).tolist()
        steady += np.hypot(sensor, group.steady_k).tolist()
    low, high = (bound / thresholds.PEER_SHARE for bound in thresholds.PEER_SHARE_BOUNDS)
    degrees = thresholds.EXPECTATION_DEGREES
    return shrunk_scales(deviations, expected, noise=noise, steady=steady, degrees=degrees, bounds=(low, high))


def _compare_group(
    group: PeerGroup,
    readings: _Readings,
    everyone: tuple[PartMeasurement, ...],
    *,
    degrees: float,
    split: HeatSplit | None,
    index: Mapping[str, int],
    coolest_k: float,
) -> list[Comparison]:
    yardsticks, divided = _yardsticks(readings, degrees)
    contrasts = _contrasts(len(readings.members), yardsticks)
    u_k = np.hypot(contrasts_u_k(readings.members, contrasts), _received_u_k(readings, contrasts, split, index))
    found = []
    for i, member in enumerate(readings.members):
        peers = [j for j in yardsticks if j != i]
        spread, behind = _spread(readings, [] if divided else peers, degrees)
        others = [readings.members[j] for j in peers]
        excess_k = float(readings.own_k[i] - readings.own_k[peers].mean())
        found.append(
            Comparison(
                ref=member.part.ref,
                rule="peer",
                excess_k=excess_k,
                u_k=float(u_k[i]),
                spread_k=spread * float(np.sqrt(1.0 + 1.0 / len(peers))),
                degrees=behind,
                place_k=place_sd_k(member.part, [other.part for other in others], readings.place_k),
                temp_excess_k=float(readings.rise_k[i] - readings.rise_k[peers].mean()),
                expected_k=float(readings.rise_k[peers].mean()),
                own_expected_k=float(readings.own_k[peers].mean()),
                count=len(peers),
                against=f"{len(peers)} peers of its group {group.name}"
                if not group.proposed
                else f"{len(peers)} parts alike ({group.name})",
                at_most_watch=held_back(
                    member, everyone, excess_k=excess_k, divided=divided, proposed=group.proposed, split=split
                ),
                refs=tuple(other.part.ref for other in others),
                shared_k=coolest_k,
            )
        )
    return found


def _contrasts(count: int, yardsticks: Sequence[int]) -> NDArray[np.float64]:
    """Each member less the mean of its peers; shape (members, members)."""
    contrasts = np.eye(count)
    for i in range(count):
        peers = [j for j in yardsticks if j != i]
        contrasts[i, peers] = -1.0 / len(peers)
    return contrasts


def _received_u_k(
    readings: _Readings, contrasts: NDArray[np.float64], split: HeatSplit | None, index: Mapping[str, int]
) -> NDArray[np.float64]:
    """Standard uncertainty of what each member receives less the mean of its peers, all members in one product."""
    if split is None:
        return np.zeros(len(contrasts))
    of_all = np.zeros((len(contrasts), len(split.parts)))
    of_all[:, [index[member.part.ref] for member in readings.members]] = contrasts
    return split.contrasts_u_k(of_all)


def _yardsticks(readings: _Readings, degrees: float) -> tuple[list[int], bool]:
    """Members that serve as yardsticks, and whether the group is divided."""
    kept = list(range(len(readings.own_k)))
    if _two_halves(readings):
        return kept, True
    while True:
        scores = []
        for i in kept:
            peers = [j for j in kept if j != i]
            centre = float(np.median(readings.own_k[peers]))
            spread, _ = _spread(readings, peers, degrees)
            known_k = np.hypot(spread * np.sqrt(1 + 1 / len(peers)), readings.u_k[i])
            scores.append(abs(readings.own_k[i] - centre) / known_k)
        worst = int(np.argmax(scores))
        if scores[worst] <= YARDSTICK_LIMIT:
            return kept, False
        if 2 * (len(kept) - 1) <= len(readings.own_k):
            return kept, True
        kept.pop(worst)


def _two_halves(readings: _Readings) -> bool:
    """Whether one half of the group lies as far above the other as no natural spread would."""
    n = len(readings.own_k)
    if n % 2:
        return False
    low, high = np.split(np.sort(readings.own_k), 2)
    gap, within = float(high[0] - low[-1]), float(max(np.ptp(low), np.ptp(high)))
    least = max(thresholds.ACT_LEAST_K, DIVIDING_GAP * readings.expected_sd_k)
    return gap > least and gap > 2 * within


def _spread(readings: _Readings, peers: Sequence[int], degrees: float) -> tuple[float, float]:
    """Standard deviation between good peers: the pooled expectation weighed with what these peers show."""
    # Each kind of part has a spread of its own: all groups together tell no more of it than the expectation does.
    weight = min(degrees, thresholds.EXPECTATION_DEGREES)
    own = max(len(peers) - 1, 0)
    # What the peers show holds the noise of reading them and their places' share, which are counted on their own.
    noise = float(np.mean(readings.u_k[list(peers)] ** 2)) if len(peers) > 0 else 0.0
    seen = max(robust_spread(readings.own_k[list(peers)]) ** 2 - noise, 0.0)
    variance = (weight * readings.expected_sd_k**2 + own * seen) / (weight + own)
    low = thresholds.PEER_SHARE_BOUNDS[0] * readings.level_k
    return max(float(np.sqrt(variance)), low), min(degrees, 2 * thresholds.EXPECTATION_DEGREES) + own
