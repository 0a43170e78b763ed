"""What a journal says, put in the order in which people ask for it. The sheet, the report, the exports and the
index all read this, so that they cannot disagree."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from orchestrator.core.outcome import Outcome, in_words
from orchestrator.record import wording
from orchestrator.record.cycles import Cycles, cycles_of
from orchestrator.record.reader import is_rehearsal

Entry = Mapping[str, Any]
PARTS = ("open circuit", "short circuit", "duty")


@dataclass(frozen=True)
class Figure:
    """One figure of a shot or one measured value, with its uncertainty as the record has it."""

    name: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    definition: str = ""
    above: bool = False

    @classmethod
    def of(cls, name: str, facts: Entry) -> "Figure":
        return cls(
            name,
            facts.get("value"),
            str(facts.get("unit") or ""),
            facts.get("expanded_uncertainty"),
            facts.get("coverage_factor"),
            str(facts.get("definition") or ""),
            bool(facts.get("above")),
        )


@dataclass
class Shot:
    """One application of energy and all that belongs to it.

    `interval_s` is the time since the trigger before it in the same run, by the monotonic clock; `state` is what
    the indicator showed after it. `applied` without figures means that the run ended in between.
    """

    part: str
    shot: int
    repeat: int = 0
    triggered_utc: str | None = None
    triggered_s: float | None = None
    interval_s: float | None = None
    polarity: str | None = None
    charged_v: float | None = None
    wanted_v: float | None = None
    method: str | None = None
    valid: bool | None = None
    why: str | None = None
    figures: list[Figure] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    file: str | None = None
    sha256: str | None = None
    measurements: list[Figure] = field(default_factory=list)
    state: str | None = None

    @property
    def name(self) -> str:
        """The shot as people call it."""
        return f"shot {self.shot}" + (f", repeat {self.repeat}" if self.repeat else "")

    def figure(self, name: str) -> Figure | None:
        """A figure or measured value by name."""
        return next((f for f in (*self.figures, *self.measurements) if f.name == name), None)


@dataclass(frozen=True)
class Summary:
    """One run. Entries are kept as the journal has them where nothing has to be put together."""

    entries: list[dict[str, Any]]
    shots: list[Shot]
    other_measurements: list[tuple[Figure, str]]

    def of(self, kind: str) -> list[dict[str, Any]]:
        """All entries of a kind."""
        return list(self._by_kind.get(kind, ()))

    @cached_property
    def _by_kind(self) -> dict[str, list[dict[str, Any]]]:
        found: dict[str, list[dict[str, Any]]] = {}
        for entry in self.entries:
            found.setdefault(str(entry.get("kind")), []).append(entry)
        return found

    def part(self, part: str) -> list[Shot]:
        """The shots of one part, in the order they were made."""
        return [shot for shot in self.shots if shot.part == part]

    @cached_property
    def cycles(self) -> Cycles | None:
        """The cyclic duty, where the run has one."""
        return cycles_of(self.entries)

    @cached_property
    def moves(self) -> bool:
        """Whether something on the bench moves by itself: an axis was set up, which comes before any motion."""
        axis = any("lowest_mm" in (one.get("wanted") or {}) for one in self.of("settings"))
        return axis or self.cycles is not None

    @property
    def cautions(self) -> tuple[str, ...]:
        """What whoever touches the specimen or the bench of this run must know."""
        return (*wording.CAUTIONS, wording.CAUTION_MOVES) if self.moves else wording.CAUTIONS

    @property
    def tells_verification(self) -> bool:
        """Whether a verification of the bench, or that there was none, belongs to the record; cycles have none."""
        return not self.moves or bool(self.of("verification"))

    @property
    def started(self) -> dict[str, Any]:
        """The entry that opened the run."""
        return next(iter(self.of("run_started")), {})

    @property
    def ended(self) -> dict[str, Any]:
        """The entry that ended it; empty where it was interrupted."""
        return next(reversed(self._by_kind.get("run_ended", [])), {})

    @property
    def rehearsal(self) -> bool:
        """Whether it was rehearsed."""
        return is_rehearsal(self.entries)

    @property
    def outcome(self) -> str:
        """The outcome's token; `none` while there is none."""
        return str(self.ended.get("outcome") or Outcome.NONE.value)

    @property
    def outcome_words(self) -> str:
        """The outcome as people read it."""
        if not self.ended:
            return "run not valid: interrupted, its end is not recorded"
        return in_words(Outcome(self.outcome), str(self.ended.get("sentence") or "no reason recorded"))

    @property
    def verdicts(self) -> list[dict[str, Any]]:
        """The verdict rows."""
        return self.of("verdict")

    @property
    def overall(self) -> str:
        """All verdicts in one token for a list: F if any, else N/J if any or none given, else P."""
        given = {str(row.get("verdict")) for row in self.verdicts}
        if "F" in given:
            return "F"
        return "P" if given and "N/J" not in given else "N/J"


def summarise(entries: Iterable[Entry]) -> Summary:
    """Put a journal together. Tolerates one that ends anywhere."""
    kept = [entry if isinstance(entry, dict) else dict(entry) for entry in entries]
    gathering = _Gathering()
    for entry in kept:
        take = _TAKES.get(str(entry.get("kind")))
        if take is not None:
            take(gathering, entry)
    return Summary(kept, gathering.shots, gathering.other)


@dataclass
class _Gathering:
    shots: list[Shot] = field(default_factory=list)
    other: list[tuple[Figure, str]] = field(default_factory=list)
    charged: dict[str, Any] = field(default_factory=dict)
    before_s: float | None = None

    def shot(self, entry: Entry) -> Shot:
        """The shot that an entry speaks of, begun if this is the first word of it."""
        key = (str(entry.get("part") or "duty"), int(entry.get("shot") or 0), int(entry.get("repeat") or 0))
        for shot in reversed(self.shots):
            if (shot.part, shot.shot, shot.repeat) == key:
                return shot
        self.shots.append(Shot(*key))
        return self.shots[-1]

    def last_of(self, number: Any) -> Shot | None:
        """The latest shot of the duty with this number."""
        return next((s for s in reversed(self.shots) if s.part == "duty" and s.shot == number), None)

    def take_charged(self, entry: Entry) -> None:
        self.charged = dict(entry)

    def take_triggered(self, entry: Entry) -> None:
        shot = self.shot(entry)
        shot.triggered_utc, shot.triggered_s = entry.get("utc"), entry.get("mono_s")
        if self.before_s is not None and shot.triggered_s is not None:
            shot.interval_s = shot.triggered_s - self.before_s
        self.before_s = shot.triggered_s
        if self.charged.get("shot") == shot.shot:
            shot.charged_v, shot.wanted_v = self.charged.get("voltage_v"), self.charged.get("wanted_v")

    def take_capture(self, entry: Entry) -> None:
        shot = self.shot(entry)
        shot.file, shot.sha256 = entry.get("file"), entry.get("sha256")

    def take_figures(self, entry: Entry) -> None:
        shot = self.shot(entry)
        shot.method, shot.valid, shot.why = entry.get("method"), entry.get("valid"), entry.get("why")
        shot.polarity = entry.get("polarity")
        shot.charged_v = entry.get("charged_v") if shot.charged_v is None else shot.charged_v
        shot.warnings = [str(warning) for warning in entry.get("warnings") or []]
        results = entry.get("results") or {}
        shot.figures = [Figure.of(name, facts) for name, facts in results.items()]

    def take_measurement(self, entry: Entry) -> None:
        figure = Figure.of(str(entry.get("result")), entry)
        shot = self.last_of(entry.get("shot"))
        if shot is not None and figure.name not in {m.name for m in shot.measurements}:
            shot.measurements.append(figure)
        else:
            self.other.append((figure, str(entry.get("utc"))))

    def take_observation(self, entry: Entry) -> None:
        shot = self.last_of(entry.get("shot"))
        if shot is not None:
            shot.state = entry.get("state")


_TAKES = {
    "charged": _Gathering.take_charged,
    "triggered": _Gathering.take_triggered,
    "capture": _Gathering.take_capture,
    "figures": _Gathering.take_figures,
    "measurement": _Gathering.take_measurement,
    "observation": _Gathering.take_observation,
}
