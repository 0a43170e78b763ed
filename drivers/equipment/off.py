"""The way to safe over an instrument's own link: off writes that need nothing and wait for nobody.

An `OffWrite` is a small state machine over transports. It works although the link is out of service: it opens a
fresh transport then. The real world runs one thread for each, the virtual world steps them all in one thread with
timeout 0. They say what was sent and what the instrument confirmed; that it is off is proved elsewhere, by the
interlock monitor's feedback.

What proves it is one literal answer, or, where an answer varies (the state of an axis), a function of the lines that
came: it says confirmed, wrong, not yet, or that the question must be put again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from drivers.links.base import TIME_OVER_S, Link, LinkLost, LinkRefused, Transport, shown

OFF_S = 0.2
STEP_S = 0.02
VIRTUAL_STEP_S = 0.005
ANSWER_BYTES = 256
MOST_LINES = 200  # of answers, within the time of one way to safe

Verdict = Literal["confirmed", "wrong", "not yet", "ask again"]
Proof = Callable[[Sequence[bytes]], Verdict]
"""What the complete lines that came since the beginning prove, oldest first, without their line ends."""


@dataclass(frozen=True)
class OffResult:
    """What became of one instrument's off messages."""

    instrument: str
    sent: bool  # every byte was taken by the link
    confirmed: bool  # and the instrument answered as it must
    why: str  # empty when confirmed


class OffWrite:
    """One instrument's off messages: `start`, then `step` until it says done.

    `answer` is the one line that proves it, with nothing behind it, or a `Proof`.
    """

    def __init__(
        self,
        link: Link,
        messages: Sequence[str],
        question: str,
        answer: str | Proof,
        total_s: float = OFF_S,
    ) -> None:
        self.name = link.name
        self.total_s = total_s
        self._link = link
        self._first = "".join(f"{line}\n" for line in (*messages, question)).encode("ascii")
        self._question = f"{question}\n".encode("ascii")
        self._data = self._first
        self._answer = answer
        self._until_s = 0.0
        self._transport: Transport | None = None
        self._is_own = False  # whether it is the link's own transport, in step until proved otherwise
        self._begin_again()
        self._done, self._why = True, "not started"

    def start(self, now_s: float) -> None:
        """Begin; touches nothing yet."""
        self._until_s = now_s + self.total_s
        self._begin_again()
        self._done, self._why = False, ""
        self._is_own = self._link.in_service
        self._transport = self._link.transport if self._is_own else None

    def step(self, now_s: float, timeout_s: float) -> bool:
        """Go on for at most the time given; True: done. Never raises for the link's faults."""
        if self._done:
            return True
        if now_s > self._until_s + TIME_OVER_S:
            self._finish(f"{self._stage()} after {self.total_s * 1000:.0f} ms")
            return True
        try:
            self._advance(max(0.0, min(timeout_s, self._until_s - now_s)))
        except (LinkLost, LinkRefused, OSError) as error:
            self._failed(error)
        return self._done

    def run(self, now_s: Callable[[], float]) -> OffResult:
        """Step until done; the body of one thread. A bug of ours is told as the reason, then raised."""
        try:
            while not self.step(now_s(), STEP_S):
                pass
        except Exception as error:
            self._finish(f"{self._stage()}: our own error {error!r}")
            raise
        return self.result()

    def result(self) -> OffResult:
        """What is known so far."""
        sent = self._sent == len(self._data)
        if not self._done:
            return OffResult(self.name, sent, False, f"{self._stage()} after {self.total_s * 1000:.0f} ms")
        return OffResult(self.name, sent, sent and not self._why, self._why)

    def give_up(self) -> None:
        """The thread did not come back in time: its link is not to be used again before it is opened again."""
        self._link.condemn("timeout", "the off messages did not return in time")

    # ---- inside

    def _begin_again(self) -> None:
        self._is_open = False
        self._data = self._first
        self._sent = 0
        self._judged = 0  # number of lines that were judged
        self._received = bytearray()
        self._buffer = memoryview(bytearray(ANSWER_BYTES))

    def _advance(self, timeout_s: float) -> None:
        if self._transport is None:
            self._link.close()
            self._transport = self._link.transport.fresh()
        if not self._is_open:
            self._is_open = self._is_own or self._transport.open(timeout_s)
        elif self._sent < len(self._data):
            self._sent += self._transport.send(memoryview(self._data)[self._sent :], timeout_s)
        else:
            self._received += self._buffer[: self._transport.receive_into(self._buffer, timeout_s)]
            self._judge()

    def _judge(self) -> None:
        *lines, rest = bytes(self._received).split(b"\n")
        if len(lines) == self._judged and len(rest) < ANSWER_BYTES:
            return
        self._judged = len(lines)
        verdict = self._verdict([line.strip() for line in lines], rest)
        if verdict == "confirmed":
            self._finish("")
        elif verdict == "wrong" or len(rest) >= ANSWER_BYTES or len(lines) > MOST_LINES:
            self._finish(f"answered {shown(self._received)}{self._but()}")
        elif verdict == "ask again":
            self._data += self._question

    def _verdict(self, lines: Sequence[bytes], rest: bytes) -> Verdict:
        if callable(self._answer):
            return self._answer(lines) if lines else "not yet"
        return "confirmed" if lines == [self._answer.encode("ascii")] and not rest else "wrong"

    def _but(self) -> str:
        return "" if callable(self._answer) else f", not {shown(self._answer.encode('ascii'))}"

    def _failed(self, error: Exception) -> None:
        """A connection that was lost before is opened once more: switching off may be tried again."""
        if not self._is_own:
            self._finish(f"{self._stage()}: {error}")
            return
        self._link.condemn("lost", f"lost on the way to safe: {error}")
        self._begin_again()
        self._transport, self._is_own = None, False

    def _finish(self, why: str) -> None:
        self._done, self._why = True, why
        if self._is_own and why:
            self._link.condemn("timeout", f"the off messages were not confirmed: {why}")
        elif not self._is_own and self._transport is not None:
            self._transport.close()

    def _stage(self) -> str:
        if not self._is_open:
            return "not opened"
        return "not all sent" if self._sent < len(self._data) else "sent, not confirmed"


def off_all_threads(
    machines: Sequence[OffWrite], deadline_s: float = OFF_S, now_s: Callable[[], float] = time.monotonic
) -> list[OffResult]:
    """Run all at once, one thread each; returns at the latest after `deadline_s`. One that hangs delays no other."""
    return off_begun_in_threads(machines, deadline_s, now_s)()


def off_begun_in_threads(
    machines: Sequence[OffWrite], deadline_s: float = OFF_S, now_s: Callable[[], float] = time.monotonic
) -> Callable[[], list[OffResult]]:
    """Begin all at once, one thread each, and return at once; what is returned waits for the results.

    It waits until `deadline_s` after the beginning. A thread that does not return is left behind (it ends by its own
    deadline when its call returns).
    """
    until_s = now_s() + deadline_s
    threads: dict[OffWrite, threading.Thread] = {}
    without: list[OffWrite] = []
    for machine in machines:
        machine.start(now_s())
        thread = threading.Thread(target=machine.run, args=(now_s,), name=f"off {machine.name}", daemon=True)
        try:
            thread.start()
            threads[machine] = thread
        except RuntimeError:  # no thread to be had: whoever waits for the results steps it
            without.append(machine)
    return lambda: _off_results(machines, threads, without, until_s, now_s)


def _off_results(
    machines: Sequence[OffWrite],
    threads: dict[OffWrite, threading.Thread],
    without: list[OffWrite],
    until_s: float,
    now_s: Callable[[], float],
) -> list[OffResult]:
    for machine in without:
        machine.start(now_s())
    while without := [machine for machine in without if not machine.step(now_s(), 0.0)]:
        pass  # each ends by its own deadline
    for thread in threads.values():
        thread.join(max(0.0, until_s - now_s()))
    for machine, thread in threads.items():
        if thread.is_alive():
            machine.give_up()
    return [machine.result() for machine in machines]


def off_all_stepped(
    machines: Sequence[OffWrite], wait: Callable[[float], None], now_s: Callable[[], float]
) -> list[OffResult]:
    """Step all in this thread, never blocking in a link; `wait` lets the fake clock run between the rounds."""
    for machine in machines:
        machine.start(now_s())
    under_way = list(machines)
    while under_way := [machine for machine in under_way if not machine.step(now_s(), 0.0)]:
        wait(VIRTUAL_STEP_S)
    return [machine.result() for machine in machines]
