"""The contact recorder's driver: one exchange for a cycle, and everything that a cycle must not be taken for."""

from __future__ import annotations

import math
import struct
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import blocks
from drivers.equipment.contact_recorder import ScpiContactRecorder
from drivers.equipment.family import instrument_for
from drivers.equipment.off import off_all_stepped
from drivers.equipment.protocols import Identity, InstrumentFault, RecorderSettings
from drivers.links.base import LinkFault
from tests.contract.peers import FakePace
from tests.contract.scripted import ScriptedInstrument

SETTINGS = RecorderSettings(2, 300, 200, 20, 80, 40.0, 80.0, 5e-5, 2.5)
EXPECTED = Identity("Invented Measurement", "CR-64", "CR64-0012")
BUDGET_S = 40e-6  # of our own processor time for one mount's cycle through a memory link


def block(
    number: int = 7,
    mounts: int = 2,
    samples: int = 500,
    flags: int = 2,
    bank: int = 3,
    codes: np.ndarray | None = None,
) -> bytes:
    """A cycle as the recorder writes it, packed here field by field."""
    if codes is None:
        codes = np.arange(mounts * 2 * samples, dtype="<i2")
    head = b"".join(
        (
            number.to_bytes(4, "little"),
            (number + 1).to_bytes(4, "little"),
            mounts.to_bytes(2, "little"),
            samples.to_bytes(2, "little"),
            bank.to_bytes(2, "little"),
            flags.to_bytes(2, "little"),
            struct.pack("<4h", 19661, 19000, -18000, 19660),
            struct.pack("<d", 12.5),
        )
    )
    assert len(head) == 32
    return head + codes.tobytes()


def recorder(answers: dict[str, str | bytes] | None = None) -> tuple[ScpiContactRecorder, ScriptedInstrument]:
    pace = FakePace()
    device = ScriptedInstrument(
        pace,
        {
            "*IDN?": "Invented Measurement,CR-64,CR64-0012,1.0",
            "CONFigure:CONTact?": "2,300,200,20,80",
            "SENSe:VOLTage:RANGe?": "4.000000E+01",
            "SENSe:CURRent:RANGe?": "8.000000E+01",
            "SENSe:SWEep:TINTerval?": "5.000000E-05",
            "TRIGger:LEVel?": "2.500000E+00",
            "STATus:OPERation:CONDition?": "32",
            **(answers or {}),
        },
    )
    made = instrument_for("contact-recorder", device.link("recorder"), EXPECTED)
    assert isinstance(made, ScpiContactRecorder)
    made.open()
    return made, device


def ready(
    data: bytes | None, asked: int = 7, wire: bytes | None = None
) -> tuple[ScpiContactRecorder, ScriptedInstrument]:
    made, device = recorder()
    made.prepare(SETTINGS)
    assert made.read_back() == SETTINGS
    device.sent.clear()
    device.answers[f"FETCh:CYCLe? {asked}"] = wire if wire is not None else blocks.encode(data or b"")
    return made, device


def test_settings_are_written_and_read_back() -> None:
    made, device = recorder()
    device.sent.clear()
    made.prepare(SETTINGS)
    assert device.sent == [
        "ABORt",
        "CONFigure:CONTact 2,300,200,20,80",
        "SENSe:VOLTage:RANGe 40",
        "SENSe:CURRent:RANGe 80",
        "SENSe:SWEep:TINTerval 5E-05",
        "TRIGger:LEVel 2.5",
    ]
    assert made.read_back() == SETTINGS


def test_a_cycle_is_one_exchange_and_is_scaled_by_what_was_read_back() -> None:
    codes = np.random.default_rng(1).integers(-32768, 32768, (2, 2, 500)).astype("<i2")
    made, device = ready(block(codes=codes))
    record = made.fetch(7)
    assert device.sent == ["FETCh:CYCLe? 7"]
    assert (record.number, record.next_number, record.bank) == (7, 8, 3)
    assert (record.complete, record.overload) == (True, False)
    assert record.codes.shape == (2, 2, 500)
    assert record.codes.dtype == np.int16
    assert np.array_equal(record.codes, codes)
    assert record.volts_per_code == 40.0 / 32768
    assert record.amperes_per_code == 80.0 / 32768
    assert record.supply_before_v == pytest.approx(24.0, abs=1e-3)
    assert record.load_on_v == -18000 * 40.0 / 32768
    assert record.made_s == 12.5


def test_flags_of_a_cycle() -> None:
    made, _ = ready(block(flags=1))
    record = made.fetch(7)
    assert (record.complete, record.overload) == (False, True)


def test_a_cycle_that_it_does_not_hold_is_told_with_what_it_reports() -> None:
    made, device = ready(b"")
    device.errors.append('-230,"Data corrupt or stale"')
    with pytest.raises(
        InstrumentFault, match=r"does not hold cycle 7: Data corrupt or stale \(-230"
    ) as caught:
        made.fetch(7)
    assert caught.value.code == "no_capture"
    device.answers["FETCh:CYCLe? 8"] = blocks.encode(block(8))
    assert made.fetch(8).number == 8


def test_another_cycle_than_was_asked_for_is_no_capture() -> None:
    made, _ = ready(block(6))
    with pytest.raises(InstrumentFault, match="sent cycle 6, 7 was asked for") as caught:
        made.fetch(7)
    assert caught.value.code == "no_capture"


def test_other_settings_than_those_read_back_are_found() -> None:
    """Twice the mounts of half the samples: as many bytes, another meaning."""
    made, _ = ready(block(mounts=4, samples=250))
    with pytest.raises(InstrumentFault, match="4 mounts of 250 samples, 2 of 500 were set") as caught:
        made.fetch(7)
    assert caught.value.code == "settings_changed"


@pytest.mark.parametrize(
    "wire",
    [
        blocks.encode(block(samples=499)),
        blocks.encode(block())[:-1] + b"xx",
        b"7.000E+00",
        b"#0" + block(),
        b"\x00\xff\xfe" + blocks.encode(block()),
    ],
)
def test_what_is_no_block_of_that_length_is_rubbish_or_never_comes_to_its_end(wire: bytes) -> None:
    made, _ = ready(None, wire=wire)
    with pytest.raises(LinkFault) as caught:
        made.fetch(7)
    assert caught.value.code in ("rubbish", "timeout")
    with pytest.raises(LinkFault, match="out of service"):
        made.fetch(8)


def test_without_settings_nothing_is_asked() -> None:
    made, device = recorder()
    device.sent.clear()
    with pytest.raises(InstrumentFault, match="settings were not read back"):
        made.fetch(1)
    with pytest.raises(InstrumentFault, match="settings were not read back"):
        made.contact_now()
    assert device.sent == []


def test_waiting_is_proved_by_its_bit() -> None:
    made, device = recorder()
    proof = made.waiting()
    assert (proof.waiting, proof.method, proof.detail) == (True, "operation status bit 5", "status 32")
    device.answers["STATus:OPERation:CONDition?"] = "16"
    assert not made.waiting().waiting


def test_a_bank_is_chosen_and_read_back_in_one_exchange() -> None:
    made, device = recorder({"ROUTe:CLOSe:STATe?": "(@3)"})
    device.sent.clear()
    made.choose_bank(3)
    assert device.sent == ["ROUTe:CLOSe (@3)", "ROUTe:CLOSe:STATe?"]
    device.errors.append('-222,"Data out of range"')
    with pytest.raises(
        InstrumentFault, match=r"bank 9 was asked for, it has \(@3\) closed: Data out of"
    ) as caught:
        made.choose_bank(9)
    assert caught.value.code == "settings_changed"


def test_temperatures_and_what_the_contacts_are_now() -> None:
    made, device = ready(b"")
    device.answers["MEASure:TEMPerature? (@1,2,3)"] = "2.31E+01,24.5,9.91E37"
    first, second, third = made.temperatures_c([1, 2, 3])
    assert (first, second) == (23.1, 24.5)
    assert math.isnan(third)
    device.answers["MEASure:CONTact?"] = "0.02,3.6,24.0,0.0"
    volts, amperes = made.contact_now()
    assert volts.tolist() == [0.02, 24.0]
    assert amperes.tolist() == [3.6, 0.0]
    device.answers["MEASure:CONTact?"] = "0.02,3.6"
    with pytest.raises(LinkFault, match=r"2 numbers to MEASure:CONTact.*not 4") as caught:
        made.contact_now()
    assert caught.value.code == "rubbish"


def test_start_stop_and_the_way_to_safe() -> None:
    made, device = recorder({"ROUTe:CLOSe:STATe?": "(@)"})
    device.sent.clear()
    made.start()
    made.stop()

    def let_run(for_s: float) -> None:
        device.pace.time_s += for_s

    [result] = off_all_stepped([made.off_write], let_run, device.pace.now_s)
    assert result.confirmed
    assert device.sent == ["INITiate", "ABORt", "ABORt", "ROUTe:OPEN:ALL", "ROUTe:CLOSe:STATe?"]
    device.answers["ROUTe:CLOSe:STATe?"] = "(@3)"
    [result] = off_all_stepped([made.off_write], let_run, device.pace.now_s)
    assert (result.sent, result.confirmed) == (True, False)


@given(st.binary(max_size=60))
def test_any_bytes_in_place_of_a_cycle_are_a_fault(data: bytes) -> None:
    made, _ = ready(None, wire=data)
    with pytest.raises((LinkFault, InstrumentFault)):
        made.fetch(7)


class Instant:
    """A port that has the answer at once, so that what is measured is ours."""

    def __init__(self, answer: bytes) -> None:
        self.answer = answer
        self.left = b""

    def connect(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""

    def send(self, data: bytes) -> int:
        self.left = self.answer
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        data, self.left = self.left[:limit], self.left[limit:]
        return data


def test_one_mounts_cycle_stays_within_its_budget_of_processor_time() -> None:
    made, device = recorder({"CONFigure:CONTact?": "1,300,200,20,80"})
    made.read_back()
    device.answers.clear()
    made.link.transport._port = Instant(blocks.encode(block(mounts=1)) + b"\n")  # type: ignore[attr-defined]
    best_s = math.inf
    for _ in range(20):
        began_s = time.process_time()
        for _ in range(200):
            made.fetch(7)
        best_s = min(best_s, (time.process_time() - began_s) / 200)
    assert best_s < BUDGET_S
