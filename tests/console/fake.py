"""A bench without a daemon: statuses made by the same function as the daemon's, orders kept instead of sent."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from textual.widgets import Input

from orchestrator.console.app import Console
from orchestrator.core.status import compose

Facts = dict[str, Any]
NOW_S = 1000.0
BENCH = "Bench 3 impulse"
RUN = "20261124-2301-TW-04"


def snapshot(
    state: str = "ready for operation", lamp: str = "green", store_v: float = 0.0, read_at_s: float = NOW_S,
    blocked: str | None = None, safe: bool = True, interlock_open: str | None = None,
) -> Facts:  # fmt: skip
    """What the interlock monitor says."""
    live = state == "in operation"
    names = ("door", "earthing_stick_home", "emergency_stop", "exhaust")
    return {
        "at_s": read_at_s,
        "read_at_s": read_at_s,
        "bench_state": state,
        "lamp": lamp,
        "armed": list(names) if lamp == "red" else [],
        "inputs": {
            n: {"closed": n != interlock_open, "age_s": 0.004, "proven": True, "failed": False} for n in names
        },
        "voltages": {"store": store_v, "terminals": 0.0},
        "outputs": {"high_voltage": {"commanded": live, "output_on": live, "off_feedback": not live}},
        "lifted": {"earth": {"closed": not live}},
        "cause": None,
        "blocked": blocked,
        "proof": {"safe": safe and not live, "against": [] if safe else ["terminals above touch_safe"]},
    }


def question(ask: str, text: str = "Do it.", number: int = 1, **more: Any) -> Facts:
    """A question of the engine."""
    usual: Facts = {
        "items": [], "choices": [], "needs_photo": False, "not_before_s": None, "caution": None, "connection": None
    }  # fmt: skip
    return {"question": number, "ask": ask, "text": text, **usual, **more}


def progress(doing: str = "charging", **more: Any) -> Facts:
    """A run in progress."""
    usual: Facts = {
        "bench": BENCH, "run": RUN, "started_by": {"name": "T. Made-Up"}, "title": "Impulses on an invented filter",
        "specimen": "TW-04", "part": "duty", "shot": 3, "shots": 12, "polarity": "positive", "doing": doing,
        "figures": [], "verdicts": [],
    }  # fmt: skip
    return usual | more


def status(view: Facts | None = None, run: Facts | None = None, ended: Facts | None = None) -> Facts:
    """The daemon's status; idle, off and earthed unless told otherwise."""
    return compose(view or snapshot(), run or {"bench": BENCH}, ended, NOW_S, None)


CHARGING = status(
    snapshot("in operation", "red", 1649.0),
    progress(charge_v=1649.0, wanted_v=1700.0, capture="all channels waiting for trigger", countdown_s=4.0,
             countdown_to="trigger"),
)  # fmt: skip


class FakeLink:
    """Keeps what the console asks for and answers from a table."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str, Facts | None]] = []
        self.aborted_by: list[str] = []
        self.takes_aborts = True
        self.replies: dict[str, Facts] = {}
        self.control: str | None = None
        self.closed = False
        self._take: Callable[[str, Facts], None] = lambda kind, content: None

    def watch(self, take: Callable[[str, Facts], None]) -> None:
        self._take = take

    def tell(self, kind: str, content: Facts) -> None:
        self._take(kind, content)

    def ask(self, method: str, path: str, body: Facts | None = None, within_s: float = 1.0) -> Facts:
        self.asked.append((method, path, body))
        return self.replies.get(path.partition("?")[0], {"ok": True})

    def abort(self, who: str) -> bool:
        self.aborted_by.append(who)
        return self.takes_aborts

    def close(self) -> None:
        self.closed = True

    def orders(self, path: str) -> list[Facts]:
        """The bodies that were sent to a path."""
        return [body or {} for method, where, body in self.asked if method == "POST" and where == path]


class Rig:
    """A console under a pilot."""

    def __init__(self, by: str | None = "T. Made-Up", **more: Any) -> None:
        self.link = FakeLink()
        self.now_s = NOW_S
        self.app = Console(self.link, "t-user", by, now_s=lambda: self.now_s, **more)

    async def tell(self, pilot: Any, kind: str, content: Facts) -> None:
        """A message, and the screen after it, whatever its own pace."""
        self.link.tell(kind, content)
        self.app.show()
        await self.settled(pilot)

    async def settled(self, pilot: Any) -> None:
        """Every reply is there and shown."""
        await pilot.pause()
        while self.app.workers._workers:
            await self.app.workers.wait_for_complete()
            await pilot.pause()
        self.app.show()
        await pilot.pause()

    async def type(self, pilot: Any, *texts: str) -> None:
        """Each text with Enter, as a scanner does it: the whole of it at once."""
        for text in texts:
            self.app.query_one("#line", Input).value = text
            await pilot.press("enter")
            await self.settled(pilot)

    def text(self, name: str) -> str:
        """What a widget shows, without the ends of its lines."""
        content = self.app.query_one(f"#{name}").render()
        return "\n".join(line.rstrip() for line in str(content).splitlines())

    def rows(self) -> list[str]:
        """The whole screen as a person sees it."""
        width, height = self.app.size
        lines = self.app.screen._compositor.render_strips()
        assert len(lines) == height
        return ["".join(segment.text for segment in strip)[:width].rstrip() for strip in lines]


Test = Callable[[Rig, Any], Awaitable[None]]


def drive(test: Test, size: tuple[int, int] = (80, 24), **more: Any) -> Rig:
    rig = Rig(**more)

    async def run() -> None:
        async with rig.app.run_test(size=size) as pilot:
            await test(rig, pilot)

    asyncio.run(run())
    return rig
