"""One contract for every kind of link: the same named faults, the same resulting codes.

The facts behind it were met in general-purpose libraries: a late reply that answers the next question, a timeout that
starts anew with each byte, a closed peer that looks like silence, a refused port that opens.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.links import link_to
from drivers.links.base import SLICE_S, Link, LinkFault
from drivers.links.memory import MemoryTransport
from tests.contract.faces import Asker, Face, LineFace, ModbusFace
from tests.contract.peers import (
    Abandoned,
    Close,
    FakePace,
    Hold,
    MemoryPeer,
    Pause,
    Peer,
    PtyPeer,
    RealPace,
    Script,
    Send,
    SocketPeer,
    good,
)

TIMEOUT_S = 0.15  # of a question that is to fail
PATIENT_S = 5.0  # of a question that is to succeed
OPEN_S = 5.0
LATE_BY_S = 0.3  # a bound for a busy computer: one slice and the scheduler
KINDS = ("memory", "socket", "visa socket", "serial pty", "visa pty", "modbus memory", "modbus socket")


@dataclass
class Rig:
    """A link of one kind, its peer and its pace."""

    face: Face
    link: Link
    peer: Peer
    pace: FakePace | RealPace
    ask: Asker
    ask_briefly: Asker


def build(kind: str, folder: Path) -> Rig:
    face: Face = ModbusFace() if kind.startswith("modbus") else LineFace()
    if kind.endswith("memory"):
        fake = FakePace()
        port = MemoryPeer(face, fake)
        link = Link(kind, MemoryTransport(port), fake)
        return Rig(face, link, port, fake, face.asker(link, PATIENT_S), face.asker(link, TIMEOUT_S))
    pace = RealPace()
    peer = PtyPeer(face, folder) if kind.endswith("pty") else SocketPeer(face)
    link = link_to(peer.resource, kind, pace, "visa" if kind.startswith("visa") else "socket")
    return Rig(face, link, peer, pace, face.asker(link, PATIENT_S), face.asker(link, TIMEOUT_S))


@pytest.fixture(params=KINDS)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    made = build(request.param, tmp_path)
    yield made
    made.link.close()
    made.peer.end()


FAULTS: dict[str, tuple[Script, str]] = {
    "silent": (lambda face, request: [], "timeout"),
    "late": (lambda face, request: [Hold(), Send(face.answer(request, 666))], "timeout"),
    "dribbling": (
        lambda face, request: [
            each for byte in face.answer(request, 5) for each in (Pause(0.06), Send(bytes([byte])))
        ],
        "timeout",
    ),
    "garbled": (lambda face, request: [Send(face.garbled(request))], "rubbish"),
    "truncated": (lambda face, request: [Send(face.answer(request, 5)[:-2])], "timeout"),
    "lost in mid-reply": (lambda face, request: [Send(face.answer(request, 5)[:4]), Close()], "lost"),
    "lost before the reply": (lambda face, request: [Close()], "lost"),
    "rubbish before the answer": (
        lambda face, request: [Send(b"\x00\xff\xfe" + face.answer(request, 5))],
        "rubbish",
    ),
    "endless": (lambda face, request: [Send(face.endless(request))], "too_long"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_has_the_same_code_on_every_link_and_the_reopened_link_answers_right(
    rig: Rig, fault: str
) -> None:
    script, code = FAULTS[fault]
    rig.link.open(OPEN_S)
    assert rig.ask() == 7
    rig.peer.script = script
    began_s = rig.pace.now_s()

    ask, within_s = (rig.ask_briefly, TIMEOUT_S) if code == "timeout" else (rig.ask, PATIENT_S / 2)
    with pytest.raises(LinkFault) as caught:
        ask()

    assert caught.value.code == code, caught.value
    assert rig.pace.now_s() - began_s < within_s + LATE_BY_S
    assert caught.value.link == rig.link.name
    assert rig.link.name in str(caught.value)
    assert not rig.link.in_service
    with pytest.raises(LinkFault, match="out of service") as again:
        rig.ask()
    assert again.value.code == "out_of_service"

    rig.peer.script = good(8)
    rig.peer.release()  # a late answer of 666, the rest of a dribble: it leaves now
    rig.link.open(OPEN_S)
    assert [rig.ask(), rig.ask()] == [8, 8]


def test_refused(rig: Rig) -> None:
    rig.peer.stop_listening()
    with pytest.raises(LinkFault) as caught:
        rig.link.open(OPEN_S)
    assert caught.value.code == "refused", caught.value
    with pytest.raises(LinkFault) as again:
        rig.ask()
    assert again.value.code == "out_of_service"


def test_lost_while_idle_is_seen_at_the_next_question(rig: Rig) -> None:
    rig.link.open(OPEN_S)
    assert rig.ask() == 7
    rig.peer.drop()
    with pytest.raises(LinkFault) as caught:
        rig.ask()
    assert caught.value.code == "lost", caught.value


def test_device_restarted_is_lost_then_reopened(rig: Rig) -> None:
    rig.link.open(OPEN_S)
    assert rig.ask() == 7
    rig.peer.restart()
    rig.peer.script = good(9)
    with pytest.raises(LinkFault) as caught:
        rig.ask()
    assert caught.value.code == "lost", caught.value
    rig.link.open(OPEN_S)
    assert rig.ask() == 9


def test_bytes_that_nobody_asked_for_are_rubbish(rig: Rig) -> None:
    """A second answer to one question must not answer the next one."""
    rig.link.open(OPEN_S)
    rig.peer.script = lambda face, request: [Send(face.answer(request, 5) * 2)]
    assert rig.ask() == 5
    with pytest.raises(LinkFault) as caught:
        rig.ask()
    assert caught.value.code == "rubbish", caught.value


def test_a_call_is_abandoned_within_one_slice_and_leaves_the_link_out_of_service(rig: Rig) -> None:
    rig.link.open(OPEN_S)
    rig.peer.script = FAULTS["silent"][0]
    rig.pace.slices.clear()
    rig.pace.abandon_at = 1
    began_s = rig.pace.now_s()

    with pytest.raises(Abandoned):
        rig.ask()

    assert rig.pace.now_s() - began_s < SLICE_S + LATE_BY_S
    rig.pace.abandon_at = 0
    with pytest.raises(LinkFault, match="abandoned") as caught:
        rig.ask()
    assert caught.value.code == "out_of_service"


def test_slices_are_never_farther_apart_than_the_limit(rig: Rig) -> None:
    """Also while bytes dribble in: the run's renewal of the monitor hangs on it."""
    rig.link.open(OPEN_S)
    rig.peer.script = FAULTS["dribbling"][0]
    rig.pace.slices[:] = [rig.pace.now_s()]
    with pytest.raises(LinkFault):
        rig.face.asker(rig.link, 0.35)()
    gaps = [after - before for before, after in zip(rig.pace.slices, rig.pace.slices[1:], strict=False)]
    assert gaps
    assert max(gaps) < SLICE_S + (0.0001 if isinstance(rig.pace, FakePace) else LATE_BY_S)


def test_closing_twice_and_asking_a_closed_link(rig: Rig) -> None:
    rig.link.open(OPEN_S)
    rig.link.close()
    rig.link.close()
    with pytest.raises(LinkFault, match="closed") as caught:
        rig.ask()
    assert caught.value.code == "out_of_service"


@pytest.mark.parametrize("kind", ["socket", "visa socket", "serial pty", "visa pty"])
def test_a_peer_that_closes_is_seen_at_once_and_without_burning_the_processor(
    kind: str, tmp_path: Path
) -> None:
    rig = build(kind, tmp_path)
    rig.peer.script = lambda face, request: [Pause(0.15), Close()]
    rig.link.open(OPEN_S)
    began_s, cpu_s = time.monotonic(), time.thread_time()
    with pytest.raises(LinkFault) as caught:
        rig.ask()
    assert caught.value.code == "lost"
    assert time.monotonic() - began_s < 0.15 + LATE_BY_S + 0.5
    assert time.thread_time() - cpu_s < 0.1
    rig.peer.end()


@pytest.mark.parametrize("kind", ["serial pty", "visa pty"])
def test_a_serial_line_is_opened_for_one_owner_alone(kind: str, tmp_path: Path) -> None:
    rig = build(kind, tmp_path)
    rig.link.open(OPEN_S)
    second = link_to(rig.peer.resource, "second", RealPace(), "visa" if kind.startswith("visa") else "socket")
    with pytest.raises(LinkFault) as caught:
        second.open(1.0)
    assert caught.value.code == "refused"
    assert rig.ask() == 7
    rig.link.close()
    rig.peer.end()
