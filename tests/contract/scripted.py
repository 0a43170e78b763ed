"""A scripted SCPI instrument on a memory port: a table of answers, an error queue, and what it was sent."""

from __future__ import annotations

from collections.abc import Callable

from drivers.links.base import Link
from drivers.links.memory import MemoryTransport
from tests.contract.peers import FakePace

Answer = str | bytes | Callable[[], str | bytes] | None


class ScriptedInstrument:
    """Answers each question by its table; what it does not know goes to the error queue, unanswered.

    `sent` lists message units without their leading colon, `messages` whole messages.
    """

    def __init__(self, pace: FakePace, answers: dict[str, Answer]) -> None:
        self.pace = pace
        self.answers: dict[str, Answer] = {"*OPC?": "1", **answers}
        self.errors: list[str] = []
        self.sent: list[str] = []  # without the questions for errors
        self.messages: list[str] = []
        self.refuses: dict[str, str] = {}  # message: the error entry it causes
        self.listening = True
        self.connections = 0
        self._waiting = b""
        self._connected = False

    def link(self, name: str = "instrument") -> Link:
        """A link to it, not opened."""
        return Link(name, MemoryTransport(self), self.pace)

    def connect(self) -> None:
        if not self.listening:
            raise ConnectionRefusedError("nobody listens")
        self.connections += 1
        self._waiting, self._connected = b"", True

    def close(self) -> None:
        self._connected = False

    def send(self, data: bytes) -> int:
        if not self._connected:
            raise ConnectionResetError("closed by the peer")
        for line in data.decode().splitlines():
            self._take(line)
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        if not self._connected:
            raise ConnectionResetError("closed by the peer")
        data, self._waiting = self._waiting[:limit], self._waiting[limit:]
        if not data:
            self.pace.time_s += until_s_from_now
        return data

    def _take(self, line: str) -> None:
        self.messages.append(line)
        answers = [self._take_unit(unit.removeprefix(":")) for unit in line.split(";")]
        if given := [answer for answer in answers if answer is not None]:
            self._waiting += b";".join(given) + b"\n"

    def _take_unit(self, unit: str) -> bytes | None:
        if unit == "SYSTem:ERRor?":
            return (self.errors.pop(0) if self.errors else '0,"No error"').encode()
        self.sent.append(unit)
        if unit in self.refuses:
            self.errors.append(self.refuses[unit])
        return self._answer(unit) if "?" in unit else None

    def _answer(self, question: str) -> bytes | None:
        if question not in self.answers:
            self.errors.append('-113,"Undefined header"')
            return None
        answer = self.answers[question]
        answer = answer() if callable(answer) else answer
        return answer.encode() if isinstance(answer, str) else answer
