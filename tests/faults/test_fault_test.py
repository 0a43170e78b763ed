"""The fault test itself: a seeded slice of all cells holds, the counts agree, and a bad day of its own is told."""

from __future__ import annotations

import argparse
import os
import random
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from orchestrator.cli import fault_test, main
from orchestrator.rehearse.faults import campaign as campaign_module
from orchestrator.rehearse.faults import wording
from orchestrator.rehearse.faults.campaign import Order, Result, campaign, planned, traced
from orchestrator.rehearse.faults.kinds import cells
from orchestrator.rehearse.faults.on_impulse import MOST_NUMBERS
from orchestrator.rehearse.faults.select import select
from orchestrator.rehearse.faults.walk import Cell, walk
from tests.faults.test_broken_engines import ORDER, TIDEWATER

POINTS_OF_THE_SLICE = int(os.environ.get("BENCHWARD_FAULT_POINTS", "24"))
SEQUENCE = str(TIDEWATER / "sequence.yaml")


class HereExecutor:
    """Runs each range in this process, or breaks as a worker whose process dies would."""

    def __init__(self, breaks: bool = False) -> None:
        self._breaks = breaks

    def submit(self, work: Any, *arguments: Any) -> Future[Any]:
        future: Future[Any] = Future()
        if self._breaks:
            future.set_exception(BrokenProcessPool("a process ended abruptly"))
        else:
            future.set_result(work(*arguments))
        return future


def test_a_seeded_slice_of_all_cells_holds() -> None:
    known = traced(ORDER)
    every = select(known, ORDER.seed)
    chosen = frozenset(random.Random(ORDER.seed).sample(sorted(every.numbers), POINTS_OF_THE_SLICE))
    found = walk(ORDER.make, known, range(len(known.points)), replace(every, numbers=chosen))

    result = Result(ORDER, known, every, found)
    assert len(found) > 4 * POINTS_OF_THE_SLICE
    assert [(cell.fault, cell.point, cell.breaches) for cell in result.breaches] == []
    assert result.not_tried == []


def test_the_points_are_as_many_as_others_count() -> None:
    known = traced(ORDER)

    assert known.by_kind() == known.counted


def test_every_fault_of_the_table_is_tried_somewhere() -> None:
    known = traced(ORDER)
    tried = {fault.name for point in known.points for fault in cells(point, known)[0]}

    assert tried == {fault.name for fault in known.bench.table}


def test_no_answer_holds_more_numbers_than_are_falsified() -> None:
    known = traced(ORDER)
    device: Any = ORDER.make().virtual.plant.devices["generator"]
    beyond = f"wrong_value:{MOST_NUMBERS + 1}"

    assert known.replies
    assert not [
        where
        for where, reply in known.replies.items()
        if where[0] != "safety_io" and device.falsified(reply, beyond) != reply
    ]


def test_what_is_open_already_is_not_opened_again() -> None:
    known = traced(ORDER)
    pressed, released = (
        p.number for p in known.points if p.kind.value == "input" and p.where.startswith("emergency_stop")
    )
    after = known.points[pressed + 1]

    assert ("emergency_stop", "emergency_stop is open already") in [
        (fault.name, why) for fault, why in cells(after, known)[1]
    ]
    assert "emergency_stop" in [fault.name for fault in cells(known.points[released + 1], known)[0]]


def test_ranges_cover_every_selected_point_once() -> None:
    known = traced(ORDER)
    selection = select(known, 1)
    ranges = planned(known, selection, 9)

    covered = [n for first, last in ranges for n in range(first, last + 1) if n in selection.numbers]
    assert covered == sorted(selection.numbers)


def test_repeated_shots_are_collapsed_to_first_second_last_and_one_seeded() -> None:
    order = replace(ORDER, given=(("shots", "12"), ("verification_shots", "1")))
    known = traced(order)
    selection = select(known, 1)

    kept = {known.points[n].part for n in selection.numbers if known.points[n].part.startswith("duty")}
    assert {"duty 1", "duty 2", "duty 12"} < kept
    assert len(kept) == 4
    assert sum(selection.collapsed.values()) + len(selection.numbers) == len(known.points)


def few_points(monkeypatch: pytest.MonkeyPatch, numbers: range) -> None:
    """Only these points, so that a whole campaign takes a second."""
    sound = campaign_module.select

    def narrow(trace: Any, seed: int) -> Any:
        whole = sound(trace, seed)
        return replace(whole, numbers=whole.numbers & frozenset(numbers), pairs={})

    monkeypatch.setattr(campaign_module, "select", narrow)


def test_an_interrupted_test_goes_on_where_it_was(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    few_points(monkeypatch, range(10, 13))
    kept = tmp_path / "kept.jsonl"
    first = campaign(ORDER, 1, kept=kept, executor=HereExecutor())  # type: ignore[arg-type]

    again = campaign(ORDER, 1, kept=kept, executor=HereExecutor(breaks=True))  # type: ignore[arg-type]

    assert first.passed
    assert again.found == first.found
    assert again.unfinished == []


def test_a_worker_that_dies_is_named_and_fails_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    few_points(monkeypatch, range(10, 12))
    result = campaign(ORDER, 1, executor=HereExecutor(breaks=True))  # type: ignore[arg-type]

    assert not result.passed
    assert "worker's process died" in result.unfinished[0]
    assert "unfinished: points" in wording.as_text(result, "benchward rehearse")


def broken_result() -> Result:
    known = traced(ORDER)
    point = next(p for p in known.points if p.part == "duty 1")
    cell = Cell(
        "abort", "person", point.name, point.number, point.part, ("safe or blocked: not safe",), "", "", True
    )
    return Result(ORDER, known, select(known, 1), [cell])


def test_a_breach_is_shown_with_the_one_command_that_shows_it_again() -> None:
    result = broken_result()
    text = wording.as_text(result, "benchward rehearse SEQ")

    assert f"again: benchward rehearse SEQ --fault abort@{result.found[0].point}" in text
    assert "1 breach" in text
    assert not result.passed
    assert "safe or blocked: not safe" in wording.page(result, "benchward rehearse SEQ")


def test_the_report_for_continuous_integration_names_the_failure() -> None:
    suite = ElementTree.fromstring(wording.ci_xml(broken_result()))

    assert suite.attrib["failures"] == "1"
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert "abort" in failure.attrib["message"]


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("silnt@exchange:generator:5", "the nearest is silent"),
        ("abort@exchange:generator:999999", "the run has no point 'exchange:generator:999999'"),
    ],
)
def test_a_fault_or_point_that_does_not_exist_is_one_sentence(
    fault: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["rehearse", SEQUENCE, "--set", "shots=4", "--set", "verification_shots=1", "--fault", fault])

    assert code == 2
    assert said in capsys.readouterr().err


def test_an_order_can_be_sent_to_another_process() -> None:
    import pickle

    assert pickle.loads(pickle.dumps(ORDER)) == ORDER
    assert isinstance(ORDER, Order)


def test_shots_that_may_be_set_are_four_unless_all_are_asked_for() -> None:
    def order(*words: str) -> tuple[Order, str]:
        parser = argparse.ArgumentParser()
        fault_test.add_parser(parser.add_subparsers())
        args = parser.parse_args(["fault-test", SEQUENCE, *words])
        made = fault_test.order_for(args)
        return made, fault_test.rehearse_command(args, made)

    assert order()[0].given == (("shots", "4"),)
    assert "--set shots=4" in order()[1]
    assert order("--all-shots")[0].given == ()
    assert order("--set", "shots=7")[0].given == (("shots", "7"),)
