"""A link inside one process: the virtual world gives the port, and its fake clock runs while a call waits."""

from __future__ import annotations

from typing import Protocol

from drivers.links.base import LinkLost, LinkRefused


class MemoryPort(Protocol):
    """One instrument's end of a link in the virtual world."""

    def connect(self) -> None:
        """A new connection; raises `ConnectionRefusedError` where nobody listens."""

    def send(self, data: bytes) -> int:
        """Number of bytes taken, at least one. Raises `ConnectionResetError`."""

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        """At most `limit` bytes; the clock runs until some come or the time is over, then b"".

        Raises `ConnectionResetError` where the other side has closed.
        """

    def close(self) -> None:
        """The connection ends; bytes under way are lost."""


class MemoryTransport:
    """`Transport` over a `MemoryPort`."""

    settle_s = 0.0

    def __init__(self, port: MemoryPort) -> None:
        self._port = port
        self._is_open = False

    def open(self, timeout_s: float) -> bool:
        """Connect at once."""
        try:
            self._port.connect()
        except OSError as error:
            raise LinkRefused(str(error) or type(error).__name__) from error
        self._is_open = True
        return True

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        """Number of bytes taken."""
        try:
            taken = self._port.send(bytes(data))
        except OSError as error:
            raise LinkLost(str(error) or type(error).__name__) from error
        if data and not taken:  # no time passes in a send: trying again would never end
            raise LinkLost("the port takes no bytes")
        return taken

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        """Number of bytes put into the buffer."""
        try:
            data = self._port.receive(len(buffer), timeout_s)
        except OSError as error:
            raise LinkLost(str(error) or type(error).__name__) from error
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Close the port once."""
        if self._is_open:
            self._is_open = False
            self._port.close()

    def fresh(self) -> MemoryTransport:
        """Another connection to the same port."""
        return MemoryTransport(self._port)
