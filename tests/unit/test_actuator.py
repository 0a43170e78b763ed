"""An actuator on a memory link: what is refused before anything is sent, what is found after, and what always holds."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.equipment.actuator import MotionActuator, MotionRules
from drivers.equipment.family import instrument_for
from drivers.equipment.motion_controller import rest_proof
from drivers.equipment.off import OFF_S, off_all_stepped
from drivers.equipment.protocols import Identity, InstrumentFault, MotionLimits
from drivers.links.base import SLICE_S, Link, LinkFault
from drivers.links.memory import MemoryTransport
from tests.contract.faces import LineFace
from tests.contract.motion_peer import FAULTS, Controller
from tests.contract.peers import Abandoned, FakePace, MemoryPeer

EXPECTED = Identity("Made-up Instruments", "GX-3", "GX3-0007")
LIMITS = MotionLimits(-20.0, 60.0, 4000.0)


class Bench:
    """An actuator and its controller on the fake clock."""

    def __init__(self, kind: str, rules: MotionRules | None = None) -> None:
        self.pace = FakePace()
        self.controller = Controller(kind=kind)
        self.port = MemoryPeer(LineFace(), self.pace)
        self.port.script = self.controller
        link = Link("gantry", MemoryTransport(self.port), self.pace)
        made = instrument_for(f"motion-{kind}", link, EXPECTED, motion=rules)
        assert isinstance(made, MotionActuator)
        self.actuator = made

    def ready(self) -> Bench:
        self.actuator.open()
        self.actuator.prepare(LIMITS)
        return self


@pytest.fixture(params=["words", "lines"])
def bench(request: pytest.FixtureRequest) -> Bench:
    return Bench(request.param).ready()


# ---- before anything is sent


@pytest.mark.parametrize("to_mm", [-20.001, 60.001, float("nan"), float("inf")])
def test_a_target_outside_the_soft_limits_is_not_sent(bench: Bench, to_mm: float) -> None:
    before = list(bench.controller.messages)
    for move in (bench.actuator.move, bench.actuator.touch_off):
        with pytest.raises(InstrumentFault, match="nothing was sent") as caught:
            move(to_mm, 120.0)
        assert caught.value.code == "outside_limits"
    assert bench.controller.messages == before


def test_without_soft_limits_nothing_is_sent(bench: Bench) -> None:
    fresh = Bench(bench.controller.kind)
    fresh.actuator.open()
    with pytest.raises(InstrumentFault, match="prepare it first") as caught:
        fresh.actuator.move(5.0, 120.0)
    assert caught.value.code == "outside_limits"
    assert fresh.controller.moves == []


def test_an_axis_that_is_not_homed_is_not_moved(bench: Bench) -> None:
    bench.controller.homed = False
    with pytest.raises(InstrumentFault) as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == "not_homed"
    assert bench.controller.moves == []
    bench.actuator.home()
    assert bench.actuator.move(5.0, 120.0).encoder_mm == 5.0


@pytest.mark.parametrize("speed_mm_s", [0.0, -5.0, float("nan"), float("inf")])
def test_a_speed_that_is_none_is_our_own_error(bench: Bench, speed_mm_s: float) -> None:
    with pytest.raises(ValueError, match="a speed of"):
        bench.actuator.move(5.0, speed_mm_s)
    assert bench.controller.moves == []


def test_settings_that_it_did_not_take_are_named_and_nothing_may_be_moved(bench: Bench) -> None:
    bench.controller.keeps_limits = False
    with pytest.raises(InstrumentFault, match="highest position: asked for 55 mm, it took 60 mm") as caught:
        bench.actuator.prepare(replace(LIMITS, highest_mm=55.0))
    assert caught.value.code == "settings_changed"
    with pytest.raises(InstrumentFault, match="no soft limits"):
        bench.actuator.move(5.0, 120.0)


# ---- after it was sent


def test_an_old_encoder_reading_is_told_from_an_axis_that_is_elsewhere(bench: Bench) -> None:
    bench.controller.stale = True
    with pytest.raises(InstrumentFault, match="it did not move, or the reading is old") as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == "stale_encoder"
    bench.controller.stale = False
    bench.actuator.move(40.0, 120.0)
    bench.controller.slips_mm = 0.35
    with pytest.raises(InstrumentFault, match=r"its encoder says 5\.35 mm") as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == "not_reached"
    assert bench.actuator.move(40.0, 120.0, confirm_within_mm=0.5).encoder_mm == 40.35


@pytest.mark.parametrize(
    ("word", "code", "says"),
    [
        ("limit", "limit", "a limit ended the motion"),
        ("lost_steps", "alarm", "alarm: lost steps"),
        ("drive_off", "alarm", "alarm: drive off"),
        ("not_homed", "not_homed", "home it"),
    ],
)
def test_an_alarm_has_a_code_and_lets_nothing_move_before_it_is_cleared(
    bench: Bench, word: str, code: str, says: str
) -> None:
    bench.controller.next_alarm = word
    with pytest.raises(InstrumentFault) as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == code
    assert says.lower() in caught.value.sentence.lower()
    with pytest.raises(InstrumentFault) as again:
        bench.actuator.move(6.0, 120.0)
    assert again.value.code == code
    assert bench.controller.moves == [("move", 5.0)]
    bench.actuator.clear_alarm()
    assert bench.actuator.move(6.0, 120.0).encoder_mm == 6.0


def test_a_motion_that_was_stopped_on_the_way_is_not_reached(bench: Bench) -> None:
    bench.controller.interrupted = True
    with pytest.raises(InstrumentFault, match="stopped on the way and rests at 50 mm") as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == "not_reached"


def test_a_controller_that_was_without_power_has_forgotten_and_may_have_moved(bench: Bench) -> None:
    bench.actuator.move(5.0, 120.0)
    bench.controller.motion_faults = ["restarted"]
    with pytest.raises(InstrumentFault, match="it was without power") as caught:
        bench.actuator.move(40.0, 120.0)
    assert caught.value.code == "not_homed"
    assert bench.actuator.home().homed
    assert bench.actuator.move(40.0, 120.0).encoder_mm == 40.0


def test_recovering_from_lost_power_says_that_the_motion_may_have_been_taken(bench: Bench) -> None:
    bench.actuator.move(5.0, 120.0)
    bench.controller.motion_faults = ["cut"]
    with pytest.raises(LinkFault):
        bench.actuator.move(40.0, 120.0)
    bench.controller.faults = ["restarted"]
    recovered = bench.actuator.recover()
    assert (recovered.taken, recovered.done, recovered.state.homed) == (True, False, False)
    assert bench.actuator.recover().line == 0


def test_a_call_that_was_abandoned_is_recovered_and_says_what_became_of_the_motion(bench: Bench) -> None:
    """A protective stop ends the wait for an answer: the link is out of service, the motion under way."""
    bench.controller.motion_faults = ["lost"]
    bench.pace.abandon_at = len(bench.pace.slices) + 1
    with pytest.raises(Abandoned):
        bench.actuator.move(5.0, 120.0)
    bench.pace.abandon_at = 0
    with pytest.raises(LinkFault, match="out of service"):
        bench.actuator.move(40.0, 120.0)
    recovered = bench.actuator.recover()
    assert (recovered.taken, recovered.done) == (True, True)
    assert bench.controller.moves == [("move", 5.0)]


def test_it_waits_for_a_motion_that_takes_its_time_and_ends_with_the_deadline_for_one_that_never_rests() -> (
    None
):
    bench = Bench("lines", MotionRules(move_within_s=1.0)).ready()
    bench.controller.moving_for = 20
    assert bench.actuator.move(5.0, 120.0).encoder_mm == 5.0
    bench.controller.moving_for = 10_000
    began_s = bench.pace.time_s
    with pytest.raises(LinkFault) as caught:
        bench.actuator.move(40.0, 120.0)
    assert caught.value.code == "timeout"
    assert bench.pace.time_s - began_s <= 1.0 + 1e-6


def test_the_pace_is_looked_at_while_the_state_is_asked_for() -> None:
    """The run's renewal of the monitor hangs on it, and an abort."""
    bench = Bench("lines").ready()
    bench.controller.moving_for = 60
    bench.pace.slices[:] = [bench.pace.time_s]
    bench.actuator.move(5.0, 120.0)
    times = [*bench.pace.slices, bench.pace.time_s]
    assert max(after - before for before, after in pairwise(times)) < SLICE_S
    assert times[-1] - times[0] > 5 * SLICE_S


def test_stops_and_a_touch_off_without_points(bench: Bench) -> None:
    assert not bench.actuator.bring_to_rest().moving
    bench.controller.points = "" if bench.controller.kind == "words" else "0.000:0.00"
    if bench.controller.kind == "words":
        with pytest.raises(InstrumentFault, match="no points") as caught:
            bench.actuator.touch_off(-12.0, 5.0)
        assert caught.value.code == "no_capture"
    else:
        assert bench.actuator.touch_off(-12.0, 5.0).positions_mm.shape == (1,)
    bench.actuator.stop_at_once()
    assert bench.controller.stops == ["category 1", "category 0"]
    assert not bench.actuator.state().homed


def test_a_line_cut_off_before_does_not_spoil_the_first_question_after_opening(bench: Bench) -> None:
    bench.actuator.link.write(b"N9 G01 Z5", 1.0)
    bench.actuator.link.condemn("timeout", "took only 9 bytes")
    assert bench.actuator.recover().state.homed
    assert bench.controller.moves == []


def test_an_answer_to_another_message_than_was_asked_is_rubbish(bench: Bench) -> None:
    """A motion's end that nobody asked for: some other master moves this axis, or the numbers are not ours."""
    bench.port._ready += b"done N77 Z5.000 E5.000\n" if bench.controller.kind == "words" else b"+\n"
    with pytest.raises(LinkFault) as caught:
        bench.actuator.move(5.0, 120.0)
    assert caught.value.code == "rubbish"
    assert bench.controller.moves == []


def test_homing_that_never_arrived_leaves_it_not_homed(bench: Bench) -> None:
    bench.controller.homed = False
    bench.controller.motion_faults = ["never arrived"]
    with pytest.raises(InstrumentFault, match="home it") as caught:
        bench.actuator.home()
    assert caught.value.code == "not_homed"
    assert bench.controller.moves == []
    assert bench.actuator.home().homed


# ---- the way to safe


def test_the_way_to_safe_asks_until_it_is_at_rest(bench: Bench) -> None:
    bench.controller._moving = 5

    def let_run(for_s: float) -> None:
        bench.pace.time_s += for_s

    [result] = off_all_stepped([bench.actuator.off_write], let_run, bench.pace.now_s)
    assert (result.sent, result.confirmed, result.why) == (True, True, "")
    questions = [text for text in bench.controller.messages if "M900" in text or text == "STATE?"]
    assert len(questions) >= 5


def test_an_axis_that_does_not_come_to_rest_is_sent_and_not_confirmed(bench: Bench) -> None:
    bench.controller._moving = 10_000
    began_s = bench.pace.time_s

    def let_run(for_s: float) -> None:
        bench.pace.time_s += for_s

    [result] = off_all_stepped([bench.actuator.off_write], let_run, bench.pace.now_s)
    assert (result.sent, result.confirmed) == (True, False) or "not all sent" in result.why
    assert not result.confirmed
    assert bench.controller.stops == ["category 1"]
    assert bench.pace.time_s - began_s < OFF_S + 0.05


@pytest.mark.parametrize(
    ("lines", "verdict"),
    [
        ([b"ok N0"], "not yet"),
        ([b"ok N0", b"state N0 L1 D1 Z5.0 E5.0 moving=1 homed=1 alarm=none"], "ask again"),
        ([b"ok N0", b"state N0 L1 D1 Z5.0 E5.0 moving=0 homed=1 alarm=none"], "confirmed"),
        ([b"state N0 L1 D1 Z5.0 E5.0 moving=0 homed=1 alarm=none"], "ask again"),
        ([b"ok N0", b"state N7 L1 D1 Z5.0 E5.0 moving=0 homed=1 alarm=none"], "not yet"),
        ([b"ok N7", b"state N0 L1 D1 Z5.0 E5.0 moving=0 homed=1 alarm=none"], "ask again"),
        ([b"ok N0", b"sta\xffte"], "ask again"),
        ([b"ok N0", b"resend N9 checksum"], "not yet"),
    ],
)
def test_what_proves_rest_in_words(lines: list[bytes], verdict: str) -> None:
    assert rest_proof(Bench("words").actuator.codec)(lines) == verdict


def test_in_lines_a_state_that_came_late_proves_nothing() -> None:
    proof = rest_proof(Bench("lines").actuator.codec)
    state = b"ID=1 DONE=1 Z=5.0 E=5.0 MOVING=0 HOMED=1 ALARM=NONE"
    assert proof([state, b"+"]) == "not yet"
    assert proof([b"+", state]) == "ask again"
    assert proof([b"+", state, state]) == "confirmed"
    assert proof([b"+", state, state.replace(b"MOVING=0", b"MOVING=1"), state]) == "ask again"


# ---- what always holds

WAYS = st.lists(st.sampled_from(["", "", "", *FAULTS, "restarted"]), max_size=6)
JOBS = st.lists(st.tuples(st.sampled_from(["move", "home", "touch_off"]), WAYS, WAYS), min_size=1, max_size=6)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(["words", "lines"]), JOBS)
def test_every_motion_is_carried_out_at_most_once_whatever_becomes_of_messages_and_answers(
    kind: str, jobs: list[tuple[str, list[str], list[str]]]
) -> None:
    bench = Bench(kind, MotionRules(confirm_within_mm=0.2, move_within_s=1.5, home_within_s=2.0)).ready()
    controller, actuator = bench.controller, bench.actuator
    for at, (job, ways, motion_ways) in enumerate(jobs):
        before = len(controller.moves)
        target = float(10 * (at % 5) - 12)
        controller.faults, controller.motion_faults = list(ways), motion_ways[:1]
        try:
            state = actuator.home() if job == "home" else getattr(actuator, job)(target, 120.0)
        except (LinkFault, InstrumentFault) as fault:
            assert len(controller.moves) - before <= 1, fault
            if isinstance(fault, InstrumentFault) and "did not take the motion" in fault.sentence:
                assert len(controller.moves) == before
            _recover(bench, before)
            continue
        assert len(controller.moves) - before == 1
        done = state.state if job == "touch_off" else state
        assert not done.moving
        assert job == "home" or abs(done.encoder_mm - target) <= 0.2
    assert len(controller.moves) <= len(jobs)


def _recover(bench: Bench, before: int) -> None:
    """As a run does it before it goes on; what it says of the motion must not hide that it was carried out."""
    moved = len(bench.controller.moves) - before
    with contextlib.suppress(LinkFault, InstrumentFault):  # with faults still on the way
        bench.actuator.recover()
    bench.controller.faults, bench.controller.motion_faults = [], []
    asked = bench.actuator._asked
    recovered = bench.actuator.recover()
    assert len(bench.controller.moves) - before == moved
    if moved and asked:
        assert recovered.taken
    if not recovered.state.homed:
        bench.controller.homed = True  # a person homes it
