"""A process that makes cycles is killed at any instant; what its record says afterwards is held against what it had
confirmed by then.

The process is the test's own fork with the real store, journal and ledger on a real disk. It says each cycle to the
test over a pipe before it begins and after its rows are durable, as an engine says what it counts.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from orchestrator.record.continued import continued
from orchestrator.record.journal import Journal
from orchestrator.record.ledger import LEDGER, Ledger, count, read
from orchestrator.record.store import FolderStore
from orchestrator.record.verify import verify

pytestmark = pytest.mark.real
KILLS = 200 if os.environ.get("BENCHWARD_FULL") else 8
CHAIN = 5  # runs that go on with each other before a new specimen is taken
MOUNTS = 3
LATEST_S = 0.004  # a kill comes so late after the cycle that was waited for, at most


class Now:
    """The computer's clock."""

    def now_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)


def make_cycles(ledger: Ledger, begins_after: int, say: Callable[[str, int], None]) -> None:
    """Cycles until the process dies."""
    active, codes = np.ones(MOUNTS, bool), np.zeros(MOUNTS, np.uint8)
    figures = np.full((8, MOUNTS), 0.002)
    cycle = begins_after
    while True:
        cycle += 1
        say("b", cycle)
        ledger.append_cycle(cycle, 1, 0.001 * cycle, "CP", active, codes, figures, 1.0)
        say("c", cycle)


def a_run(folder: Path, earlier: Path | None, begins_after: int, say: Callable[[str, int], None]) -> None:
    """A run as the engine writes one, up to the cycles."""
    store = FolderStore(folder)
    journal, ledger = Journal(store, Now()), Ledger(store)
    more = {"continues": earlier.name} if earlier else {}
    journal.append("run_started", run=folder.name, specimen="WG-01", sequence_sha256="a" * 64, **more)
    mounts = [{"mount": mount, "specimen": f"WG-0{mount}"} for mount in range(1, MOUNTS + 1)]
    journal.append("cycles_started", mounts=mounts, of=10**6, began_s=time.monotonic())
    journal.append("intent", act="energise", output="load", part="cycles")
    make_cycles(ledger, begins_after, say)


def killed(work: Callable[[Callable[[str, int], None]], None], chance: random.Random) -> tuple[int, int]:
    """Fork, let it work, kill it at a random instant; the last cycle it had begun, and confirmed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            work(lambda what, cycle: _say(writing, what, cycle))
        finally:
            os._exit(1)
    os.close(writing)
    told = b""
    wanted = chance.randint(0, 12)
    while told.count(b"c") < wanted and (got := os.read(reading, 4096)):
        told += got
    until_s = time.perf_counter() + chance.uniform(0.0, LATEST_S)
    while time.perf_counter() < until_s:
        pass
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    while got := os.read(reading, 65536):
        told += got
    os.close(reading)
    assert os.WIFSIGNALED(status), "the process ended by itself"
    lines = told.decode().splitlines()
    return tuple(max((int(line[1:]) for line in lines if line[0] == what), default=0) for what in "bc")  # type: ignore[return-value]


def _say(pipe: int, what: str, cycle: int) -> None:
    os.write(pipe, f"{what}{cycle}\n".encode())


def test_no_confirmed_cycle_is_lost_or_counted_twice_and_at_most_one_is_uncertain(tmp_path: Path) -> None:
    chance = random.Random(20260305)
    earlier: Path | None = None
    counted = 0
    for number in range(KILLS):
        if number % CHAIN == 0:
            earlier, counted = None, 0
        folder = tmp_path / f"20260305-{number:04d}-WG-01"
        before = earlier
        begun, confirmed = killed(lambda say: a_run(folder, before, counted, say), chance)  # noqa: B023
        if not begun:
            continue  # killed before its first cycle: the run before is gone on with again
        found = continued(folder)
        done = found.counts.done.tolist()
        assert max(confirmed, counted) <= found.counts.commanded <= begun <= max(confirmed, counted) + 1
        assert done == found.counts.confirmed.tolist() == [found.counts.commanded] * MOUNTS
        assert (found.uncertain_cycle, found.uncertain_mounts) == (found.counts.commanded + 1, (1, 2, 3))
        assert verify(folder, None).interrupted
        assert not [f for f in verify(folder, None).findings if f.weight == "wrong"]
        earlier, counted = folder, found.counts.commanded
    assert counted


def test_a_ledger_opened_again_in_its_own_folder_goes_on_without_a_gap(tmp_path: Path) -> None:
    chance = random.Random(7)

    def goes_on(say: Callable[[str, int], None]) -> None:
        ledger = Ledger(FolderStore(tmp_path))
        make_cycles(ledger, ledger.last_cycle, say)

    last = 0
    for _ in range(KILLS):
        begun, confirmed = killed(goes_on, chance)
        if not (tmp_path / LEDGER).exists():
            continue
        rows = read(tmp_path / LEDGER)
        reached = int(rows.cycle[-1]) if len(rows) else 0
        assert max(confirmed, last) <= reached <= max(begun, last)
        last = reached
    assert rows.gaps == ()
    assert {mount: one.confirmed for mount, one in count(rows).items()} == dict.fromkeys((1, 2, 3), last)
