"""A run that goes on with an earlier one: what it takes over, what it reconciles, and what it refuses."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from orchestrator.api.looks import left_for_going_on
from orchestrator.core.reasons import Reason
from orchestrator.engine.endings import may_be_gone_on_with
from orchestrator.engine.people import Answer, Person, Question, objection
from orchestrator.engine.preflight import Refused, preflight_going_on
from orchestrator.record.continued import CannotGoOn, continued, rows_of, with_earlier
from orchestrator.record.ledger import count
from orchestrator.record.reader import read_run
from orchestrator.record.specimens import history
from orchestrator.record.verify import verify
from orchestrator.rehearse.faults.harness import EngineStruck
from sequences.loader import load_bench
from tests.run.endurance import Bench, after_make, bench, cut_with_the_mains, strike

SHORT = {"cycles": "40", "checked_every": "10"}
NOW = datetime(2026, 1, 6, tzinfo=UTC)
ROOM = 10**12


def stopped(tmp_path: Path, cycle: int, scenario: str = "weir_gate", **more: Any) -> Bench:
    """A run that was aborted by a person in that cycle, while pressed."""
    made = bench(scenario, tmp_path, SHORT, **more)
    abort_in(made, cycle)
    end = made.rehearsal.perform()
    assert end.cause.reason is Reason.ABORT_BY_PERSON
    return made


def abort_in(made: Bench, cycle: int) -> None:
    stop = made.rehearsal.world.stop

    def abort() -> None:
        stop.because(Reason.ABORT_BY_PERSON, "asked for it", "a person")

    after_make(made, cycle, 1.0, abort)


def test_a_run_that_may_go_on_is_offered_and_one_at_its_end_is_not(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    stopped_run = may_be_gone_on_with(read_run(made.saved()))
    made.after(600.0, {})
    made.rehearsal.perform()

    assert stopped_run is not None
    assert may_be_gone_on_with(read_run(made.saved())) is None


def test_a_person_is_shown_what_is_counted_before_it_goes_on(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    left = left_for_going_on(made.saved())

    assert (left["why_not"], left["of"], left["uncertain_cycle"]) == (None, 40, 25)
    assert left["mounts"] == [
        {"mount": 1, "specimen": "S-01", "cycles": 24, "malfunctions": 0, "failed_at": None}
    ]
    assert "asked for it" in left["stopped_because"]


def test_a_changed_ledger_is_said_to_be_one_before_anybody_goes_on(tmp_path: Path) -> None:
    folder = stopped(tmp_path, 25).saved()
    ledger = folder / "cycles.txt"
    ledger.write_bytes(ledger.read_bytes().replace(b" ok", b" OK", 1) + b"rubbish")
    left = left_for_going_on(folder)

    assert left["mounts"] == []
    assert "The ledger of run" in left["why_not"]


def counted(made: Bench) -> Any:
    """Of mount 1, over all runs that belong together."""
    return count(rows_of(with_earlier(read_run(made.saved()))))[1]


def test_a_run_that_goes_on_takes_over_counts_figures_measurements_and_datum(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.after(600.0, {})
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert [row.verdict for row in end.rows] == ["P"] * 5
    assert counted(made).confirmed == 40
    assert made.of("cycles_started")[0]["commanded"] == 24
    (gap,) = made.of("gap")
    assert (gap["earlier_run"], gap["from_cycle"], gap["uncertain_cycle"]) == ("rehearsal-1-S-01", 24, 25)
    assert (gap["clock"], gap["gap_s"]) == ("wall", pytest.approx(600.0, abs=30.0))
    assert gap["ledger_sha256"] == made_first_ledger(made)
    points = [one["point"] for one in gap["points"]]
    assert points == ["stopped", "count", "unchanged", "actuator", "contact", "load", "ambient"]
    assert gap["accepted_by"]["name"]
    assert [entry["ask"] for entry in made.of("asked")].count("attend") == 1
    assert verify(made.saved(), None).ok


def made_first_ledger(made: Bench) -> str:
    from orchestrator.record.chain import sha256_hex

    return sha256_hex((made.folder / "rehearsal-1-S-01" / "cycles.txt").read_bytes())


def test_a_resume_of_a_resume_counts_on(tmp_path: Path) -> None:
    """As after an outage at 31,417 and an abort at 40,000, a thousandth as long."""
    made = bench("weir_gate", tmp_path, SHORT, {"at_cycle": "31 mains=off"})
    cut_with_the_mains(made)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    made.after(560.0, {"mains": "on"})
    abort_in(made, 38)
    made.rehearsal.perform()
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert counted(made).confirmed == 40
    assert [one.run for one in with_earlier(read_run(made.saved()))] == [
        "rehearsal-1-S-01",
        "rehearsal-1-S-01-goes-on",
        "rehearsal-1-S-01-goes-on-goes-on",
    ]
    assert made.plant.bench.cycles == 42  # two cycles were uncertain, and made again
    assert made.plant.bench.axis.moves == sum(made.commanded.values())


@pytest.mark.parametrize("at", [10, 20])
def test_an_intermediate_measurement_that_a_stop_left_out_is_made_up(at: int, tmp_path: Path) -> None:
    made: Bench

    def stop_it(entry: dict[str, Any]) -> None:
        if entry["kind"] == "intent" and entry["part"] == "touch-off" and entry["shot"] == at:
            made.rehearsal.world.stop.because(Reason.ABORT_BY_PERSON, "asked for it", "a person")

    made = bench("weir_gate", tmp_path, SHORT, when=stop_it)
    made.rehearsal.perform()
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert end.outcome == "pass"
    assert [row.verdict for row in end.rows] == ["P"] * 5
    first = made.of("measurement")[0]
    assert (first["result"], first["shot"]) == ("checked_drop", at)


def test_a_contact_that_welded_meanwhile_is_found_by_the_low_energy_check(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.plant.bench.specimens.weld(0)
    made.after(60.0, {})
    operations = made.plant.bench.operations
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.ACTUATOR_FAULT)
    assert "before going on: the contact of mount 1 is closed where it has to be open" in end.sentence
    assert made.plant.bench.operations == operations  # the load was not put on it
    assert not made.of("gap")


def test_a_lamp_bank_that_is_dead_is_found_by_the_flash(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25, "lantern_row")
    made.plant.bench.electrics.burn(0, 3)
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.SUPPLY_FAULT)
    assert "bank 3 takes" in end.sentence
    made.after(60.0, {"lamp": "new"})
    end = made.rehearsal.perform()
    assert end.cause.reason is Reason.COUNT_REACHED
    assert counted(made).confirmed == 40


def test_with_only_a_measurement_left_the_flash_looked_at_no_mount(tmp_path: Path) -> None:
    """Stopped behind the last cycle, before its measurement: no mount has a cycle to go, and 0 A was as good as any."""
    made = bench("weir_gate", tmp_path, SHORT)
    stop = made.rehearsal.world.stop

    def abort_at_the_end(entry: dict[str, Any]) -> None:
        if entry["kind"] == "segment" and entry["last"] == 40:
            stop.because(Reason.ABORT_BY_PERSON, "asked for it", "a person")

    made.rehearsal.world.journal._on_entry = abort_at_the_end
    end = made.rehearsal.perform()
    made.after(60.0, {})
    made.rehearsal.perform()
    (gap,) = made.of("gap")
    flashed = next(one["found"] for one in gap["points"] if one["point"] == "load")

    assert end.cause.reason is Reason.ABORT_BY_PERSON
    assert float(flashed.split()[-2]) == pytest.approx(3.6, rel=0.1)


def test_a_specimen_that_moved_in_its_fixture_is_found_by_the_touch_off(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    step = made.plant.gantry
    felt = step._force_n
    step._force_n = lambda mm: felt(mm + 0.6)
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.ACTUATOR_FAULT)
    assert "from the datum, allowed 0.30 mm" in end.sentence


def test_another_ambient_refuses_and_lets_it_go_on_when_it_is_back(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.after(60.0, {"ambient.temperature": "35 degC"})
    end = made.rehearsal.perform()

    assert "the air has 35.0 degC, 23.0 degC before the gap" in end.sentence
    assert "benchward resume" in end.sentence
    made.after(60.0, {"ambient.temperature": "23 degC"})
    assert made.rehearsal.perform().outcome == "pass"


def test_a_person_who_does_not_accept_ends_it_with_nothing_counted(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.after(60.0, {})
    technician = made.rehearsal.technician
    technician.before_answer = lambda ask: technician.say_no() if ask == "accept" else None
    end = made.rehearsal.perform()

    assert end.cause.reason is Reason.ABORT_BY_PERSON
    assert made.earlier().counts.commanded == 24
    made.after(60.0, {})
    assert made.rehearsal.perform().outcome == "pass"


def test_mounts_go_on_each_from_its_own_count(tmp_path: Path) -> None:
    from tests.run.test_endurance_duty import files

    made = bench(
        "weir_gate", tmp_path, SHORT, {"specimen.welds_at_cycle": "7 mount 2"},
        change=files(3), specimens=("A", "B", "C"),
    )  # fmt: skip
    abort_in(made, 25)
    made.rehearsal.perform()
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("fail", Reason.COUNT_REACHED)
    of_mounts = count(rows_of(with_earlier(read_run(made.saved()))))
    assert [of_mounts[mount].confirmed for mount in (1, 2, 3)] == [40, 6, 40]
    assert [row.verdict for row in end.rows if row.mount == 2] == ["N/J", "F", "N/J", "N/J", "N/J"]
    assert [row.verdict for row in end.rows if row.mount == 3] == ["P"] * 5


# ---- what is refused before anything moves


def refusal(made: Bench, run: str = "rehearsal-1-S-01") -> Refused:
    with pytest.raises(Refused) as refused:
        preflight_going_on(load_bench(made.folder / "bench.yaml"), made.folder, run, NOW, ROOM)
    return refused.value


def test_what_is_as_it_was_is_let_through(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.saved()
    ready, earlier = preflight_going_on(
        load_bench(tmp_path / "bench.yaml"), tmp_path, "rehearsal-1-S-01", NOW, ROOM
    )
    assert (ready.specimen, earlier.counts.commanded, earlier.uncertain_cycle) == ("S-01", 24, 25)


def test_a_bench_file_that_changed_refuses(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.saved()
    text = (tmp_path / "bench.yaml").read_text()
    (tmp_path / "bench.yaml").write_text(text.replace("confirm_within: 0.2 mm", "confirm_within: 0.4 mm"))

    assert refusal(made).code == "bench-changed"


def test_a_frozen_sequence_that_changed_refuses(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    frozen = made.saved() / "sequence.yaml"
    frozen.write_text(frozen.read_text().replace("at_most: 9 ms", "at_most: 12 ms"))

    assert refusal(made).code == "sequence-changed"


def test_a_ledger_that_was_touched_refuses(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    ledger = made.saved() / "cycles.txt"
    ledger.write_bytes(ledger.read_bytes().replace(b"\n", b"\n", 1)[:-100])

    assert refusal(made).code == "cannot-go-on"
    with pytest.raises(CannotGoOn, match="Nothing goes on from a count that does not hold"):
        continued(made.saved())


def test_a_run_whose_earlier_part_is_gone_refuses(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.after(60.0, {})
    abort_in(made, 30)
    made.rehearsal.perform()
    made.saved()
    shutil.rmtree(tmp_path / "rehearsal-1-S-01")

    refused = refusal(made, "rehearsal-1-S-01-goes-on")
    assert refused.code == "cannot-go-on"
    assert "Put that run folder back" in refused.sentence


def as_on_a_bench(made: Bench, specimen: str = "S-01") -> None:
    """The record says of itself that it was no rehearsal: those count for nothing."""
    made.rehearsal.order = replace(made.rehearsal.order, world="real", specimen=specimen)


def test_a_run_that_was_gone_on_with_refuses_and_names_the_one_whose_count_is_newer(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    as_on_a_bench(made)
    for cycle in (15, 25):
        abort_in(made, cycle)
        made.rehearsal.perform()
        made.saved()
        made.after(60.0, {})

    refused = refusal(made)
    assert refused.code == "gone-on-with"
    assert refused.help == "benchward resume rehearsal-1-S-01-goes-on"


def test_a_specimen_that_was_used_since_refuses(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, SHORT)
    as_on_a_bench(made)
    abort_in(made, 15)
    made.rehearsal.perform()
    made.saved()
    made.after(60.0, {})
    made.rehearsal.order = replace(made.rehearsal.order, run="another-run", continues=None)
    made.rehearsal.perform()
    made.saved()

    refused = refusal(made)
    assert refused.code == "specimen-changed"
    assert "another-run" in refused.sentence


def test_a_mount_that_failed_does_not_keep_the_others_from_going_on(tmp_path: Path) -> None:
    from tests.run.test_endurance_duty import files

    made = bench(
        "weir_gate", tmp_path, SHORT, {"specimen.welds_at_cycle": "7 mount 2"},
        change=files(3), specimens=("A", "B", "C"),
    )  # fmt: skip
    as_on_a_bench(made, "A")
    abort_in(made, 25)
    made.rehearsal.perform()
    made.saved()
    ready, _ = preflight_going_on(
        load_bench(tmp_path / "bench.yaml"), tmp_path, "rehearsal-1-S-01", NOW, ROOM
    )

    assert ready.specimens == ("A", "B", "C")
    assert [history(tmp_path, name).spent for name in "ABC"] == [False, True, False]


def test_where_a_stop_spends_the_specimen_no_duty_is_made_in_two_parts(tmp_path: Path) -> None:
    def change(name: str, text: str) -> str:
        return text.replace("after_a_stop: may go on", "after_a_stop: is spent")

    made = stopped(tmp_path, 25, change=change)
    made.saved()

    assert refusal(made).code == "spent-specimen"
    assert "resume" not in made.of("run_ended")[0]["sentence"]


def test_a_run_that_reached_its_end_refuses(tmp_path: Path) -> None:
    made = bench("weir_gate", tmp_path, {"cycles": "20", "checked_every": "10"})
    made.rehearsal.perform()
    made.saved()

    assert refusal(made).code == "run-finished"


def test_another_specimen_at_the_bench_is_found_by_its_label(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.after(60.0, {})
    technician = made.rehearsal.technician
    put, refused = technician.put, []

    def look(question: Question) -> None:
        if question.label_of is not None:
            other = Answer(Person("a person"), confirmed=question.items, label="S-02")
            refused.append(objection(question, other, 0.0))
        put(question)

    technician.put = look  # type: ignore[method-assign]
    assert made.rehearsal.perform().outcome == "pass"
    assert len(refused) == 1
    assert "S-01" in str(refused[0])


def test_the_datum_is_that_of_the_first_run(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    first = next(entry for entry in made.of("touch_off") if entry["datum"] == "set")
    made.after(60.0, {})
    made.rehearsal.perform()

    assert made.earlier().datum == {name: first[name] for name in ("touches_at_mm", "force_n")}
    assert not [entry for entry in made.of("touch_off") if entry["datum"] == "set"]


def test_an_engine_that_died_between_two_blocks_leaves_no_uncertain_cycle(tmp_path: Path) -> None:
    made: Bench

    def struck(entry: dict[str, Any]) -> None:
        if entry["kind"] == "segment" and entry["last"] == 20:
            strike(made.rehearsal)

    made = bench("weir_gate", tmp_path, SHORT, when=struck)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    earlier = made.earlier()

    assert (earlier.counts.commanded, earlier.uncertain_cycle) == (20, None)
    made.rehearsal.store.point = lambda act, name: None
    made.after(60.0, {})
    end = made.rehearsal.perform()
    assert end.outcome == "pass"
    assert made.of("measurement")[0]["shot"] == 20


def test_it_goes_on_with_the_values_that_the_run_was_started_with(tmp_path: Path) -> None:
    made = stopped(tmp_path, 25)
    made.saved()
    ready, _ = preflight_going_on(
        load_bench(tmp_path / "bench.yaml"), tmp_path, "rehearsal-1-S-01", NOW, ROOM
    )
    assert SHORT.items() <= dict(ready.sequence.parameters).items()


def test_a_load_of_one_mount_that_is_dead_is_found_by_the_flash(tmp_path: Path) -> None:
    from tests.run.test_endurance_duty import files

    made = bench("weir_gate", tmp_path, SHORT, change=files(3), specimens=("A", "B", "C"))
    abort_in(made, 25)
    made.rehearsal.perform()
    made.plant.bench.electrics.burn(1, 1)
    made.after(60.0, {})
    end = made.rehearsal.perform()

    assert (end.outcome, end.cause.reason) == ("error", Reason.SUPPLY_FAULT)
    assert "bank 1 of mount 2 takes" in end.sentence


def test_growth_is_counted_from_the_first_cycles_of_the_first_run(tmp_path: Path) -> None:
    """In each of the runs the drop stays the same; between them it has grown."""

    def change(name: str, text: str) -> str:
        old = "{result: contact_drop, warn_above: 120 mV, over: 200}"
        new = "{result: contact_drop, grows_by: 20 mV, over: 20}"
        assert name != "sequence" or old in text
        return text.replace(old, new)

    made = bench("weir_gate", tmp_path, {"cycles": "80", "checked_every": "40"}, change=change)
    abort_in(made, 40)
    made.rehearsal.perform()
    assert not made.of("trend_warning")
    made.after(60.0, {"specimen.drop": "x1.6"})
    made.rehearsal.perform()

    assert [entry["result"] for entry in made.of("trend_warning")] == ["contact_drop"]


def test_with_the_other_motion_dialect_an_outage_counts_as_truly(tmp_path: Path) -> None:
    def change(name: str, text: str) -> str:
        return text if name == "sequence" else text.replace("dialect: motion-words", "dialect: motion-lines")

    made = bench("weir_gate", tmp_path, SHORT, {"at_cycle": "31 mains=off"}, change=change)
    cut_with_the_mains(made)
    with pytest.raises(EngineStruck):
        made.rehearsal.perform()
    made.after(560.0, {"mains": "on"})
    end = made.rehearsal.perform()

    assert end.outcome == "pass", end.sentence
    assert counted(made).confirmed == 40
    assert made.plant.bench.axis.moves == sum(made.commanded.values())
