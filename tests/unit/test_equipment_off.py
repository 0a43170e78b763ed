"""The way to safe over the instruments' own links: stepped on the fake clock, and in threads."""

from __future__ import annotations

import threading
import time

import pytest

from drivers.equipment.off import OFF_S, OffResult, OffWrite, off_all_stepped, off_all_threads
from drivers.links.base import Link, LinkFault, OwnPace, Transport
from tests.contract.peers import FakePace
from tests.contract.scripted import ScriptedInstrument

LATE_BY_S = 0.3  # a bound for a busy computer
OFF = ("ABORt", "OUTPut OFF")


def source(pace: FakePace, name: str = "generator") -> tuple[OffWrite, ScriptedInstrument, Link]:
    device = ScriptedInstrument(pace, {"OUTPut?": "0"})
    link = device.link(name)
    return OffWrite(link, OFF, "OUTPut?", "0"), device, link


def step_all(machines: list[OffWrite], pace: FakePace) -> list[OffResult]:
    def wait(for_s: float) -> None:
        pace.time_s += for_s

    return off_all_stepped(machines, wait, pace.now_s)


def test_over_a_link_in_service_which_stays_in_service() -> None:
    pace = FakePace()
    machine, device, link = source(pace)
    link.open(1.0)
    [result] = step_all([machine], pace)
    assert (result.instrument, result.sent, result.confirmed, result.why) == ("generator", True, True, "")
    assert device.sent == ["ABORt", "OUTPut OFF", "OUTPut?"]
    assert link.in_service
    assert device.connections == 1


def test_a_link_out_of_service_is_opened_anew_and_stays_out_of_service() -> None:
    """Also the late answer on the old connection does not confirm anything."""
    pace = FakePace()
    machine, device, link = source(pace)
    link.open(1.0)
    link.condemn("timeout", "no answer")
    device._waiting = b"0\n"
    device.answers["OUTPut?"] = "1"
    [result] = step_all([machine], pace)
    assert (result.sent, result.confirmed) == (True, False)
    assert result.why == "answered '1\\n', not '0'"
    assert device.connections == 2
    with pytest.raises(LinkFault) as caught:
        link.write(b"*IDN?\n", 1.0)
    assert caught.value.code == "out_of_service"


def test_a_link_that_turns_out_to_be_lost_is_opened_once_more() -> None:
    pace = FakePace()
    machine, device, link = source(pace)
    link.open(1.0)
    device.close()
    [result] = step_all([machine], pace)
    assert result.confirmed
    assert device.connections == 2
    assert not link.in_service


def test_nobody_there() -> None:
    pace = FakePace()
    machine, device, _ = source(pace)
    device.listening = False
    began_s = pace.time_s
    [result] = step_all([machine], pace)
    assert (result.sent, result.confirmed, result.why) == (False, False, "not opened: nobody listens")
    assert pace.time_s - began_s < OFF_S


def test_an_instrument_that_does_not_answer_is_sent_and_not_confirmed_in_time() -> None:
    pace = FakePace()
    machine, device, link = source(pace)
    device.answers["OUTPut?"] = None
    link.open(1.0)
    began_s = pace.time_s
    [result] = step_all([machine], pace)
    assert (result.sent, result.confirmed) == (True, False)
    assert result.why == "sent, not confirmed after 200 ms"
    assert pace.time_s - began_s == pytest.approx(OFF_S, abs=0.01)
    assert not link.in_service


def test_one_that_says_nothing_does_not_delay_the_others_in_virtual_time() -> None:
    pace = FakePace()
    silent, silent_device, silent_link = source(pace, "silent")
    silent_device.answers["OUTPut?"] = None
    silent_link.open(1.0)
    others = [source(pace, f"other {at}") for at in range(3)]
    for _, _, link in others:
        link.open(1.0)
    began_s = pace.time_s
    for machine in (silent, *(machine for machine, _, _ in others)):
        machine.start(pace.now_s())
    rounds = 0
    while not all(machine.result().confirmed for machine, _, _ in others):
        rounds += 1
        for machine in (silent, *(machine for machine, _, _ in others)):
            machine.step(pace.now_s(), 0.0)
    assert rounds <= 4
    assert pace.time_s == began_s


def test_a_machine_can_be_started_again() -> None:
    pace = FakePace()
    machine, device, link = source(pace)
    link.open(1.0)
    assert [step_all([machine], pace)[0].confirmed for _ in range(3)] == [True] * 3
    assert device.sent.count("OUTPut OFF") == 3


class HungTransport:
    """A transport whose send never comes back before the test lets it."""

    settle_s = 0.0

    def __init__(self) -> None:
        self.entered = threading.Event()
        self.let_go = threading.Event()

    def open(self, timeout_s: float) -> bool:
        return True

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        self.entered.set()
        self.let_go.wait(20.0)
        return 0

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        return 0

    def close(self) -> None:
        """Nothing to close."""

    def fresh(self) -> Transport:
        return self


def test_in_threads_a_hung_write_delays_no_other_and_the_deadline_holds() -> None:
    hung = HungTransport()
    stuck = Link("stuck", hung, OwnPace())
    stuck.open(1.0)
    others = []
    for at in range(3):
        machine, device, link = source(FakePace(), f"other {at}")
        link.open(1.0)
        others.append((machine, device))
    began_s = time.monotonic()

    results = off_all_threads([OffWrite(stuck, OFF, "OUTPut?", "0"), *(machine for machine, _ in others)])

    assert time.monotonic() - began_s < OFF_S + LATE_BY_S
    assert hung.entered.is_set()
    assert [(each.instrument, each.sent, each.confirmed) for each in results] == [
        ("stuck", False, False),
        ("other 0", True, True),
        ("other 1", True, True),
        ("other 2", True, True),
    ]
    assert results[0].why == "not all sent after 200 ms"
    assert not stuck.in_service
    hung.let_go.set()


def test_where_no_thread_can_be_had_this_one_steps_them(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    machine, device, link = source(FakePace())
    link.open(1.0)
    monkeypatch.setattr(threading.Thread, "start", refuse)
    [result] = off_all_threads([machine])
    assert result.confirmed
    assert "OUTPut OFF" in device.sent


class BrokenTransport(HungTransport):
    """A transport with a bug of ours in it."""

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        raise TypeError("not bytes")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_bug_of_ours_in_one_is_told_and_leaves_the_others_alone() -> None:
    broken = Link("broken", BrokenTransport(), OwnPace())
    broken.open(1.0)
    machine, _, link = source(FakePace())
    link.open(1.0)
    results = off_all_threads([OffWrite(broken, OFF, "OUTPut?", "0"), machine])
    assert [result.confirmed for result in results] == [False, True]
    assert "our own error TypeError('not bytes')" in results[0].why
    assert not broken.in_service
