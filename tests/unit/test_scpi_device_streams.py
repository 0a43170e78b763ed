"""What must hold of the SCPI device core for any bytes in any split."""

import itertools
import time

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulators.scpi import Command, ScpiDevice
from tests.unit.scpi_instrument import IDENTITY, IDENTITY_REPLY, Instrument
from tests.unit.test_scpi_device_messages import ROWS

LIMIT = 300
FRAGMENTS = [
    *(b"*IDN?", b"*OPC?", b"*CLS", b"*RST", b"*ESE 1", b"BAD", b"SYST:ERR?", b"INIT", b"*WAI", b"*TRG"),
    *(b"VOLT:RANG", b"DATA:PATT", b"DISP:TEXT", b"TRIG:SOUR", b"CALC:LIM", b"OUTP", b":SENS9:VOLT:RANG?"),
    *(
        b";",
        b":",
        b"\n",
        b" ",
        b",",
        b"?",
        b'"',
        b"'",
        b"#",
        b"#H",
        b"#0",
        b"#15",
        b"#9",
        b"(",
        b")",
        b"\r\n",
    ),
    *(b"1", b"-.5", b"E9", b"kV", b"MAX", b"ON", b"\xff", b"\0", b"&"),
]
streams = st.one_of(
    st.binary(max_size=200),
    st.lists(st.sampled_from(FRAGMENTS), max_size=30).map(lambda parts: b"".join(parts)),
)
messages = st.sampled_from([row[1].encode("latin-1") + b"\n" for row in ROWS])


def in_pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({cut % (len(data) + 1) for cut in cuts} | {0, len(data)})
    return [data[start:end] for start, end in itertools.pairwise(places)]


@given(streams, st.lists(st.integers(0, 10_000), max_size=6))
@example(b"DATA:PATT #3200", [])
@example(b"INIT;*WAI", [])
@example(b'DISP:TEXT "', [])
@settings(max_examples=300, deadline=None)
def test_no_bytes_raise_and_the_device_still_answers(stream: bytes, cuts: list[int]) -> None:
    """Enough new lines end a block, closing the operation ends a wait; then *CLS and *IDN? work as ever."""
    instrument = Instrument(input_limit=LIMIT)
    for piece in in_pieces(stream, cuts):
        instrument.exchange(piece)
    instrument.exchange(b"\n" * (LIMIT + 1))
    instrument.device.abort(1.0)
    while instrument.device.operation_pending:  # *WAI let a further INITiate through
        instrument.device.abort(1.0)
    instrument.device.advance(1.0)
    assert instrument.exchange(b"*CLS\n*IDN?\n", 1.0) == IDENTITY_REPLY
    assert instrument.exchange(b"SYST:ERR?\n", 1.0) == b'0,"No error"\n'


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_without_block_parameters_one_new_line_is_enough(stream: bytes) -> None:
    device = ScpiDevice(IDENTITY, [])
    device.receive(stream + b"\n*CLS\n", 0.0)
    device.advance(0.0)
    device.receive(b"*IDN?\n", 0.0)
    assert device.advance(0.0) == [(0.0, IDENTITY_REPLY)]


@given(st.lists(st.one_of(messages, streams), max_size=6), st.lists(st.integers(0, 10_000), max_size=8))
@settings(max_examples=300, deadline=None)
def test_every_split_gives_the_same_replies(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    whole, split = Instrument(input_limit=LIMIT), Instrument(input_limit=LIMIT)
    at_once = whole.exchange(stream)
    in_parts = b"".join(split.exchange(piece) for piece in in_pieces(stream, cuts))
    assert in_parts == at_once
    after = b"\n*ESR?;*STB?;:SYST:ERR:ALL?\n"
    assert split.exchange(after) == whole.exchange(after)


@pytest.mark.parametrize(
    "row", [row for row in ROWS if "#" in row[1] or '"' in row[1]], ids=lambda row: repr(row[1])
)
def test_byte_by_byte_is_the_same_as_at_once(row: tuple[str, str, str]) -> None:
    stream = row[1].encode("latin-1") + b"\nSYST:ERR:ALL?\n"
    dribbled = Instrument()
    received = b"".join(dribbled.exchange(stream[at : at + 1]) for at in range(len(stream)))
    assert received == Instrument().exchange(stream)


def test_a_usual_query_takes_less_than_a_thousandth_of_a_second() -> None:
    """The aim is 30 us, which `make bench` may watch; a loaded machine must not fail the tests."""
    device = ScpiDevice(IDENTITY, [Command("MEASure:VOLTage", query=lambda args, suffixes, now_s: "1")])
    started_s = time.perf_counter()
    for _ in range(500):
        device.receive(b"MEAS:VOLT?\n", 0.0)
        device.advance(0.0)
    assert (time.perf_counter() - started_s) / 500 < 1e-3
