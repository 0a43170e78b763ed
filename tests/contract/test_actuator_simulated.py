"""The actuator's driver against the simulated gantry, in both dialects: moves in the truth log are moves commanded.

Driver and simulator have a codec each and share none of it. The plant's clock is the fake one: every second of motion
and every late answer is there, and none of it is waited for.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.equipment.actuator import MotionActuator, MotionRules
from drivers.equipment.family import instrument_for
from drivers.equipment.off import off_all_stepped
from drivers.equipment.protocols import Identity, InstrumentFault, MotionLimits
from drivers.links.base import Link, LinkFault
from drivers.links.memory import MemoryTransport
from simulators.endurance.axis import Axis, AxisBuild
from simulators.endurance.lines_dialect import LinesGantry
from simulators.endurance.words_dialect import WordsGantry
from simulators.scpi import Identity as SimulatedIdentity
from simulators.truth import TruthLog
from tests.contract.peers import Abandoned, FakePace

OURS = SimulatedIdentity("Made-up Instruments", "GX-3", "GX3-0007", "1.0")
EXPECTED = Identity("Made-up Instruments", "GX-3", "GX3-0007")
LIMITS = MotionLimits(-20.0, 60.0, 4000.0)
DIALECTS = ("words", "lines")


class Bench:
    """One simulated gantry with its brake lifted, and the port of a memory link to it."""

    def __init__(self, dialect: str) -> None:
        self.pace = FakePace()
        self.truth = TruthLog()
        rng = np.random.default_rng(5)
        self.axis = Axis(AxisBuild(), self.truth, rng)
        kind = WordsGantry if dialect == "words" else LinesGantry
        self.gantry = kind(
            self.axis.live, self.axis, OURS, lambda at_mm: np.clip(-8.0 * at_mm, 0.0, 80.0), rng
        )
        self.axis.brake(False, self.pace.time_s)
        made = instrument_for(
            f"motion-{dialect}",
            Link("gantry", MemoryTransport(self), self.pace),
            EXPECTED,
            motion=MotionRules(),
        )
        assert isinstance(made, MotionActuator)
        self.actuator = made

    def moves(self) -> list[float]:
        """Where every motion led that the axis really began."""
        return [round(entry["to_mm"], 3) for entry in self.truth.entries if entry["event"] == "move"]

    # ---- the port

    def connect(self) -> None:
        if not self.gantry.accepts(self.pace.time_s):
            raise ConnectionRefusedError("nobody there")
        self.gantry.link_opened(self.pace.time_s)

    def close(self) -> None:
        self.gantry.link_closed(self.pace.time_s)

    def send(self, data: bytes) -> int:
        self._require_there()
        self.gantry.receive(data, self.pace.time_s)
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        until_s = self.pace.time_s + until_s_from_now
        while not (data := b"".join(each for _, each in self.gantry.advance(self.pace.time_s))):
            self._require_there()
            due_s = min(self.axis.due_s, self.gantry.next_due_s(), until_s)
            if self.pace.time_s >= until_s:
                return b""
            self.pace.time_s = max(due_s, math.nextafter(self.pace.time_s, math.inf))
        assert len(data) <= limit
        return data

    def _require_there(self) -> None:
        if not self.gantry.accepts(self.pace.time_s):
            raise ConnectionResetError("the line was pulled")


def homed(dialect: str) -> Bench:
    bench = Bench(dialect)
    bench.actuator.open()
    bench.actuator.prepare(LIMITS)
    assert bench.actuator.home().homed
    return bench


@pytest.mark.parametrize("dialect", DIALECTS)
def test_a_cycle_and_a_touch_off_as_the_axis_really_does_them(dialect: str) -> None:
    bench = homed(dialect)
    began_s = bench.pace.time_s
    state = bench.actuator.move(5.0, 120.0)
    assert state.encoder_mm == pytest.approx(5.0, abs=0.02)
    assert bench.pace.time_s - began_s == pytest.approx(45.0 / 120.0 + 0.03, abs=0.02)
    touch = bench.actuator.touch_off(-5.0, 5.0)
    assert touch.forces_n[-1] == pytest.approx(40.0, abs=0.5)
    assert touch.positions_mm[0] == pytest.approx(5.0, abs=0.02)
    bench.actuator.move(5.0, 120.0)
    assert len(bench.moves()) == 4


@pytest.mark.parametrize("dialect", DIALECTS)
def test_stop_category_1_in_a_motion_brings_it_to_rest_and_recovering_says_so(dialect: str) -> None:
    bench = homed(dialect)
    bench.pace.abandon_at = len(bench.pace.slices) + 1
    with pytest.raises(Abandoned):
        bench.actuator.move(-12.0, 60.0)
    bench.pace.abandon_at = 0
    assert bench.axis.moving

    def let_run(for_s: float) -> None:
        bench.pace.time_s += for_s

    [result] = off_all_stepped([bench.actuator.off_write], let_run, bench.pace.now_s)
    assert result.confirmed, result
    assert not bench.axis.moving
    recovered = bench.actuator.recover()
    assert (recovered.taken, recovered.done) == (True, False)
    assert len(bench.moves()) == 2


FAULTS = (
    "silent",
    "hung",
    "late:0.4 s",
    "late:3 s",
    "dribble:0.05 s",
    "garbled",
    "truncated",
    "twice",
    "dropped",
)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(DIALECTS),
    st.lists(st.tuples(st.integers(1, 5), st.sampled_from(FAULTS)), max_size=5),
    st.integers(2, 5),
)
def test_moves_in_the_truth_log_are_moves_commanded(
    dialect: str, plan: list[tuple[int, str]], cycles: int
) -> None:
    bench = homed(dialect)
    at = bench.gantry.exchanges
    for ahead, fault in plan:
        at += ahead
        bench.gantry.plan_fault(at, fault)
    for number in range(cycles):
        before = len(bench.moves())
        target = (5.0, -12.0)[number % 2]
        try:
            bench.actuator.move(target, 120.0)
        except (LinkFault, InstrumentFault):
            assert len(bench.moves()) - before <= 1
            _recover(bench)
            continue
        assert len(bench.moves()) - before == 1
    assert len(bench.moves()) <= cycles + 1


def _recover(bench: Bench) -> None:
    for _ in range(8):
        bench.pace.time_s += 0.1
        try:
            bench.actuator.recover()
        except (LinkFault, InstrumentFault):
            continue
        return
    raise AssertionError("it was not recovered")
