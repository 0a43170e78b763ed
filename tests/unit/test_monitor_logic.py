"""The monitor's logic turn by turn on the toy bench: what it grants, refuses, cuts, latches and remembers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from orchestrator.core.reasons import Reason
from orchestrator.core.states import BenchState
from orchestrator.monitor.logic import PROOF_MARGIN_S, Monitor
from orchestrator.monitor.port import Snapshot
from orchestrator.monitor.values import Reply, Request
from tests.monitor_bench import INTERLOCK, PROVEN, ToyBench, rules

POLL_S = 0.005


class Bench:
    """A monitor, the toy bench, and a loop as the process runs it."""

    def __init__(self, *, proven: bool = True, blocked: str | None = None, **changes: Any) -> None:
        self.toy = ToyBench()
        ages = PROVEN if proven else {}
        self.monitor = Monitor(rules(**changes), blocked=blocked, proven_age_s=ages)
        self.now_s = 0.0
        self.replies: list[Reply] = []
        self.events: list[dict[str, Any]] = []
        self.link = True
        self.engine = True
        self._asked = 0

    def poll(self, *requests: Request) -> None:
        self.now_s += POLL_S
        self.toy.live_until(self.now_s)
        if self.engine:
            self.monitor.renewed(self.now_s)
        turn = self.monitor.turn(self.now_s, self.toy.reading() if self.link else None, requests)
        if self.link:
            self.toy.write(turn.coils)
        assert self.link or not turn.renew_watchdog
        self.replies += turn.replies
        self.events += turn.events

    def ask(self, act: str, **args: Any) -> Reply:
        self._asked += 1
        self.poll({"id": self._asked, "act": act, **args})
        self.until(lambda: any(r.id == self._asked for r in self.replies), within_s=10.0)
        return next(r for r in self.replies if r.id == self._asked)

    def until(self, true: Callable[[], bool], within_s: float) -> float:
        """Poll until true; the time it took. Fails when it takes longer."""
        started_s = self.now_s
        while not true():
            assert self.now_s - started_s <= within_s, f"not within {within_s} s: {self.monitor.snapshot()}"
            self.poll()
        return self.now_s - started_s

    def live_for(self, time_s: float) -> None:
        until_s = self.now_s + time_s
        while self.now_s < until_s:
            self.poll()

    def arm(self) -> Reply:
        return self.ask("arm", interlock=INTERLOCK, by="B. Example")

    def switch_on(self, output: str = "high_voltage") -> Reply:
        return self.ask("switch_on", output=output, interlock=INTERLOCK)

    def on(self, output: str = "high_voltage") -> Bench:
        """Armed and energised."""
        assert self.arm().granted
        assert self.switch_on(output).granted
        self.until(lambda: self.snapshot.outputs[output]["output_on"], within_s=3.0)
        return self

    @property
    def snapshot(self) -> Snapshot:
        return Snapshot.from_json(self.monitor.snapshot())

    @property
    def state(self) -> str:
        return self.snapshot.bench_state

    @property
    def cause(self) -> Reason | None:
        return None if self.monitor.cause is None else self.monitor.cause.reason

    def kinds(self) -> list[str]:
        return [e["event"] for e in self.events]


@pytest.fixture
def bench() -> Bench:
    bench = Bench()
    bench.poll()
    return bench


def test_it_starts_out_of_operation_and_becomes_ready_only_by_proof() -> None:
    bench = Bench()
    first = bench.monitor.turn(0.001, None, [])
    assert not any(first.coils)
    assert bench.state == BenchState.OUT_OF_OPERATION
    bench.poll()
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert bench.snapshot.lamp == "green"
    assert bench.toy.coils == (False, False, False, False, False, True, False)


def test_a_whole_block_warning_lift_close_and_back(bench: Bench) -> None:
    assert bench.arm() == Reply(1, True, "the bench is ready to switch on")
    assert bench.snapshot.lamp == "red"
    reply = bench.switch_on()
    assert reply.granted
    started_s = bench.now_s
    assert bench.toy.coils[6], "the horn sounds"
    assert not any(bench.toy.coils[:4])
    bench.until(lambda: bench.toy.coils[1], within_s=2.1)
    assert bench.now_s - started_s >= 2.0
    assert bench.state == BenchState.IN_OPERATION
    assert not bench.toy.coils[0], "the contactor waits for the lifted precautions"
    bench.until(lambda: bench.toy.coils[0], within_s=0.1)
    assert not bench.toy.in_force[1]
    assert not bench.toy.in_force[2]
    assert not bench.snapshot.outputs["high_voltage"]["output_on"]
    bench.until(lambda: bench.snapshot.outputs["high_voltage"]["output_on"], within_s=0.1)
    assert bench.toy.closed_contactor[0]
    assert bench.ask("switch_off", output="high_voltage").granted
    assert not bench.toy.coils[0]
    assert bench.toy.coils[1], "the discharge waits for the contactor"
    proof = bench.ask("prove_off")
    assert proof.granted
    assert proof.facts["safe"] is True
    assert proof.facts["store_v"] < 50
    assert bench.toy.dead
    assert bench.state == BenchState.READY_TO_SWITCH_ON
    order = [e["event"] for e in bench.events if e["event"] in ("warning", "output_on", "cut", "off")]
    assert order == ["warning", "output_on", "cut", "off"]


def test_precautions_come_back_in_the_order_of_the_file(bench: Bench) -> None:
    bench.on()
    bench.poll({"id": 9, "act": "switch_off", "output": "high_voltage"})
    bench.until(lambda: not bench.toy.coils[1], within_s=0.15)
    assert bench.toy.coils[2], "earth after discharge"
    assert not bench.toy.closed_contactor[0]
    bench.until(lambda: not bench.toy.coils[2], within_s=0.15)
    assert bench.toy.in_force[1]


def test_leakage_lifts_the_earth_alone(bench: Bench) -> None:
    bench.on("leakage")
    assert bench.toy.coils[:4] == (False, False, True, True)
    assert bench.switch_on().sentence == "leakage is not off yet"


@pytest.mark.parametrize("name", ["door", "earthing_stick_home", "exhaust"])
def test_an_interlock_that_opens_while_on_cuts_in_the_same_turn(bench: Bench, name: str) -> None:
    bench.on().toy.set(name, False)
    bench.poll()
    assert not bench.toy.coils[0]
    assert bench.cause is Reason.INTERLOCK_OPEN
    bench.until(lambda: bench.state == BenchState.READY_FOR_OPERATION, within_s=5.0)
    assert "disarmed" in bench.kinds()


def test_one_channel_is_enough_to_cut(bench: Bench) -> None:
    bench.on().toy.set("door", True, False)
    bench.poll()
    assert not bench.toy.coils[0]
    assert bench.monitor.cause is not None
    assert "one of its 2 channels" in bench.monitor.cause.what


def test_emergency_stop_has_its_own_cause_and_is_always_needed(bench: Bench) -> None:
    assert bench.ask("arm", interlock=["door"], by="B. Example").granted
    assert bench.ask("switch_on", output="leakage", interlock=["door"]).granted
    bench.toy.set("emergency_stop", False)
    bench.poll()
    assert bench.cause is Reason.EMERGENCY_STOP
    bench.toy.set("emergency_stop", True)
    bench.live_for(2.0)
    assert not any(bench.toy.coils[:4]), "release does not restart"
    assert not bench.arm().granted


def test_opening_in_the_warning_cuts_before_anything_is_lifted(bench: Bench) -> None:
    bench.arm()
    bench.switch_on()
    bench.toy.set("door", False)
    bench.poll()
    assert bench.cause is Reason.INTERLOCK_OPEN
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert not bench.toy.coils[6]
    assert BenchState.IN_OPERATION not in [e.get("to") for e in bench.events]


def test_opening_when_ready_to_switch_on_disarms_without_a_cause(bench: Bench) -> None:
    bench.arm()
    bench.toy.set("door", False)
    bench.poll()
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert bench.cause is None
    assert [e["why"] for e in bench.events if e["event"] == "disarmed"] == ["door opened"]
    assert bench.switch_on().sentence == "door is open: close it"


def test_an_interlock_that_opened_while_discharging_takes_the_arming_away(bench: Bench) -> None:
    bench.on()
    bench.ask("switch_off", output="high_voltage")
    bench.live_for(0.3)
    bench.toy.set("door", False)
    bench.live_for(0.1)
    bench.toy.set("door", True)
    assert bench.state == BenchState.IN_OPERATION
    bench.until(lambda: bench.state != BenchState.IN_OPERATION, within_s=5.0)
    bench.poll()
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert bench.cause is None


def test_an_input_that_was_never_toggled_refuses_arming_and_says_which() -> None:
    bench = Bench(proven=False)
    bench.poll()
    assert "emergency_stop has not been opened and closed within 24 h" in bench.arm().sentence
    for name in INTERLOCK:
        bench.toy.set(name, False)
        bench.poll()
        bench.toy.set(name, True)
        bench.poll()
    assert bench.arm().granted


def test_a_proof_of_an_input_lapses() -> None:
    bench = Bench()
    bench.poll()
    bench.now_s = 12 * 3600.0
    bench.toy.live_until(bench.now_s)
    bench.poll()
    assert "door has not been opened and closed within 12 h" in bench.arm().sentence or bench.cause
    bench.ask("clear_cause")
    assert "door has not been opened and closed within 12 h" in bench.arm().sentence


def test_disagreeing_channels_fail_until_both_opened_and_closed(bench: Bench) -> None:
    bench.toy.set("door", True, False)
    bench.live_for(0.6)
    bench.toy.set("door", True)
    bench.poll()
    assert bench.snapshot.inputs["door"]["failed"]
    assert "door is failed" in bench.arm().sentence
    bench.toy.set("door", False, True)
    bench.poll()
    bench.toy.set("door", True)
    bench.poll()
    assert not bench.arm().granted, "one channel alone proves nothing"
    bench.toy.set("door", False)
    bench.poll()
    bench.toy.set("door", True)
    bench.poll()
    assert bench.arm().granted


def test_the_engine_that_stops_renewing_is_cut_after_half_a_second(bench: Bench) -> None:
    bench.on()
    bench.engine = False
    took_s = bench.until(lambda: not bench.toy.coils[0], within_s=0.51)
    assert took_s >= 0.45
    assert bench.cause is Reason.INTERNAL_ERROR
    assert bench.monitor.cause is not None
    assert "stopped renewing high_voltage" in bench.monitor.cause.what


def test_the_engine_may_be_silent_while_nothing_is_on(bench: Bench) -> None:
    bench.arm()
    bench.engine = False
    bench.live_for(5.0)
    assert bench.state == BenchState.READY_TO_SWITCH_ON
    assert bench.cause is None


def test_the_engine_that_goes_away_cuts_and_the_state_follows_proof(bench: Bench) -> None:
    bench.on()
    bench.poll({"act": "engine_gone"})
    assert not bench.toy.coils[0]
    assert bench.cause is Reason.INTERNAL_ERROR
    bench.until(lambda: bench.state == BenchState.READY_FOR_OPERATION, within_s=5.0)


def test_a_silent_link_is_monitor_lost_and_needs_proof(bench: Bench) -> None:
    bench.on()
    bench.link = False
    took_s = bench.until(lambda: bench.cause is not None, within_s=0.26)
    assert took_s >= 0.24
    assert bench.cause is Reason.MONITOR_LOST
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.snapshot.blocked is None
    bench.link = True
    bench.poll()
    assert not any(bench.toy.coils[:4]), "everything off at once, the coils are not written on again"
    bench.until(lambda: bench.state == BenchState.READY_FOR_OPERATION, within_s=5.0)
    assert bench.toy.dead


def test_a_gap_that_is_over_still_counts(bench: Bench) -> None:
    """As after SIGSTOP and SIGCONT: the watchdog has dropped the coils, they must not be written on again."""
    bench.on()
    bench.now_s += 1.0
    bench.poll()
    assert bench.cause is Reason.MONITOR_LOST
    assert not any(bench.toy.coils[:4])


def test_a_link_that_was_opened_again_while_on_is_a_lost_link(bench: Bench) -> None:
    bench.on()
    bench.now_s += POLL_S
    reading = bench.toy.reading()
    turn = bench.monitor.turn(
        bench.now_s, type(reading)(bench.now_s, reading.inputs, reading.registers, 1), []
    )
    assert not any(turn.coils[:4])
    assert bench.cause is Reason.MONITOR_LOST


def test_no_word_for_longer_than_the_discharge_blocks_the_start(bench: Bench) -> None:
    bench.on()
    bench.link = False
    bench.live_for(0.3 + 5.0 + PROOF_MARGIN_S)
    assert bench.snapshot.blocked is not None
    bench.link = True
    bench.live_for(5.0)
    assert bench.toy.dead
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.snapshot.lamp == "red"


def test_a_welded_contactor_is_off_not_proven_and_only_a_named_release_with_proof_helps(bench: Bench) -> None:
    bench.on()
    bench.toy.welded = True
    bench.poll({"id": "off", "act": "switch_off", "output": "high_voltage"})
    proof = bench.ask("prove_off")
    assert not proof.granted
    assert proof.facts["safe"] is False
    assert "high voltage open is not confirmed" in proof.sentence
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.cause is Reason.OFF_NOT_PROVEN
    assert "not confirmed" in bench.ask("release", by="C. Example").sentence
    bench.toy.welded = False
    bench.toy.closed_contactor[0] = False
    bench.live_for(5.0)
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert not bench.ask("release", by=" ").granted
    assert not bench.ask("clear_cause").granted
    assert bench.ask("release", by="C. Example").granted
    assert bench.ask("clear_cause").granted
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert bench.arm().granted


def test_a_start_that_was_blocked_stays_blocked() -> None:
    bench = Bench(blocked="Start blocked: an earlier process could not prove off.")
    bench.live_for(1.0)
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.arm().sentence == "Start blocked: an earlier process could not prove off."
    assert bench.ask("release", by="C. Example").granted
    assert bench.arm().granted


def test_a_start_with_stored_voltage_waits_for_proof() -> None:
    bench = Bench()
    bench.toy.store_v = 1700.0
    bench.poll()
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.snapshot.lamp == "red"
    assert "store at" in bench.arm().sentence
    bench.until(lambda: bench.state == BenchState.READY_FOR_OPERATION, within_s=3.0)
    assert bench.snapshot.blocked is None


def test_voltage_that_comes_back_turns_the_lamp_red_at_once(bench: Bench) -> None:
    assert bench.snapshot.lamp == "green"
    bench.toy.store_v = 60.0
    bench.poll()
    assert bench.snapshot.lamp == "red"
    assert not bench.arm().granted


def test_abort_cuts_in_the_same_turn_and_ten_are_one(bench: Bench) -> None:
    bench.on()
    for _ in range(10):
        bench.poll({"act": "abort", "who": "A. Example"})
        assert not bench.toy.coils[0]
    causes = [e for e in bench.events if e["event"] == "cause"]
    assert [(e["reason"], e["who"]) for e in causes] == [("abort_by_person", "A. Example")]


def test_the_first_cause_stays_first_and_later_ones_follow(bench: Bench) -> None:
    bench.on().toy.set("door", False)
    bench.poll()
    bench.poll({"act": "abort", "who": "A. Example"})
    assert bench.cause is Reason.INTERLOCK_OPEN
    assert [c.reason for c in bench.monitor.later] == [Reason.ABORT_BY_PERSON]
    assert "not been acknowledged" in bench.arm().sentence or not bench.arm().granted
    bench.toy.set("door", True)
    assert not bench.ask("clear_cause").granted, "not before off is proven"
    assert bench.ask("prove_off").granted
    assert bench.ask("clear_cause").granted
    assert bench.arm().granted


def test_a_contactor_that_falls_by_itself_is_a_supply_fault(bench: Bench) -> None:
    bench.on().toy.closed_contactor[0] = False
    took_s = bench.until(lambda: bench.cause is not None, within_s=0.1)
    assert bench.cause is Reason.SUPPLY_FAULT
    assert took_s >= 0.05, "one bounce is not a fault"


@pytest.mark.parametrize("stuck", ["lift", "contactor"])
def test_a_step_that_is_not_confirmed_ends_the_block(bench: Bench, stuck: str) -> None:
    bench.arm()
    bench.switch_on()
    bench.until(lambda: bench.toy.coils[1], within_s=2.1)
    if stuck == "lift":
        bench.toy._moves.clear()
    else:
        bench.until(lambda: bench.toy.coils[0], within_s=0.2)
        bench.toy._moves.clear()
    bench.until(lambda: bench.cause is not None, within_s=1.1)
    assert bench.cause is Reason.SUPPLY_FAULT
    assert ("was not lifted" if stuck == "lift" else "did not close") in str(bench.monitor.cause)


def test_a_stop_of_category_1_waits_for_its_deadline_and_no_longer() -> None:
    bench = Bench(stop_category=1, deadline_s=0.4)
    bench.poll()
    bench.on().toy.set("door", False)
    bench.poll()
    assert bench.toy.coils[0]
    assert bench.cause is Reason.INTERLOCK_OPEN
    bench.toy.set("door", True)
    took_s = bench.until(lambda: not bench.toy.coils[0], within_s=0.41)
    assert took_s >= 0.38


def test_the_engine_may_end_a_stroke_earlier_and_its_death_does_not_move_the_deadline() -> None:
    bench = Bench(stop_category=1, deadline_s=0.4)
    bench.poll()
    bench.on()
    bench.poll({"act": "abort", "who": "A. Example"})
    bench.engine = False
    bench.poll({"act": "engine_gone"})
    took_s = bench.until(lambda: not bench.toy.coils[0], within_s=0.41)
    assert took_s >= 0.38
    assert [c.reason for c in bench.monitor.later] == [Reason.INTERNAL_ERROR]


def test_signalling_off_is_out_of_operation_with_no_lamp(bench: Bench) -> None:
    assert bench.ask("switch_off_signalling").granted
    bench.live_for(1.0)
    assert bench.state == BenchState.OUT_OF_OPERATION
    assert not any(bench.toy.coils)
    assert not bench.arm().granted
    assert bench.ask("switch_on_signalling").granted
    assert bench.state == BenchState.READY_FOR_OPERATION


@pytest.mark.parametrize(
    ("request_", "sentence"),
    [
        ({"act": "dance"}, "has no act 'dance'"),
        ({"act": ["arm"]}, "has no act"),
        ({"act": "arm", "interlock": [], "by": "B. Example"}, "no interlock was named"),
        ({"act": "arm", "interlock": "door", "by": "B. Example"}, "no interlock was named"),
        ({"act": "arm", "interlock": ["door"], "by": ""}, "needs the name"),
        ({"act": "arm", "interlock": ["gate"], "by": "B. Example"}, "has no interlock 'gate'; it has door"),
        ({"act": "switch_on", "output": "mains", "interlock": ["door"]}, "has no output 'mains'"),
        ({"act": "switch_on", "output": "high_voltage", "interlock": []}, "no interlock was named"),
        ({"act": "switch_on", "output": "high_voltage", "interlock": ["door"]}, "arm it first"),
        ({"act": "release", "by": "C. Example"}, "nothing to release"),
    ],
)
def test_refusals_say_why(bench: Bench, request_: dict[str, Any], sentence: str) -> None:
    reply = bench.ask(**request_)
    assert not reply.granted
    assert sentence in reply.sentence


def test_the_watchdog_is_renewed_only_with_a_new_reading(bench: Bench) -> None:
    renewals = 0
    for step in range(400):
        now_s = bench.now_s + POLL_S * (step + 1)
        bench.toy.live_until(now_s)
        turn = bench.monitor.turn(now_s, bench.toy.reading(), [])
        renewals += turn.renew_watchdog
        assert not bench.monitor.turn(now_s, None, []).renew_watchdog
    assert 18 <= renewals <= 22, "five a watchdog time"


def test_an_unknown_output_switches_everything_off(bench: Bench) -> None:
    bench.on()
    assert bench.ask("switch_off", output="mains").granted
    assert not bench.toy.coils[0]


def test_disarm_goes_back_to_green(bench: Bench) -> None:
    bench.arm()
    assert bench.ask("disarm", by="B. Example").granted
    assert bench.state == BenchState.READY_FOR_OPERATION
    bench.on()
    assert not bench.ask("disarm", by="B. Example").granted


# ---- a look right before an act, and what the monitor cannot see


def test_a_look_is_answered_by_a_reading_newer_than_the_question(bench: Bench) -> None:
    bench.on()
    bench.link = False
    bench.poll({"id": "look", "act": "look", "output": "high_voltage"})
    assert all(reply.id != "look" for reply in bench.replies), "nothing was read since it was asked"
    asked_s = bench.now_s
    bench.link = True
    bench.poll()
    reply = next(reply for reply in bench.replies if reply.id == "look")
    assert reply.granted
    assert reply.facts["read_at_s"] > asked_s
    assert set(reply.facts["voltages"]) == set(bench.snapshot.voltages)


def test_a_look_is_refused_in_the_turn_that_sees_an_interlock_open(bench: Bench) -> None:
    bench.on()
    bench.toy.set("door", False, False)
    reply = bench.ask("look", output="high_voltage")
    assert not reply.granted
    assert "door opened" in reply.sentence


def test_a_look_is_refused_for_what_is_not_on_or_goes_off_by_a_deadline(bench: Bench) -> None:
    assert not bench.ask("look", output="high_voltage").granted
    bench.on()
    assert not bench.ask("look", output="leakage").granted
    assert bench.ask("look", output="high_voltage").granted
    bench.ask("abort", who="B. Example")
    assert not bench.ask("look", output="high_voltage").granted


def test_an_emergency_stop_pressed_while_armed_is_a_cause_also_without_an_output(bench: Bench) -> None:
    bench.arm()
    bench.toy.set("emergency_stop", False, False)
    bench.poll()
    bench.toy.set("emergency_stop", True, True)
    bench.poll()
    assert bench.cause is Reason.EMERGENCY_STOP
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert not bench.arm().granted, "the stop has to be acknowledged by a new start"


def test_a_door_opened_while_armed_takes_the_arming_and_is_no_cause(bench: Bench) -> None:
    bench.arm()
    bench.toy.set("door", False, False)
    bench.poll()
    bench.toy.set("door", True, True)
    bench.poll()
    assert bench.cause is None
    assert bench.state == BenchState.READY_FOR_OPERATION
    assert bench.arm().granted


def test_an_emergency_stop_while_nobody_has_armed_is_no_cause(bench: Bench) -> None:
    bench.toy.set("emergency_stop", False, False)
    bench.poll()
    assert bench.cause is None
    assert not bench.arm().granted


@pytest.mark.parametrize("armed", [True, False])
def test_what_contradicts_a_proof_blocks_until_a_named_person_releases(bench: Bench, armed: bool) -> None:
    if armed:
        bench.arm()
    reply = bench.ask("block", why="generator still reads 1700 V in its store", contradicts=True)
    assert reply.granted
    assert "1700 V" in reply.sentence
    assert bench.state == BenchState.OFF_NOT_PROVEN
    assert bench.snapshot.lamp == "red"
    assert bench.cause is Reason.OFF_NOT_PROVEN
    proof = bench.ask("prove_off")
    assert not proof.granted
    assert "1700 V" in proof.sentence
    assert not bench.arm().granted
    assert [e["sentence"] for e in bench.events if e["event"] == "blocked"] == [reply.sentence]
    assert bench.ask("release", by="C. Example").granted
    assert bench.ask("prove_off").granted
    assert bench.ask("clear_cause").granted
    assert bench.arm().granted


def test_a_block_by_a_sentence_only_is_told_as_it_is_and_leaves_the_proof_alone(bench: Bench) -> None:
    reply = bench.ask("block", sentence="Start blocked: off was not proven at the end of run 1.")
    assert reply.sentence == bench.monitor.blocked == "Start blocked: off was not proven at the end of run 1."
    assert bench.ask("prove_off").granted
    assert not bench.arm().granted
    assert bench.ask("release", by="C. Example").granted


def test_a_block_while_something_is_on_takes_it_off(bench: Bench) -> None:
    bench.on()
    bench.ask("block", why="somebody doubts it")
    bench.live_for(3.0)
    assert not any(bench.toy.coils[:4])
    assert bench.state == BenchState.OFF_NOT_PROVEN
