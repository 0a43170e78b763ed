"""A process that carries out the cyclic duty is killed at any instant; what its record says is held against the plant.

The process is the test's own fork: engine, monitor, technician and plant of a rehearsal in it, but the store is a
folder on a real disk, and the plant's truth goes line by line to a file beside it. A run that was killed is gone on
with by the next process, on a plant that is built anew: its specimen has had what all their truth files say together.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from orchestrator.record.continued import CannotGoOn, Continued, continued
from orchestrator.record.journal import Journal
from orchestrator.record.reader import NoRecord
from orchestrator.record.store import FolderStore
from orchestrator.record.verify import verify
from orchestrator.rehearse.rehearsal import Rehearsal, plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence

pytestmark = pytest.mark.real
WEIR_GATE = Path(__file__).parents[2] / "sequences" / "library" / "weir_gate"
FULL = bool(os.environ.get("BENCHWARD_FULL"))
KILLS = 200 if FULL else 5
CHAIN = 4  # killed runs of one specimen; the next one is let to its end
CYCLES = 1000
MOST_CYCLES = 60  # before a kill
LATEST_S = 0.006  # a kill comes so late after the cycle that was waited for, at most
EARLIEST_S = 0.4  # and some come so early, at most, whatever is going on then


def rehearsal(folder: Path, earlier: Continued | None, said: Callable[[], None]) -> Rehearsal:
    """A run on its own plant whose record is on the disk, and whose plant writes beside it what happens."""
    given = {"cycles": str(CYCLES), "checked_every": "25"}
    sequence = load_sequence(WEIR_GATE / "sequence.yaml", KINDS, given)
    plant = plant_for(WEIR_GATE / "bench.yaml", 1)
    run = prepare(sequence, load_bench(WEIR_GATE / "bench.yaml"), plant, 1, "WG-01", coasts=True)
    run.order = replace(run.order, run=folder.name, continues=earlier)
    run.world.store = FolderStore(folder)
    run.world.journal = Journal(run.world.store, run.world.clock)
    truth = (folder.parent / f"{folder.name}.truth").open("w")

    def note(entry: dict[str, object]) -> None:
        if entry["event"] == "operation" and entry["cycle"]:
            truth.write(json.dumps(entry) + "\n")
            truth.flush()
            said()

    plant.bench.truth.sink = note  # type: ignore[attr-defined]
    return run


def pressed(folder: Path) -> int:
    """Cycles under the load's voltage that the plant of this run has had to their break."""
    path = folder.parent / f"{folder.name}.truth"
    return len(path.read_text().splitlines()) if path.exists() else 0


def killed(folder: Path, earlier: Continued | None, chance: random.Random) -> bool:
    """A process that performs the run and is killed at a random instant; False where it came to its end before."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            rehearsal(folder, earlier, lambda: _say(writing)).perform()
        finally:
            os._exit(0)
    os.close(writing)
    if chance.random() < 0.2:
        _spin(chance.uniform(0.0, EARLIEST_S))
    else:
        wanted, seen = chance.randint(1, MOST_CYCLES), 0
        while seen < wanted and (told := os.read(reading, 1)):
            seen += len(told)
        _spin(chance.uniform(0.0, LATEST_S))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    os.close(reading)
    return os.WIFSIGNALED(status)


def _say(pipe: int) -> None:
    os.write(pipe, b"c")


def _spin(for_s: float) -> None:
    until_s = time.perf_counter() + for_s
    while time.perf_counter() < until_s:
        pass


def read(folder: Path) -> Continued | None:
    """What can be gone on with; None where the process was killed before its first cycle could begin."""
    try:
        return continued(folder)
    except (CannotGoOn, NoRecord):
        assert pressed(folder) == 0
        return None


def test_no_confirmed_cycle_is_lost_or_counted_twice_and_at_most_one_is_uncertain(tmp_path: Path) -> None:
    chance = random.Random(20260306)
    earlier: Continued | None = None
    done = uncertain = 0
    for number in range(KILLS):
        folder = tmp_path / f"20260306-{number:04d}-WG-01"
        begun_at = earlier.counts.commanded if earlier else 0
        assert killed(folder, earlier, chance)
        found = read(folder)
        if found is None:
            continue
        rows = found.counts.commanded - begun_at
        assert rows <= pressed(folder) <= rows + 1
        if pressed(folder) > rows:
            assert found.uncertain_cycle == found.counts.commanded + 1
        assert found.uncertain_cycle in (None, found.counts.commanded + 1)
        assert found.counts.confirmed.tolist() == [found.counts.commanded]
        assert not [one for one in verify(folder, None).findings if one.weight == "wrong"]
        done, uncertain, earlier = done + rows, uncertain + (found.uncertain_cycle is not None), found
        if number % (CHAIN + 1) == CHAIN:
            assert_ends(tmp_path / f"20260306-{number:04d}-end-WG-01", earlier)
            earlier = None
    assert done
    assert uncertain


def assert_ends(folder: Path, earlier: Continued) -> None:
    """The next run of the same specimen is let to its end: the count is there, and nothing twice."""
    end = rehearsal(folder, earlier, lambda: None).perform()
    assert end.outcome == "pass", end.sentence
    found = continued(folder)
    assert found.counts.confirmed.tolist() == [CYCLES]
    assert found.counts.commanded == CYCLES
    assert found.counts.commanded - earlier.counts.commanded == pressed(folder)
    assert verify(folder, None).ok
