"""What must hold whatever happens: random acts of people, engine, link and hardware on the toy bench.

`BENCHWARD_STRINGS=100000` in the environment runs the full set; the default run is a sample of it.
"""

from __future__ import annotations

import os
import random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.core.states import BENCH_TABLE, BenchState
from orchestrator.monitor.logic import Monitor
from tests.monitor_bench import INTERLOCK, PROVEN, ToyBench, rules

STRINGS = int(os.environ.get("BENCHWARD_STRINGS", "80"))
POLL_S = 0.005
ACTS: list[dict[str, Any]] = [
    {"act": "arm", "interlock": INTERLOCK, "by": "B. Example"},
    {"act": "arm", "interlock": ["door"], "by": "B. Example"},
    {"act": "switch_on", "output": "high_voltage", "interlock": INTERLOCK},
    {"act": "switch_on", "output": "leakage", "interlock": ["door"]},
    {"act": "switch_off", "output": "high_voltage"},
    {"act": "switch_off", "output": "leakage"},
    {"act": "disarm", "by": "B. Example"},
    {"act": "prove_off"},
    {"act": "release", "by": "C. Example"},
    {"act": "switch_on_signalling"},
    {"act": "switch_off_signalling"},
    {"act": "abort", "who": "A. Example"},
    {"act": "clear_cause"},
    {"act": "engine_gone"},
]
SETTINGS: list[tuple[Any, ...]] = [
    *[("input", name, value) for name in INTERLOCK for value in (True, False)],
    ("input", "door", (True, False)),
    ("link", False),
    ("engine", False),
    ("weld", True),
    ("charge", 400.0),
    ("mend",),
]
LIVE = [("live", 1), ("live", 20), ("live", 120), ("live", 500)]
USUAL = [
    ("act", ACTS[0]),
    ("live", 3),
    ("act", ACTS[2]),
    ("live", 420),
]


class Judge:
    """Runs the monitor on the toy bench and asserts what must hold after every single turn."""

    def __init__(self) -> None:
        self.toy = ToyBench()
        self.rules = rules(stop_category=0)
        self.monitor = Monitor(self.rules, proven_age_s=PROVEN)
        self.now_s = 0.0
        self.link = self.engine = True
        self.heard_s = 0.0
        self.renewed_s = 0.0
        self.warned_s = 0.0
        self.entered = 0

    def do(self, step: tuple[Any, ...]) -> None:
        if step[0] == "live":
            for _ in range(step[1]):
                self.turn([])
        elif step[0] == "act":
            self.turn([{"id": 1, **step[1]}])
        else:
            self.change(*step)
            self.turn([])

    def change(self, what: str, *how: Any) -> None:
        if what == "input":
            channels = how[1] if isinstance(how[1], tuple) else (how[1],)
            self.toy.set(how[0], *channels)
        elif what == "charge":
            self.toy.store_v = how[0]
        elif what == "weld":
            self.toy.welded = how[0]
        elif what == "mend":
            self.link = self.engine = True
            self.toy.welded = False
            for coil in self.toy.closed_contactor:
                self.toy.closed_contactor[coil] &= self.toy.coils[coil]
            self.toy.channels = [True] * 6
        else:
            setattr(self, what, how[0])

    def turn(self, requests: list[dict[str, Any]]) -> None:
        self.now_s += POLL_S
        self.toy.live_until(self.now_s)
        if self.engine:
            self.monitor.renewed(self.now_s)
            self.renewed_s = self.now_s
        if any(r["act"] == "switch_on" for r in requests):
            self.renewed_s = self.now_s
        reading = self.toy.reading() if self.link else None
        turn = self.monitor.turn(self.now_s, reading, requests)
        if self.link:
            self.heard_s = self.now_s
            self.toy.write(turn.coils)
        assert self.link or not turn.renew_watchdog
        self.judge_coils(turn.coils)
        self.judge_lamp(turn.coils)
        for event in turn.events:
            self.judge_event(event)

    def judge_coils(self, coils: tuple[bool, ...]) -> None:
        """Energy is commanded only with everything closed in the newest reading, a living engine and a heard link."""
        if not any(coils[:4]):
            return
        contactors = coils[0] or coils[3]
        assert self.now_s - self.heard_s < self.rules.fresh_s, "energy commanded although nothing is heard"
        if contactors:
            door_and_stop = all(self.toy.channels[c] for c in (0, 1, 3, 4))
            assert door_and_stop or not self.link, "a contactor commanded on with an interlock open"
            assert self.now_s - self.renewed_s < self.rules.renew_s, "a contactor on without a living engine"
            assert not coils[6], "the horn is over before energy"
            assert coils[2], "the earth is lifted before energy"
        assert not (coils[0] and coils[3])

    def judge_lamp(self, coils: tuple[bool, ...]) -> None:
        red, green = coils[4], coils[5]
        assert not (red and green)
        assert not (green and any(coils[:4]))
        if green and self.link:
            assert self.toy.dead, "green with energy in the bench"
        if self.link and not self.toy.dead:
            assert red, "energy in the bench without a red lamp"

    def judge_event(self, event: dict[str, Any]) -> None:
        if event["event"] == "warning":
            self.warned_s = event["at_s"]
        if event["event"] != "bench_state":
            return
        rows = [t for t in BENCH_TABLE if (t.source, t.event) == (event["from"], event["because"])]
        assert [t.target for t in rows] == [event["to"]]
        if event["to"] == BenchState.IN_OPERATION:
            self.entered += 1
            assert all(self.toy.channels[c] for c in (0, 1, 3, 4)), "in operation with an interlock open"
            assert event["at_s"] - self.warned_s >= 1.0, "the warning was cut short"
        if event["from"] == BenchState.IN_OPERATION and event["because"] != "proof_failed":
            assert self.link
            assert self.toy.dead, "in operation was left without proof"
        if event["from"] == BenchState.OFF_NOT_PROVEN:
            assert event["because"] == "release"
            assert self.toy.dead


STEPS = st.one_of(
    st.sampled_from([("act", act) for act in ACTS]), st.sampled_from(SETTINGS), st.sampled_from(LIVE)
)


@settings(max_examples=max(STRINGS // 5, 40), deadline=None)
@given(st.lists(STEPS, max_size=25), st.lists(STEPS, max_size=12))
def test_whatever_is_done_before_and_while_energised(before: list[Any], after: list[Any]) -> None:
    judge = Judge()
    for step in [*before, ("mend",), *USUAL, *after]:
        judge.do(step)


def test_random_strings_of_acts_and_faults() -> None:
    """Seeded strings of 40 steps; they must reach operation often enough to mean something."""
    rng = random.Random(50191)
    entered = 0
    for _ in range(STRINGS // 5):
        judge = Judge()
        for _ in range(10):
            steps = rng.choices([USUAL, [("mend",)], [rng.choice(LIVE)]], [3, 2, 2])[0]
            steps = [*steps, ("act", rng.choice(ACTS)), rng.choice(SETTINGS), rng.choice(LIVE[:3])]
            for step in steps:
                judge.do(step)
        entered += judge.entered
    assert entered > STRINGS / 20


def test_after_any_string_the_bench_ends_off() -> None:
    """Mended, left alone by everybody: off is proven, or the start is blocked; never on."""
    rng = random.Random(60204)
    ends = set()
    for _ in range(STRINGS // 10):
        judge = Judge()
        steps = [*USUAL, *(rng.choice([*SETTINGS, *LIVE, *[("act", a) for a in ACTS]]) for _ in range(6))]
        for step in steps:
            judge.do(step)
        judge.engine = False
        judge.change("mend")
        judge.engine = False
        for _ in range(1500):
            judge.turn([])
        assert judge.toy.dead
        assert judge.monitor.proof is not None
        assert judge.monitor.proof.safe
        ends.add(judge.monitor.bench_state)
    assert BenchState.READY_FOR_OPERATION in ends
    assert BenchState.IN_OPERATION not in ends
