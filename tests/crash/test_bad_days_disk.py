"""A full, a read-only and a vanished disk: real small file systems under the run folders of a real bench."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.core.outcome import Outcome
from orchestrator.core.reasons import Reason
from orchestrator.record.reader import read_run
from orchestrator.record.store import FolderStore, StorageFault
from orchestrator.record.verify import verify
from tests.crash.bad_days import (
    FULL,
    SAFE,
    assert_bad_day_ended_well,
    assert_one_sentence,
    contactors,
    fill,
    remount,
    small_disk,
)
from tests.daemon_rig import QUICK_PLANT, Installation
from tests.run.worlds import Ending, RealBench, VirtualBench, changed, short_sequence

pytestmark = pytest.mark.real
STAGES = ["run_started", "instrument", "arming", "proof_of_capture", "intent", "charged", "triggered", "off_proof",
          "capture", "figures", "observation", "cause", "run_ended"]  # fmt: skip
QUICK = {"triggered"}


in_the_full_set = pytest.mark.skipif(not FULL, reason="in the full set: make crash")


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealBench]:
    made = RealBench(tmp_path_factory.mktemp("real"))
    plant = made.folder / "plant.yaml"
    plant.write_text(changed(plant.read_text(), QUICK_PLANT))
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def disk(real: RealBench) -> Iterator[Path]:
    """A disk of 32 MB where the run folders are."""
    with small_disk(real.folder / "data" / "runs") as mounted:
        yield mounted


def perform(real: RealBench, kind: str, harm: Callable[[], Any]) -> tuple[Ending, int]:
    """One run that is harmed at the first entry of a kind; how many shots there were before it."""
    fired = len([e for e in real.truth() if e["event"] == "shot"])
    done: list[str] = []

    def when(entry: dict[str, Any]) -> None:
        if entry["kind"] == kind and not done:
            done.append(kind)
            harm()

    ending = real.perform(short_sequence(), when)
    assert done == [kind]
    return ending, fired


@pytest.mark.parametrize(
    "stage", [pytest.param(one, marks=[] if one in QUICK else [in_the_full_set]) for one in STAGES]
)
def test_a_disk_that_fills_up_at(stage: str, real: RealBench, disk: Path) -> None:
    """Stops new shots, never the way to safe; what was durable before stays so."""
    ending, fired = perform(real, stage, lambda: fill(disk))
    shots = len(ending.happened("shot")) - fired

    if stage in ("cause", "run_ended"):  # nothing was left to stop; only the seal is missing
        assert ending.end.off_proven is True
        assert not ending.end.sealed
        assert "could not be sealed" in ending.end.sentence
        assert ending.end.outcome is Outcome.ERROR
    else:
        assert_bad_day_ended_well(ending, Reason.STORAGE_FAULT, fired)
        assert "disk is full" in ending.end.sentence
    if STAGES.index(stage) < STAGES.index("triggered"):
        assert shots == 0, "energy only behind a durable intent"
    found = verify(ending.store, None)
    assert found.interrupted or found.ok, found.sentence
    assert not [f for f in found.findings if f.weight == "wrong"], found.findings


@pytest.mark.parametrize("stage", ["proof_of_capture", "charged"])
def test_no_shot_is_fired_that_the_disk_could_not_keep(stage: str) -> None:
    """The journal's last page still takes lines when the disk has no room for a trace any more."""
    bench = VirtualBench()

    def when(entry: dict[str, Any]) -> None:
        if entry["kind"] == stage and bench.rehearsal is not None:
            store = bench.rehearsal.store
            store.capacity_bytes -= max(0, store.free_bytes() - 60_000)

    ending = bench.perform(short_sequence(), when)
    assert_bad_day_ended_well(ending, Reason.STORAGE_FAULT)
    assert "would not have room for the next shot" in ending.end.sentence
    assert ending.happened("shot") == []
    assert ending.end.sealed


@in_the_full_set
def test_room_made_again_shows_what_was_not_written(real: RealBench, disk: Path) -> None:
    """The trace did not fit; the end of the run did: sealed, and whole but for what it names itself."""
    ending, fired = perform(real, "triggered", lambda: fill(disk, leave_bytes=32 * 1024))

    assert_bad_day_ended_well(ending, Reason.STORAGE_FAULT, fired)
    assert len(ending.happened("shot")) - fired == 1
    assert ending.of("run_ended")[0]["shots_applied"] == 1
    assert [name for name in ending.store.names() if name.startswith("captures/")] == []
    assert len(ending.of("triggered")) == 1


def test_a_read_only_disk_refuses_the_run_folder_in_a_sentence(tmp_path: Path) -> None:
    with small_disk(tmp_path / "data") as disk:
        remount(disk, "ro")
        with pytest.raises(StorageFault, match="The daemon may not write there") as fault:
            FolderStore(disk / "20261124-2301-TW-04")
    assert "20261124-2301-TW-04" in fault.value.sentence


def test_a_folder_that_is_gone_is_a_fault_of_the_storage(tmp_path: Path) -> None:
    store = FolderStore(tmp_path / "20261124-2301-TW-04")
    shutil.rmtree(store.path)
    with pytest.raises(StorageFault, match="could not be looked at"):
        store.free_bytes()


@in_the_full_set
def test_a_run_folder_that_vanishes_while_charged_stops_before_the_shot(real: RealBench, disk: Path) -> None:
    """A file that was removed under the run takes bytes as ever; none of them would ever be found again."""
    ending, fired = perform(real, "charged", lambda: [shutil.rmtree(one) for one in disk.iterdir()])

    assert contactors(ending.truth) == SAFE
    assert ending.end.off_proven is True
    assert_one_sentence(
        ending.end.sentence.partition(" The record could not be sealed")[0], Reason.STORAGE_FAULT
    )
    assert "journal.jsonl could not be made durable (the file was removed)" in ending.end.sentence
    assert len(ending.happened("shot")) == fired
    assert not ending.end.sealed


# --------------------------------------------------------------------------- the daemon's own start


@in_the_full_set
def test_a_full_disk_refuses_a_start_in_a_sentence(tmp_path: Path) -> None:
    """At the preflight, by the daemon's processes; nothing is left behind."""
    with small_disk(tmp_path / "data") as disk:
        lab = Installation(tmp_path)
        try:
            lab.start_plant()
            lab.serve()
            fill(disk, leave_bytes=2_000_000)
            refused = lab.shell("start", str(lab.sequence), "--specimen", "TW-01", "--by", "T. Made-Up")
            status = lab.shell("status")
            code = lab.end()
        finally:
            lab.close()
        runs = sorted(disk.glob("*-TW-01"))

    assert refused.returncode == 2
    assert "MB free, the run wants" in refused.stderr
    assert "help: make room" in refused.stderr
    assert "YES. Off" in status.stdout
    assert (code, runs) == (0, [])


@pytest.mark.parametrize("how", ["full", "read-only", "a file"])
def test_serve_on_a_data_folder_that_takes_nothing_is_one_sentence(tmp_path: Path, how: str) -> None:
    lab = Installation(tmp_path)
    with small_disk(tmp_path / "data", megabytes=1) as disk:
        if how == "full":
            fill(disk)
        elif how == "read-only":
            remount(disk, "ro")
        else:
            (disk / "data").write_text("not a folder")
            lab.data = disk / "data"
        shown = lab.shell("serve", str(lab.bench), "--data", str(lab.data))

    assert shown.returncode in (1, 2)
    assert "Traceback" not in shown.stdout + shown.stderr
    assert "fault of the software" not in shown.stderr
    assert str(lab.data) in shown.stderr
    assert "help: " in shown.stderr


def test_read_run_of_a_vanished_folder_says_where_it_looked(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="is no run folder"):
        read_run(tmp_path / "20261124-2301-TW-04")
