"""A link over a plain TCP stream."""

from __future__ import annotations

import errno
import os
import select
import socket

from drivers.links.base import LinkLost, LinkRefused

UNDER_WAY = (errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EALREADY)


class SocketTransport:
    """`Transport` over a TCP stream socket that never blocks beyond the time of a call."""

    settle_s = 0.0

    def __init__(self, host: str, port: int) -> None:
        self.host = host
        self.port = port
        self._socket: socket.socket | None = None
        self._to_read = select.poll()
        self._to_write = select.poll()

    def open(self, timeout_s: float) -> bool:
        """Connect, or go on connecting. A host given by name is looked up without a time limit."""
        if self._socket is None:
            self._begin()
        if not self._to_write.poll(timeout_s * 1000):
            return False
        code = self._open_socket().getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise self._refused(os.strerror(code))
        return True

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        """Number of bytes taken; 0: the other side takes none within the time."""
        sent = self._try_send(data)
        if sent is None and timeout_s > 0 and self._to_write.poll(timeout_s * 1000):
            sent = self._try_send(data)
        return sent or 0

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        """Number of bytes put into the buffer; 0: none within the time."""
        peer = self._open_socket()
        if not self._to_read.poll(max(0.0, timeout_s) * 1000):
            return 0
        try:
            got = peer.recv_into(buffer)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise LinkLost(error.strerror or str(error)) from error
        if not got:
            raise LinkLost("the other side closed it")
        return got

    def close(self) -> None:
        """Close; unread bytes are lost with the connection."""
        if self._socket is not None:
            self._to_read.unregister(self._socket)
            self._to_write.unregister(self._socket)
            self._socket.close()
            self._socket = None

    def fresh(self) -> SocketTransport:
        """Another connection to the same host and port."""
        return SocketTransport(self.host, self.port)

    def _begin(self) -> None:
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                self.host, self.port, type=socket.SOCK_STREAM
            )[0]
            self._socket = socket.socket(family, kind, protocol)
        except OSError as error:
            raise self._refused(error.strerror or str(error)) from error
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._to_read.register(self._socket, select.POLLIN)
        self._to_write.register(self._socket, select.POLLOUT)
        code = self._socket.connect_ex(address)
        if code and code not in UNDER_WAY:
            raise self._refused(os.strerror(code))

    def _refused(self, why: str) -> LinkRefused:
        self.close()
        return LinkRefused(f"{why}: {self.host} port {self.port}")

    def _open_socket(self) -> socket.socket:
        if self._socket is None:
            raise LinkLost("it is not open")
        return self._socket

    def _try_send(self, data: bytes | memoryview) -> int | None:
        """Bytes taken, None: it would block."""
        try:
            return self._open_socket().send(data)
        except BlockingIOError:
            return None
        except OSError as error:
            raise LinkLost(error.strerror or str(error)) from error
