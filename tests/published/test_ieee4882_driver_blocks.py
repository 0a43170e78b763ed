"""The driver's block codec against PyVISA's own (a general-purpose reference library), and public examples.

Sources: PyVISA 1.16 `pyvisa.util` (`to_ieee_block`, `parse_ieee_block_header`, `from_ieee_block`), which implements
IEEE 488.2 arbitrary blocks independently of this project; the worked example of a block of 13 bytes whose header is
`#213`, and `#0` with an ending terminator, as instrument manuals in public explain the standard's format (the
standard itself was not read). The infinity and not-a-number values are SCPI-99's as such manuals quote them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa import util

from drivers import blocks, scpi
from tests.unit.test_blocks import opened


def test_four_bytes_as_pyvisa_writes_them() -> None:
    theirs = util.to_ieee_block([1, 2, 3, 4], "b")
    assert theirs == b"#14\x01\x02\x03\x04"
    assert blocks.encode(bytes([1, 2, 3, 4])) == theirs
    assert blocks.decode(theirs) == bytes([1, 2, 3, 4])


def test_the_manuals_example_of_thirteen_bytes() -> None:
    data = bytes(range(13))
    assert blocks.encode(data) == b"#213" + data
    assert blocks.read(opened(b"#213" + data + b"\n"), 1.0) == data


def test_an_indefinite_block_ends_with_its_terminator() -> None:
    assert blocks.decode(b"#0\x01\x02\x03\n") == b"\x01\x02\x03"


@given(st.binary(min_size=1, max_size=1200))
def test_both_read_the_same_header_and_data(data: bytes) -> None:
    block = blocks.encode(data)
    offset, length = util.parse_ieee_block_header(block)[:2]
    assert (offset, length) == (len(block) - len(data), len(data))
    assert util.from_ieee_block(block, "B", container=bytes) == blocks.decode(block) == data


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("size", [1, 10, 1000])
def test_samples_that_pyvisa_encoded(size: int, big_endian: bool) -> None:
    codes = np.arange(size) * 257 % 65536 - 32768
    theirs = util.to_ieee_block(codes.tolist(), "h", is_big_endian=big_endian)
    data = blocks.read(opened(theirs + b"\n"), 1.0)
    assert np.frombuffer(data, ">i2" if big_endian else "<i2").tolist() == codes.tolist()


@pytest.mark.parametrize(("text", "value"), [("9.9E37", math.inf), ("-9.9E37", -math.inf)])
def test_scpi_infinity(text: str, value: float) -> None:
    assert scpi.number(text) == value


def test_scpi_not_a_number() -> None:
    assert math.isnan(scpi.number("9.91E37"))
