"""What the console knows of the bench: the newest status, what happened, the figures so far. No screen in here.

What it is told grows old: `status_at` says "not known" for a reading that is older than a second, whoever is to blame.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from orchestrator.cli.happenings import happening
from orchestrator.core.status import aged, compose

Facts = dict[str, Any]
MOST_LINES = 400
MOST_POINTS = 2000
NOT_YET = "No daemon has been heard yet"


@dataclass(frozen=True)
class Point:
    """One result of one shot of the duty."""

    shot: int
    value: float
    unit: str
    expanded_uncertainty: float | None


@dataclass
class RunPicture:
    """One run as its journal tells it: points by result, states by indicator, the newest capture."""

    run: str
    points: dict[str, list[Point]] = field(default_factory=dict)
    states: dict[str, dict[int, str]] = field(default_factory=dict)
    capture: str | None = None
    captures: int = 0
    last_n: int = 0

    def take(self, entry: Mapping[str, Any]) -> None:
        """One journal entry; one that was taken already changes nothing."""
        number = entry.get("n")
        if isinstance(number, int):
            if number <= self.last_n:
                return
            self.last_n = number
        kind = entry.get("kind")
        if kind == "figures" and entry.get("part") == "duty" and entry.get("valid"):
            for name, one in (entry.get("results") or {}).items():
                self._add(name, int(entry["shot"]), one)
        elif kind == "measurement" and entry.get("shot"):
            self._add(str(entry["result"]), int(entry["shot"]), entry)
        elif kind == "observation":
            self.states.setdefault(str(entry["indicator"]), {})[int(entry.get("shot") or 0)] = str(
                entry["state"]
            )
        elif kind == "capture":
            self.capture = str(entry["file"]).rpartition("/")[2].removesuffix(".h5")
            self.captures += 1

    def _add(self, name: str, shot: int, one: Mapping[str, Any]) -> None:
        points = self.points.setdefault(name, [])
        points.append(Point(shot, float(one["value"]), str(one["unit"]), one.get("expanded_uncertainty")))
        del points[:-MOST_POINTS]


class Known:
    """Fed by the link's messages, read by the screen, both in one thread."""

    def __init__(self) -> None:
        self.status: Facts | None = None
        self.lost: str | None = NOT_YET
        self.bench: str | None = None
        self.ended: Facts | None = None
        self.lines: deque[str] = deque(
            maxlen=MOST_LINES
        )  # one text for each thing that happened, oldest first
        self.picture = RunPicture("")
        self.requirements: list[Facts] = []
        self.journal_wanted: str | None = None

    def take(self, kind: str, content: Facts) -> None:
        """One message of the link."""
        if kind == "status":
            self._take_status(content)
        elif kind == "event":
            self._happened(content)
        elif kind == "ended":
            self.ended = content
            self._say(str(content.get("sentence")))
        elif kind == "lost":
            self.lost = str(content["sentence"])
            self.bench = content.get("bench") or self.bench

    def status_at(self, now_s: float) -> Facts:
        """The three questions now: from the newest status, or that nothing is known."""
        if self.status is None or self.lost is not None:
            lost = self.lost or NOT_YET
            facts = compose(None, {"bench": self.bench}, self.last_end, now_s, lost)
            facts["going_on"]["details"] = self._last_heard()
            return {**facts, "specimen": (self.status or {}).get("specimen")}
        return aged(self.status, now_s)

    def _last_heard(self) -> list[str]:
        """What was going on when the daemon was heard last."""
        status = self.status or {}
        if not status.get("run"):
            return []
        return [
            f"When it was last heard, run {status['run']} was in progress. {status['going_on']['sentence']}"
        ]

    @property
    def last_end(self) -> Facts | None:
        """How the last run ended, as last heard."""
        return self.ended or (self.status or {}).get("last_end")

    @property
    def run(self) -> str | None:
        """The run in progress, as last heard."""
        return (self.status or {}).get("run")

    def take_journal(self, run: str, entries: Iterable[Facts]) -> None:
        """The journal of a run that was in progress before this console was there."""
        if run == self.picture.run:
            for entry in entries:
                self._happened(entry)

    def _take_status(self, status: Facts) -> None:
        self.lost = None
        self.status = status
        self.bench = status.get("bench") or self.bench
        run = status.get("run")
        if status.get("last_end"):
            self.ended = status["last_end"]
        if run and run != self.picture.run:
            self.picture, self.requirements, self.journal_wanted = RunPicture(run), [], run

    def _happened(self, entry: Facts) -> None:
        if (
            isinstance(entry.get("n"), int)
            and entry["n"] <= self.picture.last_n
            and entry.get("kind") != "run_started"
        ):
            return
        if entry.get("kind") == "run_started" and entry.get("run") != self.picture.run:
            self.picture, self.requirements = RunPicture(str(entry.get("run"))), []
            self.journal_wanted = self.picture.run
        self.picture.take(entry)
        stamp = str(entry.get("utc", ""))[11:19]
        told = [f"{stamp}  {line}" for line in happening(entry)]
        if told:
            self._say("\n".join(told))

    def _say(self, line: str) -> None:
        self.lines.append(line.replace("\u00a0", " "))
