"""Rehearsals of the endurance scenarios by their tables of expected ends, at full length or shortened."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from orchestrator.record.continued import Continued, continued
from orchestrator.record.ledger import LEDGER
from orchestrator.record.ledger_rows import FINDINGS
from orchestrator.record.ledger_table import LedgerRows, examine
from orchestrator.record.store import MemoryStore
from orchestrator.rehearse.faults.harness import EngineStruck
from orchestrator.rehearse.rehearsal import Rehearsal, going_on, plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence

LIBRARY = Path(__file__).parents[2] / "sequences" / "library"
SHORTER = 100
FEW = 1000
"""A number below this is no cycle of a full run: it stays as it is in a shortened one."""
_NUMBER = re.compile(r"\b\d{4,}\b")
_GAP = re.compile(r"(?P<minutes>\d+) min (?P<seconds>\d+) s")

Entry = dict[str, Any]


def expected(scenario: str) -> dict[str, dict[str, Any]]:
    """The table of a scenario."""
    table: dict[str, dict[str, Any]] = yaml.safe_load((LIBRARY / scenario / "expected.yaml").read_text())
    return table


@dataclass(frozen=True)
class Shortened:
    """Cycle numbers of a table divided by `by` (1: as they stand); those near the trick's own keep their distance.

    What is divided is moved to the same turn of the banks, so that a bank's trouble stays that bank's.
    """

    by: int = 1
    banks: int = 1
    trick: int | None = None
    begins: int | None = None
    """The trick's own cycle in the shortened run, where it is not its part of the full one."""

    @classmethod
    def of(cls, row: Entry, by: int, banks: int) -> Shortened:
        """For one row: its trick is the first cycle that it names on the plant, or the disk's."""
        named = _NUMBER.findall(" ".join(str(value) for value in (row.get("plant") or {}).values()))
        trick = row.get("disk_full") or (int(named[0]) if named else None)
        return cls(by, banks, trick)

    def cycle(self, number: int) -> int:
        """A cycle's number in the shortened run."""
        if self.by == 1 or number < FEW:
            return number
        if self.trick is not None and abs(number - self.trick) < self.by:
            return (self.begins or self._divided(self.trick)) + number - self.trick
        return self._divided(number)

    def _divided(self, number: int) -> int:
        shorter = number // self.by
        return shorter - (shorter - number) % self.banks

    def text(self, value: object) -> str:
        """A setting with the cycles in it shortened."""
        return _NUMBER.sub(lambda found: str(self.cycle(int(found[0]))), str(value))


@dataclass
class Bench:
    """One row of a scenario's table on its own plant: the rehearsal, and what was commanded in all of its runs."""

    scenario: str
    rehearsal: Rehearsal
    commanded: Counter[str]
    folder: Path
    made_again: int = 0
    """Cycles that were uncertain at the end of a run: the next one makes each of them again."""

    @property
    def plant(self) -> Any:
        return self.rehearsal.virtual.plant

    @property
    def entries(self) -> list[Entry]:
        return self.rehearsal.world.journal.entries

    def of(self, kind: str) -> list[Entry]:
        return [entry for entry in self.entries if entry["kind"] == kind]

    def rows(self) -> LedgerRows:
        """The rows that are durable."""
        found = examine(self.rehearsal.store.read(LEDGER))
        assert not found.findings, found.findings
        return found.rows

    def anomalies(self) -> dict[str, int]:
        """What the ledger's rows find, but the good ones."""
        found = Counter(FINDINGS[code] for code in self.rows().finding.tolist())
        return {name: number for name, number in found.items() if name != "ok"}

    def saved(self) -> Path:
        """The record of the present run as a folder beside those before it."""
        path = self.folder / self.rehearsal.order.run
        if not path.exists():
            self.rehearsal.store.save_to(path)
        return path

    def earlier(self) -> Continued:
        """What a further run takes over from this one."""
        return continued(self.saved())

    def after(self, gap_s: float, plant: dict[str, str], when: Callable[[Entry], None] | None = None) -> None:
        """The daemon started anew on the same plant after a gap, with things set there; it goes on with the run."""
        virtual = self.rehearsal.virtual
        self._let_go()
        earlier = self.earlier()
        self.made_again += earlier.uncertain_cycle is not None
        virtual.run_until(virtual.now_s + gap_s)
        for name, value in plant.items():
            virtual.change(name, value)
        self.rehearsal = going_on(self.rehearsal, earlier, when)
        _count_motions(self.rehearsal, self.commanded)

    def _let_go(self) -> None:
        """The processes are gone: nobody watches any more, every line is closed."""
        virtual = self.rehearsal.virtual
        virtual.actors.clear()
        virtual.before_say = virtual.before_receive = None
        virtual.hang_up()


def bench(
    scenario: str,
    folder: Path,
    given: dict[str, str] | None = None,
    plant: dict[str, str] | None = None,
    when: Callable[[Entry], None] | None = None,
    change: Callable[[str, str], str] = lambda name, text: text,
    seed: int = 1,
    specimens: tuple[str, ...] = (),
    coasts: bool = True,
) -> Bench:
    """A scenario's bench with things set on its plant; `change` rewrites the text of a file by its name."""
    sources = {
        name: _written(
            folder, f"{name}.yaml", change(name, (LIBRARY / scenario / f"{name}.yaml").read_text())
        )
        for name in ("sequence", "bench", "plant")
    }
    sequence = load_sequence(sources["sequence"], KINDS, given or {})
    assert sequence.sequence is not None, [one.what for one in sequence.findings]
    simulated = plant_for(sources["bench"], seed)
    for name, value in (plant or {}).items():
        simulated.set(name, value, 0.0)
    run = prepare(
        sequence,
        load_bench(sources["bench"]),
        simulated,
        seed,
        "S-01",
        when,
        coasts=coasts,
        specimens=specimens,
    )
    made = Bench(scenario, run, Counter(), folder)
    _count_motions(run, made.commanded)
    return made


def _written(folder: Path, name: str, text: str) -> Path:
    (folder / name).write_text(text)
    return folder / name


def _count_motions(run: Rehearsal, commanded: Counter[str]) -> None:
    """What the engine asks the actuator to do, before any driver or link has a say in it."""
    file = run.order.bench.bench
    assert file is not None
    actuator = run.world.bench.instrument("gantry")
    for name in ("move", "home", "touch_off"):
        setattr(actuator, name, _counted(getattr(actuator, name), name, commanded))


def _counted(do: Callable[..., Any], name: str, commanded: Counter[str]) -> Callable[..., Any]:
    def counting(*arguments: Any) -> Any:
        commanded[name] += 1
        return do(*arguments)

    return counting


@dataclass
class _Once:
    """An actor of the virtual world: something done at an instant."""

    at_s: float
    do: Callable[[], None]

    def due_s(self) -> float:
        return self.at_s

    def run(self, now_s: float) -> None:
        self.at_s = math.inf
        self.do()


def at_instant(made: Bench, at_s: float, do: Callable[[], None]) -> None:
    """Something done at a time of the virtual world."""
    made.rehearsal.virtual.actors.append(_Once(at_s, do))


def after_make(made: Bench, cycle: int, delay_s: float, do: Callable[[], None]) -> None:
    """Something done so long after the contact of that cycle closed; the gantry still moves for some 0.06 s then."""
    virtual = made.rehearsal.virtual

    def trick(at_s: float) -> None:
        virtual.actors.append(_Once(at_s + delay_s, do))

    made.plant.bench.tricks.setdefault(cycle, []).append(trick)


def cut_with_the_mains(made: Bench) -> None:
    """The computer hangs on the mains of the bench: when they go, engine and monitor do nothing any more."""
    virtual, store, switch = made.rehearsal.virtual, made.rehearsal.store, made.plant.switch_mains

    def switched(on: bool, now_s: float) -> None:
        switch(on, now_s)
        if not on:
            strike(made.rehearsal)

    made.plant.switch_mains = switched
    assert virtual.before_say is None
    assert isinstance(store, MemoryStore)


def strike(run: Rehearsal) -> None:
    """From here on the engine has no effect, and neither has the monitor: all they could reach is out of reach."""

    def dead(*arguments: Any) -> None:
        raise EngineStruck

    virtual = run.virtual
    virtual.before_say = virtual.before_receive = dead
    run.store.point = dead
    run.world.pace.on_slice.append(dead)
    virtual.actors = [actor for actor in virtual.actors if actor is not run.port]
    virtual.on_inputs = lambda now_s: None


def fill_the_disk(made: Bench, cycle: int) -> None:
    """From the row of that cycle on nothing more can be written."""
    store = made.rehearsal.store

    def point(act: str, name: str) -> None:
        if act == "write" and name == LEDGER and made.plant.bench.cycles >= cycle:
            store.capacity_bytes = 0

    store.point = point


def gap_s(words: str | None) -> float:
    """Seconds of `9 min 20 s`; a minute where nothing is said."""
    found = _GAP.fullmatch(words or "1 min 0 s")
    assert found is not None, words
    return 60.0 * int(found["minutes"]) + int(found["seconds"])
