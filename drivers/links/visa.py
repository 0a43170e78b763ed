"""A link through VISA (pyvisa with pyvisa-py): any resource string.

pyvisa-py is kept on a short rein for the two kinds that are plain streams (SOCKET and ASRL). Measured with
0.8.1: its own waiting does not see that the peer closed (100 % of a processor until the timeout), its timeout
counts for each chunk, opening a refused port succeeds, with a termination character each line feed inside a
binary block ends a read, and a read copies each byte four times. So this transport waits on the descriptor
itself. From a SOCKET session's socket it receives straight into the caller's buffer; of an ASRL session it
asks for exactly the bytes that are there, and such a read never waits. HiSLIP has a descriptor to wait on
too, but a message that has begun is read in one go: pyvisa-py drops what it had of it when its timeout runs
out. Where a session has no descriptor (VXI-11, USBTMC, GPIB), VISA's own timeout is used, one slice at a
time; those kinds were not tried on a device.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import os
import select
import socket
import termios
import threading
from typing import Any

import pyvisa
from pyvisa.constants import ControlFlow, Parity, SerialTermination, StatusCode, StopBits

from drivers.links import plain_transport
from drivers.links.base import CHUNK_BYTES, LinkLost, LinkRefused, Transport
from drivers.links.serial import PULLED, SerialSettings, SerialTransport, why_refused

WRITE_BYTES = 4096  # as pyvisa-py splits a message; a socket that is ready takes so much without waiting
MESSAGE_S = 0.5  # within which a message that has begun must be complete
PARITIES = {"N": Parity.none, "E": Parity.even, "O": Parity.odd}
STOP_BITS = {1: StopBits.one, 1.5: StopBits.one_and_a_half, 2: StopBits.two}
ONE_AT_A_TIME = threading.Lock()  # pyvisa's table of sessions is not safe to change from two threads


def _manager() -> Any:
    """The process's resource manager: pyvisa keeps one, and makes another after somebody closed it."""
    return pyvisa.ResourceManager("@py")


class VisaTransport:
    """`Transport` over a VISA resource."""

    def __init__(self, resource: str, settings: SerialSettings | None = None) -> None:
        self.resource = resource
        self.settings = settings or SerialSettings()
        self.settle_s = SerialTransport.settle_s if resource.upper().startswith("ASRL") else 0.0
        self._instrument: Any = None
        self._session: Any = None  # pyvisa-py's own session object
        self._descriptor = -1
        self._socket: socket.socket | None = None  # of a SOCKET session
        self._is_line = False  # an ASRL session
        self._there = array.array("i", [0])
        self._to_read = select.poll()
        self._to_write = select.poll()

    def open(self, timeout_s: float) -> bool:
        """One attempt of at most the time given (VISA cannot go on with an attempt once begun)."""
        try:
            with ONE_AT_A_TIME:
                self._instrument = _manager().open_resource(
                    self.resource, open_timeout=max(1, round(timeout_s * 1000))
                )
                self._session = _manager().visalib.sessions[self._instrument.session]
            self._prepare()
        except Exception as error:  # pyvisa-py raises bare Exception where it cannot connect
            self.close()
            if "timeout" in str(error).lower():
                return False
            if self.settle_s:
                raise LinkRefused(why_refused(self.resource, error)) from error
            raise LinkRefused(f"{self.resource}: {error}") from error
        return True

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        """Number of bytes taken; 0: none within the time."""
        if self._socket is not None:
            return self._sent(self._socket, data, timeout_s)
        if self._descriptor < 0:
            self._set_timeout(timeout_s)
        elif not self._to_write.poll(max(0.0, timeout_s) * 1000):
            return 0
        try:
            taken, status = self._open_session().write(bytes(data[:WRITE_BYTES]))
        except OSError as error:
            raise self._lost(error) from error
        self._require(status)
        return int(taken)

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        """Number of bytes put into the buffer; 0: none within the time."""
        session = self._open_session()
        if self._descriptor >= 0 and not self._to_read.poll(max(0.0, timeout_s) * 1000):
            return 0
        try:
            if self._socket is not None:
                return self._received(self._socket.recv_into(buffer))
            data, status = session.read(min(self._count(timeout_s), len(buffer)))
        except (OSError, RuntimeError) as error:  # RuntimeError: HiSLIP's closed connection
            raise self._lost(error) from error
        if status == StatusCode.error_timeout and self._descriptor >= 0:
            raise LinkLost(f"{self.resource}: it stopped in the middle of a message")
        self._require(status)
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Close the session."""
        instrument, self._instrument, self._session, self._socket = self._instrument, None, None, None
        self._descriptor = -1
        self._to_read = select.poll()
        self._to_write = select.poll()
        if instrument is not None:
            with ONE_AT_A_TIME, contextlib.suppress(pyvisa.Error, OSError, AttributeError, TypeError):
                instrument.close()

    def fresh(self) -> Transport:
        """A plain socket or serial transport where the resource is one: VISA is shared by all threads."""
        return plain_transport(self.resource, self.settings) or VisaTransport(self.resource, self.settings)

    # ---- inside

    def _sent(self, stream: socket.socket, data: bytes | memoryview, timeout_s: float) -> int:
        """Straight to the session's socket, as it is received from: the library looks twice before each write."""
        try:
            return stream.send(data, socket.MSG_DONTWAIT)
        except BlockingIOError:
            if not self._to_write.poll(max(0.0, timeout_s) * 1000):
                return 0
        except OSError as error:
            raise self._lost(error) from error
        return self._sent(stream, data, 0.0)

    def _prepare(self) -> None:
        interface = getattr(self._session, "interface", None)
        waits_on = getattr(interface, "_sync", None)  # HiSLIP
        self._is_line = False
        if isinstance(interface, socket.socket):
            code = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if code:  # pyvisa-py looks at it only when it writes
                raise ConnectionError(os.strerror(code))
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            waits_on = self._socket = interface
        elif interface is not None and self.settle_s:
            self._prepare_line(interface)
            waits_on, self._is_line = interface, True
        if waits_on is not None:
            self._descriptor = waits_on.fileno()
            self._to_read.register(self._descriptor, select.POLLIN)
            self._to_write.register(self._descriptor, select.POLLOUT)

    def _prepare_line(self, port: Any) -> None:
        line = self.settings
        self._instrument.baud_rate = line.baud
        self._instrument.data_bits = line.data_bits
        self._instrument.parity = PARITIES[line.parity]
        self._instrument.stop_bits = STOP_BITS[line.stop_bits]
        self._instrument.flow_control = ControlFlow.none
        self._instrument.end_input = SerialTermination.none  # else each line feed in a block ends a read
        port.exclusive = True  # VISA's own locks are not supported by pyvisa-py
        port.reset_input_buffer()

    def _open_session(self) -> Any:
        if self._session is None:
            raise LinkLost(f"{self.resource}: it is not open")
        return self._session

    def _lost(self, error: Exception) -> LinkLost:
        return LinkLost(f"{self.resource}: {PULLED if self.settle_s else error}")

    def _set_timeout(self, timeout_s: float) -> None:
        if self._instrument is not None:
            self._instrument.timeout = max(1, round(timeout_s * 1000))

    def _count(self, timeout_s: float) -> int:
        """Bytes to read now: those that are there on a serial line, else as many as a message may have."""
        if self._is_line:
            fcntl.ioctl(self._descriptor, termios.FIONREAD, self._there)
            return self._received(self._there[0])
        self._set_timeout(timeout_s if self._descriptor < 0 else MESSAGE_S)
        return CHUNK_BYTES

    def _received(self, count: int) -> int:
        if not count:  # ready to be read and nothing to read: the end of the stream
            raise LinkLost(PULLED if self.settle_s else "the other side closed it")
        return count

    def _require(self, status: StatusCode) -> None:
        """The session's status: a timeout is no fault of a slice, any other error ends the link."""
        if status < 0 and status != StatusCode.error_timeout:
            raise LinkLost(f"{self.resource}: {status!r}")
