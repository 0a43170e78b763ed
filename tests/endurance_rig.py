"""The simulated endurance plant with a clock that the test moves; it speaks the wire formats by itself."""

from __future__ import annotations

import math
import struct
from functools import reduce
from operator import xor
from typing import Any

import numpy as np
import numpy.typing as npt

from simulators.endurance.plant import EndurancePlant, build_endurance

LOAD, CHECK, BRAKE = 0b001, 0b010, 0b100
HEADER = struct.Struct("<IIHHHHhhhhd")
RENEWED_EVERY_S = 0.2


class Rig:
    """Questions take no time; `wait` renews the watchdog on the way."""

    def __init__(self, spec: dict[str, Any] | None = None, seed: int = 7, **settings: str) -> None:
        self.plant: EndurancePlant = build_endurance({"kind": "endurance", **(spec or {})}, seed)
        self.now_s = 0.0
        self.line = 0
        self.said = b""
        for name, value in settings.items():
            self.set(name.replace("__", "."), value)

    def set(self, name: str, value: str) -> None:
        self.plant.set(name, value, self.now_s)

    # Links
    def send(self, device: str, data: bytes) -> bytes:
        """What the device answers at once."""
        one = self.plant.devices[device]
        one.receive(data, self.now_s)
        return b"".join(piece for _, piece in one.collect(self.now_s))

    def ask(self, text: str) -> str:
        """A question to the recorder."""
        return self.send("recorder", text.encode() + b"\n").decode("latin-1").rstrip("\n")

    def modbus(self, pdu: bytes) -> bytes:
        return self.send("safety_io", struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu)[7:]

    def coils(self, bits: int) -> None:
        """Coils 0 to 5 from the lowest bit up."""
        assert self.modbus(bytes([15, 0, 0, 0, 6, 1, bits])) == bytes([15, 0, 0, 0, 6])

    def inputs(self) -> list[bool]:
        reply = self.modbus(bytes([2, 0, 0, 0, 8]))
        return [bool(reply[2] >> at & 1) for at in range(8)]

    def registers(self) -> tuple[int, ...]:
        return struct.unpack(">4H", self.modbus(bytes([4, 0, 0, 0, 4]))[2:])

    # The gantry
    def say(self, words: str, number: int | None = None) -> bytes:
        """One line with its checksum, numbered on where no number is given."""
        if number is None:
            self.line += 1
            number = self.line
        return self.send("gantry", framed(words, number))

    def state(self) -> dict[str, float | str]:
        words = self.send("gantry", framed("M900", 0)).decode().split()
        values: dict[str, float | str] = {word[0]: float(word[1:]) for word in words[2:6]}
        for word in words[6:]:
            name, _, value = word.partition("=")
            values[name] = value if name == "alarm" else float(value)
        return values

    def move(self, to_mm: float, speed_mm_s: float = 120.0) -> bytes:
        """Go there and wait until it is at rest; what the controller said."""
        self.said = self.say(f"G90 G21 G01 Z{to_mm:.3f} F{speed_mm_s * 60:.3f}")
        return self.until_rest()

    def until_rest(self) -> bytes:
        while self.plant.bench.axis.moving or self.plant.bench.axis.due_s < math.inf:
            self.wait(0.02)
        return self.said

    def home(self) -> bytes:
        self.said = self.say("G74")
        return self.until_rest()

    # Time
    def wait(self, time_s: float) -> None:
        """Let time pass; what devices said meanwhile stands in `said` (the gantry's)."""
        end_s = self.now_s + time_s
        while self.now_s < end_s:
            self.now_s = min(self.now_s + RENEWED_EVERY_S, end_s)
            self.modbus(bytes([6, 0, 0, 0, 1]))
        output = self.plant.advance(self.now_s)
        self.said += b"".join(piece for _, piece in output.get("gantry", ()))

    # Whole acts
    def ready(self, coils: int = LOAD, level_mm: float = -5.5) -> None:
        """Output closed, brake lifted, homed, at 5 mm, bank 1, recording."""
        self.coils(coils | BRAKE)
        self.wait(0.1)
        self.home()
        self.move(5.0, 300.0)
        self.ask(f"TRIG:LEV {level_mm};:ROUT:CLOS (@1);:INIT")

    def cycle(self, on_s: float = 0.5, off_s: float = 0.5) -> None:
        """One press."""
        self.move(-12.0)
        self.wait(on_s)
        self.move(5.0)
        self.wait(off_s)

    def fetch(self, number: int) -> tuple[tuple[Any, ...], npt.NDArray[np.float64]]:
        """Header and the record in volts and amperes (mounts, 2, samples), nominally scaled."""
        answer = self.send("recorder", b"FETC:CYCL? %d\n" % number)
        digits = int(answer[1:2])
        assert int(answer[2 : 2 + digits]) == len(answer) - 3 - digits, answer[:20]
        block = answer[2 + digits : -1]
        head = HEADER.unpack(block[:32])
        codes = np.frombuffer(block[32:], "<i2").reshape(head[2], 2, head[3]).astype(float)
        layout = self.plant.recorder.layout
        return head, codes * np.array([[layout.volts], [layout.amperes]]) / 32768

    def events(self, event: str) -> list[dict[str, Any]]:
        return [entry for entry in self.plant.truth() if entry["event"] == event]


def framed(words: str, number: int) -> bytes:
    """A line of the words dialect."""
    line = f"N{number} {words}".encode()
    return line + b"*%d\n" % reduce(xor, line)
