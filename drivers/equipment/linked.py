"""What every instrument behind a link has, whatever language it speaks: one deadline, an identity, a way to safe."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity, InstrumentFault
from drivers.links.base import Link

P = ParamSpec("P")
R = TypeVar("R")
I = TypeVar("I", bound="LinkedInstrument")  # noqa: E741

TIMEOUT_S = 2.0
ANSWER_BYTES = 4096


def one_deadline(work: Callable[Concatenate[I, P], R]) -> Callable[Concatenate[I, P], R]:
    """All link calls of one equipment call share one total deadline."""

    @wraps(work)
    def within(self: I, /, *args: P.args, **kwargs: P.kwargs) -> R:
        before_s = self.until_s
        if before_s is None:
            self.until_s = self.link.pace.now_s() + self.timeout_s
        try:
            return work(self, *args, **kwargs)
        finally:
            self.until_s = before_s

    return within


class LinkedInstrument:
    """One instrument behind one link."""

    def __init__(self, link: Link, expected: Identity, off: OffWrite, timeout_s: float = TIMEOUT_S) -> None:
        self.link = link
        self.name = link.name
        self.expected = expected
        self.timeout_s = timeout_s
        self.until_s: float | None = None
        self.off_write = off

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    # ---- inside

    @contextmanager
    def _within(self, total_s: float) -> Iterator[None]:
        """A deadline of its own for one call; one that runs already stays."""
        before_s = self.until_s
        if before_s is None:
            self.until_s = self.link.pace.now_s() + total_s
        try:
            yield
        finally:
            self.until_s = before_s

    def _left_s(self) -> float:
        now_s = self.link.pace.now_s()
        until_s = now_s + self.timeout_s if self.until_s is None else self.until_s
        return until_s - now_s if until_s > now_s else 0.0

    def _require_expected(self, found: Identity) -> Identity:
        """It is the one that the bench file says, or `InstrumentFault` wrong_instrument."""
        for what in ("maker", "model", "serial"):
            want, have = getattr(self.expected, what), getattr(found, what)
            if want and want != have:
                sentence = f"the bench file says {what} {want!r}, this one says {have!r}"
                raise InstrumentFault("wrong_instrument", self.name, "identify", sentence)
        return found
