"""What can go wrong on the endurance plant by name, each seen from the wire and in the truth log."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from simulators.endurance.electrics import Electrics
from simulators.endurance.filament import COLD_K
from simulators.endurance.loads import LoadBuild
from simulators.endurance.wear import SpecimenBuild, Specimens
from simulators.truth import FIRST_KEPT, LAST_KEPT, TruthLog
from tests.endurance_rig import BRAKE, CHECK, LOAD, Rig

SPLIT, BREAK_PRE = 300, 80


def ready(spec: dict[str, Any] | None = None, **settings: str) -> Rig:
    rig = Rig(spec, **settings)
    rig.ready()
    return rig


def run(rig: Rig, cycles: int, look: Callable[[int, np.ndarray], None] = lambda number, record: None) -> None:
    for _ in range(cycles):
        rig.cycle(0.1, 0.1)
        number = rig.plant.recorder.started
        look(number, rig.fetch(number)[1])


def currents(rig: Rig, cycles: int) -> list[tuple[bool, bool]]:
    """For each cycle whether current flows before the break, and at the end of the record."""
    seen = []
    run(rig, cycles, lambda n, record: seen.append((record[0, 1, SPLIT] > 1.0, record[0, 1, -1] > 1.0)))
    return seen


def test_a_weld_makes_and_stays() -> None:
    rig = ready(specimen__welds_at_cycle="3")
    assert currents(rig, 4) == [(True, False), (True, False), (True, True), (True, True)]
    record = rig.fetch(4)[1]
    assert record[0, 1, 0] > 3, "closed from the start"
    assert float(rig.ask("MEAS:CONT?").split(",")[1]) > 3, "released, and the current stays on"
    assert rig.registers()[1] > 230
    assert [(entry["n"], entry["made"], entry["broke"]) for entry in rig.events("operation")][1:] == [
        (2, [True], [True]),
        (3, [True], [False]),
        (4, [False], [False]),
    ]
    assert rig.plant.show(rig.now_s)["specimens"]["welded"] == [1]
    rig.set("specimen", "new")
    assert currents(rig, 1) == [(True, False)]


def test_failures_to_make_are_single() -> None:
    rig = ready(specimen__fails_to_make_at="2,3")
    assert currents(rig, 4) == [(True, False), (False, False), (False, False), (True, False)]
    assert rig.fetch(2)[1][0, 0] == pytest.approx(24.0, rel=0.005)
    assert [entry["made"] for entry in rig.events("operation")] == [[True], [False], [False], [True]]
    assert rig.plant.show(rig.now_s)["made"] == [2]


def test_a_trick_on_one_of_several_mounts() -> None:
    rig = Rig({"specimen": {"mounts": 3}}, specimen__fails_to_make_at="1 mount 2")
    rig.ask("CONF:CONT 3,300,200,20,80")
    rig.ready()
    rig.cycle()
    assert (rig.fetch(1)[1][:, 1, SPLIT] > 1.0).tolist() == [True, False, True]
    with pytest.raises(ValueError, match="no mount 4"):
        rig.set("specimen.welds_at_cycle", "9 mount 4")


def test_a_cycle_that_is_past_is_refused_and_a_plan_is_taken_back() -> None:
    rig = ready()
    run(rig, 2)
    with pytest.raises(ValueError, match="cycle 2 is past"):
        rig.set("specimen.welds_at_cycle", "2")
    rig.set("specimen.fails_to_make_at", "3")
    rig.set("specimen.fails_to_make_at", "never")
    assert currents(rig, 1) == [(True, False)]


def test_a_dip_of_the_supply_lasts_one_cycle() -> None:
    rig = ready(supply__dips_at_cycle="2:86 %")
    levels = []
    for number in range(1, 4):
        rig.cycle(0.1, 0.1)
        head, record = rig.fetch(number)
        levels.append([code * 40 / 32768 for code in head[6:10]] + [record[0, 1, SPLIT]])
    assert levels[1] == pytest.approx([24.0, 0.86 * 23.82, 0.86 * 23.76, 24.0, 0.86 * 3.59], rel=0.01)
    assert levels[0] == pytest.approx(levels[2], rel=0.01)
    usual, low = rig.fetch(1)[1][0], rig.fetch(2)[1][0]
    assert low[0, 0] == pytest.approx(0.86 * usual[0, 0], rel=0.01), "the open contact sees it"
    assert low[1, :SPLIT].max() == pytest.approx(0.86 * usual[1, :SPLIT].max(), rel=0.02), "and the inrush"


def test_a_supply_that_is_off() -> None:
    rig = ready(supply="off")
    run(rig, 1)
    head, record = rig.fetch(1)
    assert head[6:10] == (0, 0, 0, 0)
    assert np.abs(record[0, 0]).max() < 0.02 and rig.registers()[0] == 0
    assert rig.plant.show(rig.now_s)["operations"] == 0


def test_a_burnt_bank_shows_every_time_its_turn_comes() -> None:
    lamps = {"kind": "tungsten", "voltage_v": 110, "frequency_hz": 50, "current_a": 0.9, "banks": 4}
    rig = Rig({"load": lamps}, lamp__burns="3 at 2")
    rig.ask("SENS:SWE:TINT 1e-4;:SENS:VOLT:RANG 200")
    rig.ready()
    dark = []
    for number in range(1, 13):
        rig.ask(f"ROUT:CLOS (@{(number - 1) % 4 + 1})")
        rig.cycle(1.0, 1.0)
        head, record = rig.fetch(number)
        if np.abs(record[0, 1]).max() < 0.1:
            dark.append(number)
            assert np.abs(record[0, 0, SPLIT : SPLIT + 60]).max() < 0.05, "the contact is closed"
            assert head[8] * 200 / 32768 == pytest.approx(110, rel=0.01), "and the load has its voltage"
    assert dark == [3, 7, 11]
    assert rig.plant.show(rig.now_s)["load"]["burnt"] == ["bank 3 mount 1"]


def test_one_lamp_of_several_takes_its_part_away() -> None:
    lamps = {"kind": "resistive", "lamps": 4}
    rig = ready({"load": lamps}, lamp__burns="1 at 2")
    seen: list[float] = []
    run(rig, 2, lambda n, record: seen.append(float(record[0, 1, SPLIT])))
    assert seen[1] / seen[0] == pytest.approx(0.75, rel=0.01)


def test_lost_steps_show_at_the_encoder_until_it_is_homed() -> None:
    rig = ready(gantry__loses_steps_at_cycle="2:14")
    rig.cycle()
    assert rig.state()["E"] == pytest.approx(5.0, abs=0.02)
    said = rig.move(-12.0)
    encoder_mm = float(said.rsplit(b"E", 1)[1])
    assert b" Z-12.000 " in said and encoder_mm == pytest.approx(-12 + 14 * 0.05, abs=0.02)
    assert rig.plant.bench.axis.true_mm(rig.now_s) == pytest.approx(-11.3)
    rig.home()
    rig.move(5.0)
    assert rig.state()["E"] == pytest.approx(5.0, abs=0.02)


def test_many_lost_steps_are_an_alarm_of_the_drive() -> None:
    rig = ready()
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.set("gantry.loses_steps", "30")
    rig.said = b""
    assert rig.until_rest() == b"alarm N3 lost_steps\n"


def test_a_stale_encoder_keeps_its_value_for_its_time() -> None:
    rig = ready(gantry__encoder_stale="6 s")
    rig.set("gantry.encoder_stale", "6 s")
    stale_mm = rig.state()["E"]
    rig.move(-12.0)
    assert rig.state()["E"] == stale_mm and rig.state()["Z"] == -12.0
    rig.wait(6.0)
    assert rig.state()["E"] == pytest.approx(-12.0, abs=0.02)
    rig.set("gantry.encoder", "stale")
    rig.move(5.0)
    assert rig.state()["E"] == pytest.approx(-12.0, abs=0.02)
    rig.set("gantry.encoder", "ok")
    assert rig.state()["E"] == pytest.approx(5.0, abs=0.02)


def test_a_limit_switch_stops_it_and_cannot_be_acknowledged_away() -> None:
    rig = ready()
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.05)
    rig.said = b""
    rig.set("gantry.limit_switch", "pressed")
    assert rig.until_rest() == b"alarm N3 limit\n"
    rig.say("M907")
    assert rig.state()["alarm"] == "limit"
    rig.set("gantry.limit_switch", "ok")
    rig.say("M907")
    assert rig.state()["alarm"] == "none"


def test_beyond_its_limit_switch_it_stops_by_itself() -> None:
    rig = ready({"gantry": {"lowest_switch_mm": -10}})
    rig.say("M903 Z-30.000 W60.000")
    said = rig.move(-12.0)
    assert said.endswith(b"alarm N4 limit\n")
    assert -10.5 < rig.plant.bench.axis.true_mm(rig.now_s) < -10.0


def test_an_alarm_of_the_drive() -> None:
    rig = ready()
    rig.set("gantry.alarm", "overload")
    assert rig.move(-12.0).endswith(b"ok N3\nalarm N3 overload\n")


def test_a_cable_out_drops_nothing_but_the_link() -> None:
    rig = ready()
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.set("gantry.cable", "out")
    assert not rig.plant.gantry.accepts(rig.now_s)
    rig.until_rest()
    rig.set("gantry.cable", "in")
    assert rig.plant.gantry.accepts(rig.now_s)
    assert rig.state()["D"] == 3, "it went on"


def test_a_missed_trigger_leaves_the_cycle_unrecorded() -> None:
    rig = ready(recorder__misses_trigger="next")
    rig.cycle()
    assert rig.send("recorder", b"FETC:CYCL? 1\n") == b"#10\n"
    assert rig.plant.show(rig.now_s)["operations"] == 1
    rig.cycle()
    assert rig.fetch(1)[0][0] == 1


def test_drop_bounce_and_their_growth() -> None:
    def mean_drop(**settings: str) -> float:
        rig = ready(None, **settings)
        seen: list[float] = []
        run(rig, 6, lambda n, record: seen.append(record[0, 0, SPLIT : SPLIT + 60].mean()))
        return float(np.mean(seen))

    usual = mean_drop()
    offset = 0.002
    assert mean_drop(specimen__drop="x3") == pytest.approx(3 * usual, abs=3 * offset)
    assert mean_drop(specimen__drop_grows_from="100000") == usual
    grown = ready(specimen__drop_grows_from="0")
    grown.plant.bench.cycles = 2500
    grown.plant.bench.specimens.forget()
    run(grown, 1)
    record = grown.fetch(1)[1]
    expected = 1 + 2 * (1 - np.exp(-1))
    assert record[0, 0, SPLIT : SPLIT + 60].mean() == pytest.approx(expected * usual, rel=0.2)


def test_a_high_resistance_leaves_the_load_a_part() -> None:
    rig = ready({"load": {"kind": "resistive"}}, specimen__drop="x400")
    run(rig, 1)
    volts, amperes = rig.fetch(1)[1][0, :, SPLIT : SPLIT + 60].mean(axis=1)
    assert volts / amperes == pytest.approx(6.6, rel=0.3)
    assert volts + amperes * 24 / 3.6 == pytest.approx(24.0, rel=0.01)
    assert rig.fetch(1)[0][8] * 40 / 32768 == pytest.approx(24 - volts, rel=0.05)


def test_terminals_warm_up_with_one_time_constant_and_a_lost_thermocouple_reads_the_air() -> None:
    rig = ready({"specimen": {"kelvin_per_w": 100.0, "warms_in_s": 50.0}})
    rig.move(-12.0)
    rig.wait(50.0)
    volts, amperes = (float(part) for part in rig.ask("MEAS:CONT?").split(","))
    level_k = volts * amperes * 100.0
    rises = [float(part) - 23.0 for part in rig.ask("MEAS:TEMP? (@1,2,3)").split(",")]
    one_tau = 1 - np.exp(-1)
    assert rises == pytest.approx([level_k * one_tau, 0.9 * level_k * one_tau, 0.0], abs=0.25)
    rig.set("thermocouple", "off")
    assert float(rig.ask("MEAS:TEMP? (@1)")) == pytest.approx(23.0, abs=0.1)


def test_a_thermocouple_falls_off_in_its_cycle() -> None:
    rig = ready(thermocouple__falls_off_at_cycle="2")
    run(rig, 1)
    assert rig.plant.bench.terminals.attached
    run(rig, 1)
    assert not rig.plant.bench.terminals.attached


def test_anything_can_be_set_in_a_cycle() -> None:
    rig = ready(at_cycle="2 mains=off")
    run(rig, 1)
    rig.move(-12.0)
    shown = rig.plant.show(rig.now_s)
    assert shown["mains"] == "off" and shown["cycles"] == 2
    assert rig.plant.bench.axis.true_mm(rig.now_s) < -5.8, "in the middle of its way down"
    assert rig.plant.bench.axis.true_mm(rig.now_s) > -12.0
    with pytest.raises(ValueError, match="names nothing"):
        rig.set("at_cycle", "9 nonsense=1")


def test_a_specimen_comes_to_its_end_in_a_cycle_known_from_its_seed() -> None:
    ends = set()
    for seed in range(12):
        rig = Rig({"specimen": {"life_cycles": 6.0, "life_shape": 3.0}}, seed)
        rig.ready()
        life = rig.plant.bench.specimens.lives()[0]
        seen = currents(rig, life)
        assert all(one == (True, False) for one in seen[:-1])
        (entry,) = rig.events("end of life")
        assert entry["operation"] == life and entry["mount"] == 1
        assert seen[-1] == {"welds": (True, True), "stays open": (False, False)}[entry["how"]]
        ends.add(entry["how"])
    assert ends == {"welds", "stays open"}


def test_lives_are_weibull() -> None:
    """The part 1 - 1/e of lives is over at the scale, by the distribution's definition."""
    rig = Rig({"specimen": {"mounts": 64, "life_cycles": 10_000.0, "life_shape": 2.0}})
    lives = []
    for _ in range(40):
        lives += rig.plant.bench.specimens.lives()
        rig.set("specimen", "new")
    assert np.mean(np.array(lives) <= 10_000) == pytest.approx(1 - np.exp(-1), abs=0.04)
    assert np.mean(np.array(lives) <= 3_000) == pytest.approx(1 - np.exp(-0.09), abs=0.03)


def test_a_link_instead_of_a_specimen_is_always_closed() -> None:
    rig = ready(connection="link")
    run(rig, 1)
    assert (rig.fetch(1)[1][0, 1] > 3.0).all()
    assert rig.plant.show(rig.now_s)["operations"] == 0


def test_contactors_and_brake_that_do_not_obey() -> None:
    rig = Rig(brake__does_not_lift="yes", contactor__does_not_close="load")
    rig.coils(LOAD | CHECK | BRAKE)
    rig.wait(0.1)
    assert rig.plant.show(rig.now_s)["contactors"] == {"load": "open", "check": "closed", "brake": "closed"}
    rig.set("brake.does_not_lift", "no")
    rig.set("brake.fails", "yes")
    rig.wait(0.1)
    rig.coils(0)
    rig.wait(0.1)
    assert rig.plant.show(rig.now_s)["contactors"]["brake"] == "open"
    assert rig.inputs()[7] is False


def test_a_divider_that_lies() -> None:
    rig = ready(supply_divider__fails="reads_0")
    assert rig.registers()[0] == 0


def test_the_truth_log_is_bounded_and_counts_on() -> None:
    truth = TruthLog()
    truth.note(0.0, "start")
    told: list[dict[str, Any]] = []
    for number in range(FIRST_KEPT + 5000):
        truth.routine(float(number), "operation", n=number)
        if number == FIRST_KEPT + 4000:
            truth.note(float(number), "odd")
            truth.sink = told.append
    entries = truth.entries
    assert truth.counts["operation"] == FIRST_KEPT + 5000
    assert len(entries) == 2 + FIRST_KEPT + LAST_KEPT
    assert [entry["at_s"] for entry in entries] == sorted(entry["at_s"] for entry in entries)
    assert entries[-1] == {"at_s": FIRST_KEPT + 4999.0, "event": "operation", "n": FIRST_KEPT + 4999}
    assert len(told) == 999


def test_wear_makes_contacts_worse_towards_the_end_of_their_life() -> None:
    build = SpecimenBuild(mounts=64, life_cycles=3000.0, life_shape=20.0)
    specimens = Specimens(build, 5, np.random.default_rng(1))
    fresh, _ = specimens.row(0, 0)
    for _ in range(min(specimens.lives()) - 300):
        specimens.operated()
    specimens.forget()
    worn, _ = specimens.row(0, 0)
    used = (min(specimens.lives()) - 300) / np.array(specimens.lives())
    grown = np.array(worn.ohm[0]) / np.array(fresh.ohm[0])
    assert grown == pytest.approx(1 + 0.8 * used**2)
    longer = np.array(worn.edges_s[0])[:, 1] / np.array(fresh.edges_s[0])[:, 1]
    assert longer == pytest.approx(1 + 0.6 * used)
    assert np.array(worn.arc_x[0]) / np.array(fresh.arc_x[0]) == pytest.approx(1 + 0.3 * used)


def test_a_lamp_that_is_lit_again_goes_on_from_where_it_was() -> None:
    electrics = Electrics(LoadBuild(kind="tungsten", voltage_v=110, frequency_hz=50, current_a=0.9))
    electrics.choose(1, 0.0)
    electrics.heats(True, 0.0)
    electrics.heats(False, 0.01)
    once_k = electrics.cold_k(0.01)
    electrics.heats(True, 0.02)
    electrics.heats(False, 0.03)
    assert COLD_K < once_k < electrics.cold_k(0.03) < 2750
    electrics.choose(0, 0.03)
    electrics.choose(1, 30.0)
    assert electrics.cold_k(30.0) == pytest.approx(COLD_K, abs=5)


def test_without_mains_there_is_no_voltage_at_once() -> None:
    rig = ready()
    rig.set("mains", "off")
    assert rig.plant.bench.volts == 0.0
