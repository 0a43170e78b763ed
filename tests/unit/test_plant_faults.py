"""Every named fault of the impulse plant does what its words say, seen from its links and in the truth log."""

import numpy as np
import pytest

from simulators.impulse.faults import DEVICES
from simulators.link import LINK_FAULTS, LinkFault
from tests.plant_rig import HIGH_VOLTAGE, LEAKAGE, Rig

READ_REGISTERS = bytes([0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 4])


# Capture
def test_waiting_bit_stuck_at_0_still_captures() -> None:
    rig = Rig(digitiser_v__waiting_bit="stuck_0")
    rig.start_digitisers()
    rig.charge()
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "16"
    rig.fire()
    assert rig.volts().max() > 270


def test_waiting_bit_stuck_at_1_says_so_even_when_idle() -> None:
    rig = Rig(digitiser_v__waiting_bit="stuck_1")
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "32"


@pytest.mark.parametrize("device", ["digitiser_v", "digitiser_i"])
def test_a_stalled_acquisition_never_waits(device: str) -> None:
    rig = Rig(**{f"{device}__stalls": "yes"})
    rig.start_digitisers()
    rig.charge()
    if device == "digitiser_v":
        assert rig.ask(device, "STAT:OPER:COND?") == "16"
    else:
        counts = [rig.ask(device, "TRAC:POIN? PRET"), rig.ask(device, "TRAC:POIN? PRET")]
        assert counts == ["500", "500"], "below the pre-trigger part, and it does not move"
    rig.fire()

    assert device not in rig.events("shot")[0]["digitisers_waiting"]
    rig.ask(device, f"TRAC? {'CH1' if device == 'digitiser_v' else 'VOLT1'}")
    assert rig.errors(device).startswith("-230,")


def test_a_missed_trigger_leaves_it_waiting_with_no_data() -> None:
    rig = Rig(digitiser_v__misses_trigger="next")
    rig.shot()
    assert rig.ask("digitiser_v", "STAT:OPER:COND?;:TRAC:POIN? CH1") == "48;0"
    rig.ask("digitiser_v", "ABOR")
    rig.ask("digitiser_i", "ABOR")
    rig.shot()
    assert rig.volts().max() > 270, "only the next one was missed"


def test_probe_at_100_shows_ten_times_the_voltage_at_the_input() -> None:
    sound, wrong = Rig(connection="open"), Rig(connection="open", voltage_probe__ratio="2000")
    for rig in (sound, wrong):
        rig.shot(volts_range=2.5)
    assert wrong.volts(2.5).max() == pytest.approx(sound.volts(2.5).max() / 2, rel=0.01)

    clipped = Rig(connection="open", voltage_probe__ratio="100")
    clipped.shot(volts_range=2.5)
    assert clipped.volts(2.5).max() == pytest.approx(2500, rel=0.001), "17 V at a 2.5 V range"


def test_a_pulled_cable_gives_a_flat_trace() -> None:
    rig = Rig(current_probe__cable="off")
    rig.shot()
    assert np.abs(rig.amperes()).max() < 6
    assert rig.volts().max() > 270


def test_a_range_turned_at_the_front_is_read_back_and_clips() -> None:
    rig = Rig(connection="open")
    rig.start_digitisers(volts_range=2.5)
    rig.set("digitiser_v.front_panel.range", "1 V")
    assert float(rig.ask("digitiser_v", "SENS:VOLT:RANG?")) == 1.0
    rig.charge()
    rig.fire()
    assert np.count_nonzero(rig.volts(32768, 1.0) == 32752) > 100


def test_gain_error_of_a_front_end() -> None:
    sound, wrong = Rig(), Rig(digitiser_i__gain="x1.1")
    for rig in (sound, wrong):
        rig.shot()
    assert wrong.amperes().max() == pytest.approx(1.1 * sound.amperes().max(), rel=0.005)


# Identity
@pytest.mark.parametrize("device", [name for name in DEVICES if name != "safety_io"])
def test_another_unit_answers_with_another_serial(device: str) -> None:
    rig = Rig()
    before = rig.ask(device, "*IDN?").split(",")
    rig.set(f"{device}.serial", "XX-9")
    after = rig.ask(device, "*IDN?").split(",")

    assert after[2] == "XX-9"
    assert before[:2] == after[:2] and before[3] == after[3]


# Generator
def test_read_back_of_the_generator_disagrees_with_the_divider() -> None:
    rig = Rig(generator__voltage_read_back="x0.96")
    rig.charge(1700)
    assert float(rig.ask("generator", "MEAS?")) == pytest.approx(1632)
    assert rig.registers()[0] == 1700


def test_a_regulator_that_stops_beside_the_set_point_keeps_settling() -> None:
    rig = Rig(generator__charges_to="x1.05")
    rig.charge(1700)
    assert float(rig.ask("generator", "MEAS?")) == pytest.approx(1785)
    assert rig.ask("generator", "STAT:OPER:COND?") == "2"


def test_a_dead_supply_and_a_dead_switch() -> None:
    rig = Rig(generator__does_not_charge="yes")
    rig.charge(1700)
    assert rig.stored_v() == 0

    rig = Rig(generator__does_not_fire="yes")
    rig.charge(1700)
    rig.ask("generator", "INIT;*TRG")
    assert rig.events("shot") == []
    assert rig.stored_v() == 1700


def test_self_trigger_while_charging_fires_once_and_triggers_the_digitisers() -> None:
    rig = Rig(generator__self_triggers_at="1200 V")
    rig.start_digitisers()
    rig.charge(1700)
    shots = rig.events("shot")

    assert [(shot["by"], shot["digitisers_waiting"]) for shot in shots] == [
        ("self", ["digitiser_v", "digitiser_i"])
    ]
    assert shots[0]["charged_v"] == pytest.approx(1200, abs=0.1)
    assert rig.volts().max() > 250
    assert rig.plant.show(rig.now_s)["specimen_shots"] == 1


def test_self_trigger_between_the_second_and_the_third_shot() -> None:
    rig = Rig(generator__self_triggers_at="1200 V after shot 2")
    for _ in range(2):
        rig.shot()
    assert [shot["by"] for shot in rig.events("shot")] == ["commanded", "commanded"]
    rig.charge()
    assert [shot["by"] for shot in rig.events("shot")] == ["commanded", "commanded", "self"]


def test_leftover_after_a_shot_goes_by_the_discharge() -> None:
    rig = Rig(generator__leftover="400 V")
    rig.charge()
    rig.ask("generator", "OUTP?")
    rig.ask("generator", "INIT;*TRG")
    assert rig.stored_v() == pytest.approx(400, abs=2)
    rig.ask("generator", "OUTP OFF")
    rig.make_safe()
    rig.wait(3.0)
    assert rig.stored_v() < 1


def test_knobs_turned_at_the_front_are_read_back() -> None:
    rig = Rig()
    rig.charge(1700)
    rig.set("generator.front_panel.voltage", "1500 V")
    assert float(rig.ask("generator", "SOUR:VOLT?")) == 1500
    rig.set("generator.front_panel.output", "off")
    assert rig.ask("generator", "OUTP?") == "0"
    rig.set("generator.front_panel.polarity", "negative")
    assert rig.ask("generator", "OUTP:POL?") == "INV"


# Way to safe
def test_a_burnt_discharge_resistor_says_closed_and_leaves_the_charge() -> None:
    rig = Rig(discharge__fails="resistor", generator__dump_fails="yes")
    rig.charge(1700)
    rig.ask("generator", "OUTP OFF")
    rig.make_safe()
    rig.wait(5.0)

    assert rig.inputs()[8] is True
    assert rig.registers()[0] > 1600


def test_with_the_discharge_open_the_generators_dump_still_works() -> None:
    rig = Rig(discharge__fails="yes")
    rig.charge(1700)
    rig.ask("generator", "OUTP OFF")
    rig.make_safe()
    rig.wait(1.0)

    assert rig.inputs()[8] is False
    assert rig.registers()[0] < 50


def test_a_welded_contactor_keeps_feeding_the_store_through_the_discharge() -> None:
    rig = Rig(contactor__welds="high_voltage")
    rig.charge(1700)
    rig.make_safe()
    rig.wait(5.0)
    assert 500 < rig.registers()[0] < 1000, "supply against discharge resistor"
    rig.ask("generator", "OUTP OFF")
    rig.wait(1.0)
    assert rig.registers()[0] < 50


def test_what_does_not_lift_does_not_let_charge() -> None:
    rig = Rig(discharge__does_not_lift="yes")
    rig.charge(1700)
    assert rig.inputs()[8] is True
    assert rig.stored_v() < 1000

    rig = Rig(earth__does_not_lift="yes")
    rig.shot()
    assert rig.events("shot")[0]["earthed"] is True
    assert rig.plant.show(rig.now_s)["specimen_shots"] == 0


def test_a_contactor_that_does_not_close() -> None:
    rig = Rig(contactor__does_not_close="leakage")
    rig.coils(LEAKAGE)
    rig.wait(0.2)
    assert rig.inputs()[7] is True
    rig.set("contactor.does_not_close", "none")
    rig.wait(0.2)
    assert rig.inputs()[7] is False


def test_mains_failure_drops_everything_and_silences_all() -> None:
    rig = Rig()
    rig.charge(1700)
    rig.set("mains", "off")
    rig.now_s += 0.1
    rig.plant.advance(rig.now_s)
    assert not any(device.accepts(rig.now_s) for device in rig.plant.devices.values())
    rig.now_s += 3.0
    rig.plant.advance(rig.now_s)
    assert rig.stored_v() < 50

    rig.set("mains", "on")
    assert rig.inputs() == [True] * 10
    assert rig.ask("generator", "OUTP?;:SOUR:VOLT?") == "0;+0.00000000E+00"


# Specimen and cloth
def test_the_cloth_glows_four_seconds_after_the_shot() -> None:
    rig = Rig(cloth__glows_at_shot="2")
    rig.shot()
    rig.wait(5.0)
    assert rig.plant.show(rig.now_s)["cloth"] == "unmarked"
    rig.shot()
    fired_s = rig.events("shot")[1]["at_s"]
    assert rig.plant.show(rig.now_s)["cloth"] == "unmarked"
    rig.wait(5.0)
    assert rig.plant.show(rig.now_s)["cloth"] == "glowing"
    assert rig.events("cloth")[-1]["at_s"] == pytest.approx(fired_s + 4.0)
    rig.set("cloth", "fresh")
    assert rig.plant.show(rig.now_s)["cloth"] == "unmarked"


def test_verification_shots_do_not_count_for_the_cloth() -> None:
    rig = Rig(connection="open", cloth__glows_at_shot="1", cloth__glow_delay="0.1 s")
    rig.shot(volts_range=2.5)
    rig.wait(1.0)
    assert rig.plant.show(rig.now_s)["cloth"] == "unmarked"


def test_a_specimen_breaks_down_and_burns_the_cloth() -> None:
    rig = Rig(specimen__fails_at_shot="2")
    rig.shot()
    rig.shot()
    rig.wait(1.0)

    assert rig.events("shot")[1]["peak_v"] < 150
    assert [(entry["number"], entry["state"]) for entry in rig.events("specimen")] == [(1, "broken down")]
    assert rig.plant.show(rig.now_s)["cloth"] == "burning"
    rig.coils(LEAKAGE)
    rig.ask("meter", "SOUR:VOLT 60;:OUTP ON")
    rig.wait(0.2)
    assert float(rig.ask("meter", "MEAS?")) == 9.9e37

    rig.set("specimen", "new")
    assert 85e-6 < float(rig.ask("meter", "MEAS?")) < 140e-6


def test_a_bad_specimen_limits_higher() -> None:
    sound, bad = Rig(), Rig(specimen__limits_at="x1.1")
    for rig in (sound, bad):
        rig.shot()
    assert bad.events("shot")[0]["peak_v"] == pytest.approx(
        1.1 * sound.events("shot")[0]["peak_v"], rel=0.005
    )


# Links
def test_every_kind_of_link_fault_is_read() -> None:
    for kind in LINK_FAULTS:
        text = kind.replace("<s>", "0.5 s")
        assert LinkFault.read(text).kind == kind.partition(":")[0]
    for wrong in ("late", "silent:3", "late:-1", "late:x", "gone", ""):
        with pytest.raises(ValueError, match=r".+"):
            LinkFault.read(wrong)


@pytest.mark.parametrize("device", DEVICES)
@pytest.mark.parametrize(
    ("kind", "at_s"),
    [("late:0.5 s", [0.5]), ("silent", []), ("hung", [])],
)
def test_late_silent_and_hung_links(device: str, kind: str, at_s: list[float]) -> None:
    rig = Rig()
    rig.set(f"{device}.link", kind)
    asked = READ_REGISTERS if device == "safety_io" else b"*IDN?\n"
    assert rig.send(device, asked) == b""
    assert rig.plant.next_due_s() <= 0.5 if at_s else True
    rig.now_s = 10.0

    assert [time_s for time_s, _ in rig.plant.devices[device].advance(10.0)] == at_s


def test_silent_acts_and_hung_does_not() -> None:
    rig = Rig()
    rig.set("generator.link", "silent")
    rig.ask("generator", "SOUR:VOLT 1000;:SOUR:VOLT?")
    rig.set("generator.link", "hung")
    rig.ask("generator", "SOUR:VOLT 1500")
    rig.set("generator.link", "ok")
    assert float(rig.ask("generator", "SOUR:VOLT?")) == 1000


def test_dribble_truncation_and_garbling() -> None:
    rig = Rig()
    rig.set("meter.link", "dribble:0.1 s")
    rig.ask("meter", "OUTP?")
    pieces = rig.plant.devices["meter"].advance(1.0)
    assert [data for _, data in pieces] == [b"0", b"\n"]
    assert [at_s for at_s, _ in pieces] == pytest.approx([0.1, 0.2])

    rig.now_s = 1.0
    rig.set("meter.link", "truncated")
    assert rig.ask("meter", "*IDN?") == "Invented Measuremen"
    rig.set("meter.link", "garbled")
    reply = rig.send("meter", b"*IDN?\n")
    assert reply.endswith(b"\n") and reply.count(b"\n") == 1 and b"Measurement" not in reply
    rig.set("meter.link", "ok")
    assert rig.ask("meter", "*IDN?").startswith("Invented Measurement,LM-1,")


def test_an_answer_that_comes_twice() -> None:
    rig = Rig()
    rig.set("meter.link", "twice")
    assert rig.ask("meter", "OUTP?") == "0\n0"


def test_nothing_overtakes_a_late_answer() -> None:
    rig = Rig()
    rig.plant.plan_fault("meter", 1, "late:1 s")
    rig.ask("meter", "*IDN?")
    rig.ask("meter", "OUTP?")
    assert rig.plant.devices["meter"].advance(0.9) == []
    assert [data[-2:] for _, data in rig.plant.devices["meter"].advance(1.0)] == [b"1\n", b"0\n"]


def test_wrong_values_and_wrong_units() -> None:
    rig = Rig()
    rig.charge(1700)
    rig.set("generator.link", "wrong_value")
    assert float(rig.ask("generator", "MEAS?")) == 17_000
    rig.set("generator.link", "wrong_unit")
    assert float(rig.ask("generator", "MEAS?")) == 1.7
    assert rig.ask("generator", "OUTP:POL?") == "NORM", "no number in it"
    rig.set("safety_io.link", "wrong_value")
    assert rig.registers()[0] == 17_001
    assert rig.inputs() == [False] * 6 + [True, False, True, True]


def test_of_several_answers_in_one_message_each_number_can_be_wrong() -> None:
    rig = Rig()
    question = "OUTP?;:SOUR:VOLT 1700;VOLT?;:OUTP:POL?;:SYST:ERR?;:SOUR:VOLT?"
    right = rig.ask("generator", question)
    assert right == '0;+1.70000000E+03;NORM;0,"No error";+1.70000000E+03'
    wrong = "1.70000000E+04"
    for fault, answer in {
        "wrong_value": f'0;{wrong};NORM;0,"No error";+1.70000000E+03',
        "wrong_value:1": f'0;{wrong};NORM;0,"No error";+1.70000000E+03',
        "wrong_value:2": f'0;+1.70000000E+03;NORM;0,"No error";{wrong}',
        "wrong_unit:2": '0;+1.70000000E+03;NORM;0,"No error";1.70000000E+00',
        "wrong_value:3": right,
    }.items():
        rig.set("generator.link", fault)
        assert rig.ask("generator", question) == answer, fault
    for fault in ("wrong_value:0", "wrong_value:x", "silent:2"):
        with pytest.raises(ValueError, match="link fault"):
            rig.set("generator.link", fault)


def test_a_planned_fault_strikes_one_exchange() -> None:
    rig = Rig()
    first = rig.plant.exchanges()["safety_io"] + 1
    rig.plant.plan_fault("safety_io", first + 1, "silent")
    answers = [rig.modbus(bytes([2, 0, 0, 0, 10])) for _ in range(3)]

    assert [bool(one) for one in answers] == [True, False, True]
    assert rig.plant.exchanges()["safety_io"] == first + 2
    with pytest.raises(ValueError, match="past"):
        rig.plant.plan_fault("safety_io", first, "silent")
    with pytest.raises(ValueError, match="meter"):
        rig.plant.plan_fault("metre", 99, "silent")


@pytest.mark.parametrize(("kind", "back_s"), [("dropped", 0.05), ("restart", 1.0), ("closed", None)])
def test_a_link_lost_at_one_exchange(kind: str, back_s: float | None) -> None:
    rig = Rig()
    rig.ask("generator", "SOUR:VOLT 900")
    device = rig.plant.devices["generator"]
    rig.plant.plan_fault("generator", 2, kind)
    assert rig.ask("generator", "SOUR:VOLT 1000") == ""
    assert not device.accepts(rig.now_s)
    rig.now_s += 2.0
    rig.plant.advance(rig.now_s)

    assert device.accepts(rig.now_s) is (back_s is not None)
    rig.set("generator.link", "ok")
    expected = {"dropped": 900, "restart": 0, "closed": 900}[kind]
    assert float(rig.ask("generator", "SOUR:VOLT?")) == expected, "the message itself was lost"


def test_an_absent_device_says_when_it_is_back() -> None:
    rig = Rig()
    rig.set("meter.restart", "0.7 s")
    assert rig.plant.next_due_s() == 0.7


def test_a_restarted_generator_lets_go_of_its_charge() -> None:
    rig = Rig()
    rig.charge(1700)
    rig.set("generator.restart", "1 s")
    rig.wait(1.0)
    assert rig.stored_v() < 50


def test_a_restarted_digitiser_has_lost_its_acquisition() -> None:
    rig = Rig()
    rig.start_digitisers()
    rig.set("digitiser_v.restart", "0.1 s")
    rig.wait(0.2)
    assert rig.ask("digitiser_v", "*ESR?;:STAT:OPER:COND?;:SENS:SWE:OFFS:POIN?") == "128;0;0"
    rig.charge()
    rig.fire()
    assert rig.events("shot")[0]["digitisers_waiting"] == ["digitiser_i"]


def test_a_new_peer_does_not_get_what_the_last_one_half_asked() -> None:
    rig = Rig()
    device = rig.plant.devices["meter"]
    rig.send("meter", b"*ID")
    device.link_closed(rig.now_s)
    device.link_opened(rig.now_s)
    assert rig.ask("meter", "OUTP?") == "0"


def test_the_interlock_while_charged_makes_the_store_safe() -> None:
    rig = Rig()
    rig.charge(1700)
    rig.set("door", "open")
    rig.wait(3.0)

    assert rig.inputs()[6] and rig.inputs()[8] and rig.inputs()[9]
    assert rig.registers()[0] < 50
    assert HIGH_VOLTAGE & rig.modbus(bytes([1, 0, 0, 0, 4]))[2], "the coils are still commanded"
