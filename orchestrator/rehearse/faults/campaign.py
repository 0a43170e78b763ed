"""The whole fault test: ranges of points over an executor, partial results kept, one result at the end.

A range is a picklable job, so any `concurrent.futures` executor can run it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.rehearse.faults.benches import BY_NAME
from orchestrator.rehearse.faults.kinds import NOT_IN_VIRTUAL_WORLD, cells
from orchestrator.rehearse.faults.points import PointKind
from orchestrator.rehearse.faults.select import Selection, select
from orchestrator.rehearse.faults.trace import Trace
from orchestrator.rehearse.faults.walk import Cell, trace, walk

if TYPE_CHECKING:
    from orchestrator.rehearse.rehearsal import Rehearsal

RANGES_A_WORKER = 12
NOT_TRIED_AT_MOST = 0.01
VERDICTS = (
    "verdicts rest on evidence"  # the one invariant that a plausible error of a single source may break
)


@dataclass(frozen=True)
class Order:
    """What is put to the test; picklable. `given` are the parameters set at the start."""

    sequence_text: str
    bench_text: str
    plant_text: str
    given: tuple[tuple[str, str], ...] = ()
    seed: int = 1

    def make(self) -> Rehearsal:
        """A fresh rehearsal. The hardware chain is bridged: what is judged here is the software's own reaction."""
        import yaml

        from orchestrator.rehearse.rehearsal import prepare
        from simulators import plants

        sequence, bench = _loaded(self)
        spec = yaml.safe_load(self.plant_text)
        plant = plants.build(spec["kind"], spec, self.seed)
        plant.set("hardware_chain.bridged", "yes", 0.0)
        return prepare(sequence, bench, plant, self.seed)


@lru_cache(maxsize=2)
def _loaded(order: Order) -> Any:
    from orchestrator.steps import KINDS
    from sequences.loader import load_bench, load_sequence
    from sequences.tree import from_text

    sequence = load_sequence(from_text(order.sequence_text), KINDS, dict(order.given))
    return sequence, load_bench(from_text(order.bench_text))


@lru_cache(maxsize=1)
def traced(order: Order) -> Trace:
    """The fault-free run of an order; once in each process."""
    return trace(order.make)


def run_range(order: Order, first: int, last: int) -> list[dict[str, Any]]:
    """One unit of work: the cells of the points `first` up to and including `last`."""
    known = traced(order)
    selection = select(known, order.seed)
    return [cell.to_json() for cell in walk(order.make, known, range(first, last + 1), selection)]


@dataclass
class Result:
    """What a campaign found. `unfinished` names ranges that could not be run."""

    order: Order
    known: Trace
    selection: Selection
    found: list[Cell] = field(default_factory=list)
    unfinished: list[str] = field(default_factory=list)

    @property
    def breaches(self) -> list[Cell]:
        return [cell for cell in self.found if self._unexcused(cell)]

    @property
    def not_detectable(self) -> list[Cell]:
        """Plausible errors of a single source: run, listed, not counted as held."""
        return [cell for cell in self.found if self._undetectable(cell)]

    @property
    def not_tried(self) -> list[Cell]:
        """The fault changed no byte and no state."""
        return [cell for cell in self.found if not cell.tried]

    @property
    def rejoined(self) -> int:
        """Cells that became the fault-free run again and were not walked further."""
        return sum(cell.rejoined for cell in self.found)

    @property
    def held(self) -> int:
        return sum(not cell.breaches and cell.tried and not self._undetectable(cell) for cell in self.found)

    def _unexcused(self, cell: Cell) -> list[str]:
        """What broke; a plausible error of a single source excuses a verdict, and nothing else."""
        excused = VERDICTS if self._undetectable(cell) else None
        return [one for one in cell.breaches if excused is None or not one.startswith(excused)]

    @property
    def passed(self) -> bool:
        few = len(self.not_tried) <= NOT_TRIED_AT_MOST * max(1, len(self.found))
        return bool(self.found) and not self.breaches and not self.unfinished and few

    def removed(self) -> dict[str, int]:
        """Cells that the declared table removes, by reason."""
        counts: dict[str, int] = {}
        for point in self.known.points:
            if self.selection.wants(point):
                for reason in [
                    *(why for _, why in cells(point, self.known)[1]),
                    *NOT_IN_VIRTUAL_WORLD.values(),
                ]:
                    counts[reason] = counts.get(reason, 0) + 1
        return counts

    def worst_time_to_safe_s(self) -> dict[str, float]:
        """For each family, the longest time from the fault until the contactors were open."""
        worst: dict[str, float] = {}
        for cell in self.found:
            if cell.time_to_safe_s is not None:
                worst[cell.family] = max(worst.get(cell.family, 0.0), cell.time_to_safe_s)
        return worst

    def _undetectable(self, cell: Cell) -> bool:
        """Whether the fault is a plausible error of a single source, which nothing here can contradict."""
        point, single = self.known.points[cell.number], self.known.bench.single_source
        return point.kind is PointKind.EXCHANGE and point.message.startswith(single.get(cell.fault, ()))


def planned(known: Trace, selection: Selection, parts: int) -> list[tuple[int, int]]:
    """Contiguous ranges of points with about equally many cells."""
    numbers = sorted(selection.numbers)
    weights = [len(cells(known.points[n], known)[0]) for n in numbers]
    a_range = max(1, sum(weights) // max(1, parts))
    ranges, first, weight = [], 0, 0
    for index, cells_here in enumerate(weights):
        weight += cells_here
        if weight >= a_range or index == len(numbers) - 1:
            ranges.append((numbers[first], numbers[index]))
            first, weight = index + 1, 0
    return ranges


def campaign(
    order: Order,
    workers: int,
    on_progress: Callable[[Result], None] = lambda result: None,
    stop_after: int | None = None,
    kept: Path | None = None,
    executor: Executor | None = None,
) -> Result:
    """Run every cell. `stop_after` breaches ends it early; `kept` holds finished ranges and is gone on from."""
    known = traced(order)
    result = Result(order, known, select(known, order.seed))
    ranges = planned(known, result.selection, workers * RANGES_A_WORKER)
    store = _Kept(kept, order)
    for key, cells_ in store.finished():
        if key in ranges:
            ranges.remove(key)
            result.found += cells_
    own = ProcessPoolExecutor(workers) if executor is None else None
    pool = executor or own
    assert pool is not None
    try:
        _gather(pool, order, ranges, result, store, on_progress, stop_after)
    finally:
        if own is not None:
            own.shutdown(wait=False, cancel_futures=True)
    result.found.sort(key=lambda cell: (cell.number, cell.fault))
    return result


def _gather(
    pool: Executor,
    order: Order,
    ranges: list[tuple[int, int]],
    result: Result,
    store: _Kept,
    on_progress: Callable[[Result], None],
    stop_after: int | None,
) -> None:
    futures: dict[Future[list[dict[str, Any]]], tuple[int, int]] = {}
    for first, last in ranges:
        futures[pool.submit(run_range, order, first, last)] = (first, last)
    for future in as_completed(futures):
        key = futures[future]
        try:
            rows = future.result()
        except BrokenProcessPool:
            result.unfinished.append(f"points {key[0]} to {key[1]}: the worker's process died")
            continue
        store.keep(key, rows)
        result.found += [_cell(row) for row in rows]
        on_progress(result)
        if stop_after is not None and len(result.breaches) >= stop_after:
            result.unfinished.append(f"ended early after {stop_after} breach(es)")
            return


def _cell(row: dict[str, Any]) -> Cell:
    return Cell(**{**row, "breaches": tuple(row["breaches"])})


class _Kept:
    """Finished ranges on disk, a line each, so that an interrupted test goes on where it was."""

    def __init__(self, path: Path | None, order: Order) -> None:
        self._path = path
        self._order = _fingerprint(order)

    def finished(self) -> Iterator[tuple[tuple[int, int], list[Cell]]]:
        if self._path is None or not self._path.exists():
            return
        for line in self._path.read_text().splitlines():
            entry = json.loads(line)
            if entry["order"] == self._order:
                yield (entry["first"], entry["last"]), [_cell(row) for row in entry["cells"]]

    def keep(self, key: tuple[int, int], rows: list[dict[str, Any]]) -> None:
        if self._path is not None:
            entry = {"order": self._order, "first": key[0], "last": key[1], "cells": rows}
            with self._path.open("a") as file:
                file.write(json.dumps(entry) + "\n")


def _fingerprint(order: Order) -> str:
    """What the results belong to: the order and this version of the program."""
    import hashlib

    from orchestrator.engine.environment import environment

    facts = [order.sequence_text, order.bench_text, order.plant_text, order.given, order.seed]
    facts += [environment()["benchward"], sorted(BY_NAME)]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()
