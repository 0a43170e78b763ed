"""The report of an endurance run: counts, gap, failures, trends over both of its runs; and it stays small."""

import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from orchestrator.record.reader import read_run
from orchestrator.record.specimens import history
from orchestrator.record.store import FolderStore, MemoryStore
from orchestrator.record.verify import verify
from orchestrator.report.render import Issue, render
from tests.endurance_records import Endurance, Plan

FIRST, SECOND = "20260305-0914-WG-01", "20260305-1940-WG-01"
ISSUE = Issue("tech-2", "2026-03-06T00:00:00Z")


def report(data: Path, **plan: Any) -> str:
    made = Plan(**plan)
    Endurance(made, FolderStore(data / made.run)).write()
    folder = data / made.run
    return render(read_run(folder), verify(folder, None), history(data, "WG-01"), ISSUE).decode()


@pytest.fixture(scope="module")
def resumed(tmp_path_factory: pytest.TempPathFactory) -> str:
    data = tmp_path_factory.mktemp("data")
    first = Plan(
        declared=400, every=50, upto=251, ended=False, sealed=False, energised_at_the_end=True,
        findings={(70, 2): "fail_to_make", (90, 1): "supply_dip"},
    )  # fmt: skip
    Endurance(first, FolderStore(data / FIRST)).write()
    return report(data, run=SECOND, declared=400, every=50, continues=FIRST, begins_after=251)


def plain(html: str) -> str:
    text = re.sub(r"<svg.*?</svg>|<style>.*?</style>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split())


def test_a_resumed_run_tells_its_gap_and_the_cycles_of_both_runs(resumed: str) -> None:
    text = plain(resumed)
    assert (
        f"This run goes on with run {FIRST} after cycle 251: stopped 2026-03-05 09:20:00 UTC (power lost)"
        in text
    )
    assert "gap 9 min 20 s by the wall clock; cycle 252 is uncertain and not counted" in text
    assert f"Contact drop over the cycles of the runs {FIRST}, {SECOND}." in text
    assert "399 cycles so far, confirmed, by the ledgers of these runs" in text
    assert "Cycle 70, mount 2: fail to make: seen so (counts on the specimen)" in text
    assert "Cycle 90, mount 1: supply dip: seen so (not the specimen's, discounted and repeated)" in text
    assert "cycles told of 1 to 400" in text
    assert "bounce time from the first make to the last, after which the contact stays closed" in text
    assert "2 specimens without a failure" in text


def test_its_tables_and_plots_speak_of_cycles_and_not_of_shots(resumed: str) -> None:
    text = plain(resumed)
    assert "Shots on the specimen" not in text
    assert "shots applied" not in text
    for name in ("malfunction", "warning of a trend", "gap between runs", "warning above 120 mV"):
        assert f"<!-- {name} -->" in resumed
    assert resumed.count("<svg") == 3
    assert [cell in text for cell in ("start", "50", "250", "300", "400")] == [True] * 5


def test_a_mount_that_failed_is_told_with_its_cause(tmp_path: Path) -> None:
    text = plain(report(tmp_path, upto=20, findings={(7, 2): "fail_to_make", (8, 2): "fail_to_make"}))
    assert "Mount 2, specimen WG-02: 2 malfunctions in a row at cycle 8 (fail to make)." in text
    assert "house 5.3" in text


def test_a_rehearsal_is_marked_in_every_part(tmp_path: Path) -> None:
    html = report(tmp_path, upto=20, world="rehearsal")
    assert html.count("REHEARSAL, simulated") >= 8


def rendered_in_memory(**plan: Any) -> str:
    store = MemoryStore()
    Endurance(Plan(**plan), store).write()
    return render(read_run(store), verify(store, None), None, ISSUE).decode()


def test_the_report_of_many_cycles_and_anomalies_stays_small() -> None:
    short = rendered_in_memory(declared=600, every=100)
    many = {(cycle, 1): "supply_dip" for cycle in range(5, 6000, 10)}
    long = rendered_in_memory(declared=6000, every=1000, findings=many)
    assert len(long) < 1.3 * len(short)
    assert "560 more are counted above; all stand in the journal and the ledger" in plain(long)
    assert "supply dip 600 (load, supply, actuator or recorder: never the specimen's)" in plain(long)
