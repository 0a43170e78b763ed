"""The API's way to the engine: a connection a request, so that nobody waits for anybody else."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from orchestrator.core.status import aged, compose
from orchestrator.daemon.places import Places, daemon_facts

Facts = dict[str, Any]
MOST_LINE_BYTES = 16_000_000
ANSWER_WITHIN_S = 10.0
STATUS_WITHIN_S = 2.0
MONITOR_WITHIN_S = 1.0
ENGINE_LOST = "The engine does not answer"


class EngineLost(Exception):
    """The engine is not there, or does not answer in time."""


class Talk:
    """One connection to the engine, known to it as the API."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self._writer = writer
        self._asked = 0

    async def call(self, do: str, who: Facts | None = None, **args: Any) -> Facts:
        """One command and its reply, whether granted or refused."""
        self._asked += 1
        line = json.dumps({"id": self._asked, "do": do, "args": args, "who": who}).encode() + b"\n"
        self._writer.write(line)
        await self._writer.drain()
        while True:
            message = await self.message()
            if message.get("id") == self._asked:
                return message

    async def message(self) -> Facts:
        """The next one. EngineLost at the end."""
        line = await self._reader.readline()
        if not line:
            raise EngineLost(ENGINE_LOST)
        return dict(json.loads(line))


@asynccontextmanager
async def talk(places: Places, token: str) -> AsyncIterator[Talk]:
    """Connected and known. Raises EngineLost."""
    try:
        reader, writer = await asyncio.open_unix_connection(str(places.engine_sock), limit=MOST_LINE_BYTES)
    except OSError as error:
        raise EngineLost(ENGINE_LOST) from error
    try:
        one = Talk(reader, writer)
        await one.call("hello", token=token)
        yield one
    except TimeoutError:  # somebody else's: an OSError by its class, but no word about the engine
        raise
    except (OSError, ValueError) as error:
        raise EngineLost(ENGINE_LOST) from error
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()


async def status_now(places: Places, token: str) -> Facts:
    """The engine's status; where it is lost, the monitor's facts and that it is not known."""
    try:
        async with asyncio.timeout(STATUS_WITHIN_S), talk(places, token) as one:
            return aged((await one.call("status"))["status"], time.monotonic())
    except (EngineLost, TimeoutError):
        bench = {"bench": daemon_facts(places.data).get("bench")}
        return compose(await _snapshot(places), bench, None, time.monotonic(), ENGINE_LOST)


async def _snapshot(places: Places) -> Facts | None:
    try:
        async with asyncio.timeout(MONITOR_WITHIN_S):
            reader, writer = await asyncio.open_unix_connection(str(places.monitor_sock))
            try:
                while True:
                    line = await reader.readline()
                    message = json.loads(line) if line else None
                    if message is None or "snapshot" in message:
                        return None if message is None else dict(message["snapshot"])
            finally:
                writer.close()
    except (OSError, ValueError, TimeoutError):
        return None


async def abort(places: Places, token: str, who: Facts) -> bool:
    """Straight to the interlock monitor, then to the engine; whether the monitor took it."""
    taken = await _tell_monitor(places, str(who["name"]))
    try:
        async with asyncio.timeout(MONITOR_WITHIN_S), talk(places, token) as one:
            await one.call("abort", who)
    except (EngineLost, TimeoutError):
        pass  # an engine that is gone has no run that could go on
    return taken


async def _tell_monitor(places: Places, name: str) -> bool:
    try:
        async with asyncio.timeout(MONITOR_WITHIN_S):
            reader, writer = await asyncio.open_unix_connection(str(places.abort_sock))
            try:
                writer.write(json.dumps({"who": name}).encode())
                await writer.drain()
                return bool(await reader.read(256))
            finally:
                writer.close()
    except (OSError, TimeoutError):
        return False
