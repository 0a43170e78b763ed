"""IEEE 488.2 arbitrary blocks, of definite and of indefinite length, read at the speed of the link.

A definite block (`#`, one digit, the length in so many digits, the data) is received into one buffer of its
announced length: what the data are, line feeds included, costs nothing.
"""

from __future__ import annotations

from typing import Protocol

from drivers.links.base import FaultCode, LinkFault

HASH = ord("#")
MOST_BYTES = 1 << 30
QUIET_S = 0.1
"""A stream has no END: an indefinite block ends at a line feed after which nothing comes for so long."""


class BlockError(ValueError):
    """The bytes are not a block; the sentence says why."""


class Clock(Protocol):
    """Where the time is read."""

    def now_s(self) -> float:
        """Monotonic seconds."""


class Source(Protocol):
    """What is needed of a link."""

    @property
    def pace(self) -> Clock:
        """The clock the deadlines are kept by."""

    def read_exactly(self, count: int, timeout_s: float) -> bytearray:
        """Exactly so many bytes."""

    def read_some(self, timeout_s: float) -> bytes:
        """What comes first, b"" for nothing."""

    def condemn(self, code: FaultCode, sentence: str) -> LinkFault:
        """Out of service, and the fault to raise."""


def encode(data: bytes) -> bytes:
    """A definite block."""
    length = str(len(data)).encode()
    return b"#%d%s%s" % (len(length), length, data)


def decode(response: bytes) -> bytes:
    """The data of a whole response, its ending line feed included or not (an indefinite block must have it).

    Raises `BlockError`.
    """
    digits = _digits(response[:2])
    if not digits:
        if not response.endswith(b"\n"):
            raise BlockError("a block of indefinite length without its line feed")
        return response[2:-1]
    length = _length(response[2 : 2 + digits], digits)
    data = response[2 + digits : 2 + digits + length]
    if len(data) != length:
        raise BlockError(f"{len(data)} bytes of a block of {length}")
    if response[2 + digits + length :] not in (b"", b"\n", b"\r\n"):
        raise BlockError("more bytes behind the block")
    return data


def read(source: Source, timeout_s: float, most_bytes: int = MOST_BYTES) -> bytearray:
    """The data of the block that a link receives, and its line feed taken off the link.

    One total deadline. Raises `LinkFault`: rubbish for what is no block, too_long beyond `most_bytes`.
    """
    until_s = source.pace.now_s() + timeout_s

    def left_s() -> float:
        return max(0.0, until_s - source.pace.now_s())

    try:
        digits = _digits(bytes(source.read_exactly(2, left_s())))
        if not digits:
            return _read_indefinite(source, until_s, most_bytes)
        length = _length(bytes(source.read_exactly(digits, left_s())), digits)
    except BlockError as error:
        raise source.condemn("rubbish", f"sent no block: {error}") from error
    if length > most_bytes:
        raise source.condemn("too_long", f"announced a block of {length} bytes, more than {most_bytes}")
    data = source.read_exactly(length, left_s())
    ending = source.read_exactly(1, left_s())
    if ending == b"\r":
        ending = source.read_exactly(1, left_s())
    if ending != b"\n":
        raise source.condemn("rubbish", f"sent {bytes(ending)!r} behind a block in place of a line feed")
    return data


def _read_indefinite(source: Source, until_s: float, most_bytes: int) -> bytearray:
    data = bytearray()
    while True:
        left_s = max(0.0, until_s - source.pace.now_s())
        more = source.read_some(min(left_s, QUIET_S))
        data += more
        if len(data) > most_bytes:
            raise source.condemn("too_long", f"sent a block of more than {most_bytes} bytes")
        if not more and data.endswith(b"\n") and left_s:
            return data[:-1]
        if not left_s:
            raise source.condemn("timeout", f"no end of a block in time ({len(data)} bytes of it came)")


def _digits(start: bytes) -> int:
    if len(start) != 2 or start[0] != HASH or not start[1:].isdigit():
        raise BlockError(f"it begins with {start!r}, not with # and a digit")
    return int(start[1:])


def _length(text: bytes, digits: int) -> int:
    if len(text) != digits or not text.isdigit():
        raise BlockError(f"its length is {text!r}, not {digits} digits")
    return int(text)
