"""The engine's service with a monitor that a test plays: release, acknowledgement, refusals, slow readers."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.api import app
from orchestrator.api.feed import Feed
from orchestrator.cli.client import EngineLink, Refusal
from orchestrator.core.interlock import Proof
from orchestrator.core.reasons import Reason
from orchestrator.daemon import lines
from orchestrator.daemon.places import Places
from orchestrator.engine.service import Service
from orchestrator.monitor.port import Snapshot
from orchestrator.monitor.values import Reply
from sequences.loader import load_bench
from tests.run.worlds import TIDEWATER, wait_for

BLOCKED = "Start blocked: off was not proven (earth is not closed)."
PERSON = {"name": "O. Charge", "how": "declared"}


class PlayedMonitor:
    """What the service needs of the port; `granted` decides what is asked."""

    def __init__(self) -> None:
        self.blocked: str | None = None
        self.granted = True
        self.proof: Proof | None = Proof(True, 0.0)
        self.asked: list[tuple[str, dict[str, Any]]] = []

    def snapshot(self) -> Snapshot:
        now_s = time.monotonic()
        state = "off not proven" if self.blocked else "ready for operation"
        return Snapshot(
            at_s=now_s, read_at_s=now_s, bench_state=state, blocked=self.blocked, proof=self.proof
        )

    def ask(self, act: str, timeout_s: float, on_slice: Any, **args: Any) -> Reply:
        self.asked.append((act, args))
        return Reply(1, self.granted, "released by somebody" if self.granted else "earth is not closed")

    def events(self) -> list[dict[str, Any]]:
        return []

    def lost(self) -> bool:
        return False


class Room:
    """A service in two threads of this process."""

    def __init__(self, folder: Path, monitor: PlayedMonitor) -> None:
        self.places = Places(folder, folder)
        self.monitor = monitor
        port: Any = monitor
        self.service = Service(
            load_bench(TIDEWATER / "bench.yaml"), self.places, port, "the-token-of-the-api"
        )
        self._threads = [
            threading.Thread(target=one, daemon=True) for one in (self.service.serve, self.service.work)
        ]
        for thread in self._threads:
            thread.start()

    def link(self) -> EngineLink:
        return EngineLink(self.places)

    def close(self) -> None:
        self.service.end("the test")
        for thread in self._threads:
            thread.join()


@pytest.fixture
def monitor() -> PlayedMonitor:
    return PlayedMonitor()


@pytest.fixture
def room(tmp_path: Path, monitor: PlayedMonitor) -> Iterator[Room]:
    made = Room(tmp_path, monitor)
    yield made
    made.close()


def order(**more: Any) -> dict[str, Any]:
    return {"sequence": str(TIDEWATER / "sequence.yaml"), "specimen": "TW-01", "parameters": {}, **more}


def acts(room: Room, number: int) -> dict[str, Any]:
    """By their words, once so many are recorded."""
    wait_for(
        lambda: room.places.acts.exists() and len(room.places.acts.read_text().splitlines()) == number,
        f"{number} acts are recorded",
    )
    told = [json.loads(line) for line in room.places.acts.read_text().splitlines()]
    return {act["act"]: act for act in told}


def test_a_blocked_start_is_refused_until_a_named_person_releases_it(room: Room) -> None:
    room.monitor.blocked = BLOCKED
    link = room.link()
    with pytest.raises(Refusal, match="off was not proven") as refusal:
        link.call("start", PERSON, **order())
    question = link.call("status")["status"]["do"]["question"]
    link.call("release", PERSON)

    assert refusal.value.exit_code == 3
    assert question["ask"] == "release"
    assert room.monitor.asked == [("release", {"by": "O. Charge"})]
    act = acts(room, 2)["released"]
    assert (act["act"], act["by"]) == ("released", PERSON)
    link.close()


@pytest.mark.parametrize("proof", [None, Proof(False, 0.0, {}, ("earth is not closed",))])
@pytest.mark.parametrize("do", ["start", "prove"])
def test_nothing_is_started_while_off_is_not_proven(room: Room, do: str, proof: Proof | None) -> None:
    room.monitor.proof = proof
    link = room.link()
    with pytest.raises(Refusal, match="Nothing is started: off is not proven") as refusal:
        link.call(do, PERSON, **order())
    assert refusal.value.exit_code == 3
    link.close()


def test_a_release_that_the_monitor_refuses_is_told_and_recorded_as_refused(room: Room) -> None:
    room.monitor.granted = False
    link = room.link()
    with pytest.raises(Refusal, match="Not released: earth is not closed"):
        link.call("release", PERSON)
    refused = acts(room, 1)
    assert list(refused) == ["release"]
    assert refused["release"]["done"] is False
    link.close()


def test_a_failure_of_the_software_refuses_the_next_run_until_acknowledged_also_after_a_restart(
    tmp_path: Path, monitor: PlayedMonitor
) -> None:
    (tmp_path / "unacknowledged.json").write_text(json.dumps({"run": "R1", "what": "ValueError: x"}))
    first = Room(tmp_path, monitor)
    link = first.link()
    with pytest.raises(Refusal, match="ValueError: x"):
        link.call("start", PERSON, **order())
    link.call("acknowledge", PERSON)
    with pytest.raises(Refusal, match="Nothing waits"):
        link.call("acknowledge", PERSON)
    link.close()
    first.close()

    second = Room(tmp_path, monitor)
    again = second.link()
    with pytest.raises(Refusal, match="finding"):
        again.call("start", PERSON, **order(parameters={"shots": "999"}))
    again.close()
    second.close()


@pytest.mark.parametrize(
    ("do", "args", "code"),
    [
        ("begin", {}, "unknown-command"),
        ("pause", {}, "no-run"),
        ("resume", {}, "no-run"),
        ("answer", {"confirm_all": True}, "no-question"),
        ("hello", {"token": "a guess"}, "not-trusted"),
        ("start", {"specimen": "TW-01", "sequence": "/no/such/file.yaml"}, "findings"),
        ("start", {"specimen": "  ", "sequence": str(TIDEWATER / "sequence.yaml")}, "no-specimen"),
        ("start", {"specimen": "x", "sequence": "x", "parameters": 5}, "internal-error"),
        ("acknowledge", {}, "nothing-open"),
    ],
)
def test_refusals_have_a_code_a_sentence_and_help(
    room: Room, do: str, args: dict[str, Any], code: str
) -> None:
    link = room.link()
    with pytest.raises(Refusal) as refusal:
        link.call(do, PERSON, **args)
    assert refusal.value.reply["code"] == code
    assert str(refusal.value)
    assert refusal.value.help
    link.call("status")  # it still answers
    link.close()


def test_lines_that_are_no_commands_are_answered_and_harm_nobody(room: Room) -> None:
    with socket.socket(socket.AF_UNIX) as rude:
        rude.connect(str(room.places.engine_sock))
        rude.sendall(b"this is no JSON\n[1]\n{}\n")
        replies = [json.loads(line) for line in rude.makefile().__iter__().__next__().splitlines()]
    assert replies[0]["code"] == "not-understood"
    room.link().call("status")


def test_who_claims_to_be_the_kernel_s_user_is_recorded_as_declared(room: Room) -> None:
    link = room.link()
    link.call("release", {"name": "Somebody Else", "how": "peer"})
    assert json.loads(room.places.acts.read_text())["by"]["how"] == "declared"
    link.call("hello", token="the-token-of-the-api")
    link.call("release", {"name": "Known By Uid", "how": "peer"})
    assert json.loads(room.places.acts.read_text().splitlines()[-1])["by"]["how"] == "peer"
    link.close()


def test_a_reader_that_does_not_read_is_dropped_and_others_are_served(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Journal entries pile up for it until its buffer is full; nobody waits for it."""
    monkeypatch.setattr(lines, "MOST_WAITING_BYTES", 200_000)
    stuck, well = room.link(), room.link()
    stuck.call("watch")
    well.call("watch")
    for number in range(400):
        room.service._publish({"event": {"kind": "test", "n": number, "text": "x" * 2000}})
        for message in well.messages(time.monotonic() + 5.0):
            if message.get("event", {}).get("n") == number:
                break
        else:
            pytest.fail(f"the reader that reads was not told of entry {number}")
    wait_for(
        lambda: len([p for p in room.service.server.peers if p.watches]) == 1, "only one watcher is left"
    )
    well.call("status")
    well.close()
    stuck.close()


def test_a_reader_of_the_api_s_events_that_takes_nothing_is_dropped(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(app, "SLOW_READER_S", 0.05)
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)
        if len(sent) > 1:
            await asyncio.Event().wait()  # takes the first bytes and then nothing more

    async def receive() -> dict[str, str]:
        await asyncio.Event().wait()
        return {"type": "never"}

    stream = app.EventStream(Feed(room.places, "the-token-of-the-api"))
    asyncio.run(asyncio.wait_for(stream({"type": "http"}, receive, send), 10.0))
    assert [message["type"] for message in sent] == ["http.response.start", "http.response.body"]
    wait_for(lambda: not [peer for peer in room.service.server.peers if peer.watches], "it is let go")


def test_the_status_says_not_known_with_a_silent_monitor(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room.monitor, "lost", lambda: True)
    monkeypatch.setattr(room.monitor, "snapshot", Snapshot)
    link = room.link()
    status = link.call("status")["status"]
    assert status["may_i_go_in"]["answer"] == "not known"
    assert status["lost"] == "The interlock monitor does not answer"
    with pytest.raises(Refusal) as refusal:
        link.call("start", PERSON, **order())
    assert refusal.value.reply["code"] == "monitor-lost"
    link.close()


def test_a_monitor_that_died_a_moment_ago_is_the_first_cause_and_no_person(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The daemon notices it first and ends the engine, whose last word from the monitor is still young."""
    monitor = room.monitor
    causes: list[Reason] = []

    class OnceLookedAt:
        """What the talking thread sees meanwhile is not what counts here."""

        seen = threading.local()

        def snapshot(self) -> Snapshot:
            self.seen.closed = True
            return PlayedMonitor.snapshot(monitor)

        def lost(self) -> bool:
            return bool(getattr(self.seen, "closed", False))

    dying = OnceLookedAt()
    monkeypatch.setattr(monitor, "snapshot", dying.snapshot)
    monkeypatch.setattr(monitor, "lost", dying.lost)
    monkeypatch.setattr(room.service.desk, "stop", lambda reason, what, who: causes.append(reason))
    room.service.end("signal SIGTERM")

    assert causes == [Reason.MONITOR_LOST, Reason.ABORT_BY_PERSON]
