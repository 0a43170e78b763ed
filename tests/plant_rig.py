"""A simulated plant with a clock that the test moves: what the plant's tests have in common."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import numpy.typing as npt

from simulators.plants import build

LIFT = 0b0110
HIGH_VOLTAGE, LEAKAGE = 0b0001 | LIFT, 0b1000 | 0b0100
RENEWED_EVERY_S = 0.2


class Rig:
    """The impulse plant; questions take no time."""

    def __init__(self, seed: int = 7, **settings: str) -> None:
        self.plant = build("impulse", {"set": {"connection": "specimen"}}, seed)
        self.now_s = 0.0
        for name, value in settings.items():
            self.set(name.replace("__", "."), value)

    def set(self, name: str, value: str) -> None:
        self.plant.set(name, value, self.now_s)

    def send(self, device: str, data: bytes) -> bytes:
        """What the device answers at once."""
        one = self.plant.devices[device]
        one.receive(data, self.now_s)
        return b"".join(piece for _, piece in one.advance(self.now_s))

    def ask(self, device: str, text: str) -> str:
        return self.send(device, text.encode() + b"\n").decode("latin-1").rstrip("\n")

    def modbus(self, pdu: bytes) -> bytes:
        """The PDU of the safety I/O's answer."""
        return self.send("safety_io", struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu)[7:]

    def coils(self, bits: int) -> None:
        """Coils 0 to 6 from the lowest bit up."""
        assert self.modbus(bytes([15, 0, 0, 0, 7, 1, bits])) == bytes([15, 0, 0, 0, 7])

    def inputs(self) -> list[bool]:
        reply = self.modbus(bytes([2, 0, 0, 0, 10]))
        number = int.from_bytes(reply[2:], "little")
        return [bool(number >> at & 1) for at in range(10)]

    def registers(self) -> tuple[int, ...]:
        return struct.unpack(">4H", self.modbus(bytes([4, 0, 0, 0, 4]))[2:])

    def wait(self, time_s: float, renew: bool = True) -> None:
        """Let time pass, renewing the watchdog or not."""
        end_s = self.now_s + time_s
        while self.now_s < end_s:
            self.now_s = min(self.now_s + RENEWED_EVERY_S, end_s)
            if renew:
                self.modbus(bytes([6, 0, 0, 0, 1]))
        self.plant.advance(self.now_s)

    def start_digitisers(self, volts_range: float = 0.4, amperes_range: float = 5.0) -> None:
        self.ask(
            "digitiser_v", f"SENS:VOLT:RANG {volts_range};:SENS:SWE:OFFS:POIN -1000;:FORM:BORD SWAP;:INIT"
        )
        self.ask("digitiser_i", f"SENS:VOLT:RANG {amperes_range};:SENS:SWE:OFFS:POIN -1000;:INIT")

    def charge(self, volts: float = 1700.0, polarity: str = "NORM", for_s: float = 2.2) -> None:
        """Contactor in, discharge and earth lifted, charged."""
        self.coils(HIGH_VOLTAGE)
        self.wait(0.1)
        self.ask("generator", f"OUTP:POL {polarity};:SOUR:VOLT {volts};:OUTP ON")
        self.wait(for_s)

    def fire(self) -> None:
        """Trigger, then off."""
        self.ask("generator", "INIT;*TRG;:OUTP OFF")
        self.wait(0.001)

    def make_safe(self) -> None:
        self.coils(0)
        self.wait(0.1)

    def shot(self, volts: float = 1700.0, polarity: str = "NORM", volts_range: float = 0.4) -> None:
        """All of one shot."""
        self.start_digitisers(volts_range)
        self.charge(volts, polarity)
        self.fire()
        self.make_safe()

    def volts(self, volts_range: float = 0.4, ratio: float = 1000.0) -> npt.NDArray[np.float64]:
        """The voltage trace as a peer computes it."""
        return self._trace("digitiser_v", "CH1", "<i2") * volts_range / 32768 * ratio

    def amperes(self, amperes_range: float = 5.0, ratio: float = 200.0) -> npt.NDArray[np.float64]:
        """The current trace."""
        return self._trace("digitiser_i", "VOLT1", ">i2") * amperes_range / 32768 * ratio

    def events(self, event: str) -> list[dict[str, Any]]:
        return [entry for entry in self.plant.truth() if entry["event"] == event]

    def stored_v(self) -> float:
        return float(self.plant.show(self.now_s)["stored_v"])

    def errors(self, device: str) -> str:
        return self.ask(device, "SYST:ERR:ALL?")

    def _trace(self, device: str, name: str, kind: str) -> npt.NDArray[np.float64]:
        block = self.send(device, f"TRAC? {name}\n".encode())
        assert block[:7] == b"#520000", block[:40]
        return np.frombuffer(block[7:-1], kind).astype(float)
