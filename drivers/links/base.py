"""A byte link to one instrument: one total deadline for each call, no answer from an earlier question.

A `Link` is the only thing the codecs talk to. It drives a `Transport` (memory, socket, serial line, VISA) in
slices of at most `SLICE_S`, so that a blocked call can be abandoned between two slices. After a timeout, a
loss, rubbish or an abandoned call the link is out of service: every later call says so until the link is
opened again. Its owner then identifies the instrument before asking anything else.

A link has one owner and is not safe to share between threads. Only the standard library is imported here:
the interlock monitor's process loads this module.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Literal, ParamSpec, Protocol, TypeVar

SLICE_S = 0.1
"""Longest time one blocked call stays away from `Pace.slice`, in seconds."""

CHUNK_BYTES = 65536
"""Bytes asked for at once when the length of an answer is not known; the fastest of those measured."""

TIME_OVER_S = 1e-9
"""A rest of time below this is no time at all: a clock of floats never quite reaches its deadline."""

P = ParamSpec("P")
R = TypeVar("R")

FaultCode = Literal["refused", "timeout", "lost", "out_of_service", "rubbish", "too_long"]


class LinkFault(Exception):
    """A link did not do what was asked of it: which link, what kind of fault, and one sentence for a person.

    `code` is one of
    `refused`         nobody there, or it does not let us in: the link was not opened;
    `timeout`         the total deadline of the call is over;
    `lost`            the other side closed or reset the connection, or the line was pulled;
    `out_of_service`  an earlier fault: open the link again and identify the instrument;
    `rubbish`         bytes came that cannot be the answer to the question;
    `too_long`        the answer is longer than its limit.
    """

    def __init__(self, code: FaultCode, link: str, sentence: str) -> None:
        super().__init__(f"{link}: {sentence}")
        self.code: FaultCode = code
        self.link = link
        self.sentence = sentence


class LinkLost(Exception):
    """Raised by a transport: the other side is gone. A `Link` turns it into `LinkFault("lost")`."""


class LinkRefused(Exception):
    """Raised by a transport: the link cannot be opened. A `Link` turns it into `LinkFault("refused")`."""


class Pace(Protocol):
    """The world's time as a link sees it: real, or the fake clock of the virtual world."""

    def now_s(self) -> float:
        """Monotonic seconds."""

    def slice(self) -> None:
        """Called between slices of a blocked call, at most `SLICE_S` apart; may raise to abandon the call."""


class OwnPace:
    """Real time with nobody to listen to between slices: for tools and tests."""

    def now_s(self) -> float:
        """Monotonic seconds of this computer."""
        return time.monotonic()

    def slice(self) -> None:
        """Nothing to look at: the call goes on."""


class Transport(Protocol):
    """What differs between kinds of links. No call stays longer than the time it is given."""

    settle_s: float
    """After opening, bytes are thrown away until the line is silent so long; 0: it starts empty."""

    def open(self, timeout_s: float) -> bool:
        """Open, or go on opening; False: not yet. Raises `LinkRefused`. Close an open one first."""

    def send(self, data: bytes | memoryview, timeout_s: float) -> int:
        """Number of bytes taken, fewer than given is allowed; 0: none within the time. Raises `LinkLost`."""

    def receive_into(self, buffer: memoryview, timeout_s: float) -> int:
        """Number of bytes put into the buffer; 0: none within the time. Raises `LinkLost` at the end."""

    def close(self) -> None:
        """Close; what was still under way is never seen again. Closing twice is allowed. Never raises."""

    def fresh(self) -> Transport:
        """A second, closed transport to the same instrument, for the way to safe: may be a plainer kind."""


class _Call:
    """The time of one call: its total deadline, and when the pace is due to be looked at."""

    __slots__ = ("looked_s", "pace", "timeout_s", "until_s")

    def __init__(self, pace: Pace, timeout_s: float) -> None:
        self.pace = pace
        self.timeout_s = timeout_s
        self.looked_s = pace.now_s()
        self.until_s = self.looked_s + timeout_s

    def slice_s(self) -> float:
        """How long the transport may block now."""
        end_s, now_s = self.looked_s + SLICE_S, self.pace.now_s()
        if self.until_s < end_s:
            end_s = self.until_s
        return end_s - now_s if end_s > now_s else 0.0

    def turn(self, progress: int) -> None:
        """Between two slices: look at the pace when nothing came, or after half a slice."""
        if not progress or self.pace.now_s() - self.looked_s >= SLICE_S / 2:
            self.pace.slice()
            self.looked_s = self.pace.now_s()

    def is_over(self) -> bool:
        return self.until_s - self.pace.now_s() <= TIME_OVER_S


class Link:
    """One byte link with a name, owned by one thread."""

    def __init__(self, name: str, transport: Transport, pace: Pace) -> None:
        self.name = name
        self.transport = transport
        self.pace = pace
        self._in_service = False
        self._why = "it was not opened"
        self._rest = bytearray()  # bytes received and not yet asked for
        self._chunk = memoryview(bytearray(CHUNK_BYTES))

    @property
    def in_service(self) -> bool:
        """Whether the link may be used."""
        return self._in_service

    @property
    def why_out_of_service(self) -> str:
        """The reason in words, empty while in service."""
        return "" if self._in_service else self._why

    def open(self, timeout_s: float) -> None:
        """Open, after closing what was open. Raises `LinkFault`; rubbish where the line never rests."""
        self.close()
        self._why = "opening it failed"
        call = _Call(self.pace, timeout_s)
        try:
            while not self.transport.open(call.slice_s()):
                call.turn(0)
                if call.is_over():
                    raise self.condemn("timeout", f"could not be opened within {timeout_s:g} s")
        except LinkRefused as error:
            raise self.condemn("refused", f"cannot be opened ({error})") from error
        self._in_service = True
        self._guarded(self._settle, call)

    def close(self) -> None:
        """Close, and forget what came and was not asked for. Never raises; closing twice is allowed."""
        if self._in_service:
            self._why = "it was closed"
        self._in_service = False
        self._rest.clear()
        self.transport.close()

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send all bytes within the time. Raises `LinkFault`."""
        self._guarded(self._write, data, _Call(self.pace, timeout_s))

    def read_line(self, timeout_s: float, limit: int = CHUNK_BYTES) -> bytes:
        """One line of at most `limit` bytes, without line feed and carriage return. Raises `LinkFault`."""
        if self._in_service and 0 <= self._rest.find(b"\n") <= limit:  # came with what was asked for before
            return self._line_of(self._rest.index(b"\n"))
        return self._guarded(self._read_line, limit, _Call(self.pace, timeout_s))

    def ask(self, question: bytes, timeout_s: float, limit: int = CHUNK_BYTES) -> bytes:
        """One line for a question, both within the time, nothing unasked for before. Raises `LinkFault`."""
        return self._guarded(self._ask, question, limit, _Call(self.pace, timeout_s))

    def read_exactly(self, count: int, timeout_s: float) -> bytearray:
        """Exactly `count` bytes, received in place without further copies. Raises `LinkFault`."""
        if self._in_service and len(self._rest) >= count:  # came with what was asked for before
            return self._taken(count)
        return self._guarded(self._read_exactly, count, _Call(self.pace, timeout_s))

    def ask_exactly(self, question: bytes, count: int, timeout_s: float) -> bytearray:
        """The first `count` bytes of an answer, nothing unasked for before. Raises `LinkFault`."""
        return self._guarded(self._ask_exactly, question, count, _Call(self.pace, timeout_s))

    def read_some(self, timeout_s: float) -> bytes:
        """What comes first within the time, b"" if nothing: silence is no fault. Raises `LinkFault` lost."""
        return self._guarded(self._read_some, _Call(self.pace, timeout_s))

    def expect_silence(self, for_s: float = 0.0) -> None:
        """Nothing is on its way, so that a question can be put; else raises `LinkFault` rubbish."""
        self._guarded(self._expect_silence, for_s)

    def condemn(self, code: FaultCode, sentence: str) -> LinkFault:
        """Put the link out of service and give the fault to raise: for an answer that cannot be one."""
        if self._in_service:
            self._why = sentence
        self._in_service = False
        return LinkFault(code, self.name, f"{sentence}; the link is out of service until it is opened again")

    # ---- inside

    def _guarded(self, work: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """Whatever ends the work early leaves the link out of service."""
        if not self._in_service:
            sentence = f"out of service ({self._why}); open it again and identify the instrument first"
            raise LinkFault("out_of_service", self.name, sentence)
        try:
            return work(*args, **kwargs)
        except LinkFault:
            raise
        except LinkLost as error:
            raise self.condemn("lost", f"the connection is lost ({error})") from error
        except BaseException as error:
            self._why = f"a call was abandoned by {type(error).__name__}"
            self._in_service = False
            raise

    def _settle(self, call: _Call) -> None:
        rest_s = self.transport.settle_s
        while rest_s and self._read_some(_Call(self.pace, rest_s)):
            if call.is_over():
                raise self.condemn("rubbish", "the line does not come to rest after opening")

    def _ask(self, question: bytes, limit: int, call: _Call) -> bytes:
        self._expect_silence(0.0)
        self._write(question, call)
        return self._read_line(limit, call)

    def _ask_exactly(self, question: bytes, count: int, call: _Call) -> bytearray:
        self._expect_silence(0.0)
        self._write(question, call)
        return self._read_exactly(count, call)

    def _expect_silence(self, for_s: float) -> None:
        stray = self._read_some(_Call(self.pace, for_s)) if for_s else self._rest
        if not stray and (came := self.transport.receive_into(self._chunk, 0.0)):
            stray = bytes(self._chunk[:came])
        if stray:
            raise self.condemn("rubbish", f"sent {len(stray)} bytes that nobody asked for: {shown(stray)}")

    def _write(self, data: bytes, call: _Call) -> None:
        sent = self.transport.send(data, call.slice_s())
        while sent < len(data):
            if call.is_over():
                sentence = f"took only {sent} of {len(data)} bytes within {call.timeout_s:g} s"
                raise self.condemn("timeout", sentence)
            more = self.transport.send(memoryview(data)[sent:], call.slice_s())
            call.turn(more)
            sent += more

    def _read_line(self, limit: int, call: _Call) -> bytes:
        searched = 0
        while (end := self._rest.find(b"\n", searched)) < 0 and len(self._rest) <= limit:
            searched = len(self._rest)
            self._receive_chunk(call, searched)
        if end < 0 or end > limit:
            raise self.condemn("too_long", f"sent a line of more than {limit} bytes")
        return self._line_of(end)

    def _line_of(self, end: int) -> bytes:
        line = bytes(self._rest[:end])
        del self._rest[: end + 1]
        return line.removesuffix(b"\r")

    def _read_exactly(self, count: int, call: _Call) -> bytearray:
        if count >= CHUNK_BYTES:
            return self._read_in_place(count, call)
        self._gather(count, 0, call)
        return self._taken(count)

    def _read_in_place(self, count: int, call: _Call) -> bytearray:
        data = bytearray(count)
        have = min(count, len(self._rest))
        data[:have] = self._taken(have)
        with memoryview(data) as view:
            while count - have >= CHUNK_BYTES:  # straight into its place
                have += self._receive(view[have:], call, have)
        self._gather(count - have, have, call)
        data[have:] = self._taken(count - have)
        return data

    def _gather(self, count: int, before: int, call: _Call) -> None:
        """What follows the last bytes may come with them: one call for both, and what is over stays."""
        while len(self._rest) < count:
            self._receive_chunk(call, before + len(self._rest))

    def _read_some(self, call: _Call) -> bytes:
        while not self._rest:
            self._rest += self._chunk[: self.transport.receive_into(self._chunk, call.slice_s())]
            if call.is_over():
                break
            call.turn(len(self._rest))
        data = bytes(self._rest)
        self._rest.clear()
        return data

    def _taken(self, count: int) -> bytearray:
        data = self._rest[:count]
        del self._rest[:count]
        return data

    def _receive_chunk(self, call: _Call, have: int) -> None:
        self._rest += self._chunk[: self._receive(self._chunk, call, have)]

    def _receive(self, buffer: memoryview, call: _Call, have: int) -> int:
        """At least one byte before the deadline, or a fault."""
        while True:
            got = self.transport.receive_into(buffer, call.slice_s())
            if call.is_over():
                sentence = f"no complete answer within {call.timeout_s:g} s ({have + got} bytes of it came)"
                raise self.condemn("timeout", sentence)
            call.turn(got)
            if got:
                return got


def shown(data: bytes | bytearray, most: int = 40) -> str:
    """Bytes as a person can read them: quoted, what is not printable escaped, cut at `most`."""
    return repr(bytes(data[:most]).decode("ascii", "backslashreplace")) + (" ..." if len(data) > most else "")
