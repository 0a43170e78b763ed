"""The monitor in virtual time: a change is seen at the next poll of a seeded grid, nothing else is polled."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence

import pytest

from drivers.links.base import LinkFault
from orchestrator.core.interlock import Reading
from orchestrator.core.reasons import Reason
from orchestrator.core.states import BenchState
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.virtual import VirtualPort
from tests.monitor_bench import INTERLOCK, PROVEN, ToyBench, rules

POLL_S = 0.005


class ToyWorld:
    """A fake clock, the toy bench and the port as its only actor."""

    def __init__(self, seed: int = 1) -> None:
        self.toy = ToyBench()
        self.time_s = 0.0
        self.link_is_bad = False
        self.reads = self.renewals = 0
        self.writes: list[tuple[float, tuple[bool, ...]]] = []
        self.port = VirtualPort(Monitor(rules(), proven_age_s=PROVEN), self, self, seed)
        self._seen: object = None

    # the safety I/O
    def read(self) -> Reading:
        self._require()
        self.reads += 1
        return self.toy.reading()

    def write(self, coils: Sequence[bool]) -> None:
        self._require()
        self.writes.append((self.time_s, tuple(coils)))
        self.toy.write(tuple(coils))

    def renew_watchdog(self) -> None:
        self._require()
        self.renewals += 1

    def _require(self) -> None:
        if self.link_is_bad:
            raise LinkFault("timeout", "safety_io", "no answer")

    # the clock
    def now_s(self) -> float:
        return self.time_s

    def rest(self, until_s: float, wake: threading.Event) -> None:
        relay_s = min((at_s for at_s, _ in self.toy._moves.values()), default=math.inf)
        self.time_s = max(self.time_s, min(until_s, relay_s, self.port.due_s(), self.time_s + 0.2))
        self.toy.live_until(self.time_s)
        inputs = self.toy.reading().inputs
        if inputs != self._seen:
            self._seen = inputs
            self.port.changed(self.time_s)
        while self.port.due_s() <= self.time_s:
            self.port.run(self.time_s)

    def open_door(self) -> None:
        self.toy.set("door", False)
        self.port.changed(self.time_s)

    def live(self, for_s: float, renew: bool = True) -> None:
        until_s = self.time_s + for_s
        while self.time_s < until_s:
            if renew:
                self.port.renew()
            self.rest(until_s, threading.Event())

    def until(self, true: Callable[[], bool], within_s: float) -> None:
        until_s = self.time_s + within_s
        while not true():
            assert self.time_s < until_s, self.port.snapshot()
            self.port.renew()
            self.rest(until_s, threading.Event())

    def on(self) -> None:
        self.live(0.01)
        armed = self.port.ask("arm", 1.0, self.port.renew, interlock=INTERLOCK, by="B. Example")
        assert armed.granted, armed.sentence
        asked = {"output": "high_voltage", "interlock": INTERLOCK}
        assert self.port.ask("switch_on", 1.0, self.port.renew, **asked).granted
        self.until(lambda: self.port.snapshot().outputs["high_voltage"]["output_on"], within_s=3.0)


def test_the_first_write_is_the_safe_one() -> None:
    world = ToyWorld()
    world.live(0.01)
    assert world.writes[0] == (0.0, (False,) * 7)
    assert world.port.snapshot().bench_state == BenchState.READY_FOR_OPERATION


def test_a_whole_block_needs_few_looks() -> None:
    world = ToyWorld()
    world.on()
    assert world.toy.closed_contactor[0]
    assert world.time_s >= 2.0
    world.live(60.0)
    assert world.renewals >= 60 / 0.5, "the watchdog would have expired"
    assert world.reads < 300, "not polled: 62 s of polling are 12,400 looks"
    assert world.port.ask("switch_off", 1.0, lambda: None, output="high_voltage").granted
    proof = world.port.ask("prove_off", 8.0, lambda: None)
    assert proof.granted
    assert world.toy.dead


def test_a_warning_that_is_renewed_needs_no_look() -> None:
    world = ToyWorld()
    world.live(0.01)
    asked = {"output": "high_voltage", "interlock": INTERLOCK}
    assert world.port.ask("arm", 1.0, world.port.renew, interlock=INTERLOCK, by="B. Example").granted
    assert world.port.ask("switch_on", 1.0, world.port.renew, **asked).granted
    before = world.reads
    world.live(1.9)
    assert world.reads == before, "what was due has moved on with each renewal"
    world.live(1.0, renew=False)
    cause = world.port.cause()
    assert cause is not None, "and where nobody renews it is seen"


@pytest.mark.parametrize("seed", range(20))
def test_an_opening_is_seen_at_the_next_poll_and_not_before(seed: int) -> None:
    world = ToyWorld(seed)
    world.on()
    world.live(0.0123)
    opened_s = world.time_s
    world.open_door()
    world.live(0.05)
    cut_s = next(at_s for at_s, coils in world.writes if at_s > opened_s - 1e-9 and not coils[0])
    assert 0 < cut_s - opened_s <= POLL_S + 1e-6
    cause = world.port.cause()
    assert cause is not None
    assert cause.reason is Reason.INTERLOCK_OPEN


def test_the_phase_of_the_polls_depends_on_the_seed_alone() -> None:
    def cut_s(seed: int) -> float:
        world = ToyWorld(seed)
        world.on()
        world.open_door()
        world.live(0.05)
        return world.writes[-1][0]

    assert cut_s(3) == cut_s(3)
    assert len({round(cut_s(seed) % POLL_S, 6) for seed in range(8)}) > 4


def test_an_engine_that_stops_renewing_is_cut_in_time() -> None:
    world = ToyWorld()
    world.on()
    world.port.renew()
    silent_s = world.time_s
    world.live(1.0, renew=False)
    cut_s = next(at_s for at_s, coils in world.writes if at_s > silent_s and not coils[0])
    assert 0.5 <= cut_s - silent_s <= 0.5 + 2 * POLL_S


def test_a_bad_link_is_lost_after_the_fresh_time_and_comes_back_by_proof() -> None:
    world = ToyWorld()
    world.on()
    world.live(1.0)
    bad_s = world.time_s
    world.link_is_bad = True
    world.port.changed(bad_s)
    world.until(lambda: world.port.cause() is not None, within_s=1.0)
    assert world.time_s - bad_s <= 0.25 + 2 * POLL_S
    assert world.port.snapshot().bench_state == BenchState.OFF_NOT_PROVEN
    world.link_is_bad = False
    world.until(lambda: world.port.snapshot().bench_state == BenchState.READY_FOR_OPERATION, within_s=5.0)
    assert world.toy.dead


def test_an_idle_bench_has_nothing_due_and_its_snapshot_is_fresh() -> None:
    world = ToyWorld()
    world.live(0.1)
    assert world.port.due_s() == math.inf
    world.live(100.0)
    assert world.port.snapshot().age_s(world.time_s) < 0.25
    assert not world.port.lost()


def test_an_answer_that_never_comes_is_a_refusal() -> None:
    world = ToyWorld()
    world.toy.store_v = 1700.0
    reply = world.port.ask("prove_off", 0.05, lambda: None)
    assert not reply.granted
    assert "did not answer within 0.05 s" in reply.sentence


def test_a_store_that_discharges_is_proven_off_as_soon_as_it_is() -> None:
    world = ToyWorld()
    world.on()
    world.port.ask("switch_off", 1.0, lambda: None, output="high_voltage")
    since_s = world.time_s
    assert world.port.ask("prove_off", 8.0, lambda: None).granted
    assert world.time_s - since_s < 1.5, "the toy's store is at 50 V after 1.2 s"


def test_events_are_handed_out_once() -> None:
    world = ToyWorld()
    world.live(0.1)
    assert "bench_state" in [event["event"] for event in world.port.events()]
    assert world.port.events() == []
