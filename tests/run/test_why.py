"""`benchward why` for every stop reason: rehearsed where the plant can cause it, from invented records else."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli import why as command
from orchestrator.core.reasons import EXPLANATIONS, Reason
from orchestrator.record.entry_words import KINDS, entry_words
from orchestrator.record.reader import read_run
from orchestrator.record.store import MemoryStore
from orchestrator.record.why import Why, why
from orchestrator.steps import KINDS as KINDS_OF_STEPS
from sequences.loader import load_sequence
from sequences.tree import Source
from tests.golden.invented_run import Plan, invented_folder, invented_store
from tests.run.worlds import VirtualBench, changed, short_sequence

Act = Callable[[VirtualBench], None]


@dataclass(frozen=True)
class Case:
    """How a rehearsed run is made to stop: plant faults from the start, or an act at an entry; what must be said."""

    says: str
    before: dict[str, str] = field(default_factory=dict)
    at: str = ""
    act: Act = lambda bench: None
    in_the_ten_seconds: str = ""
    changes: dict[str, str] = field(default_factory=dict)


def _set(name: str, value: str) -> Act:
    return lambda bench: bench.set(name, value)


def _room_for(more_bytes: int) -> Act:
    """Leave so much room on the disk: enough for some lines of the journal, not for a trace."""

    def act(bench: VirtualBench) -> None:
        assert bench.rehearsal is not None
        store = bench.rehearsal.store
        store.capacity_bytes -= store.free_bytes() - more_bytes

    return act


def _bug(bench: VirtualBench) -> None:
    raise ZeroDivisionError("a made-up fault of the software")


def _abort(bench: VirtualBench) -> None:
    bench.stop.because(Reason.ABORT_BY_PERSON, "smell of burning", "N. Onlooker")


REHEARSED: dict[Reason, Case] = {
    Reason.COMPLETED: Case("Every step was done", in_the_ten_seconds="cloth examined on both sides"),
    Reason.SPECIMEN_FAILED: Case(
        "344.4 V against at most 310 V",
        {"specimen.limits_at": "x1.2"},
        changes={"limit: go on": "limit: stop"},
    ),
    Reason.INDICATOR_IGNITED: Case(
        "ignited", {"cloth.burns_at_shot": "1"}, in_the_ten_seconds="asked: Watch"
    ),
    Reason.ABORT_BY_PERSON: Case(
        "smell of burning", at="charged", act=_abort, in_the_ten_seconds="charged to"
    ),
    Reason.INTERLOCK_OPEN: Case(
        "door", at="charged", act=_set("door", "open"), in_the_ten_seconds="about to be charged"
    ),
    Reason.EMERGENCY_STOP: Case("emergency", at="charged", act=_set("emergency_stop", "pressed")),
    Reason.MONITOR_LOST: Case("safety I/O", at="charged", act=_set("safety_io.link", "silent")),
    Reason.OFF_NOT_PROVEN: Case("earth is not closed", at="triggered", act=_set("earth.fails", "yes")),
    Reason.INSTRUMENT_FAULT: Case(
        "digitiser_v is not waiting",
        {"digitiser_v.waiting_bit": "stuck_0"},
        in_the_ten_seconds="DOES NOT WAIT",
    ),
    Reason.SUPPLY_FAULT: Case(
        "reads 0.0 V", {"generator.does_not_charge": "yes"}, in_the_ten_seconds="about to be charged"
    ),
    Reason.CAPTURE_INVALID: Case("did not trigger", {"digitiser_v.misses_trigger": "yes"}),
    Reason.SPURIOUS_SHOT: Case(
        "triggered before", {"generator.self_triggers_at": "1200 V"}, in_the_ten_seconds="about to be charged"
    ),
    Reason.STORAGE_FAULT: Case(
        "The disk is full", at="triggered", act=_room_for(30_000), in_the_ten_seconds="trigger sent, shot 1"
    ),
    Reason.INTERNAL_ERROR: Case("ZeroDivisionError", at="charged", act=_bug),
}
INVENTED = sorted(set(Reason) - set(REHEARSED) - {Reason.POWER_LOST}, key=lambda reason: reason.value)


RUNS: dict[str, MemoryStore] = {}


def rehearsed(case: Case) -> MemoryStore:
    """The record of a run that stopped so; each case is rehearsed once."""
    if str(case) not in RUNS:
        RUNS[str(case)] = _rehearsed(case)
    return RUNS[str(case)]


def _rehearsed(case: Case) -> MemoryStore:
    bench = VirtualBench()
    done: list[str] = []

    def when(entry: dict[str, Any]) -> None:
        if entry["kind"] == case.at and not done:
            done.append(case.at)
            case.act(bench)

    short = short_sequence(shots="2")
    text = Source("short.yaml", changed(short.text, case.changes))
    sequence = load_sequence(text, KINDS_OF_STEPS, {"shots": "2"})
    bench.prepared(sequence, when)
    for name, value in case.before.items():
        bench.set(name, value)
    store = bench.perform_prepared().store
    assert isinstance(store, MemoryStore)
    return store


def printed(one: Why) -> str:
    return command.in_text(one, "made-up words on the record")


@pytest.mark.parametrize("reason", REHEARSED)
def test_a_rehearsed_stop_is_explained(reason: Reason) -> None:
    case = REHEARSED[reason]
    one = why(read_run(rehearsed(case)))
    text = " ".join(printed(one).split())

    assert one.reason == reason.value, one.happened
    assert case.says in one.happened
    assert case.in_the_ten_seconds in " ".join(moment.words for moment in one.before)
    assert all(moment.at_s <= 0 for moment in one.before)
    assert (one.off_proven is True) == ("off was proven" in one.safe and "That was then" in one.safe)
    assert EXPLANATIONS[reason].advice in text
    assert all(line.replace("RUN", one.run) in text for line in EXPLANATIONS[reason].check)
    assert text.index("May I go in?") < text.index("What happened?") < text.index("What do I do?")


@pytest.mark.parametrize("reason", INVENTED)
def test_a_stop_that_this_bench_cannot_have_is_explained(reason: Reason) -> None:
    one = why(read_run(invented_store(Plan(shots=3, samples=40, stop_after=2, reason=reason))))

    assert one.reason == reason.value
    assert EXPLANATIONS[reason].happened in one.happened
    assert one.next == EXPLANATIONS[reason].advice
    assert [moment for moment in one.before if moment.at_s < 0]


def test_off_not_proven_is_said_first_and_names_who_releases() -> None:
    one = why(read_run(rehearsed(REHEARSED[Reason.OFF_NOT_PROVEN])))
    lines = printed(one).splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith("May I go in?"))

    assert "NOT KNOWN FROM A RECORD" in lines[first]
    assert "OFF WAS NOT PROVEN" in lines[first + 1]
    assert "Treat the bench as live" in one.safe
    assert "test operator in charge" in (one.released_by or "")


def test_an_unproven_earth_is_named_where_off_was_not_proven() -> None:
    one = why(read_run(rehearsed(REHEARSED[Reason.OFF_NOT_PROVEN])))
    assert "earth" in one.safe


def test_a_fault_of_the_software_shows_its_details_for_the_report() -> None:
    text = printed(why(read_run(rehearsed(REHEARSED[Reason.INTERNAL_ERROR]))))
    assert "Traceback (most recent call last)" in text
    assert "a made-up fault of the software" in text


def test_later_causes_are_listed_behind_the_first() -> None:
    def harm(bench: VirtualBench) -> None:
        bench.set("generator.link", "silent")
        bench.set("door", "open")

    one = why(read_run(rehearsed(Case("door", at="charged", act=harm))))
    assert "door" in one.happened
    assert any("generator" in line for line in one.later)


# ---- records without an end


def interrupted_after(kind: str, act: str | None = None) -> MemoryStore:
    """A record that was cut off just after an entry, as a killed engine leaves it."""
    whole = invented_store(Plan(shots=3, verification_shots=0, samples=40))
    lines, kept = whole.read("journal.jsonl").splitlines(keepends=True), MemoryStore()
    found = [json.loads(line) for line in lines]
    last = next(n for n, e in enumerate(found) if e["kind"] == kind and (act is None or e.get("act") == act))
    kept.append("journal.jsonl", b"".join(lines[: last + 1]))
    kept.sync("journal.jsonl")
    kept.create("sequence.yaml", b"language: 1\nspecimen: {after_a_stop: may go on}\n")
    return kept


def test_a_run_cut_off_while_charging_is_treated_as_live() -> None:
    one = why(read_run(interrupted_after("intent", "charge")))

    assert (one.ended, one.reason, one.off_proven) == (False, "power_lost", None)
    assert "has no end" in one.happened
    assert "high voltage about to be switched on" in one.safe.lower()
    assert "nothing in the record says that it was switched off again" in one.safe
    assert "had no shot" in one.specimen_words


def test_a_trigger_that_nothing_confirms_is_assumed_to_have_happened() -> None:
    one = why(read_run(interrupted_after("intent", "trigger")))

    assert "up to 1 shot " in one.specimen_words
    assert "Whether shot 1 was fired is not recorded: assume that it was." in one.specimen_words


def test_a_run_cut_off_behind_a_proof_of_off_says_that_it_was_then() -> None:
    one = why(read_run(interrupted_after("figures")))

    assert "off, proven" in one.safe
    assert "That was then" in one.safe
    assert "Nothing was switched on after it" in one.safe


def test_a_disk_that_took_nothing_more_leaves_a_record_without_end() -> None:
    """The run itself told the person; the record cannot know more than this."""
    one = why(read_run(rehearsed(Case("", at="charged", act=_room_for(0)))))

    assert (one.ended, one.reason) == (False, "power_lost")
    assert "the disk took no more" in one.happened
    assert "nothing in the record says that it was switched off again" in one.safe


def test_torn_bytes_are_named() -> None:
    store = interrupted_after("figures")
    store.append("journal.jsonl", b'{"n": 99, "utc": "2026')
    store.sync("journal.jsonl")
    assert "A torn line follows it." in why(read_run(store)).happened


def test_a_spent_specimen_and_one_that_may_go_on_are_told_apart() -> None:
    stopped = Plan(shots=3, verification_shots=0, samples=40, stop_after=2, reason=Reason.ABORT_BY_PERSON)
    may = why(read_run(invented_store(stopped)))
    spent = why(read_run(invented_store(Plan(shots=3, verification_shots=0, samples=40))))

    assert "had 2 shots of the duty" in may.specimen_words
    assert "may go on" in may.specimen_words
    assert "spent (its duty was completed)" in spent.specimen_words


# ---- the command


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(*arguments: str) -> tuple[int, str, str]:
        parser = argparse.ArgumentParser()
        command.add_parser(parser.add_subparsers())
        args = parser.parse_args(["why", "--data", str(tmp_path), *arguments])
        code = int(args.run(args))
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_without_a_name_the_newest_run_is_explained(tmp_path: Path, shell: Any) -> None:
    for run, reason in (
        ("20260305-0914-TW-04", Reason.COMPLETED),
        ("20260306-0801-TW-05", Reason.EMERGENCY_STOP),
    ):
        invented_folder(tmp_path, Plan(run=run, shots=2, verification_shots=0, samples=40, reason=reason))
    code, out, _ = shell()

    assert code == 0
    assert out.startswith("Run 20260306-0801-TW-05")
    assert "An emergency stop was pressed" in out
    assert all(len(line) <= 80 for line in out.splitlines())
    assert json.loads(shell("20260305", "--json")[1])["reason"] == "completed"


def test_a_damaged_record_is_explained_as_far_as_it_goes_and_exits_1(tmp_path: Path, shell: Any) -> None:
    folder = invented_folder(tmp_path, Plan(shots=2, verification_shots=0, samples=40))
    journal = folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"unmarked", b"scorched", 1))
    code, out, _ = shell()

    assert code == 1
    assert "What happened?" in out
    assert "journal.jsonl" in out


def test_no_run_is_a_sentence_with_help(shell: Any) -> None:
    code, out, err = shell()
    assert (code, out) == (2, "")
    assert "there are no runs" in err
    assert "help:" in err


def test_every_kind_of_entry_that_a_run_writes_has_words() -> None:
    written: set[str] = set()
    for case in REHEARSED.values():
        entries = read_run(rehearsed(case)).entries
        written |= {entry["kind"] for entry in entries}
        assert all(entry_words(entry).strip() for entry in entries)
    assert written <= KINDS
