"""Where a cell meets the fault-free run again: from there on it is the fault-free run, and is not walked.

The rule: at a wait with nothing energised, in the same place of the run, the whole state of the cell (`state.py`:
engine, monitor, plant, people, planned faults) is that of the fault-free run, at the same time or later by a whole
number of the monitor's polls. What the cell did until then is judged as ever, with the rest of the fault-free run
behind it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import Verdict
from orchestrator.rehearse.faults.points import Point, PointKind
from orchestrator.rehearse.faults.state import OF_TIMES_S, State, frames_within, state_of

if TYPE_CHECKING:
    import types

    from orchestrator.engine.run import RunEnd
    from orchestrator.rehearse.faults.harness import Harness

OUTERMOST = "run"  # of the engine: the run itself
LOOKS = frozenset({1, 2, 4, 8})
"""At which of the places that a cell passes it is looked; one that differs for good is not asked at each."""
Entry = dict[str, Any]
Place = tuple[Any, ...]


@dataclass(frozen=True)
class Meeting:
    """A wait of the fault-free run: its state, and how much of truth log and journal lay behind it."""

    at_s: float
    state: State
    truth: int
    entries: int


@dataclass
class FaultFree:
    """The fault-free run to its end, and where it can be met."""

    meetings: dict[Place, Meeting] = field(default_factory=dict)
    truth: list[Entry] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    end: RunEnd | None = None
    run_ended_s: float = 0.0
    ended_s: float = 0.0
    left_then_v: float = 0.0
    left_v: float = 0.0
    seen: dict[str, Any] = field(default_factory=dict)

    def note(self, point: Point, harness: Harness) -> None:
        """To be called at each point of the fault-free run."""
        if not _is_meeting_place(point):
            return
        frames = frames_within(OUTERMOST)
        state, place = state_of(frames, point.at_s), _place(point, frames)
        if state is not None and place not in self.meetings:
            rehearsal = harness.rehearsal
            truth, entries = len(rehearsal.virtual.plant.truth()), rehearsal.world.journal.count
            self.meetings[place] = Meeting(point.at_s, state, truth, entries)

    @cached_property
    def failed(self) -> frozenset[str]:
        """The clauses that the specimen fails with a sound bench."""
        verdicts = [e for e in self.entries if e["kind"] == "verdict"]
        return frozenset(e["clause"] for e in verdicts if e["verdict"] == Verdict.FAILS)

    def is_history(self, truth: list[Entry], entries: list[Entry], meeting: Meeting | None) -> bool:
        """Whether truth log and journal are its own, to the last byte: whatever was done has changed nothing."""
        known_truth = self.truth[: meeting.truth] if meeting else self.truth
        known_entries = self.entries[: meeting.entries] if meeting else self.entries
        same_record = (
            len(entries) == len(known_entries) and entries[-1:] == known_entries[-1:]
        )  # a chain of hashes
        return same_record and _happened(truth) == _happened(known_truth)

    def truth_after(self, meeting: Meeting, later_s: float) -> list[Entry]:
        """The rest of its truth log, so much later."""
        return [{**e, "at_s": e["at_s"] + later_s} for e in self.truth[meeting.truth :]]

    def entries_after(self, meeting: Meeting, later_s: float) -> list[Entry]:
        """The rest of its journal, so much later."""
        return [{**e, "mono_s": e["mono_s"] + later_s} for e in self.entries[meeting.entries :]]


def _happened(truth: list[Entry]) -> list[Entry]:
    """Without what the tester set."""
    return [entry for entry in truth if entry["event"] != "set"]


def _is_meeting_place(point: Point) -> bool:
    """Between energised blocks: what differs by rounding there has no voltage to act on."""
    return point.kind is PointKind.WAIT and not point.energised


def _place(point: Point, frames: list[types.FrameType]) -> Place:
    """In which shot, and at which instruction of each function."""
    return (point.part, *((frame.f_code.co_qualname, frame.f_lasti) for frame in frames))


class Lookout:
    """Looks in a cell whether it has met the fault-free run."""

    def __init__(self, fault_free: FaultFree, poll_s: float) -> None:
        self._fault_free = fault_free
        self._poll_s = poll_s
        self._passed = 0

    def met(self, point: Point) -> Meeting | None:
        """The place where it has, or None."""
        if not _is_meeting_place(point):
            return None
        frames = frames_within(OUTERMOST)
        meeting = self._fault_free.meetings.get(_place(point, frames))
        if meeting is None or not self._in_step(point.at_s - meeting.at_s):
            return None
        self._passed += 1
        if self._passed not in LOOKS:
            return None
        state = state_of(frames, point.at_s)
        same = state is not None and state.is_that_of(meeting.state, point.at_s - meeting.at_s)
        return meeting if same else None

    def _in_step(self, later_s: float) -> bool:
        """Whether the monitor polls at the same moments of the run."""
        polls = later_s / self._poll_s
        return abs(polls - round(polls)) * self._poll_s <= OF_TIMES_S
