"""IEEE 488.2 blocks against PyVISA, a general-purpose instrument library nobody here wrote.

Sources: PyVISA's `pyvisa.util` (to_ieee_block, parse_ieee_block_header, from_ieee_block) as the reference; the two
literal blocks are what it gives for 1, 2, 3, 4 as bytes and for 16 bytes. That an indefinite block (#0) ends with the
message is from memory of IEEE 488.2.
"""

from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvisa import util

from simulators.scpi import Block, Command, Identity, ScpiDevice, definite_block
from simulators.scpi.blocks import block_span

IDENTITY = Identity("Made-up Instruments", "TD-2", "TD2-0001", "1.0")


class Store:
    """A device that keeps one block and gives it back."""

    def __init__(self) -> None:
        self.data = b""
        self.device = ScpiDevice(
            IDENTITY,
            [
                Command(
                    "DATA", set=self.put, query=lambda args, suffixes, now_s: self.data, parameters=(Block(),)
                )
            ],
        )

    def put(self, args: tuple[bytes, ...], suffixes: tuple[int, ...], now_s: float) -> None:
        self.data = args[0]

    def exchange(self, message: bytes) -> bytes:
        self.device.receive(message, 0.0)
        return b"".join(data for _, data in self.device.advance(0.0))


def test_literal_blocks() -> None:
    assert definite_block(bytes([1, 2, 3, 4])) == b"#14\x01\x02\x03\x04"
    assert util.to_ieee_block(range(1, 5), "B", False) == definite_block(bytes([1, 2, 3, 4]))
    sixteen = definite_block(bytes(16))
    assert sixteen[:4] == b"#216"
    assert util.parse_ieee_block_header(sixteen) == (4, 16)


@given(st.binary(max_size=2000))
@settings(max_examples=100, deadline=None)
def test_blocks_out_are_what_the_library_reads(data: bytes) -> None:
    block = definite_block(data)
    offset, length = util.parse_ieee_block_header(block)
    assert block[offset : offset + length] == data
    assert util.from_ieee_block(block, "B", False) == list(data)
    assert block_span(block.decode("latin-1"), 0) == (offset, offset + length)


@pytest.mark.parametrize("datatype", ["b", "h", "i", "f", "d"])
@pytest.mark.parametrize("is_big_endian", [False, True])
def test_blocks_in_are_what_the_library_writes(
    datatype: Literal["b", "h", "i", "f", "d"], is_big_endian: bool
) -> None:
    values = [0, 1, -1, 10, 35, 59, 100, -128]
    store = Store()
    block = util.to_ieee_block(values, datatype, is_big_endian)
    reply = store.exchange(b"DATA " + block + b"\nDATA?\n")
    assert util.from_ieee_block(reply, datatype, is_big_endian) == values


@given(st.binary(max_size=500))
@settings(max_examples=100, deadline=None)
def test_a_block_of_any_bytes_comes_back_unchanged(data: bytes) -> None:
    assert Store().exchange(b"DATA " + definite_block(data) + b";DATA?\n") == definite_block(data) + b"\n"


def test_an_indefinite_block_ends_with_the_message() -> None:
    store = Store()
    assert store.exchange(b"DATA #0abc;def\nDATA?\n") == b"#17abc;def\n"


def test_a_block_too_long_for_nine_length_digits_is_refused() -> None:
    class Long(bytes):
        def __len__(self) -> int:
            return 1_000_000_000

    with pytest.raises(ValueError, match="at most 999999999 bytes"):
        definite_block(Long())
