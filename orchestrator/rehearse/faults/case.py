"""One ended rehearsal of the fault test with everything to judge it by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from orchestrator.record.chain import read_chain
from orchestrator.record.verify import Verification, verify

if TYPE_CHECKING:
    from orchestrator.core.interlock import Rules
    from orchestrator.engine.run import RunEnd
    from orchestrator.record.store import MemoryStore
    from orchestrator.rehearse.faults.bench_kind import BenchKind

Entry = dict[str, Any]
ROUNDING_S = 1e-6  # the journal's times are rounded to a nanosecond


@dataclass(frozen=True)
class Case:
    """`end` is None where the engine was struck.

    `injected_s` is when the fault was injected, `run_ended_s` when the run ended, `ended_s` when plant and monitor had
    been left alone long enough; `restarted_s` is when what was struck was started again, or `ended_s`. `left_v` is the
    voltage that is left at the end, `left_then_v` at the run's end; `seen` is what a person sees at the end; `blocked`
    the monitor's sentence of a blocked start after the restart; `promised` are the journal entries whose append had
    returned. `asked` is how many motions the run asked for.

    `recorders` are those that each part of the run asks a capture of; `fails_anyway` gives the clauses that this
    specimen fails without any fault of the bench.

    Of a cell that has met the fault-free run again (`rejoined`) the record ends there; `truth` goes on with that run's
    truth log behind its own `own_truth` entries, `rest` are its further journal entries, and `end` is its end.
    """

    bench: BenchKind
    fault: str
    injected_s: float
    ended_s: float
    restarted_s: float
    truth: list[Entry]
    store: MemoryStore
    end: RunEnd | None
    promised: list[Entry]
    blocked: str | None
    coils_off: bool
    monitor_struck: bool
    safety_link_struck: bool
    rules: Rules
    restarted: bool
    applied_after_restart: int
    left_v: float
    run_ended_s: float
    left_then_v: float
    seen: dict[str, Any]
    asked: int = 0
    tried: bool = True
    rest: list[Entry] = field(default_factory=list)
    rejoined: bool = False
    own_truth: int | None = None
    recorders: dict[str, frozenset[str]] = field(default_factory=dict)
    fails_anyway: Callable[[], frozenset[str]] = frozenset

    @cached_property
    def stored(self) -> list[Entry]:
        """The journal as the disk has it: its whole lines."""
        if "journal.jsonl" not in self.store.names():
            return []
        return read_chain(self.store.read("journal.jsonl")).entries

    @cached_property
    def told(self) -> list[Entry]:
        """All entries of the run: those on the disk, and of the fault-free run that it became."""
        return [*self.stored, *self.rest]

    @cached_property
    def verdicts(self) -> list[Entry]:
        """The verdicts in the record."""
        return [e for e in self.told if e["kind"] == "verdict"]

    @cached_property
    def own(self) -> list[Entry]:
        """The truth log without what is the fault-free run's."""
        return self.truth[: self.own_truth]

    @cached_property
    def verification(self) -> Verification:
        """What a reader of the record finds."""
        return verify(self.store, None)

    @property
    def faults(self) -> list[str]:
        """What was done: one fault, or the two of a pair."""
        return self.fault.split("+")
