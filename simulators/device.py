"""What every simulated device and every plant offers: bytes in, bytes out at a time, no I/O of its own.

Rules
- Time is an argument (`now_s`, seconds of one monotonic clock); nothing here sleeps or reads a clock.
- `receive` and `advance` are called with times that never go back.
- A device may plan output for later (late replies, dribbled bytes, unsolicited output); `next_due_s` says when
  it wants to be advanced next, `math.inf` when nothing is planned.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol


class Device(Protocol):
    """One listener's worth of simulated instrument."""

    def link_opened(self, now_s: float) -> None:
        """A peer connected: what an earlier peer left half said is gone."""

    def link_closed(self, now_s: float) -> None:
        """The peer went away."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the link."""

    def advance(self, now_s: float) -> list[tuple[float, bytes]]:
        """Live until `now_s`; give back the output that became due as (at_s, bytes), in order."""

    def collect(self, now_s: float) -> list[tuple[float, bytes]]:
        """The same just after `receive` or an `advance` of the plant, when all has lived until `now_s` already."""

    def next_due_s(self) -> float:
        """The next instant at which something happens by itself."""

    def accepts(self, now_s: float) -> bool:
        """Whether its listener is open: False makes a connection attempt be refused and drops the present one."""


class Plant(Protocol):
    """All devices of one bench and the physics that couples them; `kind` is that of its plant file."""

    kind: str
    devices: dict[str, Device]

    def advance(self, now_s: float) -> dict[str, list[tuple[float, bytes]]]:
        """Live until `now_s`; the output of each device by name."""

    def next_due_s(self) -> float:
        """The next instant at which something happens by itself."""

    def set(self, name: str, value: str, now_s: float) -> None:
        """Change what a person or a fault changes (door, connection, cloth, faults). ValueError names what exists."""

    def show(self, now_s: float) -> dict[str, Any]:
        """What a person in front of the bench would see: lamps, door, cloth, meters, with faults that are set."""

    def in_words(self, seen: dict[str, Any]) -> list[tuple[str, str]]:
        """What `show` gave, as a person would say it: what it is, how it is."""

    def inputs_version(self) -> int:
        """A count that grows whenever a safety input or feedback changed."""

    def truth(self) -> list[dict[str, Any]]:
        """The truth log so far: what physically happened, each with `at_s`."""

    def listen(self, sink: Callable[[dict[str, Any]], None]) -> None:
        """Hand every further entry of the truth log to `sink` as it happens."""

    def names(self) -> dict[str, tuple[str, str]]:
        """Everything `set` knows: name -> (what it is, values)."""

    def plan_fault(self, device: str, exchange: int, kind: str) -> None:
        """Let one exchange of a device's link, counted from 1 since the start, go wrong once. ValueError in words.

        The kinds are those of `simulators.link.LINK_FAULTS`.
        """

    def exchanges(self) -> dict[str, int]:
        """How many messages each device has had since the start."""
