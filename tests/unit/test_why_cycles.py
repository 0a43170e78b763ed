"""Why an endurance run stopped: the cycles it had, from its ledger, and the one that is uncertain."""

from typing import Any

from orchestrator.record.reader import read_run
from orchestrator.record.store import MemoryStore
from orchestrator.record.why import Why, why
from tests.endurance_records import Endurance, Plan


def explained(**plan: Any) -> Why:
    store = MemoryStore()
    Endurance(Plan(**plan), store).write()
    return why(read_run(store))


def test_an_outage_tells_what_is_counted_and_what_is_not() -> None:
    one = explained(
        upto=25, ended=False, sealed=False, energised_at_the_end=True, findings={(7, 2): "fail_to_make"}
    )
    assert one.reason == "power_lost"
    assert "The last cycle in its ledger is 25." in one.happened
    assert one.specimen_words.startswith(
        "WG-01 had 25 confirmed cycles in this run. WG-02 had 24 confirmed cycles and 1 malfunction in this run. "
        "Cycle 26 may have been made and is not recorded: it is not counted."
    )
    assert "Load about to be switched on, cycle 21" in one.safe
    assert one.stopped_utc.startswith("2026-03-05T09:16:0")


def test_a_planned_pause_leaves_nothing_uncertain() -> None:
    one = explained(upto=25)
    assert one.specimen_words == (
        "WG-01 had 25 confirmed cycles in this run. WG-02 had 25 confirmed cycles in this run. "
        "It may go on: benchward resume 20260305-0914-WG-01."
    )


def test_many_mounts_are_drawn_together() -> None:
    one = explained(specimens=tuple(f"WG-{n:02d}" for n in range(1, 17)), upto=10)
    assert "16 specimens had 10 to 10 confirmed cycles each in this run, with 0 malfunctions in all." in (
        one.specimen_words
    )
