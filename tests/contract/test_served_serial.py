"""A device on a real pseudo-terminal: symbolic link, exclusive use, a cable that is pulled and comes back renamed."""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from simulators.endurance.plant import build_endurance
from simulators.serve import Address, CannotServe, Server
from tests.endurance_rig import framed
from tests.served import LOCAL, PATIENCE_S, Served

pytestmark = pytest.mark.real


class ServedBench(Served):
    """The endurance plant on free ports and a pseudo-terminal."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "lines" / "gantry"
        places: dict[str, Address] = {"safety_io": LOCAL, "gantry": self.path, "recorder": LOCAL}
        super().__init__(folder / "plant.sock", build_endurance({}, 7), places)

    def open(self, path: Path | None = None) -> serial.Serial:
        return serial.Serial(str(path or self.path), 115_200, timeout=PATIENCE_S, exclusive=True)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[ServedBench]:
    served = ServedBench(tmp_path)
    yield served
    served.end()


def identity(port: serial.Serial) -> bytes:
    port.write(framed("M906", 5))
    return port.readline()


def test_it_answers_at_the_path_and_leaves_nothing_behind(tmp_path: Path) -> None:
    bench = ServedBench(tmp_path)
    folder = bench.path.parent
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert bench.path.is_symlink()
    with bench.open() as port:
        assert identity(port) == b"identity N5 Made-up Instruments,GX-3,GX3-0007,1.0\n"
        port.write(framed("M903 Z-20.000 W60.000", 1)[:7])
        port.write(framed("M903 Z-20.000 W60.000", 1)[7:] + framed("M903", 9))
        assert port.readline() == b"ok N1\n"
        assert port.readline() == b"limits N9 Z-20.000 W60.000\n"
    bench.end()
    assert not bench.path.exists() and not bench.path.is_symlink() and not folder.exists()


def test_a_second_peer_does_not_get_the_line_and_the_next_one_does(bench: ServedBench) -> None:
    with bench.open() as first:
        assert identity(first)
        with pytest.raises(serial.SerialException):
            bench.open()
        assert identity(first)
    for _ in range(5):
        with bench.open() as port:
            assert identity(port).startswith(b"identity N5 ")


def test_what_one_peer_left_half_said_is_never_carried_out(bench: ServedBench) -> None:
    with bench.open() as port:
        assert identity(port)
        port.write(framed("G74", 1)[:-1])
    with (
        bench.open() as port
    ):  # a line knows nothing of who opens it: the rest may be taken for the end of that message
        assert identity(port).split()[0] in (b"identity", b"resend")
        port.write(framed("M900", 2))
        assert b" L0 " in port.readline()


def test_a_pulled_cable_ends_the_peer_and_takes_the_link_away(bench: ServedBench) -> None:
    with bench.open() as port:
        assert identity(port)
        bench.set("gantry.cable", "out")
        with pytest.raises((serial.SerialException, OSError)):
            for _ in range(3):
                port.write(framed("M900", 1))
                port.read(1)
    assert not bench.path.is_symlink()
    with pytest.raises(serial.SerialException):
        bench.open()
    bench.set("gantry.cable", "in")
    with bench.open() as port:
        assert identity(port).startswith(b"identity N5 ")


def test_back_under_another_name(bench: ServedBench) -> None:
    bench.set("gantry.cable", "renamed")
    assert not bench.path.is_symlink()
    other = bench.path.with_name("gantry.1")
    with bench.open(other) as port:
        assert identity(port).startswith(b"identity N5 Made-up Instruments,GX-3,")
    bench.set("gantry.cable", "in")
    assert not other.is_symlink()
    with bench.open() as port:
        assert identity(port)


def test_another_device_answers_there(bench: ServedBench) -> None:
    bench.set("gantry.identity", "foreign")
    with bench.open() as port:
        assert identity(port) == b"identity N5 Imagined Motion,SL-9,SL9-1140,3.2\n"


def test_the_count_of_lines_outlives_the_cable_not_the_supply(bench: ServedBench) -> None:
    def last_line() -> bytes:
        with bench.open() as port:
            port.write(framed("M900", 0))
            return port.readline().split()[2]

    with bench.open() as port:
        port.write(framed("M904 A4000.000", 1))
        assert port.readline() == b"ok N1\n"
    bench.set("gantry.cable", "out")
    bench.set("gantry.cable", "in")
    assert last_line() == b"L1"
    bench.set("mains", "off")
    bench.set("mains", "on")
    deadline_s = time.monotonic() + PATIENCE_S
    while not bench.path.exists() and time.monotonic() < deadline_s:
        os.sched_yield()
    assert last_line() == b"L0"


def test_a_path_that_cannot_be_had_is_said(tmp_path: Path) -> None:
    taken = tmp_path / "gantry"
    taken.write_text("a file of somebody else")
    with pytest.raises(CannotServe, match="gantry cannot be served at"):
        Server(build_endurance({}, 1), {"gantry": taken}, None)
    assert taken.read_text() == "a file of somebody else"
