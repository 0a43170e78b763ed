"""Points: the places of a run at which something can go wrong, counted as they are reached.

A point is one exchange on a link, one wait, one write or sync of the store, one answer of a person, or one change of a
safety input. Its name (`exchange:generator:57`) is the same in every rehearsal of the same sequence, bench and seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class PointKind(StrEnum):
    """What kind of event a point is."""

    EXCHANGE = "exchange"
    WAIT = "wait"
    WRITE = "write"
    SYNC = "sync"
    ANSWER = "answer"
    INPUT = "input"


@dataclass(frozen=True)
class Point:
    """One point. `number` counts all points from 0, `nth` those of this kind and place from 1.

    `part` names the shot it belongs to ("duty 3"), empty outside any. `message` is what an exchange says;
    `energised` whether an output was on.
    """

    number: int
    kind: PointKind
    where: str
    nth: int
    part: str
    at_s: float
    message: bytes = b""
    energised: bool = False

    @property
    def name(self) -> str:
        return f"{self.kind}:{self.where}:{self.nth}"


class Points:
    """Counts the points as they are reached and hands each to `on_point` before its event takes place."""

    def __init__(self) -> None:
        self.count = 0
        self.on_point: Callable[[Point], None] = lambda point: None
        self.part: Callable[[], str] = lambda: ""
        self.now_s: Callable[[], float] = lambda: 0.0
        self.energised: Callable[[], bool] = lambda: False
        self._nth: dict[tuple[PointKind, str], int] = {}

    def reach(self, kind: PointKind, where: str, message: bytes = b"") -> None:
        """One more point."""
        nth = self._nth[kind, where] = self._nth.get((kind, where), 0) + 1
        point = Point(self.count, kind, where, nth, self.part(), self.now_s(), message, self.energised())
        self.count += 1
        self.on_point(point)

    def by_kind(self) -> dict[str, int]:
        """How many were reached, for comparison with an independent count."""
        counts: dict[str, int] = {}
        for (kind, _), nth in self._nth.items():
            counts[kind.value] = counts.get(kind.value, 0) + nth
        return counts
