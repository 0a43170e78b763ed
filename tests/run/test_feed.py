"""Many who listen to the API: one connection to the engine, and a technician who is never locked out by a crowd."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.api.feed import MOST_WAITING, Feed, Listener
from orchestrator.cli.client import EngineLink
from tests.run.test_daemon_service import PlayedMonitor, Room

TOKEN = "the-token-of-the-api"
LISTENERS = 200


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    made = Room(tmp_path, PlayedMonitor())
    yield made
    made.close()


async def first_of(feed: Feed) -> bytes:
    texts = feed.listen()
    try:
        return await anext(texts)
    finally:
        await texts.aclose()


async def all_of(feed: Feed) -> list[bytes]:
    return [text async for text in feed.listen()]


def test_two_hundred_listeners_cost_the_engine_one_connection(room: Room) -> None:
    async def listen() -> tuple[list[bytes], int]:
        feed = Feed(room.places, TOKEN)
        heard = await asyncio.gather(*(first_of(feed) for _ in range(LISTENERS)))
        return heard, len([peer for peer in room.service.server.peers if peer.watches])

    heard, connections = asyncio.run(listen())
    link = EngineLink(room.places)

    assert connections == 1
    assert {text.partition(b"\n")[0] for text in heard} == {b"event: status"}
    assert link.call("status")["ok"]
    link.close()


def test_a_lost_engine_ends_every_stream_with_what_is_not_known(room: Room) -> None:
    async def listen() -> list[list[bytes]]:
        feed = Feed(room.places, TOKEN)
        listening = [asyncio.create_task(all_of(feed)) for _ in range(3)]
        await first_of(feed)
        room.service.end("the test")
        return await asyncio.wait_for(asyncio.gather(*listening), 10.0)

    for heard in asyncio.run(listen()):
        last = json.loads(heard[-1].partition(b"data: ")[2])
        assert last["may_i_go_in"]["answer"] == "not known"
        assert "engine does not answer" in last["lost"]


def test_of_what_is_not_taken_the_newest_status_is_kept_and_too_much_else_is_the_end() -> None:
    async def leave_it() -> tuple[list[bytes], bool]:
        one = Listener()
        for number in range(3):
            one.give("status", f"status {number}".encode())
        one.give("event", b"event")
        kept_going = not one.ended
        for _ in range(MOST_WAITING):
            one.give("event", b"more")
        return [text async for text in one.chunks()], kept_going

    heard, kept_going = asyncio.run(leave_it())

    assert kept_going
    assert heard[0] == b"event"
    assert heard[-1] == b"status 2"
    assert len(heard) == MOST_WAITING + 2
