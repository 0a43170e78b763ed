"""IEEE 488.2 common commands and status reporting.

Sources: the thirteen mandatory common commands, the four fields of *IDN?, and an unknown command setting 32 in *ESR?,
as instrument manuals list them. The names and places of the event bits (PON URQ CME EXE DDE QYE RQC OPC from 128 to
1) as the 3227 tester's manual prints them under *ESE, which also says what *CLS leaves alone; the status byte (bit 3
questionable, 4 MAV, 5 ESB, 6 summary, 7 operation) as appendix C of the 4288A meter's manual prints it, its bit 2
(error queue not empty) as the VX4101A's manual states it. That *STB? gives MSS in bit 6 and clears nothing as the
801RP AC source's manual says. That *SRE never keeps bit 6 is from memory. The paid standard was not read.
"""

import pytest

from simulators.scpi import EventBit, Identity, OperationBit, QuestionableBit, ScpiDevice, StatusBit

IDENTITY = Identity("Made-up Instruments", "TD-2", "TD2-0001", "1.0")
MANDATORY = [
    "*CLS",
    "*ESE",
    "*ESE?",
    "*ESR?",
    "*IDN?",
    "*OPC",
    "*OPC?",
    "*RST",
    "*SRE",
    "*SRE?",
    "*STB?",
    "*TST?",
    "*WAI",
]
PARAMETERS = {"*ESE": " 0", "*SRE": " 0"}


@pytest.fixture
def device() -> ScpiDevice:
    return ScpiDevice(IDENTITY, [])


def exchange(device: ScpiDevice, message: str) -> str:
    device.receive(message.encode() + b"\n", 0.0)
    return b"".join(data for _, data in device.advance(0.0)).decode().rstrip("\n")


@pytest.mark.parametrize("header", MANDATORY)
def test_every_mandatory_common_command_is_there(device: ScpiDevice, header: str) -> None:
    reply = exchange(device, header + PARAMETERS.get(header, ""))
    assert exchange(device, "SYST:ERR?") == '0,"No error"'
    assert bool(reply) == header.endswith("?")


def test_identification_has_four_fields(device: ScpiDevice) -> None:
    assert exchange(device, "*IDN?").split(",") == ["Made-up Instruments", "TD-2", "TD2-0001", "1.0"]


def test_event_bits() -> None:
    names = ["PON", "URQ", "CME", "EXE", "DDE", "QYE", "RQC", "OPC"]
    assert [int(EventBit[name]) for name in names] == [128, 64, 32, 16, 8, 4, 2, 1]


def test_status_byte_bits() -> None:
    names = ["ERROR_QUEUE", "QUESTIONABLE", "MAV", "ESB", "MSS", "OPERATION"]
    assert [StatusBit[name].bit_length() - 1 for name in names] == [2, 3, 4, 5, 6, 7]


def test_power_on_is_seen_once(device: ScpiDevice) -> None:
    assert exchange(device, "*ESR?") == "128"
    assert exchange(device, "*ESR?") == "0"


def test_an_unknown_common_command_sets_32(device: ScpiDevice) -> None:
    exchange(device, "*ESR?")
    exchange(device, "*XYZ")
    assert exchange(device, "*ESR?") == "32"


def test_reading_the_status_byte_clears_nothing(device: ScpiDevice) -> None:
    exchange(device, "*CLS;*ESE 32;*SRE 32;*XYZ")
    assert [exchange(device, "*STB?") for _ in range(2)] == [str(4 + 32 + 64)] * 2


def test_clearing_leaves_the_enable_registers(device: ScpiDevice) -> None:
    exchange(device, "*ESE 36;*SRE 32;:STAT:OPER:ENAB 32;*CLS")
    assert exchange(device, "*ESE?;*SRE?;:STAT:OPER:ENAB?") == "36;32;32"


def test_service_request_enable_never_keeps_its_own_summary(device: ScpiDevice) -> None:
    exchange(device, "*SRE 255")
    assert exchange(device, "*SRE?") == str(255 - 64)


def test_summary_bits_3_and_7(device: ScpiDevice) -> None:
    exchange(device, "*CLS;:STAT:OPER:ENAB 32;:STAT:QUES:ENAB 1")
    device.status.operation.set_condition(OperationBit.WAITING_FOR_TRIGGER, True)
    device.status.questionable.set_condition(QuestionableBit.VOLTAGE, True)
    assert exchange(device, "*STB?") == str(128 + 8)
    assert exchange(device, "STAT:OPER:EVEN?;COND?") == "32;32"
    assert exchange(device, "*STB?") == "8"


def test_waiting_for_trigger_is_bit_5_and_for_arm_bit_6() -> None:
    """SCPI-99 operation status register, as instrument manuals give it: 32 and 64."""
    assert 1 << OperationBit.WAITING_FOR_TRIGGER == 32
    assert 1 << OperationBit.WAITING_FOR_ARM == 64
