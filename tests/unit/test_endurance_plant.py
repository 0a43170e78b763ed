"""The endurance plant as a whole: presses through all devices, safety hardware, truth, determinism."""

import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from simulators.endurance.faults import FAULTS, TROUBLES
from simulators.endurance.plant import EndurancePlant, build_endurance
from simulators.endurance.recorder import FETCH
from simulators.plants import build
from tests.endurance_rig import BRAKE, CHECK, LOAD, Rig

LIBRARY = Path(__file__).parents[2] / "sequences" / "library"
INTERVAL_S = 5e-5
PRE, SPLIT, BREAK_PRE = 20, 300, 80
LAMPS = {"kind": "tungsten", "voltage_v": 110, "frequency_hz": 50, "current_a": 0.9, "banks": 4}


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.ready()
    return rig


def test_one_cycle_from_the_wire(rig: Rig) -> None:
    rig.cycle()
    head, record = rig.fetch(1)
    number, following, mounts, samples, bank, flags, before, on, load, after, made_s = head
    assert (number, following, mounts, samples, bank, flags) == (1, 2, 1, 500, 1, 0b10)
    volts = [code * 40 / 32768 for code in (before, on, load, after)]
    assert volts == pytest.approx([24.0, 23.82, 23.76, 24.0], rel=0.003)
    assert made_s == pytest.approx(rig.events("move")[2]["at_s"] + (10.5 + 1.8) / 120, abs=1e-6)  # v t - ramp

    v, i = record[0]
    assert v[: PRE + 40] == pytest.approx(24.0, rel=0.005)
    closed = np.flatnonzero(v[:SPLIT] < 1.0)
    assert (closed[0] - PRE) * INTERVAL_S == pytest.approx(0.3 / 120, abs=6e-4), "5.5 to 5.8 mm at 120 mm/s"
    assert np.abs(i[: closed[0]]).max() < 0.01
    assert 4 < i[:SPLIT].max() / 3.6 < 6, "the motor starts"
    opened = SPLIT + int(np.argmax(v[SPLIT:] > 8.0))
    assert (opened - SPLIT - BREAK_PRE) * INTERVAL_S == pytest.approx(0.1 / 120, abs=5e-4), "5.5 to 5.4 mm"
    steady = slice(SPLIT, SPLIT + BREAK_PRE)
    assert i[steady].mean() == pytest.approx(3.6, rel=0.01)
    assert v[steady].mean() == pytest.approx(0.06, abs=0.015)
    assert i[-20:] == pytest.approx(0.0, abs=0.01) and v[-20:] == pytest.approx(24.0, rel=0.005)


def test_bounces_arc_and_last_as_long_as_said(rig: Rig) -> None:
    for _ in range(20):
        rig.cycle(0.2, 0.2)
        record = rig.fetch(rig.plant.recorder.started)[1]
        open_again = np.flatnonzero(record[0, 0, :SPLIT] > 8.0)
        first = int(np.argmax(record[0, 0, :SPLIT] < 1.0))
        bounced = open_again[open_again > first]
        assert bounced.size, "at least once"
        assert record[0, 0, bounced].min() > 12 and record[0, 0, bounced].max() < 14, "arc, not supply"
        assert 0.5e-3 < (bounced[-1] + 1 - first) * INTERVAL_S < 6e-3


def test_counts_and_truth_agree(rig: Rig) -> None:
    moves = rig.plant.show(rig.now_s)["moves"]
    for _ in range(5):
        rig.cycle(0.1, 0.1)
    shown = rig.plant.show(rig.now_s)
    assert (shown["operations"], shown["cycles"], shown["made"], shown["broke"]) == (5, 5, [5], [5])
    assert shown["moves"] - moves == 10
    entries = rig.events("operation")
    assert [entry["n"] for entry in entries] == [1, 2, 3, 4, 5]
    assert all(entry["made"] == entry["broke"] == [True] for entry in entries)
    assert len(rig.events("move")) == shown["moves"]


def test_an_operation_without_voltage_is_none() -> None:
    rig = Rig()
    rig.ready(CHECK)
    rig.cycle()
    assert rig.plant.show(rig.now_s)["operations"] == 0
    volts, amperes = rig.fetch(1)[1][0]
    assert volts[:40] == pytest.approx(5.0, abs=0.02)
    assert amperes[SPLIT:330] == pytest.approx(0.005, abs=0.01)


def test_a_press_outside_a_recording_wears_but_counts_no_cycle(rig: Rig) -> None:
    rig.ask("ABOR")
    rig.cycle()
    shown = rig.plant.show(rig.now_s)
    assert (shown["operations"], shown["cycles"]) == (1, 0)


def test_the_static_reading_follows_the_contact(rig: Rig) -> None:
    def static() -> list[float]:
        return [float(part) for part in rig.ask("MEAS:CONT?").split(",")]

    assert static() == pytest.approx([24.0, 0.0], abs=0.01)
    rig.move(-12.0)
    volts, amperes = static()
    assert amperes == pytest.approx(3.59, abs=0.02) and volts == pytest.approx(0.06, abs=0.015)
    rig.coils(CHECK | BRAKE)
    rig.wait(0.1)
    volts, amperes = static()
    assert amperes == pytest.approx(0.005, abs=1e-3) and abs(volts) < 1e-3
    rig.coils(BRAKE)
    rig.wait(0.1)
    assert static() == pytest.approx([0.0, 0.0], abs=1e-3)


def test_memory_holds_eight_cycles(rig: Rig) -> None:
    for _ in range(10):
        rig.cycle(0.1, 0.1)
    assert rig.send("recorder", b"FETC:CYCL? 2\n") == b"#10\n"
    assert rig.ask("SYST:ERR?").startswith("-230,")
    assert rig.fetch(3)[0][:2] == (3, 11)
    assert rig.send("recorder", b"FETC:CYCL? 11\n") == b"#10\n"


def test_a_cycle_that_has_not_ended_is_not_given(rig: Rig) -> None:
    assert rig.ask("STAT:OPER:COND?") == "32"
    rig.move(-12.0)
    assert rig.ask("STAT:OPER:COND?") == "16", "measuring, not waiting"
    assert rig.send("recorder", b"FETCh:CYCLe? 1\n") == b"#10\n"
    assert rig.ask("SYST:ERR?").startswith("-230,")
    rig.ask("ABOR")
    head, record = rig.fetch(1)
    assert head[5] == 0, "not complete"
    assert record[0, 1, -1] == pytest.approx(3.6, rel=0.02)
    rig.ask("INIT")
    assert rig.ask("STAT:OPER:COND?") == "32"
    assert rig.send("recorder", b"FETC:CYCL? 1\n") == b"#10\n", "numbers begin again"


def test_the_same_question_in_other_words_gives_the_same_block(rig: Rig) -> None:
    rig.cycle()
    short = rig.send("recorder", b"FETC:CYCL? 1\n")
    assert rig.send("recorder", b":FETCh:CYCLe? 1;*OPC?\n") == short[:-1] + b";1\n"
    assert rig.send("recorder", b"fetc:cycl? 1\r\n") == short
    for quick in (b"FETC:CYCL? 1\n", b"FETCh:CYCLe? 1\n", b":fetch:cycle? 1\r\n"):
        assert FETCH.fullmatch(quick), "not through the parser, every cycle"
        assert rig.send("recorder", quick) == short


def test_settings_of_the_recorder_come_back_as_written() -> None:
    rig = Rig()
    rig.ask(
        "CONF:CONT 3,100,60,10,20;:SENS:VOLT:RANG 200;:SENS:CURR:RANG 12.5;:SENS:SWE:TINT 1e-4;:TRIG:LEV -5.6"
    )
    assert rig.ask("CONF:CONT?") == "3,100,60,10,20"
    assert [
        float(rig.ask(f"{header}?"))
        for header in ("SENS:VOLT:RANG", "SENS:CURR:RANG", "SENS:SWE:TINT", "TRIG:LEV")
    ] == [200, 12.5, 1e-4, -5.6]
    rig.ask("CONF:CONT 1,100,60,101,20")
    assert rig.ask("SYST:ERR?").startswith("-221,")
    rig.ask("INIT")
    rig.ask("TRIG:LEV 0")
    assert rig.ask("SYST:ERR?").startswith("-221,")


def test_banks() -> None:
    rig = Rig({"load": LAMPS})
    assert rig.ask("ROUT:CLOS:STAT?") == "(@)"
    rig.ask("ROUT:CLOS (@3)")
    assert rig.ask("ROUT:CLOS:STAT?") == "(@3)"
    rig.ask("ROUT:CLOS (@4)")
    assert rig.ask("ROUT:CLOS:STAT?") == "(@4)"
    for wrong, number in (("(@5)", "-222"), ("(@1,2)", "-224"), ("3", "-128"), ("(@x)", "-171")):
        rig.ask(f"ROUT:CLOS {wrong}")
        assert rig.ask("SYST:ERR?").startswith(number)
    rig.ask("ABOR;:ROUT:OPEN:ALL")
    assert rig.ask("ROUT:CLOS:STAT?") == "(@)"


def test_overload_is_flagged(rig: Rig) -> None:
    rig.ask("ABOR;:SENS:CURR:RANG 10;:INIT")
    rig.cycle()
    head, record = rig.fetch(1)
    assert head[5] & 1
    assert record[0, 1].max() == pytest.approx(10.0, rel=1e-3)


def test_a_lamp_takes_less_inrush_while_it_is_warm() -> None:
    rig = Rig({"load": LAMPS})
    rig.ask("SENS:SWE:TINT 1e-4;:SENS:VOLT:RANG 200")
    rig.ready()
    rig.cycle(2.0, 25.0)
    rig.cycle(2.0, 0.4)
    rig.cycle(2.0, 0.4)
    joule = [float(np.square(rig.fetch(number)[1][0, 1, :SPLIT]).sum()) for number in (1, 2, 3)]
    assert joule[0] > 1.5 * joule[2]


def test_alternating_current_breaks_at_its_zero() -> None:
    rig = Rig({"load": LAMPS})
    rig.ask("SENS:SWE:TINT 1e-4;:SENS:VOLT:RANG 200")
    rig.ready()
    for number in range(1, 9):
        rig.cycle(1.0, 0.5)
        volts, amperes = rig.fetch(number)[1][0][:, SPLIT:]
        opened = int(np.argmax(np.abs(volts) > 9.0))
        last = int(np.flatnonzero(np.abs(amperes) > 0.05)[-1])
        assert -1e-4 <= (last - opened) * 1e-4 <= 0.0101, "within half a period"
        assert np.abs(amperes[max(last - 1, 0) : last + 1]).min() < 0.15, "small before it ends"


def test_64_mounts_have_their_own_contacts() -> None:
    rig = Rig({"specimen": {"mounts": 64}})
    rig.ask("CONF:CONT 64,300,200,20,80")
    rig.ready()
    rig.cycle()
    head, record = rig.fetch(1)
    assert head[2:4] == (64, 500) and record.shape == (64, 2, 500)
    drops = record[:, 0, SPLIT : SPLIT + 60].mean(axis=1)
    assert len(set(np.round(drops, 4))) > 32 and drops.min() > 0.03 and drops.max() < 0.1
    assert rig.plant.show(rig.now_s)["made"] == [1] * 64


# Safety hardware


@pytest.mark.parametrize(
    ("name", "value"), [("guard", "open"), ("emergency_stop", "pressed"), ("smoke_detector", "smoke")]
)
def test_the_hardware_chain_cuts_by_itself(rig: Rig, name: str, value: str) -> None:
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.08)
    rig.set(name, value)
    at_s = rig.now_s
    rig.wait(0.2)
    assert rig.said.endswith(b"alarm N3 drive_off\n")
    assert {entry["name"]: entry["state"] for entry in rig.events("contactor")[-2:]} == {
        "load": "open",
        "brake": "closed",
    }
    assert rig.events("at_rest")[-1]["at_s"] - at_s < 0.05
    assert rig.inputs()[5:] == [True, True, True]
    assert rig.registers()[:2] == (0, 0)


def test_the_watchdog_cuts_too(rig: Rig) -> None:
    rig.plant.advance(rig.now_s + 0.6)
    assert rig.plant.show(rig.now_s + 0.6)["contactors"] == {
        "load": "open",
        "check": "open",
        "brake": "closed",
    }
    assert rig.events("watchdog")


def test_registers_stand_before_and_behind_the_contact(rig: Rig) -> None:
    assert rig.registers() == (240, 0, 230, 450)
    rig.move(-12.0)
    assert rig.registers()[:2] == (240, 239)
    rig.set("contactor.welds", "load")
    rig.coils(BRAKE)
    rig.wait(0.1)
    assert rig.registers()[:2] == (240, 239), "a welded contactor shows"


def test_the_lamps_over_the_door() -> None:
    rig = Rig()
    rig.coils(0b001000)
    assert rig.plant.show(rig.now_s)["lamp"] == "red"
    rig.coils(0b110000)
    assert rig.plant.show(rig.now_s)["lamp"] == "green" and rig.plant.show(rig.now_s)["horn"]


def test_mains_off_in_the_middle_of_a_press(rig: Rig) -> None:
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.1)
    rig.set("mains", "off")
    assert not rig.plant.gantry.accepts(rig.now_s)
    stands_mm = rig.plant.bench.axis.true_mm(rig.now_s)
    assert -12 < stands_mm < 5
    rig.wait(560.0)
    rig.set("mains", "on")
    rig.wait(1.0)
    state = rig.state()
    assert (state["L"], state["D"], state["Z"], state["homed"], state["moving"]) == (0, 0, 0, 0, 0)
    assert rig.plant.bench.axis.true_mm(rig.now_s) == stands_mm
    rig.coils(LOAD | BRAKE)
    rig.wait(0.1)
    rig.line = 0
    assert b"done N1 Z50.000" in rig.home()
    assert rig.plant.bench.axis.true_mm(rig.now_s) == pytest.approx(50.0)


# Names, files, determinism


def test_every_name_can_be_set_and_nothing_else() -> None:
    plant = build_endurance({}, 1)
    assert set(plant.names()) == set(FAULTS) == set(plant._setters)
    for name, (_, values) in TROUBLES.items():
        plant.set(name, values.split(",")[0], 0.0)
    assert plant.show(0.0)["faults"] == {}


@pytest.mark.parametrize("name", [name for name in FAULTS if not name.endswith(".serial")])
def test_nonsense_is_refused_with_what_would_fit(name: str) -> None:
    plant = build_endurance({}, 1)
    with pytest.raises(ValueError, match="values: "):
        plant.set(name, "nonsense", 0.0)


def test_an_unknown_name_is_told_its_neighbours() -> None:
    with pytest.raises(ValueError, match=r"gantry\.encoder"):
        build_endurance({}, 1).set("gantry.encodr", "stale", 0.0)


def wire(seed: int) -> list[bytes]:
    rig = Rig({"specimen": {"mounts": 3}}, seed)
    rig.ask("CONF:CONT 3,300,200,20,80")
    rig.ready()
    said = []
    for number in range(1, 6):
        rig.cycle(0.3, 0.3)
        said += [
            rig.said,
            rig.send("recorder", b"FETC:CYCL? %d\n" % number),
            rig.ask("MEAS:TEMP? (@1:3)").encode(),
        ]
    return said


def test_the_same_seed_gives_the_same_bytes() -> None:
    assert wire(3) == wire(3)
    assert all(one != other for one, other in zip(wire(3)[1::3], wire(4)[1::3], strict=True))


def test_a_record_does_not_depend_on_when_it_is_asked_for(rig: Rig) -> None:
    other = Rig()
    other.ready()
    for number in range(1, 5):
        rig.cycle(0.1, 0.1)
        other.cycle(0.1, 0.1)
        rig.fetch(number)
    for number in (4, 2, 1, 3):
        ask = b"FETC:CYCL? %d\n" % number
        assert rig.send("recorder", ask) == other.send("recorder", ask)


@pytest.mark.parametrize("scenario", ["weir_gate", "lantern_row"])
def test_plant_files_build_what_their_bench_files_name(scenario: str) -> None:
    folder = LIBRARY / scenario
    spec = yaml.safe_load((folder / "plant.yaml").read_text(encoding="utf-8"))
    bench = yaml.safe_load((folder / "bench.yaml").read_text(encoding="utf-8"))
    plant = build(spec["kind"], spec, spec["seed"])
    assert isinstance(plant, EndurancePlant)
    for name, identity in (("gantry", plant.gantry.identity), ("recorder", plant.recorder.identity)):
        entry = bench["instruments"][name]
        assert (identity.maker, identity.model) == (entry["identity"]["maker"], entry["identity"]["model"])
        assert identity.serial == entry["serial"]
    load = bench["equipment"]["load"]
    build_of = plant.bench.load
    assert (build_of.kind, build_of.banks) == (load["kind"], int(load["banks"]))
    assert (f"{build_of.voltage_v:g} V", f"{build_of.current_a:g} A") == (load["supply"], load["current"])
    assert plant.show(0.0)["faults"] == {}
    force_n = plant.bench.specimen.force_n(np.array([-12.0]))
    assert scenario != "weir_gate" or 38 < force_n[0] < 60


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        ({"gantri": {}}, "gantry"),
        ({"dialect": "motion-rhymes"}, "motion-words"),
        ({"load": {"kind": "lamp"}}, "tungsten"),
        ({"load": {"banks": 0}}, "whole number from 1"),
        ({"specimen": {"bounce": 3}}, "bounce_s"),
        ({"serials": {"gantri": "X"}}, "gantry"),
        ({"set": {"guard": "ajar"}}, "closed, open"),
    ],
)
def test_a_plant_file_that_is_wrong_is_told_where(spec: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        build_endurance(spec, 1)


def test_what_a_person_sees_in_words(rig: Rig) -> None:
    rig.move(-12.0)
    lines = dict(rig.plant.in_words(rig.plant.show(rig.now_s)))
    assert lines["gantry"] == "at -12 mm, at rest; cable in"
    assert lines["specimens"] == "specimen; contacts closed 1 of 1"
    assert lines["load"] == "motor, bank 1, supply on"


def test_few_instants_of_its_own_in_a_cycle(rig: Rig) -> None:
    rig.plant.safety_io.watchdog_dead = True
    count, end_s = 0, rig.now_s + 2.0
    for to_mm in (-12.0, 5.0):
        rig.say(f"G90 G21 G01 Z{to_mm:.3f} F7200.000")
        while (due_s := rig.plant.next_due_s()) < end_s:
            rig.now_s = due_s
            rig.plant.advance(due_s)
            count += 1
    assert rig.plant.bench.cycles == 1 and count <= 4
    assert rig.plant.next_due_s() == math.inf


def test_a_cycle_has_ended_when_the_samples_behind_its_break_are_taken(rig: Rig) -> None:
    rig.move(-12.0)
    rig.say("G90 G21 G01 Z5.000 F7200.000")
    rig.now_s += (6.5 + 1.8) / 120  # from -12 to -5.5 mm with the ramp
    ends_s = rig.now_s + (200 - 80) * INTERVAL_S
    rig.now_s = ends_s - 1e-5
    assert rig.send("recorder", b"FETC:CYCL? 1\n") == b"#10\n"
    assert rig.ask("STAT:OPER:COND?") == "16"
    rig.now_s = ends_s + 1e-5
    assert rig.fetch(1)[0][:2] == (1, 2)
    assert rig.ask("STAT:OPER:COND?") == "32"
