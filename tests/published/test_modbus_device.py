"""The simulated safety I/O's Modbus codec against published frames, as bytes.

Sources: the example of reading three holding registers (03 00 6B 00 03 -> 03 06 02 2B 00 00 00 64) is that of the
Modbus Application Protocol specification 1.1b3, here as repeated in a valve maker's manual. Reading 37 coils
(01 00 13 00 25 -> 01 05 CD 6B B2 0E 1B) was seen in public tutorials. All other frames are the same specification's
examples from memory. The header (transaction, protocol 0, length of unit and PDU, unit) is as in the documentation
of several Modbus libraries.
"""

from collections.abc import Sequence

import pytest

from simulators.modbus import FrameError, answer, answer_frame, packed_bits, take_frames, unpacked_bits


class Tables:
    """Tables that hold what the published examples read."""

    def __init__(self) -> None:
        self.bits = [False] * 0x200
        self.registers = [0] * 0x200

    def coils(self) -> Sequence[bool]:
        return self.bits

    def discrete_inputs(self) -> Sequence[bool]:
        return self.bits

    def holding_registers(self) -> Sequence[int]:
        return self.registers

    def input_registers(self) -> Sequence[int]:
        return self.registers

    def write_coils(self, start: int, values: Sequence[bool]) -> None:
        self.bits[start : start + len(values)] = values

    def write_registers(self, start: int, values: Sequence[int]) -> None:
        self.registers[start : start + len(values)] = values


def said(request: str, tables: Tables) -> str:
    return answer(bytes.fromhex(request), tables).hex(" ").upper()


READS = [
    # request, start, content, response
    ("01 00 13 00 13", 0x13, "CD 6B 05", "01 03 CD 6B 05"),
    ("01 00 13 00 25", 0x13, "CD 6B B2 0E 1B", "01 05 CD 6B B2 0E 1B"),
    ("02 00 C4 00 16", 0xC4, "AC DB 35", "02 03 AC DB 35"),
]


@pytest.mark.parametrize(("request_", "start", "content", "response"), READS)
def test_published_reads_of_bits(request_: str, start: int, content: str, response: str) -> None:
    tables, count = Tables(), int(request_[-5:].replace(" ", ""), 16)
    tables.write_coils(start, unpacked_bits(bytes.fromhex(content), count))

    assert said(request_, tables) == response


def test_published_read_of_holding_registers() -> None:
    tables = Tables()
    tables.write_registers(0x6B, [0x022B, 0x0000, 0x0064])

    assert said("03 00 6B 00 03", tables) == "03 06 02 2B 00 00 00 64"


def test_published_read_of_input_registers() -> None:
    tables = Tables()
    tables.write_registers(0x08, [0x000A])

    assert said("04 00 08 00 01", tables) == "04 02 00 0A"


def test_published_write_of_one_coil() -> None:
    tables = Tables()

    assert said("05 00 AC FF 00", tables) == "05 00 AC FF 00"
    assert [at for at, bit in enumerate(tables.bits) if bit] == [0xAC]


def test_published_write_of_one_register() -> None:
    tables = Tables()

    assert said("06 00 01 00 03", tables) == "06 00 01 00 03"
    assert tables.registers[1] == 3


def test_published_write_of_ten_coils() -> None:
    """CD 01: coils 13 to 1C hex are 1011 0011 10 from the first on."""
    tables = Tables()

    assert said("0F 00 13 00 0A 02 CD 01", tables) == "0F 00 13 00 0A"
    assert tables.bits[0x13:0x1D] == [True, False, True, True, False, False, True, True, True, False]


def test_published_write_of_two_registers() -> None:
    tables = Tables()

    assert said("10 00 01 00 02 04 00 0A 01 02", tables) == "10 00 01 00 02"
    assert tables.registers[1:3] == [0x000A, 0x0102]


@pytest.mark.parametrize(
    ("request_", "response"),
    [
        ("07", "87 01"),  # a function that is not there
        ("01 04 A1 00 01", "81 02"),  # the specification's own example of an exception
        ("03 02 00 00 01", "83 02"),
        ("03 01 FF 00 02", "83 02"),
        ("03 00 00 00 00", "83 03"),
        ("03 00 00 00 7E", "83 03"),  # at most 125 registers
        ("01 00 00 07 D1", "81 03"),  # at most 2000 bits
        ("05 00 01 00 01", "85 03"),  # neither FF00 nor 0000
        ("0F 00 00 00 0A 01 FF", "8F 03"),  # byte count does not fit
        ("10 00 00 00 02 04 00 0A 01", "90 03"),
        ("06 02 00 00 01", "86 02"),
    ],
)
def test_exceptions(request_: str, response: str) -> None:
    tables = Tables()

    assert said(request_, tables) == response
    assert not any(tables.bits) and not any(tables.registers)


def test_header_counts_unit_and_pdu() -> None:
    tables = Tables()
    tables.write_registers(0x6B, [0x022B, 0x0000, 0x0064])
    request = bytes.fromhex("00 01 00 00 00 06 11 03 00 6B 00 03")

    assert take_frames(bytearray(request)) == [request]
    assert (
        answer_frame(request, [0x11], tables).hex(" ").upper()
        == "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64"
    )


def test_a_foreign_unit_is_answered_as_by_a_gateway() -> None:
    request = bytes.fromhex("00 01 00 00 00 06 12 03 00 6B 00 03")

    assert answer_frame(request, [0x11], Tables()).hex(" ").upper() == "00 01 00 00 00 03 12 83 0B"


def test_frames_come_whole_out_of_any_split() -> None:
    frames = [bytes.fromhex("00 01 00 00 00 06 11 03 00 6B 00 03"), bytes.fromhex("00 02 00 00 00 02 11 07")]
    inbox, got = bytearray(), []
    for byte in b"".join(frames):
        inbox.append(byte)
        got += take_frames(inbox)

    assert got == frames
    assert inbox == b""


@pytest.mark.parametrize(
    "head", ["00 01 00 01 00 06 11 03", "00 01 00 00 00 01 11 03", "00 01 00 00 00 FF 11 03"]
)
def test_what_cannot_be_a_frame_is_said(head: str) -> None:
    with pytest.raises(FrameError):
        take_frames(bytearray.fromhex(head))


def test_bits_are_packed_from_the_lowest_up_and_padded_with_zeros() -> None:
    assert packed_bits([True, False, True, True, False, False, True, True, True]) == bytes([0xCD, 0x01])
    assert packed_bits([]) == b""
