"""The two kinds of duty: which keys of a sequence belong to which, and a sequence's duty with all that belongs to it.

A sequence is one model for both. That the keys fit the duty is found by the loader, so that whoever holds a sequence
that was loaded may take its shots or its cycles from here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sequences.findings import Finding
from sequences.model import (
    CycleDuty,
    EachCycle,
    InvalidShot,
    Mounts,
    Sequence,
    ShotDuty,
)
from sequences.tree import Table

if TYPE_CHECKING:
    from sequences.places import Located, StandIns
    from sequences.step import Step

NEEDED: dict[type[ShotDuty | CycleDuty], tuple[str, ...]] = {
    ShotDuty: ("each_shot", "invalid_shot"),
    CycleDuty: ("mounts", "each_cycle"),
}
ALLOWED: dict[type[ShotDuty | CycleDuty], tuple[str, ...]] = {
    ShotDuty: (*NEEDED[ShotDuty], "verification"),
    CycleDuty: (*NEEDED[CycleDuty], "intermediate_measurements", "trend_limits", "attended"),
}


@dataclass(frozen=True, slots=True)
class Shots:
    """A duty of shots with all that a sequence of that kind has."""

    duty: ShotDuty
    steps: tuple[Step, ...]
    invalid: InvalidShot


@dataclass(frozen=True, slots=True)
class Cycles:
    """A duty of cycles with all that a sequence of that kind has."""

    duty: CycleDuty
    each: EachCycle
    mounts: Mounts


def shots_of(sequence: Sequence) -> Shots | None:
    """The shots of a sequence; None for a duty of cycles."""
    duty, invalid = sequence.duty, sequence.invalid_shot
    if not isinstance(duty, ShotDuty) or invalid is None:
        return None
    return Shots(duty, sequence.each_shot, invalid)


def cycles_of(sequence: Sequence) -> Cycles | None:
    """The cycles of a sequence; None for a duty of shots."""
    duty, each, mounts = sequence.duty, sequence.each_cycle, sequence.mounts
    if not isinstance(duty, CycleDuty) or each is None or mounts is None:
        return None
    return Cycles(duty, each, mounts)


def unfit_keys(located: Located, sequence: Sequence, stand_ins: StandIns) -> Iterator[Finding]:
    """Keys that this kind of duty needs and that are absent, and keys that belong to the other kind."""
    root = located.root
    if not isinstance(root, Table) or not stand_ins.known(("duty",)):
        return
    kind = type(sequence.duty)
    say = located.source.finding
    for key in NEEDED[kind]:
        if key not in root.entries and stand_ins.known((key,)):
            what = f'The key "{key}" is missing here: a duty of {kind.told_by} needs it.'
            words = str(Sequence.model_fields[key].description).partition(";")[0]
            yield say("missing-key", root.at, what, f"write {key}: ({words})")
    for key in (one for other in ALLOWED if other is not kind for one in ALLOWED[other]):
        if key in root.entries:
            other = next(one.told_by for one in ALLOWED if key in ALLOWED[one])
            what = f'"{key}" belongs to a duty of {other}, and this is a duty of {kind.told_by}.'
            advice = f"remove it, or write duty: {{{other}: ...}}"
            yield say("other-duty", located.at(key, key=True), what, advice)


def absent_keys(located: Located, sequence: Sequence, stand_ins: StandIns) -> frozenset[str]:
    """Keys that the duty needs and the file does not have: nothing is to be judged by their absence."""
    root = located.root
    entries = root.entries if isinstance(root, Table) else {}
    kinds = [type(sequence.duty)] if stand_ins.known(("duty",)) else list(NEEDED)
    return frozenset(key for kind in kinds for key in NEEDED[kind] if key not in entries)


def declared_count(sequence: Sequence) -> int:
    """The declared number of shots, or of cycles."""
    duty = sequence.duty
    return duty.shots if isinstance(duty, ShotDuty) else duty.cycles
