"""What a step is given: the world (clock, store, links behind the bench), the monitor, people, and the run's facts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.engine.course import Course
from orchestrator.engine.gathered import Gathered
from orchestrator.engine.pace import Clock, Pace
from orchestrator.engine.people import Answer, People, Question, ask
from orchestrator.engine.stop import Stop

if TYPE_CHECKING:
    from orchestrator.engine.arming import Arming
    from orchestrator.engine.bench import OpenBench
    from orchestrator.engine.duties import DutyRun
    from orchestrator.engine.progress import Progress
    from orchestrator.engine.shot import Shot
    from orchestrator.monitor.port import MonitorPort
    from orchestrator.record.journal import Journal
    from orchestrator.record.store import Store
    from sequences.model import Sequence


# What a question asks a person to do, for the sentence that says who refused it.
_ACTS = {
    "observe": "judge the indicator",
    "hold": "release the hold point",
    "witness": "say that the witness is ready",
}


@dataclass
class Context:
    """All that a step may use; there is one per run."""

    clock: Clock
    pace: Pace
    stop: Stop
    store: Store
    journal: Journal
    monitor: MonitorPort
    people: People
    bench: OpenBench
    sequence: Sequence
    progress: Progress
    specimen: str
    course: Course
    indicator_lot: str | None = None
    questions_asked: int = 0
    gathered: Gathered = field(default_factory=Gathered)
    arming: Arming = field(init=False)
    duty: DutyRun = field(init=False)
    charged: Shot | None = None

    def ask(
        self, kind: str, text: str, heard: Callable[[Answer], None] = lambda answer: None, **more: Any
    ) -> Answer:
        """Ask a person, journal question and answer. A person's "no" stops the run as an abort.

        `heard` is told the answer before it is written: what a person saw must not be lost with the disk.
        """
        self.questions_asked += 1
        question = Question(self.questions_asked, kind, text, **more)
        self.journal.append("asked", **question.to_json())
        with self.progress.asking(question):
            answer = ask(self.people, question, self.pace, heard)
        self.journal.append("answered", question=question.number, ask=kind, **answer.to_json())
        if not answer.yes:
            what = f"{answer.by.name} said no when asked to {_ACTS.get(kind, kind)}"
            self.stop.because(Reason.ABORT_BY_PERSON, what, answer.by.name)
            self.stop.check()
        return answer

    def pause_point(self) -> None:
        """Between two shots: hold here while a person has paused the run."""
        if self.stop.pause_asked_by is None:
            return
        who = self.stop.pause_asked_by
        self.arming.let_in()
        self.course.go("hold")
        self.journal.append("paused", by=who)
        self.progress.say(f"paused by {who}", paused=True)
        self.pace.wait_for(lambda: self.stop.pause_asked_by is None, math.inf)
        resumed_by = self.stop.resumed_by
        self.course.go("go_on")
        in_spite_of, self.stop.resumed_in_spite_of = self.stop.resumed_in_spite_of, None
        if in_spite_of is not None:
            self.journal.append("override", what="calibration", **in_spite_of)
        self.journal.append("resumed", by=resumed_by)
        self.progress.say(f"resumed by {resumed_by}", paused=False)

    @contextmanager
    def saving(self) -> Iterator[None]:
        """For what already happened and must be kept whatever stops the run: a stop waits until it is saved."""
        with self.stop.shielded():
            yield
