"""Which points are tried: repeated shots and repeated looks are collapsed, and it is said what was."""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from orchestrator.rehearse.faults.kinds import cells
from orchestrator.rehearse.faults.points import Point, PointKind

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.trace import Trace

PAIR_EVERY = 8
ENDS_THE_ENGINE = ("engine_killed", "engine_frozen", "power_cut")  # after it no point comes for a second one


@dataclass(frozen=True)
class Selection:
    """The numbers of the points to be tried, how many were left out for which reason, and the seeded pairs.

    `pairs` gives for some points two faults, the second on the way to safe of the first.
    """

    numbers: frozenset[int]
    collapsed: dict[str, int]
    pairs: dict[int, str]

    def wants(self, point: Point) -> bool:
        return point.number in self.numbers


def select(trace: Trace, seed: int) -> Selection:
    """First, second, last and one seeded of each series of shots or cycles; first, second and last look of each wait.

    Of cycles those before and after an intermediate measurement are tried as well.
    """
    applied = trace.bench.applied
    tried = "first, second, last" + (", those around a measurement" if trace.measured_after else "")
    left_shots = _repeated_shots(trace, seed)
    left_looks = _repeated_looks(trace)
    numbers = {p.number for p in trace.points} - left_shots - left_looks
    collapsed = {
        f"repeated {applied} ({tried} and one seeded are tried)": len(left_shots),
        "repeated looks within one wait (first, second and last are tried)": len(left_looks - left_shots),
    }
    return Selection(frozenset(numbers), collapsed, _pairs(trace, sorted(numbers), seed))


def _pairs(trace: Trace, numbers: list[int], seed: int) -> dict[int, str]:
    """At one in PAIR_EVERY points with energy: one of its faults, and a second that may come at any moment."""
    chance = random.Random(seed)
    energised = [n for n in numbers if trace.points[n].energised]
    chosen = sorted(chance.sample(energised, len(energised) // PAIR_EVERY))
    pairs = {}
    for number in chosen:
        tried, _ = cells(trace.points[number], trace)
        firsts = [fault.name for fault in tried if fault.name not in ENDS_THE_ENGINE]
        if firsts:
            first = chance.choice(firsts)
            pairs[number] = (
                f"{first}+{chance.choice([second for second in trace.bench.seconds if second != first])}"
            )
    return pairs


def _repeated_shots(trace: Trace, seed: int) -> set[int]:
    series: dict[str, set[int]] = defaultdict(set)
    for point in trace.points:
        name, shot = _shot(point)
        if name:
            series[name].add(shot)
    around = {cycle + place for cycle in trace.measured_after for place in (0, 1)}
    kept = {name: _kept_shots(sorted(shots), around, seed) for name, shots in series.items()}
    return {p.number for p in trace.points if _shot(p)[0] and _shot(p)[1] not in kept[_shot(p)[0]]}


def _shot(point: Point) -> tuple[str, int]:
    name, _, shot = point.part.rpartition(" ")
    return (name, int(shot)) if name and shot.isdecimal() else ("", 0)


def _kept_shots(shots: list[int], around: set[int], seed: int) -> set[int]:
    between = [shot for shot in shots[2:-1] if shot not in around]
    chosen = [random.Random(seed).choice(between)] if between else []
    return {*shots[:2], *shots[-1:], *chosen} | around


def _repeated_looks(trace: Trace) -> set[int]:
    """Equal messages to one device within one wait, but for the first two and the last."""
    waits = 0
    looks: dict[tuple[int, str, bytes], list[int]] = defaultdict(list)
    for point in trace.points:
        waits += point.kind is PointKind.WAIT
        if point.kind is PointKind.EXCHANGE:
            # Behind the transaction number and, for the watchdog, before its counter: what is asked.
            asked = point.message[7:10] if point.where == "safety_io" else point.message
            looks[waits, point.where, asked].append(point.number)
    return {number for numbers in looks.values() for number in numbers[2:-1]}
