"""What a check is given: the files, their places, and a way to say what is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sequences.findings import Finding, Severity
from sequences.places import NO_STAND_INS, StandIns
from sequences.step import UnreadStep

if TYPE_CHECKING:
    from sequences.bench import Bench, Digitiser
    from sequences.capture import ResultKind
    from sequences.model import Sequence
    from sequences.places import Located, Path_
    from sequences.step import Step


@dataclass(slots=True)
class Checking:
    """One check of a sequence, alone or with a bench. Findings are about the sequence file."""

    located: Located
    sequence: Sequence
    bench: Bench | None = None
    findings: list[Finding] = field(default_factory=list)
    stand_ins: StandIns = NO_STAND_INS  # places that are not the file's own

    def known(self, *paths: Path_) -> bool:
        """Whether each of these values is the file's own: only then is it fair to compare with it."""
        return self.stand_ins.known(*paths)

    def steps_known(self, *parts: str) -> bool:
        """Whether no step of these parts is unread: only then is it fair to say that a step is absent."""
        unread = any(isinstance(at.step, UnreadStep) for at in self.steps() if at.path[0] in parts)
        return self.known(*((part,) for part in parts)) and not unread

    def results(self, *parts: str) -> tuple[dict[str, ResultKind], bool]:
        """The results that the steps of these parts are known to produce, and whether these are all."""
        found: dict[str, ResultKind] = {}
        every = self.steps_known(*parts)
        for at in self.steps():
            if at.path[0] in parts:
                found.update(at.results())
                every = every and at.results_known()
        return found, every

    def say(
        self,
        code: str,
        path: Path_,
        what: str,
        advice: str,
        severity: Severity = "refused",
        key: bool = False,
        compared: Iterable[Path_] = (),
    ) -> None:
        """Report a finding at a path of keys and indices; with `key` at the last key instead of its value.

        `compared` are the other places that it was judged by, those where something is absent among them. If one
        of them was refused or is missing, the finding might not be true of the mended file, and nothing is said.
        """
        if not self.known(path, *compared):
            return
        self.findings.append(
            self.located.source.finding(code, self.located.at(*path, key=key), what, advice, severity)
        )

    def steps(self) -> Iterator[At]:
        """Every step with its place, the steps inside a block after it."""
        from sequences.model import STEPS_AT

        for part, steps in self.sequence.parts().items():
            yield from self._steps(STEPS_AT[part], steps, None)

    def _steps(self, path: Path_, steps: tuple[Step, ...], block: Step | None) -> Iterator[At]:
        for index, step in enumerate(steps):
            here = (*path, index)
            yield At(self, step, here, block)
            yield from self._steps((*here, "inside"), step.steps_inside(), step)

    def bench_digitiser(self) -> Digitiser | None:
        """The bench's digitiser of the name that the sequence asks for one under."""
        from sequences.bench import Digitiser

        for name, wanted in self.sequence.equipment.items():
            given = self.bench.equipment.get(name) if self.bench else None
            if isinstance(given, Digitiser) and not self.known(("equipment", name)):
                return None
            if wanted.type == "digitiser" and isinstance(given, Digitiser):
                return given
        return None


@dataclass(frozen=True, slots=True)
class At:
    """One step under check, and the block it stands in."""

    checking: Checking
    step: Step
    path: Path_
    block: Step | None

    @property
    def sequence(self) -> Sequence:
        return self.checking.sequence

    @property
    def bench(self) -> Bench | None:
        return self.checking.bench

    def place(self, *parts: str) -> Path_:
        """The place of something below the step."""
        return (*self.path, *parts)

    def known(self) -> bool:
        """Whether the step is the file's own; some of its fields may be not."""
        return self.checking.known(self.path)

    def results_known(self) -> bool:
        """Whether all that names the step's results is the file's own."""
        return self.checking.known(*((*self.path, *below) for below in self.step.named_by))

    def results(self) -> dict[str, ResultKind]:
        """The results that the step is known to produce."""
        return self.step.results(self.sequence) if self.results_known() else {}

    def say(
        self,
        code: str,
        field_name: str | None,
        what: str,
        advice: str,
        severity: Severity = "refused",
        compared: Iterable[Path_] = (),
    ) -> None:
        """Report a finding at a field of the step, or at the step itself; `compared` as in `Checking.say`."""
        path = (*self.path, field_name) if field_name else self.path
        self.checking.say(code, path, what, advice, severity, compared=compared)
