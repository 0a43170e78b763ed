"""The four bench states against their published description.

Source: "Introduction to electrical engineering", pages 93 and 96 (zdroje.elektrika.cz), which gives the states of
EN 50191, erection and operation of electrical test equipment:
- out of operation: all supplies, signalling and control off and secured, all precautions on entry in force;
- ready for operation: signalling and control on, green on, test-voltage supplies off and secured, precautions in force;
- ready to switch on: supplies off, all entries closed, red on, precautions no longer in force;
- in operation: entries closed, red on, one or more test-voltage supplies on.
Stop categories: IEC 60204-1, 9.2.2, as three makers of safety parts print it in their glossaries: 0 is removal of
power at once, 1 a controlled stop and then removal; an emergency stop is 0 or 1, never 2 (power left on).

Each row is produced by the monitor on a toy bench and judged by the bench, not by the monitor's own word.
"""

from __future__ import annotations

import pytest

from orchestrator.core.interlock import CutBy, CutNow, InputView, decide
from orchestrator.core.states import BenchState
from orchestrator.monitor.logic import Monitor
from tests.monitor_bench import ALL, INTERLOCK, PROVEN, ToyBench, rules

POLL_S = 0.005
# state: (signalling on, a supply on, entries closed or None where the source does not say, lamp)
PUBLISHED = {
    "out of operation": (False, False, None, "none"),
    "ready for operation": (True, False, None, "green"),
    "ready to switch on": (True, False, True, "red"),
    "in operation": (True, True, True, "red"),
}


class Cell:
    """The toy bench with the monitor at it, advanced poll by poll."""

    def __init__(self) -> None:
        self.toy = ToyBench()
        self.monitor = Monitor(rules(), proven_age_s=PROVEN)
        self.live(0.05)

    def live(self, for_s: float, *requests: dict[str, object]) -> None:
        asked = list(requests)
        until_s = self.toy.now_s + for_s
        while self.toy.now_s < until_s:
            self.toy.live_until(self.toy.now_s + POLL_S)
            self.monitor.renewed(self.toy.now_s)
            self.toy.write(self.monitor.turn(self.toy.now_s, self.toy.reading(), asked).coils)
            asked = []

    def go_to(self, state: str) -> None:
        if state == "out of operation":
            self.live(0.1, {"id": 1, "act": "switch_off_signalling"})
        if state in ("ready to switch on", "in operation"):
            self.live(0.1, {"id": 1, "act": "arm", "interlock": INTERLOCK, "by": "B. Example"})
        if state == "in operation":
            asked = {"act": "switch_on", "output": "high_voltage", "interlock": INTERLOCK}
            self.live(2.5, {"id": 1, **asked})

    @property
    def entries_closed(self) -> bool:
        return all(self.toy.channels[:2])

    @property
    def supply_on(self) -> bool:
        return any(self.toy.closed_contactor.values())

    @property
    def lamp(self) -> str:
        red, green = self.toy.coils[4], self.toy.coils[5]
        return {(False, False): "none", (True, False): "red", (False, True): "green"}[red, green]


@pytest.mark.parametrize("state", list(PUBLISHED))
def test_each_state_is_what_the_source_says(state: str) -> None:
    cell = Cell()
    cell.go_to(state)
    signalling, supply_on, entries_closed, lamp = PUBLISHED[state]
    assert cell.monitor.bench_state == state
    assert cell.supply_on is supply_on
    assert (cell.lamp != "none") is signalling
    assert cell.lamp == lamp
    if entries_closed is not None:
        assert cell.entries_closed is entries_closed


@pytest.mark.parametrize("state", ["out of operation", "ready for operation"])
def test_precautions_are_in_force_where_people_may_enter(state: str) -> None:
    """Discharge and earth closed and no energy: also with the door open, which the source allows here."""
    cell = Cell()
    cell.go_to(state)
    cell.toy.set("door", False)
    cell.live(0.1)
    assert cell.monitor.bench_state == state
    assert all(cell.toy.in_force.values())
    assert cell.toy.dead


@pytest.mark.parametrize("state", ["ready to switch on", "in operation"])
def test_an_entry_that_opens_ends_the_states_that_need_it_closed(state: str) -> None:
    cell = Cell()
    cell.go_to(state)
    cell.toy.set("door", False)
    cell.live(0.1)
    assert not cell.supply_on
    cell.live(5.0)
    assert cell.monitor.bench_state == "ready for operation"
    assert cell.lamp == "green"


def test_red_in_both_last_states_and_green_never_with_a_way_to_energise() -> None:
    for state, (_, _, _, lamp) in PUBLISHED.items():
        cell = Cell()
        cell.go_to(state)
        assert cell.lamp == lamp
        if lamp != "red":
            request = {"id": 2, "act": "switch_on", "output": "high_voltage", "interlock": INTERLOCK}
            cell.live(3.0, request)
            assert not cell.supply_on, state


def test_the_four_words_are_the_published_ones_and_the_fifth_is_our_own() -> None:
    assert [str(s) for s in BenchState] == [*PUBLISHED, "off not proven"]


@pytest.mark.parametrize("category", [0, 1])
@pytest.mark.parametrize("opened", ["emergency_stop", "door"])
def test_an_emergency_stop_or_an_open_interlock_ends_in_category_0_or_1(category: int, opened: str) -> None:
    """Category 2, power left on, cannot be had: neither as a decision nor in the rules."""
    r = rules(stop_category=category, deadline_s=0.5)
    views = {
        name: InputView(rule, (name != opened,) * len(rule.channels), 10.0) for name, rule in r.inputs.items()
    }
    decision = decide(r, views, {"high_voltage": ALL}, 0.0, 10.0)["high_voltage"]
    assert isinstance(decision, CutBy if category else CutNow)
    with pytest.raises(ValueError, match="stop category 2 is not 0 or 1"):
        rules(stop_category=2)
