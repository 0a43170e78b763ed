"""Bad days of instruments, of the clock and of calibrations, in both worlds; the real one on sockets and files."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from orchestrator.core.outcome import Outcome
from orchestrator.core.reasons import Reason
from orchestrator.record.sheet import data_sheet
from orchestrator.record.verify import verify
from tests.crash.bad_days import FULL, CutCable, assert_bad_day_ended_well, assert_one_sentence
from tests.daemon_rig import QUICK_PLANT
from tests.run.worlds import TIDEWATER, RealBench, VirtualBench, changed, short_sequence, wait_for

Bench = VirtualBench | RealBench
# what is wrong: (what is set, to what, sound again, at which entry ("" before the start), what the sentence names)
INSTRUMENTS: dict[str, tuple[str, str, str, str, str]] = {
    "answers late": ("digitiser_v.link", "late:4 s", "ok", "charged", "digitiser_v"),
    "answers in dribbles": ("digitiser_v.link", "dribble:0.2 s", "ok", "triggered", "digitiser_v"),
    "answers rubbish": ("generator.link", "garbled", "ok", "charged", "generator"),
    "answers half of the trace": ("digitiser_i.link", "truncated", "ok", "triggered", "digitiser_i"),
    "answers twice": ("digitiser_i.link", "twice", "ok", "", "digitiser_i"),
    "answers nothing, acts": ("generator.link", "silent", "ok", "charged", "generator"),
    "is another unit": ("meter.serial", "LM1-9999", "LM1-0450", "", "LM1-9999"),
    "is not there": ("digitiser_i.link", "closed", "ok", "", "digitiser_i"),
    "goes away charged": ("digitiser_v.link", "closed", "ok", "charged", "digitiser_v"),
    "goes away with the trace": ("digitiser_i.link", "closed", "ok", "triggered", "digitiser_i"),
    "loses power charged": ("generator.restart", "1 s", "", "charged", "generator"),
}


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


def worlds() -> list[Any]:
    return ["virtual", pytest.param("real", marks=pytest.mark.real)]


def bench_of(world: str, request: pytest.FixtureRequest) -> Bench:
    return VirtualBench() if world == "virtual" else request.getfixturevalue("real")


def listens(bench: RealBench, instrument: str) -> bool:
    file = bench.bench.bench
    assert file is not None
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", int(file.instruments[instrument].resource.split("::")[2]))) == 0


def at_first(kind: str, act: Callable[[], None]) -> Callable[[dict[str, Any]], None]:
    """Act at the first entry of that kind."""
    done: list[str] = []

    def when(entry: dict[str, Any]) -> None:
        if entry["kind"] == kind and not done:
            done.append(kind)
            act()

    return when


@pytest.mark.parametrize("world", worlds())
@pytest.mark.parametrize("trouble", INSTRUMENTS)
def test_an_instrument_that(world: str, trouble: str, request: pytest.FixtureRequest) -> None:
    if world == "real" and not FULL:
        pytest.skip("in the full set: make crash")
    name, value, sound, kind, says = INSTRUMENTS[trouble]
    bench = bench_of(world, request)
    fired = len([e for e in bench.truth() if e["event"] == "shot"]) if isinstance(bench, RealBench) else 0
    if not kind:
        bench.set(name, value)
    try:
        ending = bench.perform(short_sequence(), at_first(kind, lambda: bench.set(name, value)))
    finally:
        if sound:
            bench.set(name, sound)
        elif isinstance(bench, RealBench):
            wait_for(lambda: listens(bench, name.partition(".")[0]), "it has power again")

    assert_bad_day_ended_well(ending, Reason.INSTRUMENT_FAULT, fired)
    assert says in ending.end.sentence
    assert ending.end.outcome is Outcome.ERROR
    assert verify(ending.store, None).ok
    if kind in ("", "charged"):
        assert len(ending.happened("shot")) == fired, "no shot without proof of capture"


@pytest.mark.parametrize("world", worlds())
def test_a_slow_instrument_within_its_time_harms_nothing(world: str, request: pytest.FixtureRequest) -> None:
    if world == "real" and not FULL:
        pytest.skip("in the full set: make crash")
    bench = bench_of(world, request)
    bench.set("digitiser_v.link", "late:0.1 s")
    try:
        ending = bench.perform(short_sequence())
    finally:
        bench.set("digitiser_v.link", "ok")
    assert ending.end.cause.reason is Reason.COMPLETED


@pytest.mark.real
def test_the_plug_pulled_in_mid_block_keeps_what_was_promised(real: RealBench) -> None:
    """The trace is lost, the shot is not: it counts, the specimen is used, nothing is guessed."""
    fired = len([e for e in real.truth() if e["event"] == "shot"])
    text = real.bench.text
    resource = real.bench.bench.instruments["digitiser_v"].resource  # type: ignore[union-attr]
    cable = CutCable(int(resource.split("::")[2]))
    whole = real.bench
    try:
        real.bench = load(text.replace(resource, f"TCPIP::127.0.0.1::{cable.port}::SOCKET"))
        ending = real.perform(short_sequence(), at_first("triggered", lambda: setattr(cable, "armed", True)))
    finally:
        cable.end()
        real.bench = whole

    assert cable.cut.is_set()
    assert_bad_day_ended_well(ending, Reason.INSTRUMENT_FAULT, fired)
    assert "digitiser_v" in ending.end.sentence
    assert [e for e in ending.store.names() if e.startswith("captures/")] == []
    assert len(ending.of("triggered")) == len(ending.happened("shot")) - fired == 1
    assert ending.of("run_ended")[0]["shots_applied"] == 1
    assert verify(ending.store, None).ok


def load(text: str) -> Any:
    from sequences.loader import load_bench
    from sequences.tree import Source

    return load_bench(Source("bench.yaml", text))


# --------------------------------------------------------------------------- the clock


@pytest.mark.parametrize("hours", [1, -1])
def test_a_clock_stepped_in_an_interval_moves_no_shot(hours: int) -> None:
    """The interval is held by the monotonic clock to 50 ms; the step is in the record; both shots are judged."""
    bench = VirtualBench()

    def step() -> None:
        assert bench.rehearsal is not None
        bench.rehearsal.virtual.utc_step = timedelta(hours=hours)

    ending = bench.perform(short_sequence(shots="2", interval="20 s"), at_first("observation", step))
    first, second = (e["at_s"] for e in ending.happened("shot"))
    steps = ending.of("clock_step")

    assert ending.end.cause.reason is Reason.COMPLETED
    assert second - first == pytest.approx(20.0, abs=0.05)
    assert [e["step_s"] for e in steps] == [pytest.approx(3600.0 * hours, abs=0.5)]
    assert "clock was stepped" in data_sheet(ending.entries)
    assert "20.0 s" in data_sheet(ending.entries)


# --------------------------------------------------------------------------- calibration


def test_an_override_stands_in_journal_and_data_sheet_with_its_reason() -> None:
    """The run itself is judged as ever: an override is no cause, and it cannot be overlooked."""
    bench = VirtualBench()
    override = {
        "instruments": [{"name": "meter", "due": "2026-01-04"}],
        "planned_end": "2026-01-05",
        "reason": "back from calibration, certificate not entered yet",
    }
    bench.prepared(short_sequence())
    assert bench.rehearsal is not None
    bench.rehearsal.order = replace(bench.rehearsal.order, override=override)
    ending = bench.perform_prepared()
    (entry,) = ending.of("override")

    assert ending.end.outcome is Outcome.PASS
    assert (entry["reason"], entry["by"]["name"]) == (override["reason"], "technician of the rehearsal")
    assert entry["n"] < ending.of("instrument")[0]["n"], "before anything is opened"
    sheet = " ".join(data_sheet(ending.entries).split())
    assert "meter (due 2026-01-04); reason: back from calibration" in sheet


def test_every_ending_of_a_good_day_is_one_sentence_too() -> None:
    ending = VirtualBench().perform(short_sequence())
    assert_one_sentence(ending.end.sentence, Reason.COMPLETED)


def test_the_shipped_plant_and_bench_agree_on_the_serial_that_a_test_puts_back(tmp_path: Path) -> None:
    """Otherwise "is another unit" would leave a wrong unit behind for the tests after it."""
    assert INSTRUMENTS["is another unit"][2] in (TIDEWATER / "bench.yaml").read_text()
