"""What a check is given: the files, their places, and a way to say what is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sequences.findings import Finding, Severity

if TYPE_CHECKING:
    from sequences.bench import Bench, Digitiser
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
    holes: frozenset[str] = frozenset()  # keys of the file under which a refused part was left out

    def whole(self, *keys: str) -> bool:
        """Whether nothing was left out under these keys: only then is it fair to say that something is absent."""
        return self.holes.isdisjoint(keys)

    def say(
        self,
        code: str,
        path: Path_,
        what: str,
        advice: str,
        severity: Severity = "refused",
        key: bool = False,
    ) -> None:
        """Report a finding at a path of keys and indices; with `key` at the last key instead of its value."""
        self.findings.append(
            self.located.source.finding(code, self.located.at(*path, key=key), what, advice, severity)
        )

    def steps(self) -> Iterator[At]:
        """Every step with its place, the steps inside a block after it."""
        for part, steps in self.sequence.parts().items():
            yield from self._steps((part,), steps, None)

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

    def say(
        self, code: str, field_name: str | None, what: str, advice: str, severity: Severity = "refused"
    ) -> None:
        """Report a finding at a field of the step, or at the step itself."""
        path = (*self.path, field_name) if field_name else self.path
        self.checking.say(code, path, what, advice, severity)
