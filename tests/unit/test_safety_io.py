"""The safety controller: its map, its watchdog, its contacts and the chain that needs no software."""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.impulse.cell import INPUTS
from tests.plant_rig import HIGH_VOLTAGE, LEAKAGE, Rig

SAFE = [True] * 10
DOOR_A, DOOR_B, STICK, STOP_A, STOP_B, EXHAUST, HV_OPEN, LEAKAGE_OPEN, DISCHARGED, EARTHED = range(10)


def changed(rig: Rig) -> set[int]:
    """The discrete inputs that are not as on a bench at rest."""
    return {at for at, (value, safe) in enumerate(zip(rig.inputs(), SAFE, strict=True)) if value != safe}


def test_a_bench_at_rest_reads_safe() -> None:
    rig = Rig()

    assert rig.inputs() == SAFE
    assert rig.registers() == (0, 0, 230, 450)
    assert rig.modbus(bytes([1, 0, 0, 0, 7])) == bytes([1, 1, 0])


@pytest.mark.parametrize(
    ("name", "value", "inputs"),
    [
        ("door", "open", {DOOR_A, DOOR_B}),
        ("earthing_stick", "away", {STICK}),
        ("emergency_stop", "pressed", {STOP_A, STOP_B}),
        ("exhaust", "stopped", {EXHAUST}),
        ("door.a", "open", {DOOR_A}),
        ("emergency_stop.b", "disagrees", {STOP_B}),
        ("contactor.mirror", "says_closed", {HV_OPEN}),
        ("discharge.feedback", "says_open", {DISCHARGED}),
        ("earth.feedback", "says_open", {EARTHED}),
    ],
)
def test_each_cause_moves_its_inputs_and_no_other(name: str, value: str, inputs: set[int]) -> None:
    rig = Rig()
    version = rig.plant.inputs_version()
    rig.set(name, value)

    assert changed(rig) == inputs
    assert rig.plant.inputs_version() > version
    assert {entry["name"] for entry in rig.events("input")} == {INPUTS[at] for at in inputs}


def test_contacts_take_their_travel_time() -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE)
    assert changed(rig) == set()
    rig.now_s = 0.029
    assert changed(rig) == set()
    rig.now_s = 0.031
    assert changed(rig) == {HV_OPEN, DISCHARGED}
    rig.now_s = 0.041
    assert changed(rig) == {HV_OPEN, DISCHARGED, EARTHED}

    rig.coils(0)
    rig.now_s = 0.082
    assert changed(rig) == set()


def test_without_renewal_the_watchdog_drops_the_outputs_after_500_ms_and_keeps_lamp_and_horn() -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE | 0b1010000)
    rig.now_s = 0.499
    assert rig.modbus(bytes([1, 0, 0, 0, 7])) == bytes([1, 1, 0b1010111])

    rig.now_s = 0.501
    assert rig.modbus(bytes([1, 0, 0, 0, 7])) == bytes([1, 1, 0b1010000])
    assert [entry["at_s"] for entry in rig.events("watchdog")] == [0.5]
    rig.now_s = 0.6
    assert changed(rig) == set()


def test_renewal_keeps_the_outputs_and_a_dropped_output_stays_off() -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE)
    rig.wait(3.0)
    assert changed(rig) == {HV_OPEN, DISCHARGED, EARTHED}

    rig.wait(0.6, renew=False)
    rig.wait(2.0)
    assert changed(rig) == set()
    rig.coils(LEAKAGE)
    rig.wait(0.1)
    assert changed(rig) == {LEAKAGE_OPEN, EARTHED}


def test_watchdog_counts_from_the_first_output_not_from_long_ago() -> None:
    rig = Rig()
    rig.now_s = 100.0
    rig.coils(HIGH_VOLTAGE)
    rig.now_s = 100.4
    assert changed(rig) == {HV_OPEN, DISCHARGED, EARTHED}


def test_writing_coils_does_not_renew() -> None:
    rig = Rig()
    for turn in range(6):
        rig.now_s = 0.1 * turn
        rig.coils(HIGH_VOLTAGE)
    assert rig.events("watchdog")[0]["at_s"] == 0.5


def test_a_dead_watchdog_never_expires() -> None:
    rig = Rig(safety_io__watchdog="dead")
    rig.coils(HIGH_VOLTAGE)
    rig.wait(5.0, renew=False)

    assert changed(rig) == {HV_OPEN, DISCHARGED, EARTHED}


@pytest.mark.parametrize(
    ("name", "value"), [("door", "open"), ("emergency_stop", "pressed"), ("door.b", "open")]
)
@pytest.mark.parametrize("coils", [HIGH_VOLTAGE, LEAKAGE])
def test_the_chain_cuts_by_itself_whatever_the_coils_say(name: str, value: str, coils: int) -> None:
    rig = Rig()
    rig.coils(coils)
    rig.wait(0.1)
    rig.set(name, value)
    rig.wait(0.05)

    assert {HV_OPEN, LEAKAGE_OPEN, DISCHARGED, EARTHED} & changed(rig) == set()
    assert rig.modbus(bytes([1, 0, 0, 0, 4]))[2] == coils


@pytest.mark.parametrize(("name", "value"), [("earthing_stick", "away"), ("exhaust", "stopped")])
def test_stick_and_exhaust_are_not_in_the_chain(name: str, value: str) -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE)
    rig.set(name, value)
    rig.wait(0.1)

    assert HV_OPEN in changed(rig)


def test_the_chain_latches_until_all_outputs_were_off() -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.set("door", "open")
    rig.wait(0.1)
    rig.set("door", "closed")
    rig.wait(0.2)
    assert changed(rig) == set()

    rig.coils(0)
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    assert changed(rig) == {HV_OPEN, DISCHARGED, EARTHED}
    assert [entry["state"] for entry in rig.events("hardware_chain")] == ["open", "closed"]


def test_a_bridged_chain_leaves_it_to_software() -> None:
    rig = Rig(hardware_chain__bridged="yes")
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.set("door", "open")
    rig.wait(0.1)

    assert changed(rig) == {DOOR_A, DOOR_B, HV_OPEN, DISCHARGED, EARTHED}


def test_a_stuck_contact_hides_the_door_from_its_own_channel_only() -> None:
    rig = Rig(door__a="stuck_closed")
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.set("door", "open")
    rig.wait(0.1)

    assert changed(rig) == {DOOR_B}, "channel b still cuts"


def test_a_contact_bounces_for_its_time_and_then_follows() -> None:
    rig = Rig(hardware_chain__bridged="yes")
    rig.set("door.a", "bounces:30 ms")
    seen = []
    while rig.now_s < 0.028:
        seen.append(DOOR_A in changed(rig))
        rig.now_s += 0.001
    rig.now_s = 0.031

    assert {True, False} == set(seen)
    assert changed(rig) == set()
    assert 6 <= len(rig.events("input")) <= 9


def test_a_contact_opens_for_a_while() -> None:
    rig = Rig()
    rig.set("emergency_stop.a", "open:0.2 s")
    assert changed(rig) == {STOP_A}
    rig.wait(0.25)
    assert changed(rig) == set()


def test_a_contact_that_sticks_keeps_what_it_is() -> None:
    rig = Rig(exhaust__a="sticks")
    rig.set("exhaust", "stopped")

    assert changed(rig) == set()


def test_a_welded_contactor_stays_and_its_mirror_contact_says_so() -> None:
    rig = Rig(contactor__welds="high_voltage")
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.coils(0)
    rig.wait(1.0)
    assert changed(rig) == {HV_OPEN}

    rig.set("contactor.welds", "none")
    rig.wait(0.1)
    assert changed(rig) == set()


@pytest.mark.parametrize(("name", "at"), [("discharge.fails", DISCHARGED), ("earth.fails", EARTHED)])
def test_a_safe_relay_that_does_not_fall_shows_it(name: str, at: int) -> None:
    rig = Rig()
    rig.set(name, "yes")
    assert changed(rig) == set(), "it is still closed"
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.coils(0)
    rig.wait(1.0)

    assert changed(rig) == {at}


def test_registers_show_store_and_terminals() -> None:
    rig = Rig()
    rig.charge(1700.0)
    assert rig.registers()[:2] == (1700, 0)
    rig.ask("generator", "OUTP OFF")
    rig.make_safe()
    rig.wait(3.0)

    rig.coils(LEAKAGE)
    rig.ask("meter", "SOUR:VOLT 60;:OUTP ON")
    rig.wait(0.1)
    assert rig.registers()[:2] == (0, 600)
    rig.set("ambient.temperature", "31.5 degC")
    assert rig.registers()[2] == 315


@pytest.mark.parametrize(("fault", "reads"), [("reads_0", 0), ("x0.5", 850), ("frozen", 1700)])
def test_a_lying_divider(fault: str, reads: int) -> None:
    rig = Rig()
    rig.charge(1700.0)
    rig.set("store_divider.fails", fault)
    assert rig.registers()[0] == reads
    rig.ask("generator", "OUTP OFF")
    rig.wait(3.0)
    assert rig.registers()[0] == (1700 if fault == "frozen" else 0)


def test_a_refused_request_changes_nothing() -> None:
    rig = Rig()
    assert rig.modbus(bytes([15, 0, 5, 0, 3, 1, 7])) == bytes([0x8F, 2])
    assert rig.modbus(bytes([5, 0, 0, 0x12, 0x34])) == bytes([0x85, 3])
    assert rig.modbus(bytes([6, 0, 1, 0, 1])) == bytes([0x86, 2])
    assert rig.modbus(bytes([43, 14, 1, 0])) == bytes([0xAB, 1])
    assert rig.events("coils") == []


def test_power_loss_drops_everything() -> None:
    rig = Rig()
    rig.coils(HIGH_VOLTAGE)
    rig.wait(0.1)
    rig.set("safety_io.restart", "1 s")

    assert rig.send("safety_io", struct.pack(">HHHB", 1, 0, 6, 1) + bytes([1, 0, 0, 0, 7])) == b""
    assert not rig.plant.devices["safety_io"].accepts(rig.now_s)
    rig.now_s += 1.0
    rig.plant.advance(rig.now_s)
    assert rig.plant.devices["safety_io"].accepts(rig.now_s)
    assert changed(rig) == set()


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300), st.integers(1, 7))
def test_any_bytes_in_any_split_raise_nothing(data: bytes, step: int) -> None:
    rig = Rig()
    for at in range(0, len(data), step):
        rig.send("safety_io", data[at : at + step])
    rig.now_s = 1.0
    rig.plant.devices["safety_io"].link_closed(1.0)
    rig.plant.devices["safety_io"].link_opened(1.0)

    assert rig.modbus(bytes([2, 0, 0, 0, 1]))[:2] == bytes([2, 1])
