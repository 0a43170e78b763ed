"""A link over a serial line, opened for this process alone."""

from __future__ import annotations

import errno
import os
import select
from dataclasses import dataclass

import serial

from drivers.links.base import LinkLost, LinkRefused

WHY_REFUSED = {
    errno.ENOENT: "there is no such line: it is unplugged, or came back under another name",
    errno.ENODEV: "there is no such line: it is unplugged",
    errno.ENXIO: "there is no such line: it is unplugged",
    errno.EIO: "nothing is at its other end",
    errno.EACCES: "this account may not use it",
    errno.EAGAIN: "another program has it open",
    errno.EBUSY: "another program has it open",
}
PULLED = "the line was pulled"


@dataclass(frozen=True)
class SerialSettings:
    """The line's format; the usual 9600 8N1 unless the bench file says otherwise."""

    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"  # N, E, O
    stop_bits: float = 1


def why_refused(device: str, error: Exception) -> str:
    """In one sentence, why a serial line could not be opened."""
    number = error.errno if isinstance(error, OSError) else None
    if number is None:
        return f"{device}: {error}"
    return f"{device}: {WHY_REFUSED.get(number, os.strerror(number))}"


class SerialTransport:
    """`Transport` over a serial device file."""

    settle_s = 0.05

    def __init__(self, device: str, settings: SerialSettings | None = None) -> None:
        self.device = device
        self.settings = settings or SerialSettings()
        self._port: serial.Serial | None = None
        self._to_read = select.poll()
        self._to_write = select.poll()

    def open(self, timeout_s: float) -> bool:
        """Open for this process alone and throw away what was received before."""
        line = self.settings
        try:
            self._port = serial.Serial(
                self.device,
                baudrate=line.baud,
                bytesize=line.data_bits,
                parity=line.parity,
                stopbits=line.stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
            self._port.reset_input_buffer()
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise LinkRefused(why_refused(self.device, error)) from error
        self._to_read.register(self._port.fileno(), select.POLLIN)
        self._to_write.register(self._port.fileno(), select.POLLOUT)
        return True

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        """Number of bytes taken; 0: the line takes none within the time."""
        port = self._open_port()
        try:
            if not self._to_write.poll(max(0.0, timeout_s) * 1000):
                return 0
            return int(port.write(bytes(data)) or 0)
        except serial.SerialTimeoutException:
            return 0
        except OSError as error:
            raise LinkLost(f"{self.device}: {PULLED}") from error

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        """Number of bytes put into the buffer; 0: none within the time."""
        port = self._open_port()
        try:
            if not self._to_read.poll(max(0.0, timeout_s) * 1000):
                return 0
            data = port.read(len(buffer))
        except (OSError, TypeError) as error:  # pyserial: TypeError where the descriptor is gone
            raise LinkLost(f"{self.device}: {PULLED}") from error
        if not data:
            raise LinkLost(f"{self.device}: {PULLED}")
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Close; a line that is gone already is closed too."""
        if self._port is not None:
            port, self._port = self._port, None
            self._to_read = select.poll()
            self._to_write = select.poll()
            port.close()

    def fresh(self) -> SerialTransport:
        """Another opening of the same device."""
        return SerialTransport(self.device, self.settings)

    def _open_port(self) -> serial.Serial:
        if self._port is None:
            raise LinkLost(f"{self.device}: it is not open")
        return self._port
