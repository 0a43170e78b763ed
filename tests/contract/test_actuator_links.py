"""An actuator on a pseudo-terminal and in memory, in both dialects: the same named faults, the same outcomes.

The rule behind it: a motion that was commanded once is carried out at most once, whatever becomes of the answers.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.equipment import actuator as actuator_module
from drivers.equipment.actuator import MotionActuator, MotionRules
from drivers.equipment.family import instrument_for, line_of
from drivers.equipment.off import OffResult, off_all_stepped, off_all_threads
from drivers.equipment.protocols import Identity, InstrumentFault, MotionLimits
from drivers.links import transport_to
from drivers.links.base import Link, LinkFault
from drivers.links.memory import MemoryTransport
from drivers.links.serial import SerialTransport
from tests.contract.faces import LineFace
from tests.contract.motion_peer import Controller
from tests.contract.peers import FakePace, MemoryPeer, PtyPeer, RealPace

EXPECTED = Identity("Made-up Instruments", "GX-3", "GX3-0007")
LIMITS = MotionLimits(-20.0, 60.0, 4000.0)
RULES = MotionRules(move_within_s=0.9)
LATE_BY_S = 0.3  # a bound for a busy computer
KINDS = (("memory", "words"), ("memory", "lines"), ("pty", "words"), ("visa pty", "lines"))


@dataclass
class Rig:
    """An actuator, its controller and what is between."""

    actuator: MotionActuator
    controller: Controller
    peer: MemoryPeer | PtyPeer
    pace: FakePace | RealPace

    def carried_out(self) -> list[tuple[str, float]]:
        return self.controller.moves


def build(kind: str, dialect: str, folder: Path) -> Rig:
    controller = Controller(kind=dialect)
    pace: FakePace | RealPace
    peer: MemoryPeer | PtyPeer
    if kind == "memory":
        pace = FakePace()
        peer = MemoryPeer(LineFace(), pace)
        link = Link("gantry", MemoryTransport(peer), pace)
    else:
        pace = RealPace()
        peer = PtyPeer(LineFace(), folder)
        line = line_of(f"motion-{dialect}")
        transport = transport_to(peer.resource, "visa" if kind == "visa pty" else "socket", line=line)
        link = Link("gantry", transport, pace)
    peer.script = controller
    actuator = instrument_for(f"motion-{dialect}", link, EXPECTED, motion=RULES)
    assert isinstance(actuator, MotionActuator)
    return Rig(actuator, controller, peer, pace)


@pytest.fixture(params=KINDS, ids="-".join)
def rig(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setattr(actuator_module, "ACKNOWLEDGED_S", 0.15)
    monkeypatch.setattr(actuator_module, "ENDED_S", 0.15)
    kind, dialect = request.param
    made = build(kind, dialect, tmp_path)
    made.actuator.open()
    made.actuator.prepare(LIMITS)
    yield made
    made.actuator.close()
    made.peer.end()


def test_moves_home_and_touch_off_are_carried_out_once_and_confirmed(rig: Rig) -> None:
    assert rig.actuator.home().homed
    state = rig.actuator.move(-12.0, 120.0)
    assert (state.commanded_mm, state.encoder_mm, state.moving) == (-12.0, -12.0, False)
    assert state.line == state.done == rig.actuator.state().done
    touch = rig.actuator.touch_off(-12.0, 5.0)
    assert touch.forces_n.tolist() == [0.0, 2.5, 41.2]
    assert touch.positions_mm.tolist() == [1.0, 0.5, -12.0]
    assert rig.carried_out() == [("home", 50.0), ("move", -12.0), ("move", -12.0)]


CONFIRMED = ("lost", "lost acknowledgement", "lost end", "half", "garbled", "wrong digit", "wrong checksum")


@pytest.mark.parametrize("fault", CONFIRMED)
def test_an_answer_that_is_lost_or_damaged_is_made_up_by_the_state_and_nothing_moves_twice(
    rig: Rig, fault: str
) -> None:
    rig.controller.motion_faults = [fault]
    began_s = rig.pace.now_s()
    state = rig.actuator.move(5.0, 120.0)
    assert (state.commanded_mm, state.encoder_mm) == (5.0, 5.0)
    assert rig.pace.now_s() - began_s < RULES.move_within_s + LATE_BY_S
    rig.actuator.move(-12.0, 120.0)
    assert rig.carried_out() == [("move", 5.0), ("move", -12.0)]


def test_a_doubled_acknowledgement_moves_nothing_twice(rig: Rig) -> None:
    """Known by its number; where it bears none it is rubbish, and the line is opened again and asked."""
    rig.controller.motion_faults = ["doubled", "doubled"]
    assert rig.actuator.move(5.0, 120.0).encoder_mm == 5.0
    assert rig.actuator.move(-12.0, 120.0).encoder_mm == -12.0
    assert rig.carried_out() == [("move", 5.0), ("move", -12.0)]


def test_a_late_acknowledgement_moves_nothing_twice_and_answers_no_later_question(rig: Rig) -> None:
    rig.controller.motion_faults = ["late"]
    state = rig.actuator.move(5.0, 120.0)
    assert state.encoder_mm == 5.0
    assert rig.actuator.state().done == state.done
    rig.actuator.move(-12.0, 120.0)
    assert rig.carried_out() == [("move", 5.0), ("move", -12.0)]


def test_a_motion_that_never_arrived_is_said_not_to_have_moved_and_is_not_sent_again(rig: Rig) -> None:
    rig.controller.motion_faults = ["never arrived"]
    with pytest.raises(InstrumentFault, match=r"did not take the motion.*did not move") as caught:
        rig.actuator.move(5.0, 120.0)
    assert caught.value.code == "not_reached"
    assert rig.carried_out() == []
    rig.actuator.move(5.0, 120.0)  # a new command is the caller's
    assert rig.carried_out() == [("move", 5.0)]


def test_a_motion_that_noise_changed_is_seen_and_not_sent_again(rig: Rig) -> None:
    """By the checksum where there is one; without one it is carried out, and the read-back tells."""
    rig.controller.motion_faults = ["noise"]
    says = {"words": "did not take the motion (checksum)", "lines": "5 mm was asked for, it read 5.8 mm back"}
    with pytest.raises(InstrumentFault, match=re.escape(says[rig.controller.kind])) as caught:
        rig.actuator.move(5.0, 120.0)
    assert caught.value.code == "not_reached"
    assert rig.carried_out() == ([] if rig.controller.kind == "words" else [("move", 5.8)])
    assert rig.actuator.move(5.0, 120.0).encoder_mm == 5.0


def test_dribbled_answers_end_with_the_deadline(rig: Rig) -> None:
    rig.controller.faults = ["dribble"] * 20
    began_s = rig.pace.now_s()
    with pytest.raises(LinkFault) as caught:
        rig.actuator.move(5.0, 120.0)
    assert caught.value.code in ("timeout", "rubbish")
    assert rig.pace.now_s() - began_s < RULES.move_within_s + LATE_BY_S
    assert len(rig.carried_out()) <= 1
    rig.controller.faults.clear()
    rig.peer.release()
    assert not rig.actuator.recover().state.moving


def test_unplugged_in_a_motion_is_lost_and_recovering_says_what_became_of_it(rig: Rig) -> None:
    rig.controller.motion_faults = ["cut"]
    with pytest.raises(LinkFault) as caught:
        rig.actuator.move(5.0, 120.0)
    assert caught.value.code == "lost"
    assert "closed" in str(caught.value) or "the line was pulled" in str(caught.value)
    rig.peer.release()  # plugged in again
    recovered = rig.actuator.recover()
    assert (recovered.taken, recovered.done) == (True, True)
    assert recovered.line == recovered.state.line
    assert rig.controller.stops == ["category 1"]
    assert rig.carried_out() == [("move", 5.0)]
    rig.actuator.move(-12.0, 120.0)
    assert len(rig.carried_out()) == 2


def test_unplugged_while_idle_nothing_is_sent_and_recovering_says_so(rig: Rig) -> None:
    rig.actuator.move(5.0, 120.0)
    rig.peer.drop()
    with pytest.raises(LinkFault) as caught:
        rig.actuator.move(-12.0, 120.0)
    assert caught.value.code == "lost"
    rig.peer.release()
    recovered = rig.actuator.recover()
    assert recovered.state.encoder_mm == 5.0
    assert rig.carried_out() == [("move", 5.0)]


def test_unplugged_for_good_is_refused_in_one_plain_sentence(rig: Rig) -> None:
    rig.peer.drop()
    rig.peer.stop_listening()
    with pytest.raises(LinkFault):
        rig.actuator.move(5.0, 120.0)
    with pytest.raises(LinkFault) as caught:
        rig.actuator.recover()
    assert caught.value.code == "refused"
    assert "gantry: cannot be opened" in str(caught.value)
    assert rig.carried_out() == []


def test_another_device_that_answers_is_not_moved(rig: Rig) -> None:
    rig.controller.identity = "Made-up Instruments,GX-3,GX3-0099,1.0"
    rig.peer.restart()
    with pytest.raises(LinkFault):
        rig.actuator.move(5.0, 120.0)
    rig.peer.release()
    with pytest.raises(InstrumentFault) as caught:
        rig.actuator.recover()
    assert caught.value.code == "wrong_instrument"
    assert caught.value.sentence == "the bench file says serial 'GX3-0007', this one says 'GX3-0099'"
    with pytest.raises(LinkFault, match="out of service"):
        rig.actuator.move(5.0, 120.0)
    assert rig.carried_out() == []


def test_the_way_to_safe_over_the_link_in_service_and_after_it_is_out_of_service(rig: Rig) -> None:
    for out_of_service in (False, True):
        if out_of_service:
            rig.actuator.link.condemn("timeout", "no answer")
        rig.controller.moving_for = 3
        rig.controller._moving = 3
        [result] = _on_the_way_to_safe(rig)
        assert result.confirmed, result
        assert rig.actuator.link.in_service is not out_of_service
    assert rig.controller.stops == ["category 1"] * 2
    assert rig.carried_out() == []


def _on_the_way_to_safe(rig: Rig) -> list[OffResult]:
    pace = rig.pace
    if not isinstance(pace, FakePace):
        return off_all_threads([rig.actuator.off_write], deadline_s=1.0)

    def let_run(for_s: float) -> None:
        pace.time_s += for_s

    return off_all_stepped([rig.actuator.off_write], let_run, pace.now_s)


def test_back_under_another_name_is_refused_by_the_old_one_and_found_by_the_new(tmp_path: Path) -> None:
    """As a serial adapter does that is plugged in again while its old name is still in use."""
    rig = build("pty", "words", tmp_path)
    rig.actuator.open()
    rig.peer.stop_listening()
    (tmp_path / "moved").mkdir()
    elsewhere = PtyPeer(LineFace(), tmp_path / "moved")
    elsewhere.script = rig.controller
    with pytest.raises(LinkFault) as caught:
        rig.actuator.recover()
    assert caught.value.code == "refused"
    assert "it is unplugged, or came back under another name" in str(caught.value)
    moved = MotionActuator(
        Link("gantry", transport_to(elsewhere.resource, "socket", line=line_of("motion-words")), rig.pace),
        rig.actuator.codec.dialect,
        EXPECTED,
    )
    assert moved.open().serial == "GX3-0007"
    moved.close()
    elsewhere.end()


def test_the_serial_line_has_the_dialects_format_through_visa_and_without(tmp_path: Path) -> None:
    peer = PtyPeer(LineFace(), tmp_path)
    for kind in ("visa", "socket"):
        transport = transport_to(
            peer.resource, "visa" if kind == "visa" else "socket", line=line_of("motion-words")
        )
        assert transport.open(2.0)
        port = transport._session.interface if kind == "visa" else transport._port  # type: ignore[attr-defined]
        assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (115200, 8, "N", 1)
        assert port.exclusive
        fresh = transport.fresh()
        assert isinstance(fresh, SerialTransport)
        assert fresh.settings.baud == 115200
        transport.close()
        assert fresh.open(2.0)
        fresh.close()
    peer.end()
    assert line_of("contact-recorder") is None


def test_the_way_to_safe_needs_no_second_opening_beside_an_open_line(tmp_path: Path) -> None:
    """The line is ours alone: the way to safe closes what it does not use before it opens anew, in its own thread."""
    rig = build("visa pty", "words", tmp_path)
    rig.actuator.open()
    rig.controller.faults = ["never arrived"]
    with pytest.raises(LinkFault):
        rig.actuator.link.ask(b"N1 M900*0\n", 0.05)
    threads = {thread.name for thread in threading.enumerate()}
    [result] = off_all_threads([rig.actuator.off_write], deadline_s=1.0)
    assert result.confirmed, result
    assert {thread.name for thread in threading.enumerate()} <= threads | {"off gantry"}
    assert rig.actuator.recover().state.homed
    rig.actuator.close()
    rig.peer.end()
