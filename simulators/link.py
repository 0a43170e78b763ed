"""A device at the end of a byte link: exchanges are counted, and its link can misbehave in named ways.

One exchange is one complete message from the peer, with its answer where it has one. A fault stands for all
exchanges (`fail_link`) or is planned for the n-th since the start (`plan_fault`), counted from 1.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass

from simulators.words import seconds_of

LINK_FAULTS = {
    "ok": "as it should be",
    "silent": "acts on what it is told and answers nothing",
    "hung": "takes bytes, does nothing and answers nothing",
    "late:<s>": "acts at once and answers that much later",
    "dribble:<s>": "answers one byte at a time, that far apart",
    "garbled": "answers with flipped bits",
    "truncated": "answers only the first half",
    "twice": "answers twice",
    "wrong_value": "answers ten times the number, the inverse of each bit",
    "wrong_unit": "answers a thousandth of the number",
    "closed": "drops the connection and lets nobody in",
    "refused": "keeps the present connection and lets nobody new in",
    "dropped": "drops the connection once; the peer may come back",
    "restart": "loses power for a second: the connection drops, settings are those of power on",
}
"""The kinds of link fault and what the device then does. Of several answers in one message a wrong number is the
first one; `wrong_value:3` and `wrong_unit:3` are the third."""

TIMED = {"late", "dribble"}
PLACED = {"wrong_value", "wrong_unit"}
CHANGING = {"garbled", "truncated", "twice", "wrong_value", "wrong_unit"}
GARBLE = 0x15
"""Makes no new line out of letters, digits and blanks, and no digit out of a digit."""
AWAY_WHEN_DROPPED_S = 0.05
AWAY_WHEN_RESTARTED_S = 1.0


@dataclass(frozen=True, slots=True)
class LinkFault:
    """One kind of LINK_FAULTS with its time, zero where it has none, and which number of an answer it falsifies."""

    kind: str = "ok"
    time_s: float = 0.0
    place: int = 1

    @classmethod
    def read(cls, text: str) -> LinkFault:
        """From `silent`, `late:0.5 s` or `wrong_value:2`. ValueError lists what exists."""
        kind, _, rest = text.partition(":")
        known = {name.partition(":")[0] for name in LINK_FAULTS}
        if kind in PLACED and rest.isdecimal() and int(rest) > 0:
            return cls(kind, place=int(rest))
        if kind not in known or (kind in TIMED) != bool(rest):
            raise ValueError(f"{text!r} is no link fault; there are: {', '.join(LINK_FAULTS)}")
        return cls(kind, seconds_of(rest) if rest else 0.0)


class SimulatedDevice(ABC):
    """What all devices share: inbox and outbox, exchanges, link faults, absence. Implements `Device`.

    `live` brings the bench's physics up to a time; it is called before any message is acted on.
    """

    HISTORY = frozenset({"exchanges"})
    """What has been, and decides nothing that is to come: left out where two states are compared."""

    def __init__(self, name: str, live: Callable[[float], None]) -> None:
        self.name = name
        self.exchanges = 0
        self.link = LinkFault()
        self.powered = True
        self._live = live
        self._inbox = bytearray()
        self._outbox: list[tuple[float, bytes]] = []
        self._sent_until_s = -math.inf
        self._planned: dict[int, LinkFault] = {}
        self._away_until_s = -math.inf
        self._has_peer = False
        self._fault = LinkFault()
        self.due_s = math.inf
        """`next_due_s` as of the last thing that changed it: for a plant that looks at all its devices often."""
        self.on_exchange: Callable[[int, bytes, bytes], None] = lambda number, message, reply: None
        """For an onlooker: number, message and true answer of each exchange."""

    # What a family of devices adds.
    @abstractmethod
    def _take_messages(self, inbox: bytearray, now_s: float) -> list[bytes]:
        """Cut the complete messages off the front of the inbox."""

    @abstractmethod
    def _answer(self, message: bytes, now_s: float) -> bytes:
        """Act on one message; its answer, empty where it has none (yet)."""

    @abstractmethod
    def _falsified(self, reply: bytes, kind: str) -> bytes:
        """The reply with a wrong value or a wrong unit in it; the same bytes where it holds no value."""

    def _falsified_at(self, reply: bytes, kind: str, place: int) -> bytes:
        """The same for the number at that place, counted from 1; a device that answers one thing has no second."""
        return self._falsified(reply, kind) if place == 1 else reply

    @abstractmethod
    def power_on(self, now_s: float) -> None:
        """Settings as after switching on."""

    # Device
    def link_opened(self, now_s: float) -> None:
        """A peer connected."""
        self._has_peer = True
        self._forget()
        self.replan()

    def link_closed(self, now_s: float) -> None:
        """The peer went away: what was half said in either direction is gone."""
        self._has_peer = False
        self._forget()
        self.replan()

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the link and act on each complete message."""
        self._live(now_s)
        if not self._is_there(now_s):
            return
        self._inbox += data
        for place, message in enumerate(self._take_messages(self._inbox, now_s)):
            if place and not self._is_there(now_s):
                break
            self._exchange(message, now_s)
        self.replan()

    def advance(self, now_s: float) -> list[tuple[float, bytes]]:
        """Live until `now_s`; the output that became due."""
        self._live(now_s)
        return self.collect(now_s)

    def collect(self, now_s: float) -> list[tuple[float, bytes]]:
        """The output that became due, where the bench is at `now_s` already."""
        if now_s >= self._away_until_s:
            self._away_until_s = -math.inf
        if not self._outbox or self._outbox[0][0] > now_s:
            self.replan()
            return []
        if self._sent_until_s <= now_s:
            out, self._outbox = self._outbox, []
            self.replan()
            return out
        due = sum(1 for at_s, _ in self._outbox if at_s <= now_s)
        out, self._outbox = self._outbox[:due], self._outbox[due:]
        self.replan()
        return out

    def next_due_s(self) -> float:
        """When the next output is due, or the device is back from an absence."""
        due_s = self._outbox[0][0] if self._outbox else math.inf
        return due_s if self._away_until_s == -math.inf else min(due_s, self._away_until_s)

    def replan(self) -> None:
        """Bring `due_s` up to date."""
        self.due_s = self.next_due_s()

    def accepts(self, now_s: float) -> bool:
        """Whether the listener is open."""
        if self.link.kind == "ok":
            return self.powered and now_s >= self._away_until_s
        if self.link.kind == "refused" and not self._has_peer:
            return False
        return self._is_there(now_s)

    # Faults
    def fail_link(self, text: str, now_s: float) -> None:
        """Set a fault for all exchanges from now on; `ok` ends it, `dropped` and `restart` happen once."""
        fault = LinkFault.read(text)
        if fault.kind in ("dropped", "restart"):
            self._break(fault, now_s)
        else:
            self.link = fault
        if fault.kind == "closed":
            self._forget()
        self.replan()

    def plan_fault(self, exchange: int, text: str) -> None:
        """Let the exchange of that number, counted from the start, go wrong once."""
        if exchange <= self.exchanges:
            raise ValueError(f"{self.name} has had {self.exchanges} exchanges; number {exchange} is past")
        self._planned[exchange] = LinkFault.read(text)

    def restart(self, away_s: float, now_s: float) -> None:
        """Lose power for `away_s`."""
        self._forget()
        self._away_until_s = now_s + away_s
        self.power_on(now_s)
        self.replan()

    def falsified(self, reply: bytes, text: str) -> bytes:
        """The answer as that fault would change it; the same bytes where it cannot."""
        return self._changed(reply, LinkFault.read(text))

    def _changed(self, reply: bytes, fault: LinkFault) -> bytes:
        kind = fault.kind
        if kind == "garbled":
            return garbled(reply)
        if kind == "truncated":
            return reply[: len(reply) // 2]
        if kind == "twice":
            return reply * 2
        return self._falsified_at(reply, kind, fault.place)

    def answer_later(self, reply: bytes, now_s: float, fault: LinkFault | None = None) -> None:
        """Output that no message asked for just now: a pending reply that became ready.

        It goes wrong as the link does now, or as the exchange did that it belongs to.
        """
        self._send(reply, self.link if fault is None or fault.kind == "ok" else fault, now_s)
        self.replan()

    # Inside
    def _is_there(self, now_s: float) -> bool:
        return self.powered and self.link.kind != "closed" and now_s >= self._away_until_s

    def _forget(self) -> None:
        self._inbox.clear()
        self._outbox.clear()
        self._sent_until_s = -math.inf

    def _break(self, fault: LinkFault, now_s: float) -> None:
        if fault.kind == "restart":
            self.restart(AWAY_WHEN_RESTARTED_S, now_s)
        elif fault.kind == "dropped":
            self._forget()
            self._away_until_s = now_s + AWAY_WHEN_DROPPED_S
        else:
            self._forget()
            self.link = fault

    def _exchange(self, message: bytes, now_s: float) -> None:
        self.exchanges += 1
        fault = self._fault = self._planned.pop(self.exchanges, self.link)
        if fault.kind == "ok":
            reply = self._answer(message, now_s)
            self.on_exchange(self.exchanges, message, reply)
            self._post(reply, now_s)
            return
        if fault.kind in ("closed", "dropped", "restart"):
            self._break(fault, now_s)
            return
        if fault.kind == "refused":
            self.link = fault
        if fault.kind != "hung":
            reply = self._answer(message, now_s)
            self.on_exchange(self.exchanges, message, reply)
            self._send(reply, fault, now_s)

    def _send(self, reply: bytes, fault: LinkFault, now_s: float) -> None:
        if not reply or fault.kind in ("silent", "hung"):
            return
        if fault.kind == "dribble":
            for place in range(len(reply)):
                self._post(reply[place : place + 1], now_s + (place + 1) * fault.time_s)
            return
        if fault.kind in CHANGING:
            reply = self._changed(reply, fault)
        self._post(reply, now_s + (fault.time_s if fault.kind == "late" else 0.0))

    def _post(self, data: bytes, at_s: float) -> None:
        """Put into the outbox; a stream keeps its order, so nothing overtakes a late answer."""
        if at_s > self._sent_until_s:
            self._sent_until_s = at_s
        if data:
            self._outbox.append((self._sent_until_s, data))


def garbled(reply: bytes) -> bytes:
    """Every second byte with flipped bits; a new line at the end stays, or no reader would ever look."""
    end = len(reply) - 1 if reply.endswith(b"\n") else len(reply)
    mixed = bytes(byte ^ GARBLE if at % 2 == 0 else byte for at, byte in enumerate(reply[:end]))
    return mixed + reply[end:]
