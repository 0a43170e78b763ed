"""Equipment by dialect, against a scripted instrument on the fake clock."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers import blocks
from drivers.equipment.digitiser import ScpiDigitiser
from drivers.equipment.family import instrument_for
from drivers.equipment.impulse_source import ScpiImpulseSource
from drivers.equipment.instrument import differences
from drivers.equipment.leakage_meter import ScpiLeakageMeter
from drivers.equipment.protocols import DigitiserSettings, Identity, InstrumentFault
from drivers.links.base import LinkFault
from tests.contract.peers import FakePace
from tests.contract.scripted import Answer, ScriptedInstrument

IDENTITY = Identity("Made-up Instruments", "IG-2", "IG2-0031")
IDN = "Made-up Instruments,IG-2,IG2-0031,1.4"
SOURCE: dict[str, Answer] = {
    "*IDN?": IDN,
    "SOURce:VOLTage?": "1.7000E+03",
    "OUTPut:POLarity?": "NORM",
    "TRIGger:SOURce?": "BUS",
    "OUTPut?": "0",
    "MEASure:VOLTage?": "1.69E+03",
    "STATus:OPERation:CONDition?": "34",
}
SETTINGS = DigitiserSettings(1, 1.0, 1e-8, 4, 2, "external", 0.1, "rising")


def source(answers: dict[str, Answer] | None = None) -> tuple[ScpiImpulseSource, ScriptedInstrument]:
    device = ScriptedInstrument(FakePace(), {**SOURCE, **(answers or {})})
    made = instrument_for("impulse-source", device.link("generator"), IDENTITY)
    assert isinstance(made, ScpiImpulseSource)
    return made, device


def digitiser(
    family: str, answers: dict[str, Answer] | None = None
) -> tuple[ScpiDigitiser, ScriptedInstrument]:
    name = {"status-bit": "CH1", "sample-count": "VOLT1"}[family]
    order = {"status-bit": "<i2", "sample-count": ">i2"}[family]
    codes = np.array([-32768, -1, 256, 32752], dtype=order)
    table: dict[str, Answer] = {
        "*IDN?": IDN,
        "SENSe1:VOLTage:RANGe?": "1",
        "SENSe:SWEep:TINTerval?": "1.0E-08",
        "SENSe:SWEep:POINts?": "4",
        "SENSe:SWEep:OFFSet:POINts?": "-2",
        "TRIGger:SOURce?": "EXT",
        "TRIGger:LEVel?": "0.1",
        "TRIGger:SLOPe?": "POS",
        "STATus:OPERation:CONDition?": "0",
        f"TRACe:POINts? {name}": "4",
        f"TRACe? {name}": blocks.encode(codes.tobytes()),
    }
    device = ScriptedInstrument(FakePace(), {**table, **(answers or {})})
    made = instrument_for(f"digitiser-{family}", device.link("recorder"), IDENTITY)
    assert isinstance(made, ScpiDigitiser)
    made.open()
    made.prepare(SETTINGS)
    return made, device


# ---- identity


def test_opening_identifies_and_keeps_old_errors() -> None:
    generator, device = source()
    device.errors.append('-350,"Queue overflow"')
    assert generator.open() == replace(IDENTITY, firmware="1.4")
    assert [entry.number for entry in generator.errors_at_open] == [-350]
    assert device.errors == []


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ("Made-up Instruments,IG-2,IG2-0032,1.4", "serial 'IG2-0031', this one says 'IG2-0032'"),
        ("Made-up Instruments,IG-3,IG2-0031,1.4", "model 'IG-2'"),
        ("Invented Measurement,IG-2,IG2-0031,1.4", "maker 'Made-up Instruments'"),
    ],
)
def test_another_instrument_is_refused_and_its_link_closed(answer: str, says: str) -> None:
    generator, _ = source({"*IDN?": answer})
    with pytest.raises(InstrumentFault) as caught:
        generator.open()
    assert caught.value.code == "wrong_instrument"
    assert says in str(caught.value)
    assert str(caught.value).startswith("generator, identify: ")
    with pytest.raises(LinkFault) as after:
        generator.charge()
    assert after.value.code == "out_of_service"


def test_an_identity_that_is_none_is_rubbish() -> None:
    generator, _ = source({"*IDN?": "1.69E+03"})
    with pytest.raises(LinkFault) as caught:
        generator.open()
    assert caught.value.code == "rubbish"


# ---- impulse source


def test_prepare_inhibits_first_and_never_charges() -> None:
    generator, device = source()
    generator.open()
    generator.prepare(1700.0, "negative")
    assert device.sent[1:] == [
        "ABORt",
        "OUTPut:POLarity INVerted",
        "SOURce:VOLTage 1700",
        "TRIGger:SOURce BUS",
    ]


def test_read_back_says_what_it_took() -> None:
    generator, device = source()
    generator.open()
    wanted = {"voltage_v": 1700.0, "polarity": "positive", "trigger_source": "command"}
    assert differences(wanted, generator.read_back()) == []
    device.answers |= {"SOURce:VOLTage?": "1.2E+03", "OUTPut:POLarity?": "INV", "TRIGger:SOURce?": "MAN"}
    assert differences(wanted, generator.read_back()) == [
        "voltage: asked for 1700 V, it took 1200 V",
        "polarity: asked for positive, it took negative",
        "trigger source: asked for command, it took MAN",
    ]


def test_states_and_readings() -> None:
    generator, device = source()
    generator.open()
    assert generator.charge_voltage_v() == 1690.0
    assert generator.charging()
    assert generator.waiting_for_trigger()
    device.answers["STATus:OPERation:CONDition?"] = "0"
    assert not generator.charging()
    assert not generator.waiting_for_trigger()


def test_each_act_is_one_message_and_a_refusal_is_told_in_words() -> None:
    generator, device = source()
    generator.open()
    del device.sent[:]
    generator.charge()
    generator.enable_trigger()
    generator.inhibit_trigger()
    generator.off()
    assert device.sent == ["OUTPut ON", "INITiate", "ABORt", "ABORt", "OUTPut OFF"]
    device.refuses["*TRG"] = '-211,"Trigger ignored"'
    with pytest.raises(InstrumentFault) as caught:
        generator.trigger()
    assert caught.value.code == "error_queue"
    assert str(caught.value) == "generator, trigger: it reports Trigger ignored (-211, execution error)"
    assert device.errors == []


def test_a_trigger_whose_reply_is_lost_was_sent_once() -> None:
    generator, device = source()
    generator.open()
    device._take = lambda line: device.sent.append(line)  # type: ignore[method-assign]
    with pytest.raises(LinkFault) as caught:
        generator.trigger()
    assert caught.value.code == "timeout"
    assert device.sent.count("*TRG") == 1


def test_one_total_deadline_over_all_questions_of_a_call() -> None:
    generator, device = source()
    generator.open()

    def slow() -> str:
        device.pace.time_s += 0.9
        return "0"

    device.answers |= {"SOURce:VOLTage?": slow, "OUTPut:POLarity?": slow, "TRIGger:SOURce?": slow}
    began_s = device.pace.time_s
    with pytest.raises(LinkFault) as caught:
        generator.read_back()
    assert caught.value.code == "timeout"
    assert device.pace.time_s - began_s < 2.0 + 0.9 + 0.01


def test_an_error_queue_that_never_empties_is_rubbish() -> None:
    generator, device = source()
    generator.open()
    device.errors = ['-113,"Undefined header"'] * 1000
    with pytest.raises(LinkFault, match="error queue of more than") as caught:
        generator.off()
    assert caught.value.code == "rubbish"


# ---- digitiser


def test_prepare_writes_every_setting_of_the_channel() -> None:
    _, device = digitiser("status-bit")
    assert device.sent[1:] == [
        "ABORt",
        "SENSe1:VOLTage:RANGe 1",
        "INPut1:COUPling DC",
        "SENSe:SWEep:POINts 4",
        "SENSe:SWEep:TINTerval 1E-08",
        "SENSe:SWEep:OFFSet:POINts -2",
        "TRIGger:SOURce EXTernal",
        "TRIGger:LEVel 0.1",
        "TRIGger:SLOPe POSitive",
        "FORMat INTeger,16",
        "FORMat:BORDer SWAPped",
    ]


def test_a_family_with_a_fixed_byte_order_is_not_told_one() -> None:
    _, device = digitiser("sample-count")
    assert "FORMat INTeger,16" in device.sent
    assert not [line for line in device.sent if "BORDer" in line]


def test_read_back_of_a_digitiser() -> None:
    recorder, device = digitiser("status-bit")
    assert recorder.read_back() == SETTINGS
    device.answers |= {"SENSe1:VOLTage:RANGe?": "2.5", "TRIGger:SOURce?": "INT1", "TRIGger:SLOPe?": "EITH"}
    assert differences(SETTINGS, recorder.read_back()) == [
        "range: asked for 1 V, it took 2.5 V",
        "trigger source: asked for external, it took channel",
        "slope: asked for rising, it took EITH",
    ]


@pytest.mark.parametrize("status", [0, 16, 32, 48])
def test_waiting_by_status_bit_5(status: int) -> None:
    recorder, device = digitiser("status-bit", {"STATus:OPERation:CONDition?": str(status)})
    proof = recorder.waiting_for_trigger()
    assert proof.waiting == (status in (32, 48))
    assert proof.method == "operation status bit 5"
    assert proof.at_s <= device.pace.time_s


@pytest.mark.parametrize(
    ("status", "counts", "waiting"),
    [
        (16, ["100", "350"], True),
        (16, ["2", "3"], True),
        (16, ["100", "100"], False),  # it does not go on: it hangs
        (16, ["1", "4"], False),  # the pre-trigger part was not full at the first reading
        (0, ["100", "350"], False),  # it does not measure
        (32, ["0", "0"], False),  # bit 5 means nothing in this family
    ],
)
def test_waiting_by_sample_count(status: int, counts: list[str], waiting: bool) -> None:
    left = list(counts)
    recorder, _ = digitiser(
        "sample-count",
        {"STATus:OPERation:CONDition?": str(status), "TRACe:POINts? PRETrigger": lambda: left.pop(0)},
    )
    proof = recorder.waiting_for_trigger()
    assert proof.waiting is waiting
    assert proof.method == "sample count"
    assert counts[0] in proof.detail


@pytest.mark.parametrize("family", ["status-bit", "sample-count"])
def test_fetch_gives_native_codes_and_their_scale(family: str) -> None:
    recorder, _ = digitiser(family)
    recorder.read_back()
    assert recorder.done()
    trace = recorder.fetch()
    assert trace.codes.dtype == np.int16
    assert trace.codes.dtype.isnative
    assert trace.codes.tolist() == [-32768, -1, 256, 32752]
    assert trace.volts_per_code == 1.0 / 32768
    assert (trace.samples, trace.pre_trigger_samples, trace.sample_interval_s) == (4, 2, 1e-8)
    assert (trace.lowest_code, trace.highest_code) == (-32768, 32752)


def test_no_capture_held_is_not_asked_for() -> None:
    recorder, device = digitiser("status-bit", {"TRACe:POINts? CH1": "0"})
    recorder.read_back()
    assert not recorder.done()
    with pytest.raises(InstrumentFault, match="0 samples held, 4 asked for") as caught:
        recorder.fetch()
    assert caught.value.code == "no_capture"
    assert "TRACe? CH1" not in device.sent
    assert recorder.link.in_service


def test_a_capture_of_another_length_is_refused() -> None:
    recorder, _ = digitiser("status-bit", {"TRACe? CH1": blocks.encode(b"\0" * 6)})
    recorder.read_back()
    with pytest.raises(InstrumentFault, match="3 samples sent, 4 asked for"):
        recorder.fetch()


def test_a_range_turned_at_the_front_panel_after_reading_back_is_seen() -> None:
    recorder, device = digitiser("status-bit")
    recorder.read_back()
    device.answers["SENSe1:VOLTage:RANGe?"] = "5"
    with pytest.raises(InstrumentFault, match="range: asked for 1 V, it took 5 V") as caught:
        recorder.fetch()
    assert caught.value.code == "settings_changed"


def test_while_it_measures_it_is_not_done() -> None:
    recorder, _ = digitiser("status-bit", {"STATus:OPERation:CONDition?": "48"})
    assert not recorder.done()


def test_a_digitiser_that_was_not_prepared_has_no_capture() -> None:
    device = ScriptedInstrument(FakePace(), {"*IDN?": IDN})
    recorder = instrument_for("digitiser-status-bit", device.link(), IDENTITY)
    assert isinstance(recorder, ScpiDigitiser)
    recorder.open()
    with pytest.raises(InstrumentFault, match="not prepared"):
        recorder.fetch()


# ---- leakage meter


def test_leakage_meter() -> None:
    answers: dict[str, Answer] = {
        "*IDN?": IDN,
        "SOURce:VOLTage?": "60",
        "SENSe:CURRent:RANGe?": "1E-3",
        "OUTPut?": "1",
        "MEASure:CURRent?": "1.5E-04",
    }
    device = ScriptedInstrument(FakePace(), answers)
    meter = instrument_for("leakage-meter", device.link("meter"), IDENTITY)
    assert isinstance(meter, ScpiLeakageMeter)
    meter.open()
    meter.prepare(60.0, 1e-3)
    assert differences({"voltage_v": 60.0, "range_a": 1e-3, "output": "on"}, meter.read_back()) == []
    meter.on()
    assert meter.current_a() == 1.5e-4
    device.answers["MEASure:CURRent?"] = "9.9E37"
    assert meter.current_a() == math.inf
    meter.off()
    acts = [line for line in device.sent if "?" not in line]
    assert acts == ["OUTPut OFF", "SOURce:VOLTage 60", "SENSe:CURRent:RANGe 0.001", "OUTPut ON", "OUTPut OFF"]


# ---- several in one message


def test_settings_and_their_reading_back_are_a_message_each() -> None:
    recorder, device = digitiser("status-bit")
    settings = [message for message in device.messages if message.startswith("ABORt;")]
    assert [message.count(";:") for message in settings] == [10]
    assert device.messages[-1] == "SYSTem:ERRor?", (
        "behind settings: a command error drops what shares its message"
    )
    del device.messages[:]
    recorder.read_back()
    assert device.messages == [
        "SENSe1:VOLTage:RANGe?;:SENSe:SWEep:TINTerval?;:SENSe:SWEep:POINts?;:SENSe:SWEep:OFFSet:POINts?;"
        ":TRIGger:SOURce?;:TRIGger:LEVel?;:TRIGger:SLOPe?;:SYSTem:ERRor?"
    ]
    del device.messages[:]
    recorder.fetch()
    assert [message.count("?") for message in device.messages] == [8, 1, 1]


def test_a_family_that_takes_one_at_a_time_is_told_and_asked_so() -> None:
    shipped, device = digitiser("status-bit")
    dialect = replace(shipped.dialect, compound_messages=False)
    recorder = ScpiDigitiser(device.link("recorder"), dialect, IDENTITY)
    recorder.open()
    del device.messages[:]
    recorder.prepare(SETTINGS)
    assert recorder.read_back() == SETTINGS
    assert recorder.done()
    assert recorder.fetch().codes.size == 4
    assert not [message for message in device.messages if ";" in message]


def test_what_switches_and_the_way_to_safe_share_no_message() -> None:
    generator, device = source()
    generator.open()
    del device.messages[:]
    generator.charge()
    generator.enable_trigger()
    generator.trigger()
    generator.off()
    assert not [message for message in device.messages if ";" in message]


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        ({"OUTPut?": None}, "4 answers to 5 questions"),
        ({"OUTPut?": "0;0"}, "6 answers to 5 questions"),
        ({"SOURce:VOLTage?": ""}, "not a number"),
        ({"SOURce:VOLTage?": "NORM"}, "not a number"),
        ({"OUTPut:POLarity?": "1.7000E+03"}, "not a word"),
        ({"OUTPut?": "NORM"}, "neither 0 nor 1"),
    ],
)
def test_one_answer_of_several_that_cannot_be_condemns_the_link(
    answers: dict[str, Answer], says: str
) -> None:
    generator, _ = source(answers)
    generator.open()
    with pytest.raises(LinkFault, match=says) as caught:
        generator.read_back()
    assert caught.value.code == "rubbish"
    assert not generator.link.in_service


def test_errors_behind_several_questions_are_all_taken_out_and_told() -> None:
    generator, device = source()
    generator.open()
    device.errors = ['-222,"Data out of range;1700 to 2000"', '-350,"Queue overflow"']
    with pytest.raises(InstrumentFault, match=r"1700 to 2000.*Queue overflow") as caught:
        generator.read_back()
    assert caught.value.code == "error_queue"
    assert device.errors == []
    assert generator.link.in_service
