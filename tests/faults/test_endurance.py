"""The fault test on both endurance scenarios: a seeded slice of all cells holds, and the counts of points agree."""

from __future__ import annotations

import argparse
import os
import random
from dataclasses import replace
from pathlib import Path

import pytest

from orchestrator.cli import fault_test
from orchestrator.cli.rehearse import Refused
from orchestrator.rehearse.faults.campaign import Order, Result, traced
from orchestrator.rehearse.faults.kinds import cells
from orchestrator.rehearse.faults.select import select
from orchestrator.rehearse.faults.walk import walk

LIBRARY = Path(__file__).parents[2] / "sequences" / "library"
POINTS = {"weir_gate": 8, "lantern_row": 4}
POINTS_OF_THE_SLICE = os.environ.get("BENCHWARD_FAULT_POINTS")
SHORT = {
    "weir_gate": (("checked_every", "2"), ("cycles", "4"), ("watched", "4")),
    "lantern_row": (("checked_every", "10"), ("cycles", "20")),
}


def order(scenario: str, given: tuple[tuple[str, str], ...] | None = None) -> Order:
    """A scenario with as few cycles as its file allows."""
    sequence, bench, plant = (
        (LIBRARY / scenario / f"{name}.yaml").read_text() for name in ("sequence", "bench", "plant")
    )
    return Order(sequence, bench, plant, SHORT[scenario] if given is None else given)


WEIR_GATE = order("weir_gate")


@pytest.mark.parametrize("scenario", POINTS)
def test_a_seeded_slice_of_all_cells_holds(scenario: str) -> None:
    made = order(scenario)
    known = traced(made)
    every = select(known, made.seed)
    number = int(POINTS_OF_THE_SLICE or POINTS[scenario])
    chosen = frozenset(random.Random(made.seed).sample(sorted(every.numbers), number))
    found = walk(made.make, known, range(len(known.points)), replace(every, numbers=chosen))

    result = Result(made, known, every, found)
    assert len(found) > 4 * number
    assert [(cell.fault, cell.point, cell.breaches) for cell in result.breaches] == []
    assert len(result.not_tried) <= 1
    assert known.by_kind() == known.counted
    assert known.fault_free is not None
    assert known.fault_free.end is not None
    assert known.fault_free.end.cause.reason == "count_reached"


def test_every_fault_of_the_table_is_tried_somewhere() -> None:
    known = traced(WEIR_GATE)
    tried = {fault.name for point in known.points for fault in cells(point, known)[0]}

    assert tried == {fault.name for fault in known.bench.table}


def test_repeated_cycles_are_collapsed_but_for_those_around_a_measurement() -> None:
    known = traced(order("weir_gate", (("checked_every", "5"), ("cycles", "12"))))
    selection = select(known, 1)

    kept = {known.points[n].part for n in selection.numbers if known.points[n].part}
    around = {f"cycles {cycle}" for cycle in (1, 2, 5, 6, 10, 11, 12)}
    assert around < kept
    assert len(kept) == len(around) + 1
    assert sum(selection.collapsed.values()) + len(selection.numbers) == len(known.points)
    assert any("repeated cycles" in why and "around a measurement" in why for why in selection.collapsed)


@pytest.mark.parametrize(
    ("words", "refused"),
    [
        (("--all-shots",), True),
        (("--all-shots", "--set", "cycles=40", "--set", "checked_every=10"), False),
        (("--set", "cycles=5000"), True),
        ((), False),
    ],
)
def test_days_of_cycles_are_refused_and_few_are_not(words: tuple[str, ...], refused: bool) -> None:
    parser = argparse.ArgumentParser()
    fault_test.add_parser(parser.add_subparsers())
    args = parser.parse_args(["fault-test", str(LIBRARY / "weir_gate" / "sequence.yaml"), *words])
    if refused:
        with pytest.raises(Refused, match="Set at most 500"):
            fault_test.order_for(args)
    else:
        assert fault_test.order_for(args).given[0][0] == "checked_every"
