"""Actuator and contact recorder against the simulated endurance bench: cycles as the physics made them, as read here.

Driver and simulator have a codec each and share none of it. The plant's clock is the fake one.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from drivers.equipment.actuator import MotionActuator
from drivers.equipment.contact_recorder import ScpiContactRecorder
from drivers.equipment.family import instrument_for
from drivers.equipment.off import off_all_stepped
from drivers.equipment.protocols import Identity, InstrumentFault, MotionLimits, RecorderSettings
from drivers.links.base import Link
from drivers.links.memory import MemoryTransport
from simulators.device import Plant
from simulators.link import SimulatedDevice
from simulators.plants import build
from tests.contract.peers import FakePace

SETTINGS = RecorderSettings(1, 300, 200, 20, 80, 40.0, 40.0, 5e-5, -5.0)
RENEWED_EVERY_S = 0.2
LOAD_AND_BRAKE = 0b101


class PlantPort:
    """A memory link to one device of the plant, whose clock runs while an answer is waited for."""

    def __init__(self, rig: Rig, device: SimulatedDevice) -> None:
        self.rig = rig
        self.device = device

    def connect(self) -> None:
        self.device.link_opened(self.rig.pace.time_s)

    def close(self) -> None:
        self.device.link_closed(self.rig.pace.time_s)

    def send(self, data: bytes) -> int:
        self.device.receive(data, self.rig.pace.time_s)
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        until_s = self.rig.pace.time_s + until_s_from_now
        while not (data := self.rig.output_of(self.device.name)):
            if self.rig.pace.time_s >= until_s:
                return b""
            self.rig.wait(min(0.001, until_s - self.rig.pace.time_s))
        assert len(data) <= limit
        return data


class Rig:
    """The endurance plant with its load closed, actuator and recorder opened and set."""

    def __init__(self, dialect: str) -> None:
        self.pace = FakePace()
        self.plant: Plant = build("endurance", {"kind": "endurance", "dialect": dialect, "set": {}}, 7)
        self.renewed_s = 0.0
        self.outputs: dict[str, bytearray] = {}
        self.plant.set("connection", "specimen", self.pace.time_s)
        self.modbus(bytes([15, 0, 0, 0, 3, 1, LOAD_AND_BRAKE]))
        self.wait(0.2)
        recorder = self.instrument("contact-recorder", "recorder")
        actuator = self.instrument(dialect, "gantry")
        assert isinstance(recorder, ScpiContactRecorder)
        assert isinstance(actuator, MotionActuator)
        self.recorder, self.actuator = recorder, actuator

    def instrument(self, dialect: str, name: str) -> object:
        link = Link(name, MemoryTransport(PlantPort(self, self.plant.devices[name])), self.pace)
        made = instrument_for(dialect, link, Identity("", "", ""))
        made.open()
        return made

    def modbus(self, pdu: bytes) -> None:
        frame = struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu
        self.plant.devices["safety_io"].receive(frame, self.pace.time_s)
        assert self.output_of("safety_io")[7] == pdu[0]

    def wait(self, for_s: float) -> None:
        """Let the plant live on, its watchdog renewed."""
        if self.pace.time_s - self.renewed_s > RENEWED_EVERY_S:
            self.renewed_s = self.pace.time_s
            self.modbus(bytes([6, 0, 0, 0, 1]))
        self.pace.time_s += for_s
        self.advance()

    def advance(self) -> None:
        for name, pieces in self.plant.advance(self.pace.time_s).items():
            self.outputs.setdefault(name, bytearray()).extend(b"".join(data for _, data in pieces))

    def output_of(self, name: str) -> bytes:
        """What a device has said until now."""
        self.advance()
        return bytes(self.outputs.pop(name, b""))

    def ready(self) -> None:
        self.actuator.prepare(MotionLimits(-20.0, 60.0, 4000.0))
        self.actuator.home()
        self.actuator.move(5.0, 120.0)
        self.recorder.prepare(SETTINGS)
        assert self.recorder.read_back() == SETTINGS
        self.recorder.choose_bank(1)
        self.recorder.start()

    def cycle(self) -> None:
        self.actuator.move(-12.0, 120.0)
        for _ in range(5):
            self.wait(0.1)
        self.actuator.move(5.0, 120.0)
        self.wait(0.02)


@pytest.mark.parametrize("dialect", ["motion-words", "motion-lines"])
def test_cycles_are_numbered_and_show_a_contact_that_makes_and_breaks(dialect: str) -> None:
    rig = Rig(dialect)
    rig.ready()
    for number in (1, 2, 3):
        assert rig.recorder.waiting().waiting
        rig.cycle()
        record = rig.recorder.fetch(number)
        assert (record.number, record.next_number, record.complete) == (number, number + 1, True)
        volts = record.codes[0, 0] * record.volts_per_code
        amperes = record.codes[0, 1] * record.amperes_per_code
        assert np.median(volts[:20]) == pytest.approx(24.0, abs=1.0)  # open before its make trigger
        assert abs(np.median(volts[250:300])) < 0.5  # closed
        assert np.median(amperes[250:300]) > 1.0
        assert np.median(volts[-20:]) == pytest.approx(24.0, abs=1.0)  # open again behind the break
        assert abs(np.median(amperes[-20:])) < 0.1
        assert record.supply_before_v == pytest.approx(24.0, abs=1.0)
    moves = [entry for entry in rig.plant.truth() if entry["event"] == "move"]
    assert len(moves) == 2 + 3 * 2


def test_a_cycle_that_was_not_recorded_and_what_the_contact_is_now() -> None:
    rig = Rig("motion-words")
    rig.ready()
    with pytest.raises(InstrumentFault, match=r"does not hold cycle 1: .*\(-230") as caught:
        rig.recorder.fetch(1)
    assert caught.value.code == "no_capture"
    volts, amperes = rig.recorder.contact_now()
    assert volts[0] == pytest.approx(24.0, abs=1.0)
    assert amperes[0] == pytest.approx(0.0, abs=0.01)
    terminal, other, ambient = rig.recorder.temperatures_c([1, 2, 3])
    assert all(-10.0 < each < 80.0 for each in (terminal, other, ambient))
    [result] = off_all_stepped([rig.recorder.off_write], rig.wait, rig.pace.now_s)
    assert result.confirmed, result
    assert not rig.recorder.waiting().waiting


def test_the_way_to_safe_in_the_middle_of_a_stroke() -> None:
    rig = Rig("motion-words")
    rig.ready()
    rig.actuator.link.write(
        rig.actuator.codec.motion(rig.actuator.codec.move_words(-12.0, 60.0), rig.actuator.state().line + 1),
        1.0,
    )
    rig.wait(0.1)
    results = off_all_stepped([rig.actuator.off_write, rig.recorder.off_write], rig.wait, rig.pace.now_s)
    assert [result.confirmed for result in results] == [True, True], results
    state = rig.actuator.recover().state
    assert not state.moving
    assert -12.0 < state.encoder_mm < 5.0
