"""What the fault test has to know of one kind of bench, as data: one description for each kind of plant.

The walker, the table, the injection and the common invariants ask it; none of them knows a bench by name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from orchestrator.rehearse.faults.kinds import COMMON, LINKS, Fault

if TYPE_CHECKING:
    from orchestrator.core.reasons import Reason
    from orchestrator.rehearse.faults.case import Case, Entry
    from orchestrator.rehearse.faults.harness import Asked
    from orchestrator.rehearse.rehearsal import Rehearsal

Seen = Mapping[str, Any]
Check = Callable[["Case"], Iterator[str]]
Value = str | Callable[[Seen], str]
"""Of a setting of the plant: a text, or what makes it from what a person sees there now."""


def _nothing_asked(rehearsal: Rehearsal, asked: Asked) -> None:
    """A bench on which nothing moves."""


@dataclass(frozen=True)
class BenchKind:
    """One kind of bench, by the name of its plant's kind.

    - `own` are its faults beside those of every link, store, process and person; `settings` says what each sets on the
      plant, `link_faults` which kind of link fault it plans, `first_causes` as what each may be told. Whatever acts on
      a link may be told as one of `of_a_link`.
    - `contactors` are those whose closing is energising, `precautions` those that have to be closed for off;
      `cannot_open` names the faults after which no layer can open a contactor. `left_v` is the voltage that is left.
    - `applies` tells an application of energy to the specimen among the truth's entries, `resumes` whatever may not
      happen after a restart; `applied` is their name in the plural, `none_later` says that there is none any more.
    - `harmed` gives the results that may be judged F because of what the specimen really did, `never_p` those that may
      not be judged P; `ANY` stands for all. `marked` tells whether the indicator shows something.
    - `single_source` names the questions whose answer nothing here can contradict, by fault.
    - `seconds` are the faults that come second in a pair. `in_motion` tells whether something moves now.
    - `watch` lets `asked` count what the run asks the bench to move. `checks` are its own invariants.
    """

    name: str
    own: tuple[Fault, ...]
    settings: dict[str, tuple[tuple[str, Value], ...]]
    link_faults: Mapping[str, str]
    first_causes: Mapping[str, frozenset[Reason]]
    of_a_link: frozenset[Reason]
    contactors: tuple[str, ...]
    precautions: tuple[str, ...]
    cannot_open: frozenset[str]
    left_v: Callable[[Seen], float]
    voltage_event: str
    applies: Callable[[Entry], bool]
    resumes: Callable[[Entry], bool]
    applied: str
    none_later: str
    harmed: Callable[[list[Entry]], frozenset[str]]
    never_p: Callable[[list[Entry]], frozenset[str]]
    single_source: Mapping[str, tuple[bytes, ...]]
    seconds: tuple[str, ...]
    checks: Mapping[str, Check]
    marked: Callable[[list[Entry]], bool] = lambda truth: False
    in_motion: Callable[[Any], bool] = lambda plant: False
    watch: Callable[[Rehearsal, Asked], None] = _nothing_asked

    @cached_property
    def table(self) -> tuple[Fault, ...]:
        """Every fault that is tried on it, in the order in which they are tried at a point."""
        return (*LINKS, *self.own, *COMMON)

    @cached_property
    def by_name(self) -> dict[str, Fault]:
        """The table by name."""
        return {fault.name: fault for fault in self.table}

    @cached_property
    def families(self) -> tuple[str, ...]:
        """The families of its faults, and that of pairs."""
        return (*dict.fromkeys(fault.family for fault in self.table), "pair")


ANY = "any result"
