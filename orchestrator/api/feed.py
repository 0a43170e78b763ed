"""One connection to the engine for all who listen to events: a crowd costs the engine no more than one reader.

Every listener has a bounded share of what it has not taken yet: of the statuses only the newest, of the rest so many
messages. Who has more waiting is let go.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import AsyncGenerator
from contextlib import suppress
from typing import Any

from orchestrator.api.engine import EngineLost, status_now, talk
from orchestrator.daemon.places import Places

Facts = dict[str, Any]
KINDS = ("event", "status", "ended", "proving")
MOST_WAITING = 2000


class Listener:
    """One who listens: what waits for it."""

    def __init__(self) -> None:
        self.waiting: deque[bytes] = deque()
        self.status: bytes | None = None
        self.ended = False
        self.wake = asyncio.Event()

    def give(self, kind: str, text: bytes) -> None:
        """Never blocks."""
        if kind == "status":
            self.status = text
        else:
            self.waiting.append(text)
            self.ended = self.ended or len(self.waiting) > MOST_WAITING
        self.wake.set()

    def end(self) -> None:
        self.ended = True
        self.wake.set()

    async def chunks(self) -> AsyncGenerator[bytes]:
        """What comes, until the end; events before the status that follows from them."""
        while True:
            await self.wake.wait()
            self.wake.clear()
            while self.waiting:
                yield self.waiting.popleft()
            if self.status is not None:
                text, self.status = self.status, None
                yield text
            if self.ended and not self.waiting and self.status is None:
                return


class Feed:
    """All listeners of one API process."""

    def __init__(self, places: Places, token: str) -> None:
        self._places = places
        self._token = token
        self._listeners: set[Listener] = set()
        self._following: asyncio.Task[None] | None = None
        self._newest: bytes | None = None

    async def listen(self) -> AsyncGenerator[bytes]:
        """Messages as server-sent events, the newest status first. Ends when the engine is lost."""
        one = Listener()
        self._listeners.add(one)
        if self._following is None:
            self._following = asyncio.create_task(self._follow())
        elif self._newest is not None:
            one.give("status", self._newest)
        try:
            async for text in one.chunks():
                yield text
        finally:
            self._listeners.discard(one)

    async def _follow(self) -> None:
        """Hand out what the engine tells; when it is lost, that nothing is known, and the end."""
        try:
            with suppress(EngineLost):
                async with talk(self._places, self._token) as one:
                    await one.call("watch")
                    while True:
                        self._hand_out(await one.message())
            self._hand_out({"status": await status_now(self._places, self._token)})
        finally:
            self._following = self._newest = None
            for listener in self._listeners:
                listener.end()

    def _hand_out(self, message: Facts) -> None:
        kind = next((key for key in KINDS if key in message), None)
        if kind is None:
            return
        text = f"event: {kind}\ndata: {json.dumps(message[kind])}\n\n".encode()
        if kind == "status":
            self._newest = text
        for listener in self._listeners:
            listener.give(kind, text)
