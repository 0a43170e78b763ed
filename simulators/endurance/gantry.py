"""The gantry's controller on a serial line: identity, numbered motions, and what a person does to its cable.

A motion's number is taken once. A message that bears a number taken before is acknowledged again, with the end of its
motion where that has come, and nothing moves. A planned fault of an exchange concerns the end of its motion too. The
controller forgets its count when it loses power, not when its cable is pulled.
"""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from simulators.endurance.axis import Axis, Ended, Order
from simulators.link import LinkFault, SimulatedDevice
from simulators.scpi import Identity

LONGEST_LINE = 4096
CABLES = ("in", "out", "renamed")
FOREIGN = Identity("Imagined Motion", "SL-9", "SL9-1140", "3.2")
"""Another make of device, found where the gantry should be."""
ENDS_KEPT = 16
MOST_POINTS = 400
POINT_MM = 0.05
FORCE_NOISE_N = 0.05
_VALUE = re.compile(rb"(?<=[ZE=])(-?\d+\.\d+)")


class Gantry(SimulatedDevice):
    """What both dialects share. `force_n` is the force at a true position, as an array of positions has it."""

    def __init__(
        self,
        live: Callable[[float], None],
        axis: Axis,
        identity: Identity,
        force_n: Callable[[np.ndarray], np.ndarray],
        rng: np.random.Generator,
    ) -> None:
        super().__init__("gantry", live)
        self.cable = "in"
        self.own = identity
        self.identity = identity
        self.axis = axis
        self.taken = 0
        """Number of the last motion or setting that was taken."""
        self.done = 0
        """Number of the last motion that came to its end."""
        axis.ended = self._on_end
        self._force_n = force_n
        self._rng = rng
        self._faults: dict[int, LinkFault] = {}
        self._ends: dict[int, Ended] = {}
        self._points: tuple[tuple[float, float], ...] = ()
        self._is_starting = False
        self._said_at_once = b""

    @abstractmethod
    def tell_end(self, ended: Ended) -> bytes:
        """What it says by itself when a motion ends; nothing where it has to be asked."""

    def accepts(self, now_s: float) -> bool:
        """Whether its cable is in the place where it belongs, and all else is well."""
        return self.cable == "in" and super().accepts(now_s)

    def plug(self, cable: str, now_s: float) -> None:
        """Move its cable: one of CABLES."""
        self.cable = cable
        if cable != "in":
            self._forget()

    def set_serial(self, serial: str) -> None:
        """Another unit of the same type stands there."""
        self.own = replace(self.own, serial=serial)
        self.identity = self.own

    def power_on(self, now_s: float) -> None:
        """Numbers from the start, no position."""
        self.taken = self.done = 0
        self._faults.clear()
        self._ends.clear()
        self._points = ()
        self.axis.power_on(now_s)

    def start(self, order: Order, now_s: float) -> bytes:
        """Take a motion; what it says where that ends at once."""
        self.taken = order.number
        if self._fault.kind != "ok":
            self._faults[order.number] = self._fault
        self._said_at_once = b""
        self._is_starting = True
        self.axis.take(order, now_s)
        self._is_starting = False
        return self._said_at_once

    def end_of(self, number: int) -> Ended | None:
        """How a motion ended, where it did and that is still known."""
        return self._ends.get(number)

    def points(self) -> tuple[tuple[float, float], ...]:
        """Position by the encoder in mm and force in N along the last touch-off."""
        return self._points

    def state_values(self, now_s: float) -> tuple[float, float]:
        """Count and encoder."""
        return self.axis.counted_mm(now_s), self.axis.encoder_mm(now_s)

    def _on_end(self, ended: Ended, now_s: float) -> None:
        number = ended.order.number
        if not ended.alarm:
            self.done = number
            if ended.order.what == "touch":
                self._points = self._touched()
        self._ends[number] = ended
        if len(self._ends) > ENDS_KEPT:
            del self._ends[next(iter(self._ends))]
        fault = self._faults.pop(number, None)
        said = self.tell_end(ended)
        if self._is_starting:
            self._said_at_once += said
        elif said:
            self.answer_later(said, now_s, fault)

    def _touched(self) -> tuple[tuple[float, float], ...]:
        assert self.axis.touched is not None
        start, end = self.axis.touched
        count = min(max(round(abs(end - start) / POINT_MM), 1), MOST_POINTS) + 1
        places = np.linspace(start, end, count)
        forces = self._force_n(places) + FORCE_NOISE_N * self._rng.standard_normal(count)
        return tuple(zip((places - self.axis.frame_mm()).tolist(), forces.tolist(), strict=True))

    def _take_messages(self, inbox: bytearray, now_s: float) -> list[bytes]:
        messages = []
        while (end := inbox.find(b"\n")) >= 0:
            messages.append(bytes(inbox[:end]))
            del inbox[: end + 1]
        if len(inbox) > LONGEST_LINE:
            inbox.clear()
        return messages

    def _falsified(self, reply: bytes, kind: str) -> bytes:
        factor = 1e-3 if kind == "wrong_unit" else 10.0
        return _VALUE.sub(lambda match: b"%.3f" % (float(match[1]) * factor), reply)
