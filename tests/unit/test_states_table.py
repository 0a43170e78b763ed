"""The bench's table and its machine: every (state, event) pair, every combination of guards."""

from __future__ import annotations

import itertools
import os
import random

import pytest

from orchestrator.core.states import (
    BENCH_TABLE,
    LAMP_OF,
    RUN_TABLE,
    BenchState,
    RunState,
    Transition,
    mermaid,
)
from orchestrator.machine import StateMachine, Undeclared, bench_machine, run_machine

EVENTS = sorted({t.event for t in BENCH_TABLE})
GUARDS = ("interlocks_closed", "off_proven", "named_person")
EVERY_GUARD = [dict(zip(GUARDS, truth, strict=True)) for truth in itertools.product([False, True], repeat=3)]
STRINGS = int(os.environ.get("BENCHWARD_STRINGS", "1000"))


def allowed(table: tuple[Transition, ...], state: str, event: str, guards: dict[str, bool]) -> str | None:
    """Where the table leads, by the plainest reading of it."""
    for t in table:
        if t.source == state and t.event == event and all(guards.get(g, False) for g in t.guards):
            return str(t.target)
    return None


@pytest.mark.parametrize("state", list(BenchState))
@pytest.mark.parametrize("event", EVENTS)
def test_every_state_event_and_guard_of_the_bench(state: BenchState, event: str) -> None:
    """The machine does what the table says and nothing else: the whole product of states, events and guards."""
    for guards in EVERY_GUARD:
        machine = bench_machine(state)
        target = allowed(BENCH_TABLE, state, event, guards)
        if target is None:
            with pytest.raises(Undeclared):
                machine.fire(event, **guards)
            assert machine.state == state
        else:
            assert machine.fire(event, **guards) == target


@pytest.mark.parametrize("state", list(RunState))
def test_every_state_and_event_of_the_run(state: RunState) -> None:
    for event in sorted({t.event for t in RUN_TABLE}):
        for proven in (False, True):
            machine = StateMachine("run", RUN_TABLE, state)
            target = allowed(RUN_TABLE, state, event, {"off_proven": proven})
            if target is None:
                with pytest.raises(Undeclared):
                    machine.fire(event, off_proven=proven)
                assert machine.state == state
            else:
                assert machine.fire(event, off_proven=proven) == target


def test_no_two_rows_answer_the_same_question() -> None:
    for table in (BENCH_TABLE, RUN_TABLE):
        asked = [(t.source, t.event, t.guards) for t in table]
        assert len(set(asked)) == len(asked)


def test_nothing_enters_in_operation_with_an_interlock_open() -> None:
    entering = [t for t in BENCH_TABLE if t.target == BenchState.IN_OPERATION]
    assert entering
    assert all("interlocks_closed" in t.guards for t in entering)


def test_only_proof_leaves_in_operation_and_without_it_the_worst_state_follows() -> None:
    leaving = [t for t in BENCH_TABLE if t.source == BenchState.IN_OPERATION]
    for t in leaving:
        assert "off_proven" in t.guards or t.target == BenchState.OFF_NOT_PROVEN
    out = [t for t in BENCH_TABLE if t.source == BenchState.OFF_NOT_PROVEN]
    assert [set(t.guards) for t in out] == [{"off_proven", "named_person"}]


def test_every_state_is_reachable_and_has_a_lamp() -> None:
    reached = {str(BenchState.OUT_OF_OPERATION)}
    for _ in BenchState:
        reached |= {str(t.target) for t in BENCH_TABLE if t.source in reached}
    assert reached == {str(s) for s in BenchState}
    assert set(LAMP_OF) == set(BenchState)


def test_random_event_strings_never_break_the_rules() -> None:
    """Every step of every string is a row of the table, guards included (BENCHWARD_STRINGS=100000 is the full set)."""
    rng = random.Random(488)
    entered = 0
    for _ in range(STRINGS):
        machine = bench_machine()
        for _ in range(50):
            before, event, guards = machine.state, rng.choice(EVENTS), {g: rng.random() < 0.8 for g in GUARDS}
            target = allowed(BENCH_TABLE, before, event, guards)
            try:
                after = machine.fire(event, **guards)
            except Undeclared:
                after = before
                assert target is None
            assert after == (target or before)
            if after == BenchState.IN_OPERATION != before:
                entered += 1
                assert guards["interlocks_closed"]
    assert entered > STRINGS / 10, "the strings reach operation often enough to mean something"


def test_unknown_events_and_guards_not_given_count_as_no() -> None:
    with pytest.raises(Undeclared, match="'fly' is not possible in 'out of operation'"):
        bench_machine().fire("fly")
    with pytest.raises(Undeclared):
        bench_machine().fire("switch_on_signalling")
    with pytest.raises(Undeclared, match="interlocks_closed not true"):
        bench_machine(BenchState.READY_TO_SWITCH_ON).fire("energise", interlocks_closed=False)
    assert run_machine().state == RunState.DRAFTED


def test_the_diagram_has_every_row() -> None:
    drawn = mermaid(BENCH_TABLE, BenchState.OUT_OF_OPERATION)
    assert drawn.count("-->") == len(BENCH_TABLE) + 1
    assert "ready_to_switch_on --> in_operation: energise [interlocks_closed]" in drawn
