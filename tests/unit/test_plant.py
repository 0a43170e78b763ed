"""The impulse plant as a whole: a shot through all devices, its truth log, its names, its determinism."""

import copy
import math
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.impulse.faults import FAULTS, TROUBLES
from simulators.impulse.plant import ImpulsePlant
from simulators.impulse.store import Store, StorePath
from simulators.plants import build
from tests.plant_rig import HIGH_VOLTAGE, LEAKAGE, RENEWED_EVERY_S, Rig

PLANT_FILE = Path(__file__).parents[2] / "sequences" / "library" / "tidewater" / "plant.yaml"


def test_one_shot_is_seen_by_both_digitisers() -> None:
    rig = Rig()
    rig.shot()
    shot = rig.events("shot")[0]

    assert rig.volts().max() == pytest.approx(shot["peak_v"], rel=0.01)
    assert rig.amperes().max() == pytest.approx(shot["peak_a"], rel=0.01)
    assert 280 < shot["peak_v"] < 300
    assert 650 < shot["peak_a"] < 720
    assert shot["by"] == "commanded" and shot["charged_v"] == 1700.0
    assert shot["digitisers_waiting"] == ["digitiser_v", "digitiser_i"]
    assert {rig.errors(name) for name in rig.plant.devices if name != "safety_io"} == {'0,"No error"'}


def test_energy_in_the_truth_log_is_that_of_the_traces() -> None:
    rig = Rig()
    rig.shot()
    power_w = rig.volts() * rig.amperes()

    assert np.sum(power_w) * 1e-8 == pytest.approx(rig.events("shot")[0]["specimen_energy_j"], rel=0.01)


def test_polarity_turns_both_traces() -> None:
    rig = Rig()
    rig.shot(polarity="INV")

    assert rig.volts().min() < -270
    assert rig.amperes().min() < -600
    assert rig.events("shot")[0]["polarity"] == -1


def test_open_and_link_at_the_digitiser() -> None:
    rig = Rig(connection="open")
    rig.shot(volts_range=2.5)
    assert rig.volts(2.5).max() == pytest.approx(1700, rel=0.01)
    assert np.abs(rig.amperes()).max() < 6

    rig.set("connection", "link")
    rig.shot(volts_range=2.5)
    assert rig.amperes().max() == pytest.approx(850, rel=0.01)
    assert [entry["specimen_energy_j"] for entry in rig.events("shot")] == [0.0, 0.0]


def test_twelve_shots_with_rests_leave_a_sound_specimen() -> None:
    rig = Rig()
    peaks = []
    for shot in range(12):
        rig.shot(polarity="NORM" if shot % 2 == 0 else "INV")
        peaks.append(np.abs(rig.volts()).max())
        rig.wait(42.0, renew=False)

    assert 0.01 < 1 - peaks[-1] / peaks[0] < 0.022
    assert rig.plant.show(rig.now_s)["specimen"] == {"number": 1, "broken_down": False}
    assert rig.plant.show(rig.now_s)["cloth"] == "unmarked"


def test_leakage_needs_the_contactor_the_lifted_earth_and_a_specimen() -> None:
    rig = Rig()
    rig.ask("meter", "SOUR:VOLT 60;:SENS:CURR:RANG 1e-3;:OUTP ON")
    assert abs(float(rig.ask("meter", "MEAS?"))) < 1e-6

    rig.coils(LEAKAGE)
    rig.wait(0.1)
    first_a = float(rig.ask("meter", "MEAS?"))
    rig.wait(1.0)
    settled_a = float(rig.ask("meter", "MEAS?"))
    assert 85e-6 < settled_a < 120e-6
    assert 1.05 < first_a / settled_a < 1.3
    assert rig.registers()[1] == 600

    rig.set("connection", "link")
    assert float(rig.ask("meter", "MEAS?")) == 9.9e37
    rig.set("connection", "open")
    assert abs(float(rig.ask("meter", "MEAS?"))) < 1e-6
    rig.coils(0b1000)
    rig.wait(0.1)
    assert float(rig.ask("meter", "MEAS?")) == 9.9e37, "earthed"


def test_meter_overloads_on_a_range_that_is_too_low() -> None:
    rig = Rig(specimen__leaks="x2")
    rig.coils(LEAKAGE)
    rig.ask("meter", "SOUR:VOLT 60;:SENS:CURR:RANG 1e-4;:OUTP ON")
    rig.wait(1.0)
    assert float(rig.ask("meter", "MEAS?")) == 9.9e37
    rig.ask("meter", "SENS:CURR:RANG 1.5e-4")
    assert float(rig.ask("meter", "SENS:CURR:RANG?")) == 1e-3
    assert float(rig.ask("meter", "MEAS?")) == pytest.approx(200e-6, rel=0.15)


def test_the_store_is_touch_safe_in_time_by_either_way() -> None:
    for by_generator, slowest_s in ((True, 0.8), (False, 3.0)):
        rig = Rig()
        rig.charge(1700.0)
        start_s = rig.now_s
        if by_generator:
            rig.ask("generator", "OUTP OFF")
        else:
            rig.coils(0)
        rig.wait(5.0)
        safe = [entry for entry in rig.events("stored_voltage") if entry["why"] == "touch-safe"]

        assert len(safe) == 1
        assert safe[0]["volts"] == pytest.approx(50.0)
        assert safe[0]["at_s"] - start_s < slowest_s


def test_charging_needs_the_contactor_and_the_lifted_discharge() -> None:
    rig = Rig()
    rig.ask("generator", "SOUR:VOLT 1700;:OUTP ON")
    rig.wait(3.0)
    assert rig.stored_v() == 0
    assert rig.ask("generator", "STAT:OPER:COND?") == "2"

    rig.coils(HIGH_VOLTAGE)
    rig.wait(2.5)
    assert float(rig.ask("generator", "MEAS?")) == 1700
    assert rig.ask("generator", "STAT:OPER:COND?") == "0"


def test_after_a_shot_with_output_on_the_store_charges_again() -> None:
    rig = Rig()
    rig.charge(1700.0)
    rig.ask("generator", "INIT;*TRG")
    assert rig.stored_v() < 1
    rig.wait(2.0)
    assert rig.stored_v() == 1700


def test_trigger_needs_to_be_enabled_and_is_used_up() -> None:
    rig = Rig()
    rig.charge()
    rig.ask("generator", "*TRG")
    assert rig.errors("generator") == '-211,"Trigger ignored"'
    rig.ask("generator", "INIT")
    assert rig.ask("generator", "STAT:OPER:COND?") == "32"
    rig.ask("generator", "ABOR;*TRG")
    assert rig.errors("generator") == '-211,"Trigger ignored"'
    rig.ask("generator", "INIT;*TRG;*TRG")
    assert rig.errors("generator") == '-211,"Trigger ignored"'
    assert len(rig.events("shot")) == 1


def test_polarity_does_not_turn_on_a_charged_store() -> None:
    rig = Rig()
    rig.charge()
    rig.ask("generator", "OUTP:POL INV")

    assert rig.errors("generator").startswith("-221,")
    assert rig.ask("generator", "OUTP:POL?") == "NORM"


@pytest.mark.parametrize(
    ("device", "setting", "written", "reads"),
    [
        ("generator", "SOUR:VOLT", "1.7 kV", 1700),
        ("digitiser_v", "SENS1:VOLT:RANG", "0.41", 1.0),
        ("digitiser_i", "SENSE:VOLTAGE:DC:RANGE:UPPER", "3", 5.0),
        ("digitiser_v", "SENS:SWE:TINT", "2e-8", 2e-8),
        ("digitiser_i", "SENS:SWE:OFFS:POIN", "-500", -500),
        ("digitiser_v", "TRIG:LEV", "0.1", 0.1),
        ("meter", "SOUR:VOLT", "60", 60),
    ],
)
def test_settings_read_back(device: str, setting: str, written: str, reads: float) -> None:
    rig = Rig()
    rig.ask(device, f"{setting} {written}")

    assert float(rig.ask(device, f"{setting}?")) == reads
    rig.ask(device, "*RST")
    assert float(rig.ask(device, f"{setting}?")) != reads


@pytest.mark.parametrize(
    ("device", "message", "error"),
    [
        ("generator", "SOUR:VOLT 2001", -222),
        ("generator", "OUTP:POL UP", -141),
        ("digitiser_v", "SENS:VOLT:RANG 6", -222),
        ("digitiser_v", "SENS2:VOLT:RANG 1", -114),
        ("digitiser_v", "TRAC? CH1", -230),
        ("digitiser_v", "INIT;INIT", -213),
        ("digitiser_v", "INIT;:SENS:SWE:POIN 5", -221),
        ("digitiser_v", "SENS:SWE:OFFS:POIN -10000;:INIT", -221),
        ("digitiser_v", "TRAC:POIN? PRET", -141),
        ("digitiser_i", "FORM:BORD SWAP", -224),
        ("digitiser_i", "TRAC? CH1", -141),
        ("meter", "SOUR:VOLT 101", -222),
        ("meter", "FOO 1", -113),
    ],
)
def test_what_an_instrument_refuses(device: str, message: str, error: int) -> None:
    rig = Rig()
    rig.ask(device, message)

    assert rig.errors(device).startswith(f"{error},")


def test_proof_of_waiting_in_the_family_with_the_bit() -> None:
    rig = Rig()
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "0"
    rig.ask("digitiser_v", "SENS:SWE:OFFS:POIN -1000;:INIT")
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "16", "the part before the trigger is not full yet"
    rig.now_s += 11e-6
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "48"
    rig.ask("digitiser_v", "ABOR")
    assert rig.ask("digitiser_v", "STAT:OPER:COND?") == "0"


def test_proof_of_waiting_in_the_family_that_counts() -> None:
    rig = Rig()
    assert rig.ask("digitiser_i", "TRAC:POIN? PRET") == "0"
    rig.ask("digitiser_i", "SENS:SWE:OFFS:POIN -1000;:INIT")
    rig.now_s += 5e-6
    assert rig.ask("digitiser_i", "TRAC:POIN? PRET;:STAT:OPER:COND?") == "500;16"
    rig.now_s += 1e-3
    assert rig.ask("digitiser_i", "TRAC:POIN? PRET;:STAT:OPER:COND?") == "100500;16"


def test_acquisition_is_an_overlapped_operation() -> None:
    rig = Rig()
    rig.start_digitisers()
    rig.charge()
    assert rig.ask("digitiser_v", "*OPC?") == ""
    rig.ask("generator", "INIT;*TRG")
    assert rig.plant.next_due_s() == pytest.approx(rig.now_s + 90e-6)
    rig.now_s += 1e-3

    assert b"".join(piece for _, piece in rig.plant.advance(rig.now_s)["digitiser_v"]) == b"1\n"
    assert rig.ask("digitiser_v", "STAT:OPER:COND?;:TRAC:POIN? CH1") == "0;10000"


def test_pre_trigger_part_is_quiet_and_the_trigger_is_at_its_end() -> None:
    rig = Rig()
    rig.shot()
    volts = rig.volts()

    assert np.abs(volts[:1000]).max() < 2
    assert volts[1000:1100].max() > 200


def test_too_small_a_range_clips_at_the_left_justified_rails() -> None:
    for polarity, rail in (("NORM", 32752), ("INV", -32768)):
        rig = Rig(connection="open")
        rig.shot(polarity=polarity, volts_range=1.0)
        codes = rig.volts(32768, 1.0)
        assert np.count_nonzero(codes == rail) > 100
        assert (codes % 16 == 0).all()


def test_internal_trigger_finds_the_level_on_its_slope() -> None:
    rig = Rig(connection="open")
    rig.ask("digitiser_v", "SENS:VOLT:RANG 2.5;:SENS:SWE:OFFS:POIN -100;:FORM:BORD SWAP")
    rig.ask("digitiser_v", "TRIG:SOUR INT1;LEV 1.0;SLOP POS;:INIT")
    rig.charge()
    rig.fire()
    volts = rig.volts(2.5)
    assert volts[99] < 1000 <= volts[102]

    rig.ask("digitiser_v", "TRIG:LEV 1.9;:INIT")
    rig.wait(2.0)
    rig.charge()
    rig.fire()
    assert rig.ask("digitiser_v", "TRAC:POIN? CH1;:STAT:OPER:COND?") == "0;48", (
        "never reached: it still waits"
    )


def test_slower_sampling_sees_the_same_wave() -> None:
    rig = Rig(connection="open")
    rig.ask(
        "digitiser_v", "SENS:VOLT:RANG 2.5;:FORM:BORD SWAP;:SENS:SWE:TINT 5e-8;POIN 2000;OFFS:POIN -200;:INIT"
    )
    rig.charge()
    rig.fire()
    block = rig.send("digitiser_v", b"TRAC? CH1\n")
    volts = np.frombuffer(block[len("#44000") : -1], "<i2").astype(float) * 2.5 / 32768 * 1000

    assert volts.size == 2000
    assert volts.max() == pytest.approx(1700, rel=0.01)
    assert volts[200 + 1000] == pytest.approx(850, rel=0.05), "half the peak 50 us after the trigger"


def test_every_name_can_be_set_to_its_first_value_and_no_other_name_exists() -> None:
    plant = build("impulse", {}, 1)
    samples = {
        "ambient.temperature": "20 degC",
        "ambient.humidity": "40 %",
        "generator.front_panel.voltage": "1500 V",
        "digitiser_v.front_panel.range": "0.4 V",
        "digitiser_i.front_panel.range": "1 V",
        "voltage_probe.ratio": "100",
        "current_probe.ratio": "100",
        "generator.leftover": "300 V",
        "cloth.glow_delay": "4 s",
    }
    for name, (words, values) in FAULTS.items():
        assert words and values
        first = values.split(",")[0]
        value = samples.get(name) or {"restart": "1 s", "serial": "X-1"}.get(name.rpartition(".")[2])
        value = value or (first.split(": ")[-1] if first.startswith("x<") else first)
        plant.set(name, value, 1.0)
        with pytest.raises(ValueError, match=name):
            plant.set(name, "no such value!", 1.0)


def test_every_listed_word_is_taken() -> None:
    """The values that the table shows are the values that work."""
    plant = build("impulse", {}, 1)
    for name, (_, values) in FAULTS.items():
        for value in values.split(", "):
            if not any(mark in value for mark in ("<", ":", "number", "temperature", "(")):
                plant.set(name, value, 1.0)


@pytest.mark.parametrize(
    ("wrong", "near"),
    [
        ("dor.a", "door.a"),
        ("genrator.link", "generator.link"),
        ("voltage_probe.ration", "voltage_probe.ratio"),
    ],
)
def test_an_unknown_name_gets_the_nearest(wrong: str, near: str) -> None:
    with pytest.raises(ValueError, match="nothing on this bench is called") as caught:
        build("impulse", {}, 1).set(wrong, "x", 0.0)

    assert near in str(caught.value)


@pytest.mark.parametrize(
    ("spec", "says"),
    [
        ({"generatr": {}}, "generator"),
        ({"generator": {"store": 1}}, "generator.*store_f"),
        ({"generator": {"store_f": "much"}}, "generator.*much"),
        ({"generator": [1]}, "generator"),
        ({"set": {"conection": "open"}}, "connection"),
        ({"set": {"connection": "closed"}}, "connection.*open, link, specimen"),
    ],
)
def test_a_wrong_plant_file_says_where(spec: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        build("impulse", spec, 1)


def test_the_examples_plant_file_is_the_plant_of_these_tests() -> None:
    """Its component values are the usual ones, so what is tested here holds for it."""
    spec = yaml.safe_load(PLANT_FILE.read_text())
    shipped, usual = build(spec["kind"], spec, spec["seed"]), build("impulse", {}, spec["seed"])

    assert isinstance(shipped, ImpulsePlant) and isinstance(usual, ImpulsePlant)
    assert shipped.bench.parts == usual.bench.parts
    assert shipped.bench.power == usual.bench.power
    assert shipped.bench.kind == usual.bench.kind
    assert shipped.show(0.0) == usual.show(0.0)


def test_an_unknown_kind_of_plant_lists_those_there_are() -> None:
    with pytest.raises(ValueError, match="impulse"):
        build("waterworks", {}, 1)


def story(rig: Rig) -> list[bytes]:
    """Everything a bench says in three shots."""
    said = []
    for shot in range(3):
        rig.shot(polarity="NORM" if shot % 2 == 0 else "INV")
        said.append(rig.send("digitiser_v", b"TRAC? CH1\n"))
        said.append(rig.send("digitiser_i", b"TRAC? VOLT1\n"))
        rig.coils(LEAKAGE)
        rig.ask("meter", "SOUR:VOLT 60;:SENS:CURR:RANG 1e-3;:OUTP ON")
        rig.wait(1.0)
        said.append(rig.ask("meter", "MEAS?").encode())
        rig.make_safe()
    return [*said, repr(rig.plant.truth()).encode()]


def test_same_seed_same_bytes_other_seed_other_bytes() -> None:
    first, again, other = story(Rig(seed=3)), story(Rig(seed=3)), story(Rig(seed=4))

    assert first == again
    assert all(one != two for one, two in zip(first, other, strict=True))


def test_how_often_it_is_asked_does_not_change_what_happens() -> None:
    """Physics in one leap and in many small steps: the same truth log to within rounding."""
    logs = []
    for step_s in (RENEWED_EVERY_S, 0.013):
        rig = Rig()
        rig.charge()
        rig.coils(0)
        end_s = rig.now_s + 4.0
        while rig.now_s < end_s:
            rig.now_s = min(rig.now_s + step_s, end_s)
            rig.plant.advance(rig.now_s)
        logs.append(
            [entry for entry in rig.plant.truth() if entry["event"] in ("contactor", "stored_voltage")]
        )

    assert len(logs[0]) == len(logs[1])
    for one, two in zip(*logs, strict=True):
        assert one["at_s"] == pytest.approx(two["at_s"], abs=1e-9)


def test_copies_go_their_own_ways() -> None:
    rig = Rig()
    rig.charge()
    twin = copy.deepcopy(rig)
    rig.fire()

    assert twin.events("shot") == []
    twin.set("connection", "open")
    twin.fire()
    assert rig.events("shot")[0]["connection"] == "specimen"


def test_truth_goes_to_its_listener_as_it_happens() -> None:
    rig = Rig()
    heard: list[dict[str, object]] = []
    rig.plant.listen(heard.append)
    before = len(rig.plant.truth())
    rig.shot()

    assert heard == rig.plant.truth()[before:]
    assert [entry["at_s"] for entry in heard] == sorted(entry["at_s"] for entry in heard)  # type: ignore[type-var]


def test_the_first_entry_tells_how_the_bench_is_found() -> None:
    first = Rig().plant.truth()[0]

    assert first["event"] == "start"
    assert first["contactors"] == {
        "high_voltage": "open",
        "leakage": "open",
        "discharge": "closed",
        "earth": "closed",
    }


def test_show_tells_the_faults_that_are_set() -> None:
    rig = Rig()
    assert rig.plant.show(0.0)["faults"] == {}
    rig.set("discharge.fails", "resistor")
    rig.set("meter.link", "silent")
    assert rig.plant.show(0.0)["faults"] == {"discharge.fails": "resistor", "meter.link": "silent"}
    rig.set("discharge.fails", "no")
    rig.set("meter.link", "ok")
    assert rig.plant.show(0.0)["faults"] == {}
    assert "door" not in TROUBLES


@settings(max_examples=60, deadline=None)
@given(
    start_v=st.floats(0, 2000),
    rate=st.sampled_from([0.0, 500.0, 1000.0]),
    level_v=st.floats(0, 2000),
    tau_s=st.floats(0.05, 100),
    after_s=st.floats(0.001, 5),
)
def test_store_follows_its_differential_equation(
    start_v: float, rate: float, level_v: float, tau_s: float, after_s: float
) -> None:
    """Against small explicit steps: the supply gives what it can below its level, nothing above."""
    store = Store()
    store.put(start_v, 10.0)
    store.follow(StorePath(rate, level_v, tau_s), 10.0)

    step_s, v = after_s / 5000, start_v
    for _ in range(5000):
        v += step_s * ((rate if v < level_v else 0.0) - v / tau_s)
    steepest_v = step_s * (rate + max(start_v, level_v) / tau_s)
    assert store.volts(10.0 + after_s) == pytest.approx(v, abs=2 * steepest_v + 1e-6)


@given(
    start_v=st.floats(0, 2000),
    rate=st.sampled_from([0.0, 1000.0]),
    level_v=st.floats(10, 2000),
    tau_s=st.floats(0.05, 100),
    volts=st.floats(1, 2000),
)
def test_store_is_at_a_voltage_when_it_says_so(
    start_v: float, rate: float, level_v: float, tau_s: float, volts: float
) -> None:
    store = Store()
    store.put(start_v, 0.0)
    store.path = StorePath(rate, level_v, tau_s)
    at_s = store.reaches_s(volts)

    if math.isfinite(at_s) and at_s >= 0:
        assert store.volts(at_s) == pytest.approx(volts, rel=1e-6)
