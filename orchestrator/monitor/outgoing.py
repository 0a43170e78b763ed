"""What the peer of a Unix socket has not taken yet, and who it is. The monitor uses it: standard library alone."""

from __future__ import annotations

import socket
import struct


class Outgoing:
    """Bytes on their way to one peer that nobody waits for. Of what may be missed only the newest line is kept."""

    def __init__(self, connection: socket.socket) -> None:
        """`connection` does not block."""
        self._connection = connection
        self._out = bytearray()
        self._newest: bytes | None = None

    def __len__(self) -> int:
        """Bytes that must not be missed, and those of a line that is under way."""
        return len(self._out)

    @property
    def waits(self) -> bool:
        """Whether there is something that the peer has not taken yet."""
        return bool(self._out) or self._newest is not None

    def put(self, message: bytes) -> None:
        """Queue a message that must not be missed."""
        self._out += message

    def put_newest(self, line: bytes) -> None:
        """Queue a line in the place of an earlier one that was not begun yet."""
        self._newest = line

    def flush(self) -> bool:
        """Send what the peer takes now; False when it is gone."""
        try:
            while self.waits:
                if not self._out and self._newest is not None:
                    self._out += self._newest
                    self._newest = None
                del self._out[: self._connection.send(self._out)]
        except BlockingIOError:
            pass
        except OSError:
            return False
        return True


def peer_uid(connection: socket.socket) -> int:
    """The user at the other end, as the kernel knows it."""
    packed = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    return int(struct.unpack("3i", packed)[1])
