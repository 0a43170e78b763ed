"""Each test shows one way in which a run could have said or done what is not true; named for its symptom."""

from __future__ import annotations

import errno
import json
import os
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.core.interlock import Reading, Rules
from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.core.reasons import Reason
from orchestrator.engine.judge import Evidence, Value, judge
from orchestrator.monitor.logic import Monitor
from orchestrator.monitor.process import Loop
from orchestrator.record.store import Act, StorageFault
from orchestrator.record.verify import verify
from sequences.quantity import Quantity
from tests.run.worlds import Ending, VirtualBench, short_sequence

Entry = dict[str, Any]


def performed(when: Callable[[VirtualBench, Entry], None], **plant: str) -> Ending:
    bench = VirtualBench()
    for name, value in plant.items():
        bench.set(name.replace("__", "."), value)
    return bench.perform(short_sequence(), lambda entry: when(bench, entry))


def is_intent(entry: Entry, act: str) -> bool:
    return bool(entry["kind"] == "intent" and entry["act"] == act)


def abort(bench: VirtualBench) -> None:
    bench.stop.because(Reason.ABORT_BY_PERSON, "the test wants it", "tester")


def verdicts(ending: Ending) -> dict[str, str]:
    return {row["result"]: row["verdict"] for row in ending.of("verdict")}


# ---- energy without a command


def test_a_shot_by_itself_is_counted_although_the_run_was_stopped_before_its_trigger() -> None:
    def when(bench: VirtualBench, entry: Entry) -> None:
        if is_intent(entry, "charge"):
            bench.set("generator.self_triggers_at", "1200 V")
        if entry["kind"] == "charged":
            abort(bench)

    ending = performed(when)

    assert [shot["by"] for shot in ending.happened("shot")] == ["self"]
    assert ending.of("run_ended")[0]["shots_applied"] == 1
    assert ending.end.cause.reason is Reason.ABORT_BY_PERSON
    assert [cause.reason for cause in ending.end.later] == [Reason.SPURIOUS_SHOT]
    assert [figures["valid"] for figures in ending.of("figures")] == [False]
    assert len(ending.of("capture")) == 1  # what it did to the specimen is kept all the same


def test_a_stop_before_the_trigger_counts_no_shot_where_none_was() -> None:
    ending = performed(lambda bench, entry: abort(bench) if entry["kind"] == "charged" else None)

    assert ending.happened("shot") == []
    assert ending.of("run_ended")[0]["shots_applied"] == 0
    assert ending.end.later == ()


# ---- verdicts


def test_an_f_in_a_shot_that_was_stopped_after_its_trigger_stays() -> None:
    def when(bench: VirtualBench, entry: Entry) -> None:
        if entry["kind"] == "off_proof" and entry["output"] == "high_voltage":
            abort(bench)

    ending = performed(when, specimen__limits_at="x1.1")

    assert ending.end.cause.reason is Reason.ABORT_BY_PERSON
    assert verdicts(ending)["limiting_voltage"] == Verdict.FAILS
    assert ending.end.outcome is Outcome.FAIL


def test_a_shot_of_the_wrong_polarity_is_not_judged() -> None:
    def when(bench: VirtualBench, entry: Entry) -> None:
        if is_intent(entry, "trigger"):  # after the settings were read back for the last time
            bench.set("generator.front_panel.polarity", "negative")

    ending = performed(when)

    assert {shot["polarity"] for shot in ending.happened("shot")} == {-1}
    assert ending.end.cause.reason is Reason.CAPTURE_INVALID
    assert "negative, a positive shot was asked for" in ending.end.cause.what
    assert ending.of("run_ended")[0]["shots_applied"] == 2


def row_of(judged: str, limit: dict[str, float], values: list[float], shots: int) -> str:
    sides = {
        side: Quantity(limit[side], "V", f"{limit[side]} V") if side in limit else None
        for side in ("at_most", "at_least")
    }
    requirement: Any = SimpleNamespace(
        clause="invented 1", result="peak", judged=judged, must_be=None, rule="simple_acceptance", **sides
    )
    found = [Value(number + 1, value, "V") for number, value in enumerate(values)]
    return judge(requirement, Evidence({"peak": found}, {}, shots), None).verdict


@pytest.mark.parametrize(
    ("judged", "limit", "values", "verdict"),
    [
        ("last", {"at_most": 10.0}, [20.0], "N/J"),  # the latest so far is not the last
        ("last", {"at_most": 10.0}, [20.0, 20.0, 5.0], "P"),
        ("largest", {"at_least": 10.0}, [5.0], "N/J"),  # a larger one may still come
        ("largest", {"at_least": 10.0}, [5.0, 5.0, 5.0], "F"),
        ("largest", {"at_most": 10.0}, [20.0], "F"),  # beyond an upper limit it stays
        ("change first to last", {"at_most": 0.1}, [0.0, 1.0, 1.0], "N/J"),
    ],
)
def test_an_f_waits_for_the_value_that_its_limit_speaks_of(
    judged: str, limit: dict[str, float], values: list[float], verdict: str
) -> None:
    assert row_of(judged, limit, values, 3) == verdict


# ---- the way to safe


def test_off_writes_that_cannot_begin_keep_nobody_from_asking_the_monitor() -> None:
    bench = VirtualBench()

    def broken(output: str) -> Any:
        raise RuntimeError("can't start new thread")

    def when(entry: Entry) -> None:
        if entry["kind"] == "charged":
            bench.rehearsal.world.bench.start_off = broken  # type: ignore[union-attr, method-assign]

    ending = bench.perform(short_sequence(), when)

    opened = [
        e["at_s"]
        for e in ending.happened("contactor")
        if e["name"] == "high_voltage" and e["state"] == "open"
    ]
    charged_s = ending.of("charged")[0]["mono_s"]
    triggered_s = ending.of("triggered")[0]["mono_s"]
    assert opened
    assert opened[-1] - charged_s < 0.2 or opened[-1] <= triggered_s
    assert ending.end.off_proven is True
    assert Reason.INTERNAL_ERROR in {cause.reason for cause in (ending.end.cause, *ending.end.later)}


def test_nobody_is_told_to_go_in_while_off_is_not_proven() -> None:
    bench = VirtualBench()

    def when(entry: Entry) -> None:
        if entry["kind"] == "measurement" and entry["result"] == "leakage":
            bench.set("earth.feedback", "says_open")

    ending = bench.perform(short_sequence(), when)

    assert ending.end.cause.reason is Reason.OFF_NOT_PROVEN
    asked = [question["ask"] for question in ending.of("asked")]
    assert asked.count("inspect") == 1  # the one before the duty


def test_a_dead_divider_at_the_terminals_is_noticed_while_something_is_applied() -> None:
    ending = performed(lambda bench, entry: None, terminals_divider__fails="reads_0")

    assert ending.end.cause.reason is Reason.SUPPLY_FAULT
    assert "divider at the terminals reads 0 V" in ending.end.cause.what
    assert ending.happened("shot") == []


# ---- first causes


def refused_when_the_output_is_due(name: str, value: str) -> Ending:
    def when(bench: VirtualBench, entry: Entry) -> None:
        if entry["kind"] == "proof_of_capture" and entry["when"] == "before charging":
            bench.set(name, value)

    return performed(when)


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [
        ("earth.feedback", "says_open", Reason.OFF_NOT_PROVEN),
        ("emergency_stop", "pressed", Reason.EMERGENCY_STOP),
        ("door", "open", Reason.INTERLOCK_OPEN),
    ],
)
def test_a_refused_output_is_told_as_what_it_was_refused_for(name: str, value: str, reason: Reason) -> None:
    ending = refused_when_the_output_is_due(name, value)

    assert ending.end.cause.reason is reason
    assert ending.happened("shot") == []


def test_an_abort_between_the_start_and_its_first_act_is_not_acknowledged_by_it() -> None:
    bench = VirtualBench()

    def when(entry: Entry) -> None:
        if entry["kind"] == "run_started":
            assert bench.rehearsal is not None
            bench.rehearsal.virtual.run_until(bench.rehearsal.virtual.now_s + 0.1)
            bench.rehearsal.port.tell({"act": "abort", "who": "tester"})

    ending = bench.perform(short_sequence(), when)

    assert ending.end.cause.reason is Reason.ABORT_BY_PERSON
    assert ending.of("asked") == []


# ---- a record that cannot be written


def with_a_failing(act: Act, number: int) -> tuple[Ending, int]:
    """The run whose n-th write or sync fails once, and how many there were."""
    bench = VirtualBench()
    bench.prepared(short_sequence())
    assert bench.rehearsal is not None
    count = 0

    def point(kind: Act, name: str) -> None:
        nonlocal count
        count += kind == act
        if kind == act and count == number:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    bench.rehearsal.store.point = point
    return bench.perform_prepared(), count


@pytest.mark.parametrize("act", ["write", "sync"])
def test_no_pass_is_told_that_the_record_does_not_hold(act: Act) -> None:
    sound, total = with_a_failing(act, 0)
    assert sound.end.sealed
    assert len(sound.of("verdict")) == 3

    for number in range(total - 8, total + 1):  # the end of the run: causes, outcome, verdicts, sheet, seal
        ending, _ = with_a_failing(act, number)
        told = {row.verdict for row in ending.end.rows}
        assert ending.end.outcome is Outcome.ERROR, number
        assert Verdict.PASSES not in told, number
        assert not ending.end.sealed or verify(ending.store, None).ok, number
        assert not ending.end.sealed or ending.of("run_ended")[0]["outcome"] == "error", number


def ignition_with_a_failing_write(kind: str) -> Ending:
    """The cloth burns, a person says so, and the disk fails at that line of the journal and from there on."""
    bench = VirtualBench()
    bench.set("cloth.burns_at_shot", "1")
    bench.prepared(short_sequence())
    assert bench.rehearsal is not None
    store = bench.rehearsal.store
    broken: list[int] = []
    append = store.append

    def failing(name: str, data: bytes) -> None:
        if broken or (name == "journal.jsonl" and json.loads(data)["kind"] == kind and b"ignited" in data):
            broken.append(1)
            raise StorageFault(name, "could not be written (no space left)", "Make room.")
        append(name, data)

    store.append = failing  # type: ignore[method-assign]
    return bench.perform_prepared()


@pytest.mark.parametrize("kind", ["answered", "observation"])
def test_an_ignition_that_a_person_saw_is_not_lost_with_the_write_of_the_answer(kind: str) -> None:
    ending = ignition_with_a_failing_write(kind)

    assert ending.end.cause.reason is Reason.INDICATOR_IGNITED  # it was said before the disk failed
    assert [cause.reason for cause in ending.end.later] == [Reason.STORAGE_FAULT]
    assert ending.end.outcome is Outcome.ERROR
    rows = {row.requirement.result: row.verdict for row in ending.end.rows}
    assert rows["cheesecloth"] is Verdict.FAILS
    assert "write it down by hand: house 4.4: cheesecloth was ignited after shot 1" in ending.end.sentence
    assert "Fire is possible" in ending.end.sentence
    assert not ending.end.sealed


def test_an_ignition_said_in_the_moment_of_an_abort_stays_an_f() -> None:
    bench = VirtualBench()
    bench.set("cloth.burns_at_shot", "1")
    bench.prepared(short_sequence())
    assert bench.rehearsal is not None
    # The stop is there in the moment of the answer: the wait ends before the run has looked at it.
    bench.rehearsal.technician.before_answer = lambda ask: abort(bench) if ask == "observe" else None
    ending = bench.perform_prepared()

    assert ending.end.cause.reason is Reason.ABORT_BY_PERSON
    assert verdicts(ending)["cheesecloth"] == Verdict.FAILS
    assert ending.end.outcome is Outcome.FAIL


def test_a_limit_that_was_kept_is_told_with_its_figure_where_another_one_failed() -> None:
    ending = performed(lambda bench, entry: None, specimen__limits_at="x1.1")

    rows = {row["result"]: row for row in ending.of("verdict")}
    assert rows["limiting_voltage"]["verdict"] == Verdict.FAILS
    kept = rows["leakage"]
    assert kept["verdict"] == Verdict.NOT_JUDGED  # a P stands only in a run that nothing failed
    assert kept["value"] > 0
    assert kept["sentence"].startswith("Its own limit was kept: ")
    assert "uA against at most 220" in kept["sentence"]
    assert kept["sentence"].endswith("No P stands in a run whose outcome is fail.")
    assert rows["cheesecloth"]["sentence"].startswith("Its own limit was kept: unmarked after every shot.")


def test_a_bug_in_the_judging_does_not_take_the_end_of_the_run_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*_: Any) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr("orchestrator.engine.run.judge", broken)
    ending = VirtualBench().perform(short_sequence())

    assert ending.end.outcome is Outcome.ERROR
    assert ending.end.off_proven is True
    assert [cause.reason for cause in ending.end.later] == [Reason.INTERNAL_ERROR]
    assert ending.of("run_ended")[0]["outcome"] == "error"


def test_a_meter_without_a_reading_is_an_instrument_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "drivers.equipment.leakage_meter.ScpiLeakageMeter.current_a", lambda self: float("nan")
    )
    ending = VirtualBench().perform(short_sequence())

    assert ending.end.cause.reason is Reason.INSTRUMENT_FAULT
    assert "has no reading" in ending.end.cause.what


# ---- the monitor's process


class _Enough(Exception):
    pass


class _Flooded:
    """A hub on whose abort socket somebody writes without end."""

    def __init__(self, turns: int) -> None:
        self.requests: list[Entry] = []
        self.abort: Entry | None = None
        self._left = turns

    def serve(self, until_s: float) -> None:
        self._left -= 1
        if not self._left:
            raise _Enough
        self.abort = {"act": "abort", "who": "a stuck key"}

    def __getattr__(self, name: str) -> Callable[..., None]:
        return lambda *_: None


def test_an_abort_without_end_does_not_keep_the_monitor_from_looking() -> None:
    rules = Rules.from_dict(VirtualBench().bench.bench.monitor_rules())  # type: ignore[union-attr]
    reads = []

    def read() -> Reading:
        reads.append(1)
        return Reading(time.monotonic(), (True,) * rules.input_count, (0,) * rules.register_count)

    io: Any = SimpleNamespace(read=read, write=lambda coils: None, renew_watchdog=lambda: None)
    hub: Any = _Flooded(3000)
    kept: Any = SimpleNamespace(block=lambda *_: None, prove=lambda *_: None, release=lambda: None)
    with pytest.raises(_Enough):
        Loop(Monitor(rules, started_s=time.monotonic()), io, hub, kept).run()

    assert len(reads) > 1
