"""The virtual world: one fake clock, one thread, the plant and the interlock monitor advanced by it.

Time passes only where something waits for it: a rest of the run's pace, or a link that waits for bytes. On the way
everything that is due happens at its own instant: the plant's physics and late replies, the monitor's deadlines and
its reaction to changed inputs, the technician's acts. Nothing here is random but by the seed.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol

from simulators.device import Plant

START_UTC = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
REST_SLICE_S = 0.15
"""Longest jump while something must be renewed: with a silent safety I/O a poll in between takes up to 0.3 s, and both
together stay under the monitor's renewal time."""


class Due(Protocol):
    """Something that wants to act at an instant of its own."""

    def due_s(self) -> float: ...

    def run(self, now_s: float) -> None: ...


class VirtualWorld:
    """The fake clock and all that lives by it."""

    def __init__(self, plant: Plant, start_utc: datetime = START_UTC) -> None:
        self.plant = plant
        self.now_s = 0.0
        self.actors: list[Due] = []
        self.on_inputs: Callable[[float], None] = lambda now_s: None
        self.before_say: Callable[[str, bytes], None] | None = None
        self.before_receive: Callable[[str], None] | None = None
        self._start_utc = start_utc
        self.utc_step = timedelta()
        self._ports: dict[str, VirtualPort] = {}
        self._inputs_seen = plant.inputs_version()
        self._acting = False

    def time_s(self) -> float:
        """The monotonic time, as a call."""
        return self.now_s

    def utc(self) -> datetime:
        return self._start_utc + timedelta(seconds=self.now_s) + self.utc_step

    def utc_minus_monotonic_s(self) -> float:
        return self._utc_offset_s

    @property
    def utc_step(self) -> timedelta:
        """By how much somebody has set the clock that shows UTC."""
        return self._utc_step

    @utc_step.setter
    def utc_step(self, step: timedelta) -> None:
        self._utc_step = step
        self._utc_offset_s = (self._start_utc + step).timestamp()

    def port(self, device: str) -> VirtualPort:
        """A new end of a link to a device of the plant."""
        return VirtualPort(self, device)

    def opened(self, port: VirtualPort) -> None:
        """A device takes one peer at a time; a further one is let in and dropped at once."""
        present = self._ports.get(port.device)
        if present is not None and present is not port and not present.lost:
            port.lost = True
            return
        self._ports[port.device] = port
        self.plant.devices[port.device].link_opened(self.now_s)

    def drop(self, device: str) -> None:
        """The peer's process is gone: its connection closes."""
        port = self._ports.pop(device, None)
        if port is not None:
            port.lost = True
            self.plant.devices[device].link_closed(self.now_s)

    def hang_up(self) -> None:
        """Every connection closes: the processes that held them are gone."""
        for device in tuple(self._ports):
            self.drop(device)

    def closed(self, port: VirtualPort) -> None:
        if self._ports.get(port.device) is port:
            del self._ports[port.device]
            self.plant.devices[port.device].link_closed(self.now_s)

    def next_due_s(self) -> float:
        """When something happens next by itself."""
        due_s = self.plant.next_due_s()
        if not self._acting:
            for actor in self.actors:
                if (own_s := actor.due_s()) < due_s:
                    due_s = own_s
        return due_s

    def run_until(self, until_s: float) -> None:
        """Let time pass; everything due on the way happens at its instant."""
        while (due_s := self.next_due_s()) < until_s:
            self.now_s = max(self.now_s, due_s)
            self.settle()
        self.now_s = max(self.now_s, until_s)
        self.settle()

    def run_on(self, until_s: float) -> None:
        """Let time pass to the next thing that happens, at the latest to `until_s`."""
        due_s = self.next_due_s()
        now_s = self.now_s
        if due_s < now_s:  # overdue
            self.run_until(min(until_s, now_s))
            return
        if due_s < until_s:
            until_s = due_s
        if until_s > now_s:
            self.now_s = until_s
        if (
            due_s > until_s
        ):  # nothing is due: all there can be is what somebody did to the plant since the last time
            self._lose_ports()
            self._look_at_inputs()
        else:
            self.settle()

    def settle(self) -> None:
        """Everything due now."""
        for device, outputs in self.plant.advance(self.now_s).items():
            self._deliver(device, outputs)
        self._lose_ports()
        self._look_at_inputs()
        if not self._acting:
            self._act()

    def say(self, device: str, data: bytes) -> None:
        """Bytes for one device, and what it answers at once; what else they cause shows when time passes."""
        if self.before_say is not None:
            self.before_say(device, data)
        one = self.plant.devices[device]
        one.receive(data, self.now_s)
        self._deliver(device, one.collect(self.now_s))
        self._look_at_inputs()

    def change(self, name: str, value: str) -> None:
        """Change something on the plant from outside the run of time; the monitor's next poll sees it."""
        self.plant.set(name, value, self.now_s)
        self._look_at_inputs()

    def soon(self, do: Callable[[], None]) -> None:
        """Do something at this instant, as soon as nobody is in the middle of acting."""
        self.actors.insert(0, _Once(self, do))

    def _deliver(self, device: str, outputs: list[tuple[float, bytes]]) -> None:
        port = self._ports.get(device)
        if port is not None:
            for _, data in outputs:
                port.inbox += data

    def _lose_ports(self) -> None:
        devices, now_s = self.plant.devices, self.now_s
        for device, port in self._ports.items():
            if not devices[device].accepts(now_s):
                port.lost = True

    def _look_at_inputs(self) -> None:
        version = self.plant.inputs_version()
        if version != self._inputs_seen:
            self._inputs_seen = version
            self.on_inputs(self.now_s)

    def _act(self) -> None:
        # An actor may itself let time pass (the monitor talks to its safety I/O): then only the plant goes on.
        now_s = self.now_s
        for actor in self.actors:
            if actor.due_s() <= now_s:
                break
        else:
            return
        self._acting = True
        try:
            for actor in tuple(self.actors):
                while actor.due_s() <= self.now_s:
                    actor.run(self.now_s)
                    self._look_at_inputs()
        finally:
            self._acting = False


class _Once:
    """An actor of a single act."""

    def __init__(self, world: VirtualWorld, do: Callable[[], None]) -> None:
        self._world = world
        self._do = do
        self._at_s = world.now_s

    def due_s(self) -> float:
        return self._at_s

    def run(self, now_s: float) -> None:
        self._at_s = math.inf
        self._world.actors.remove(self)
        self._do()


class VirtualPort:
    """One end of a link to a simulated device."""

    def __init__(self, world: VirtualWorld, device: str) -> None:
        self.device = device
        self.inbox = bytearray()
        self.lost = False
        self._world = world

    def connect(self) -> None:
        if not self._world.plant.devices[self.device].accepts(self._world.now_s):
            raise ConnectionRefusedError(f"{self.device} does not accept a connection")
        self.inbox.clear()
        self.lost = False
        self._world.opened(self)

    def send(self, data: bytes) -> int:
        if self.lost:
            raise self._reset()
        self._world.say(self.device, data)
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        """Bytes, as soon as some are there; the clock runs until then, at most so long."""
        world = self._world
        if world.before_receive is not None:
            world.before_receive(self.device)
        until_s = world.now_s + until_s_from_now
        while not self.inbox:
            if self.lost:
                raise self._reset()
            if world.now_s >= until_s:
                return b""
            world.run_on(until_s)
        data = bytes(self.inbox[:limit])
        del self.inbox[:limit]
        return data

    def close(self) -> None:
        self._world.closed(self)

    def _reset(self) -> ConnectionResetError:
        return ConnectionResetError(f"{self.device} closed the connection")


class VirtualClock:
    """The world's time as the engine sees it."""

    def __init__(self, world: VirtualWorld) -> None:
        self._world = world
        self.must_renew: Callable[[], bool] = lambda: True
        self.coast: Callable[[float], bool] = lambda until_s: False
        self.now_s: Callable[[], float] = world.time_s
        self.utc_minus_monotonic_s: Callable[[], float] = world.utc_minus_monotonic_s

    def utc(self) -> datetime:
        return self._world.utc()

    def rest(self, until_s: float, wake: threading.Event) -> None:
        """To the next thing that happens, at the latest to `until_s`."""
        now_s = self._world.now_s
        if self.must_renew() and (until_s - now_s <= REST_SLICE_S or not self.coast(until_s)):
            until_s = min(until_s, now_s + REST_SLICE_S)
        self._world.run_on(until_s)
