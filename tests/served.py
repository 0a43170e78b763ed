"""A plant served on real sockets from a thread of this process, for tests that bring a client of their own."""

from __future__ import annotations

import socket
import threading
from pathlib import Path

from simulators.control import ask
from simulators.device import Plant
from simulators.impulse.faults import DEVICES
from simulators.plants import build
from simulators.serve import Address, Server

PATIENCE_S = 5.0
LOCAL = ("127.0.0.1", 0)


class Served(threading.Thread):
    """A plant on free ports, the impulse one where none is given. Only its thread touches it; a test uses sockets."""

    def __init__(
        self, control: Path, plant: Plant | None = None, places: dict[str, Address] | None = None
    ) -> None:
        super().__init__(daemon=True)
        self.control = control
        where: dict[str, Address] = places or dict.fromkeys(DEVICES, LOCAL)
        self._server = Server(plant or build("impulse", {}, 7), where, control)
        self.addresses: dict[str, Address] = self._server.addresses
        self._over = threading.Event()
        self.start()

    def run(self) -> None:
        while not self._over.is_set():
            self._server.turn(longest_s=0.02)
        self._server.close()

    def set(self, name: str, value: str) -> None:
        ask(self.control, {"set": name, "value": value})

    def show(self) -> dict[str, object]:
        return dict(ask(self.control, {"show": True})["show"])

    def connect(self, device: str) -> socket.socket:
        address = self.addresses[device]
        assert isinstance(address, tuple), f"{device} is no socket"
        return socket.create_connection(address, timeout=PATIENCE_S)

    def end(self) -> None:
        self._over.set()
        self.join(PATIENCE_S)
        assert not self.is_alive()
