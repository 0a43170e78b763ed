"""A plant on real sockets: one TCP listener for each device, one Unix socket for the hands of a person, one thread.

A device whose address is a path has a pseudo-terminal there instead: see `serve_serial`.

Each device takes one peer at a time, as most instruments do; a further one is let in and dropped at once. A device
that does not accept has no listener, so that a connection to it is refused.
"""

from __future__ import annotations

import math
import selectors
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

from simulators.control import AFTER, FIRST, ControlPort
from simulators.device import Device, Plant
from simulators.serve_serial import CannotServe, SerialDevice, SerialPort
from simulators.truth import line_writer

LONGEST_WAIT_S = 0.5
CHUNK = 65_536
MOST_UNSENT = 16_000_000
"""A peer that reads nothing is dropped when this many bytes wait for it."""

__all__ = ["Address", "CannotServe", "DevicePort", "Server", "SocketAddress", "serve"]

SocketAddress = tuple[str, int]
Address = SocketAddress | Path
"""Host and port, or the path of a serial line's symbolic link."""


class DevicePort:
    """One device's listener and its present peer."""

    def __init__(
        self, name: str, device: Device, address: SocketAddress, selector: selectors.BaseSelector
    ) -> None:
        self.name = name
        self.device = device
        self.address = address
        self._selector = selector
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._unsent = bytearray()
        self._open_listener()
        self.address = self._bound()

    def follow(self, now_s: float) -> None:
        """Have a listener while the device accepts, neither listener nor peer while it does not."""
        if not self.device.accepts(now_s):
            self._drop_peer(now_s)
            self._close_listener()
        elif self._listener is None:
            self._open_listener()

    @property
    def waits_s(self) -> float:
        """How long the loop may wait for this port: it is told of whatever happens."""
        return math.inf

    def put(self, data: bytes, now_s: float) -> None:
        """Output of the device, for whoever is there."""
        if self._peer is None:
            return
        self._unsent += data
        self._flush(now_s)

    def close(self, now_s: float) -> None:
        """End of service."""
        self._drop_peer(now_s)
        self._close_listener()

    def _bound(self) -> SocketAddress:
        assert self._listener is not None
        host, port = self._listener.getsockname()[:2]
        return host, port

    def _open_listener(self) -> None:
        try:
            self._listener = _listening(self.address)
        except OSError as error:
            host, port = self.address
            reason = error.strerror or str(error)
            raise CannotServe(
                f"{self.name} cannot be served at {host} port {port}: {reason}. "
                "Is this bench's plant running already? End it, or change the port in the bench file."
            ) from error
        self._selector.register(self._listener, selectors.EVENT_READ, (AFTER, self._let_in))

    def _close_listener(self) -> None:
        if self._listener is not None:
            self._selector.unregister(self._listener)
            self._listener.close()
            self._listener = None

    def _let_in(self, events: int, now_s: float) -> None:
        assert self._listener is not None
        try:
            peer, _ = self._listener.accept()
        except OSError:  # it went away again
            return
        if self._peer is not None or not self.device.accepts(now_s):
            peer.close()
            return
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer = peer
        self._selector.register(peer, selectors.EVENT_READ, (FIRST, self._attend))
        self.device.link_opened(now_s)

    def _attend(self, events: int, now_s: float) -> None:
        if events & selectors.EVENT_WRITE:
            self._flush(now_s)
        if events & selectors.EVENT_READ and self._peer is not None:
            data = self._read()
            if data:
                self.device.receive(data, now_s)
            elif data is not None:
                self._drop_peer(now_s)

    def _read(self) -> bytes | None:
        """What came; b"" at the end of the connection, None when there was nothing after all."""
        assert self._peer is not None
        try:
            return self._peer.recv(CHUNK)
        except BlockingIOError:
            return None
        except OSError:
            return b""

    def _flush(self, now_s: float) -> None:
        assert self._peer is not None
        try:
            sent = self._peer.send(self._unsent) if self._unsent else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop_peer(now_s)
            return
        del self._unsent[:sent]
        if len(self._unsent) > MOST_UNSENT:
            self._drop_peer(now_s)
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._unsent else 0)
        self._selector.modify(self._peer, wanted, (FIRST, self._attend))

    def _drop_peer(self, now_s: float) -> None:
        if self._peer is None:
            return
        self._selector.unregister(self._peer)
        self._peer.close()
        self._peer = None
        self._unsent.clear()
        self.device.link_closed(now_s)


def _listening(address: SocketAddress) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(4)
        listener.setblocking(False)
    except (OSError, OverflowError) as error:
        listener.close()
        raise OSError(
            getattr(error, "errno", None), getattr(error, "strerror", None) or str(error)
        ) from error
    return listener


class Server:
    """A plant, its ports, and one turn of the loop at a time."""

    def __init__(self, plant: Plant, addresses: dict[str, Address], control: Path | None) -> None:
        self.plant = plant
        self._selector = selectors.DefaultSelector()
        self._ports: dict[str, DevicePort | SerialPort] = {}
        self._control: ControlPort | None = None
        try:
            for name, address in addresses.items():
                self._ports[name] = self._port(name, plant.devices[name], address)
            if control is not None:
                self._control = ControlPort(control, plant, self._selector, self._deliver)
        except BaseException:
            self.close()
            raise

    def _port(self, name: str, device: Device, address: Address) -> DevicePort | SerialPort:
        if isinstance(address, Path):
            return SerialPort(name, cast(SerialDevice, device), address, self._selector)
        return DevicePort(name, device, address, self._selector)

    @property
    def addresses(self) -> dict[str, Address]:
        """Where each device listens, with the port it got."""
        return {name: port.address for name, port in self._ports.items()}

    def watch(self, file: socket.socket, call: Callable[[int, float], None]) -> None:
        """Call when `file` can be read, too."""
        self._selector.register(file, selectors.EVENT_READ, (FIRST, call))

    def turn(self, longest_s: float = LONGEST_WAIT_S) -> None:
        """Deliver what is due, then wait for the next thing to happen, at most `longest_s`, and see to it."""
        self._deliver()
        looks_s = [port.waits_s for port in self._ports.values()]
        wait_s = min([self.plant.next_due_s() - time.monotonic(), longest_s, *looks_s])
        events = self._selector.select(max(wait_s, 0.0) if math.isfinite(wait_s) else longest_s)
        for key, mask in sorted(events, key=lambda event: event[0].data[0]):
            if key.fileobj in self._selector.get_map():  # an earlier one may have closed it
                key.data[1](mask, time.monotonic())
        self._deliver()

    def close(self) -> None:
        """Close everything."""
        for port in self._ports.values():
            port.close(time.monotonic())
        if self._control is not None:
            self._control.close()
        self._selector.close()

    def _deliver(self) -> None:
        now_s = time.monotonic()
        output = self.plant.advance(now_s)
        for name, port in self._ports.items():
            for _, data in output.get(name, ()):
                port.put(data, now_s)
            port.follow(now_s)


def serve(
    plant: Plant,
    addresses: dict[str, Address],
    control: Path,
    truth: Path | None,
    ready: Callable[[dict[str, Address]], None] = lambda addresses: None,
) -> None:
    """Serve until SIGTERM or SIGINT. `ready` is called once all ports are open.

    With `truth` every entry of the truth log is appended to that file as a line of JSON at once; `at_s` is
    time.monotonic(). CannotServe and OSError (the truth file) come before anything is served.
    """
    with _truth_file(plant, truth):
        server = Server(plant, addresses, control)
        try:
            with _stop_signals() as (stop, asked):
                server.watch(stop, lambda events, now_s: None)
                ready(server.addresses)
                while not asked:
                    server.turn()
        finally:
            server.close()


@contextmanager
def _truth_file(plant: Plant, truth: Path | None) -> Iterator[None]:
    if truth is None:
        yield
        return
    with truth.open("a", encoding="utf-8") as file:
        plant.listen(line_writer(file))
        yield


@contextmanager
def _stop_signals() -> Iterator[tuple[socket.socket, list[int]]]:
    """A socket that wakes the loop, and the stop signals that came; the old handlers come back afterwards."""
    asked: list[int] = []
    stop, wake = socket.socketpair()
    stop.setblocking(False)
    wake.setblocking(False)
    old_wake = signal.set_wakeup_fd(wake.fileno(), warn_on_full_buffer=False)
    handlers = {
        number: signal.signal(number, lambda got, frame: asked.append(got))
        for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        yield stop, asked
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(old_wake)
        stop.close()
        wake.close()
