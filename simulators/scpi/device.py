"""A SCPI-99 device without I/O: bytes in at a time, bytes out with the time they are due.

Decisions where IEEE 488.2 speaks of a bus and this is a byte stream (raw socket or serial line):

- A message ends at a new line; a carriage return before it is white space. Responses end with a new line.
- What has been answered is on its way: a new message does not recall it. So -410 INTERRUPTED, which needs to
  know that nobody has read yet, and -420 UNTERMINATED, which needs to be addressed to talk, do not arise by
  themselves, nor does -430 DEADLOCKED, as the link takes every response. `error()` puts them in for a device
  that has them. -440 does arise.
- MAV is set while a response of the same message or of an earlier one is still due. *CLS recalls no response.
- *OPC? and *WAI hold the message, and all messages behind it, until no overlapped operation is pending. The
  way out is to close the link; it drops what has arrived, what waits, and responses not yet due. All else stays.
- More input than `input_limit` bytes is -363; that message is lost.
"""

import math
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from simulators.scpi.blocks import definite_block
from simulators.scpi.common import standard_commands
from simulators.scpi.errors import OVERFLOW, ErrorQueue, EventBit, ScpiError, event_bit
from simulators.scpi.framer import OVERRUN, Framer, Overrun
from simulators.scpi.headers import Command, HeaderTree, Later
from simulators.scpi.parser import Parser, Unit
from simulators.scpi.status import Status

INPUT_LIMIT = 65_536


@dataclass(frozen=True)
class Identity:
    """The four fields of *IDN?; none may hold a comma or a semicolon."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __post_init__(self) -> None:
        for part in (self.maker, self.model, self.serial, self.firmware):
            if not part or not part.isascii() or not part.isprintable() or set(part) & set(",;"):
                raise ValueError(f"{part!r} cannot be a field of *IDN?")

    def reply(self) -> str:
        return f"{self.maker},{self.model},{self.serial},{self.firmware}"


@dataclass(eq=False)
class Operation:
    """An overlapped operation that is pending until `until_s`, or until the instrument ends it."""

    until_s: float
    on_end: Callable[[float], None] | None


@dataclass(slots=True)
class _Message:
    """The program message under way."""

    units: tuple[Unit, ...] = ()
    next_unit: int = 0
    replies: list[bytes] = field(default_factory=list)
    replies_ended: bool = False
    waiting: Later | None = None

    @property
    def done(self) -> bool:
        return self.waiting is None and self.next_unit >= len(self.units)


def _nothing(now_s: float) -> None:
    """The usual hook."""


def _passed(now_s: float) -> int:
    """The usual self-test."""
    return 0


class ScpiDevice:
    """One instrument's command interface; see the module for what it does on a stream.

    `commands` are the instrument's own; the common commands, SYSTem:ERRor, SYSTem:VERSion?, STATus and ABORt
    are here. On *RST and ABORt, `on_reset` and `on_abort` are called with the time, before pending operations
    end. `self_test` answers *TST?, 0 for passed.
    """

    def __init__(
        self,
        identity: Identity,
        commands: Iterable[Command],
        *,
        reply_delay_s: float = 0.0,
        errors_kept: int = 16,
        input_limit: int = INPUT_LIMIT,
        on_reset: Callable[[float], None] = _nothing,
        on_abort: Callable[[float], None] = _nothing,
        self_test: Callable[[float], int] = _passed,
    ) -> None:
        self.identity = identity
        self.reply_delay_s = reply_delay_s
        self.on_reset = on_reset
        self.on_abort = on_abort
        self.self_test = self_test
        self.errors = ErrorQueue(errors_kept)
        self.status = Status(lambda: len(self.errors))
        self._input_limit = input_limit
        self._parser = Parser(HeaderTree([*standard_commands(self), *commands]))
        self._framer = Framer(input_limit, self._parser.needed)
        self._inbox: deque[str | Overrun] = deque()
        self._inbox_bytes = 0
        self.operations: list[Operation] = []
        """Those that are pending."""
        self._complete_wanted = False
        self._running = False
        self._outbox: deque[tuple[float, bytes]] = deque()
        self._message = _Message()

    # ---- the link

    def receive(self, data: bytes, now_s: float) -> None:
        """Bytes from the link, in any split."""
        if self.operations or self._message.waiting is not None:
            self._catch_up(now_s)
        for item in self._framer.feed(data):
            self._take_in(item)
        self._run(now_s)

    def advance(self, now_s: float) -> list[tuple[float, bytes]]:
        """Let time pass; the responses due until now, each with the time it is due."""
        if self.operations or self._message.waiting is not None:
            self._catch_up(now_s)
        due: list[tuple[float, bytes]] = []
        while self._outbox and self._outbox[0][0] <= now_s:
            due.append(self._outbox.popleft())
        return due

    def next_due_s(self) -> float:
        """When a response is due or something else happens by itself; math.inf when nothing is planned."""
        return min(self._outbox[0][0] if self._outbox else math.inf, self._next_event_s())

    def link_opened(self, now_s: float) -> None:
        """A new connection starts with an empty message."""
        self.link_closed(now_s)

    def link_closed(self, now_s: float) -> None:
        """Drop half a message, waiting messages, responses not yet due; status, errors and settings stay."""
        self._catch_up(now_s)
        self._framer.reset()
        self._inbox.clear()
        self._inbox_bytes = 0
        self._outbox.clear()
        self._message = _Message()

    # ---- for the instrument built on it

    def error(self, number: int, detail: str = "") -> None:
        """Report an error: queue it and set its standard event."""
        self._report(ScpiError(number, detail))

    def begin_operation(
        self, until_s: float = math.inf, on_end: Callable[[float], None] | None = None
    ) -> Operation:
        """Start an overlapped operation (INITiate is one); *OPC, *OPC? and *WAI wait for it.

        It ends at `until_s`, then `on_end` is called with that time, or by `end_operation`, without `on_end`.
        """
        operation = Operation(until_s, on_end)
        self.operations.append(operation)
        return operation

    def end_operation(self, operation: Operation, now_s: float) -> None:
        """End an operation now; one that has ended already is let be."""
        if operation in self.operations:
            self.operations.remove(operation)
            self._operations_changed(now_s)

    @property
    def operation_pending(self) -> bool:
        return bool(self.operations)

    # ---- what the standard commands do

    def clear_status(self) -> None:
        """*CLS."""
        self.status.clear()
        self.errors.clear()
        self._complete_wanted = False

    def reset(self, now_s: float) -> None:
        """*RST: the instrument's settings; pending operations are given up, *OPC forgotten, status stays."""
        self._complete_wanted = False
        self.on_reset(now_s)
        self.operations.clear()

    def abort(self, now_s: float) -> None:
        """ABORt: the trigger system goes idle; pending operations are over, so *OPC reports complete."""
        self.on_abort(now_s)
        self.operations.clear()
        self._operations_changed(now_s)

    def report_complete(self) -> None:
        """*OPC: set the OPC event as soon as no operation is pending."""
        if self.operations:
            self._complete_wanted = True
        else:
            self.status.events |= EventBit.OPC

    def status_byte(self, now_s: float) -> int:
        """*STB?."""
        due = bool(self._outbox) and self._outbox[-1][0] > now_s
        return self.status.byte(message_available=due or bool(self._message.replies))

    # ---- inside

    def _take_in(self, item: str | Overrun) -> None:
        """Queue a message; one that does not fit behind those that wait is lost."""
        if isinstance(item, str) and self._inbox_bytes + len(item) <= self._input_limit:
            self._inbox_bytes += len(item)
            self._inbox.append(item)
        elif not self._inbox or self._inbox[-1] is not OVERRUN:
            self._inbox.append(OVERRUN)

    def _next_event_s(self) -> float:
        waiting = self._message.waiting
        waits_s = math.inf if waiting is None or waiting.at_s is None else waiting.at_s
        return min([waits_s, *[operation.until_s for operation in self.operations]])

    def _catch_up(self, now_s: float) -> None:
        """Do what was planned until now, each at its own time."""
        if not self.operations and self._message.waiting is None:
            return
        while (at_s := self._next_event_s()) <= now_s:
            ended = [operation for operation in self.operations if operation.until_s <= at_s]
            for operation in ended:
                self.operations.remove(operation)
                if operation.on_end is not None:
                    operation.on_end(at_s)
            self._operations_changed(at_s)
            self._run(at_s)

    def _operations_changed(self, now_s: float) -> None:
        if self.operations:
            return
        if self._complete_wanted:
            self._complete_wanted = False
            self.status.events |= EventBit.OPC
        self._run(now_s)

    def _run(self, now_s: float) -> None:
        """Execute until nothing is left or something waits. Called from within a handler it does nothing."""
        if self._running:
            return
        self._running = True
        try:
            while self._resumed(now_s) and self._started():
                self._execute(now_s)
                if self._message.done:
                    self._finish(now_s)
        finally:
            self._running = False

    def _resumed(self, now_s: float) -> bool:
        """Whether nothing is waited for (any longer)."""
        waiting = self._message.waiting
        if waiting is None:
            return True
        if self.operations if waiting.at_s is None else waiting.at_s > now_s:
            return False
        self._message.waiting = None
        self._keep(waiting.answer, now_s)
        return True

    def _started(self) -> bool:
        """Whether a message is under way, taking the next one if none is."""
        while not self._message.units:
            if not self._inbox:
                return False
            item = self._inbox.popleft()
            if isinstance(item, Overrun):
                self.error(-363, f"at most {self._input_limit} bytes")
                continue
            self._inbox_bytes -= len(item)
            self._message.units = self._parser.units(item)
        return True

    def _execute(self, now_s: float) -> None:
        message = self._message
        units = message.units
        while message is self._message and message.next_unit < len(units) and message.waiting is None:
            unit = units[message.next_unit]
            message.next_unit += 1
            if isinstance(unit, ScpiError):
                self._report(unit)
            elif unit.is_query and message.replies_ended:
                self.error(-440, unit.command.header)
            else:
                message.replies_ended |= unit.is_query and unit.command.ends_replies
                self._keep(unit.run, now_s)

    def _keep(self, handler: Callable[[float], str | bytes | Later | None], now_s: float) -> None:
        """Call a handler and keep its reply, its wait or its refusal."""
        try:
            reply = handler(now_s)
        except ScpiError as error:
            self._report(error)
            return
        if isinstance(reply, Later):
            self._message.waiting = reply
        elif reply is not None:
            data = reply.encode("latin-1") if isinstance(reply, str) else definite_block(reply)
            self._message.replies.append(data)

    def _finish(self, now_s: float) -> None:
        """The end of a message: its response, if any, goes out in one piece."""
        if self._message.replies:
            at_s = now_s + self.reply_delay_s
            if self._outbox:
                at_s = max(at_s, self._outbox[-1][0])
            self._outbox.append((at_s, b";".join(self._message.replies) + b"\n"))
        self._message = _Message()

    def _report(self, error: ScpiError) -> None:
        self.status.events |= event_bit(error.number)
        if not self.errors.push(error):
            self.status.events |= event_bit(OVERFLOW)
