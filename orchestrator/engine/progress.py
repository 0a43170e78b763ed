"""What is going on, kept as plain facts for the screen: written by the run thread, read by whoever publishes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from orchestrator.engine.judge import Value
from orchestrator.engine.people import Question


def _nobody() -> None:
    """The usual listener."""


@dataclass
class Progress:
    """The run in a person's words. `changed` is called after each change and must not block.

    A duty says here what the screen's middle part shows of it, so that neither the status nor a console has to know
    the kinds of duties: `counted` is what it counts ("shot", "cycle"), `where` a place of its own making ("cycle 31417
    of 44000, mount 2"; without it the shot is named), `details` the running figures in words, `shown` a table
    `{"head": [...], "rows": [[...], ...]}` of text that stands below the interlocks instead of the shots, with "notes"
    between them and it (what was odd of late), `trend` the
    points of each result that is drawn, `{result: {"unit": ..., "points": [[number, value], ...]}}`, a few hundred at
    most: all of it goes to every screen several times a second.
    """

    changed: Callable[[], None] = _nobody
    title: str = ""
    specimen: str = ""
    part: str = ""
    shot: int = 0
    shots: int = 0
    polarity: str = ""
    doing: str = ""
    run_state: str = "drafted"
    indicator_doubt: str = ""
    until_s: float | None = None
    until_what: str = ""
    charge_v: float | None = None
    wanted_v: float | None = None
    capture: str = ""
    next_act: str = ""
    question: Question | None = None
    figures: list[dict[str, Any]] = field(default_factory=list)
    paused: bool = False
    counted: str = "shot"
    where: str = ""
    details: tuple[str, ...] = ()
    shown: dict[str, Any] | None = None
    trend: dict[str, Any] | None = None

    @property
    def is_heard(self) -> bool:
        """Whether anybody listens: what is costly to put into words may then be left out."""
        return self.changed is not _nobody

    def say(self, doing: str, **facts: Any) -> None:
        """Set the sentence and any other facts; a countdown not given again is over."""
        self.doing = doing
        self.until_s, self.until_what = None, ""
        for name, value in facts.items():
            setattr(self, name, value)
        self.changed()

    @contextmanager
    def asking(self, question: Question) -> Iterator[None]:
        """While a question is open."""
        self.question = question
        self.changed()
        try:
            yield
        finally:
            self.question = None
            self.changed()

    def now_in(self, run_state: str) -> None:
        """The run's state in the words of its table."""
        self.run_state = run_state
        self.changed()

    def doubt(self, sentence: str) -> None:
        """Why fire cannot be excluded although everything is off; empty when an indicator was seen unmarked."""
        self.indicator_doubt = sentence
        self.changed()

    def shot_done(self, figures: dict[str, Any]) -> None:
        self.figures.append(figures)
        self.changed()

    def figure(self, result: str, value: Value) -> None:
        """A result that belongs to no capture, beside those of the same shot."""
        facts = {
            "value": value.value,
            "unit": value.unit,
            "expanded_uncertainty": value.expanded_uncertainty,
            "coverage_factor": value.coverage_factor,
            **({"above": True} if value.above else {}),
        }
        self.figures.append(
            {"part": "measurement", "shot": value.shot, "valid": True, "results": {result: facts}}
        )
        self.changed()

    def to_json(self, now_s: float) -> dict[str, Any]:
        """JSON-able facts; the countdown in seconds from now."""
        left_s = None if self.until_s is None else max(0.0, self.until_s - now_s)
        return {
            "title": self.title,
            "specimen": self.specimen,
            "part": self.part,
            "shot": self.shot,
            "shots": self.shots,
            "polarity": self.polarity,
            "doing": self.doing,
            "run_state": self.run_state,
            "indicator_doubt": self.indicator_doubt,
            "countdown_s": left_s,
            "countdown_to": self.until_what,
            "charge_v": self.charge_v,
            "wanted_v": self.wanted_v,
            "capture": self.capture,
            "next": self.next_act,
            "question": None if self.question is None else self.question.to_json(),
            "figures": list(self.figures),
            "paused": self.paused,
            "counted": self.counted,
            "where": self.where,
            "details": list(self.details),
            "shown": self.shown,
            "trend": self.trend,
        }
