"""The SCPI device core in time: delays, overlapped operations, waiting, links that come and go, limits."""

import math
import time

import pytest

from simulators.scpi import Block, Command, EventBit, Identity, Later, Number, ScpiDevice, ScpiError, Text
from simulators.scpi.headers import HeaderTree
from tests.unit.scpi_instrument import IDENTITY, IDENTITY_REPLY, Instrument


def silent(args: tuple[object, ...], suffixes: tuple[int, ...], now_s: float) -> None:
    """A handler for commands that do nothing."""


def device_with(*commands: Command, reply_delay_s: float = 0.0, input_limit: int = 65_536) -> ScpiDevice:
    return ScpiDevice(IDENTITY, commands, reply_delay_s=reply_delay_s, input_limit=input_limit)


def test_power_on_shows_once() -> None:
    assert Instrument().exchange(b"*ESR?;*ESR?\n") == b"128;0\n"


def test_a_delayed_reply_is_due_after_its_delay_and_not_before() -> None:
    device = device_with(reply_delay_s=0.25)
    device.receive(b"*IDN?\n", 10.0)
    assert device.next_due_s() == 10.25
    assert device.advance(10.2) == []
    assert device.advance(11.0) == [(10.25, IDENTITY_REPLY)]
    assert device.next_due_s() == math.inf


def test_replies_keep_their_order_when_the_delay_shrinks() -> None:
    device = device_with(reply_delay_s=1.0)
    device.receive(b"*ESE?\n", 0.0)
    device.reply_delay_s = 0.0
    device.receive(b"*SRE 1;*SRE?\n", 0.5)
    assert device.advance(2.0) == [(1.0, b"0\n"), (1.0, b"1\n")]


def test_a_response_still_due_shows_as_message_available() -> None:
    device = device_with(reply_delay_s=1.0)
    device.receive(b"*ESE?\n*STB?\n", 0.0)
    assert [data for _, data in device.advance(1.0)] == [b"0\n", b"16\n"]
    device.receive(b"*STB?\n", 2.0)
    assert device.advance(3.0) == [(3.0, b"0\n")]


def test_opc_query_answers_when_the_operation_ends_at_its_planned_time() -> None:
    ended_s: list[float] = []
    device = device_with()
    device.begin_operation(5.0, on_end=ended_s.append)
    device.receive(b"*OPC?\n*IDN?\n", 1.0)
    assert device.advance(4.9) == []
    assert device.next_due_s() == 5.0
    assert device.advance(9.0) == [(5.0, b"1\n"), (5.0, IDENTITY_REPLY)]
    assert ended_s == [5.0]


def test_wai_holds_what_stands_behind_it_in_the_message() -> None:
    instrument = Instrument()
    assert instrument.exchange(b"INIT;*ESE 1;*WAI;*ESE 2;*ESE?\n") == b""
    assert instrument.device.status.events_enabled == 1
    assert instrument.acquisition is not None
    instrument.device.end_operation(instrument.acquisition, 3.0)
    assert instrument.device.advance(3.0) == [(3.0, b"2\n")]


def test_opc_waits_for_all_of_several_operations() -> None:
    device = device_with()
    first, second = device.begin_operation(), device.begin_operation()
    device.receive(b"*CLS;*OPC\n", 0.0)
    device.end_operation(first, 1.0)
    assert device.status.events == 0
    device.end_operation(second, 2.0)
    device.end_operation(second, 2.5)
    assert device.status.events == EventBit.OPC
    assert not device.operation_pending


def test_the_first_of_several_planned_ends_does_not_end_the_wait() -> None:
    device = device_with()
    device.begin_operation(1.0)
    device.begin_operation(2.0)
    device.receive(b"*OPC?\n", 0.0)
    assert device.advance(3.0) == [(2.0, b"1\n")]


def test_closing_the_link_ends_a_wait_and_keeps_status() -> None:
    instrument = Instrument()
    instrument.exchange(b"*ESE 4;BAD\nINIT;*OPC?\n*IDN?\n*ID")
    instrument.device.link_closed(1.0)
    instrument.device.link_opened(2.0)
    assert instrument.exchange(b"*ESE?\n", 2.0) == b"4\n"
    assert instrument.exchange(b"SYST:ERR:COUN?\n", 2.0) == b"1\n"
    assert instrument.device.operation_pending


def test_closing_the_link_drops_responses_that_are_not_due() -> None:
    device = device_with(reply_delay_s=1.0)
    device.receive(b"*IDN?\n", 0.0)
    device.link_closed(0.5)
    assert device.advance(2.0) == []


def test_a_query_may_answer_later_and_holds_the_rest() -> None:
    def measure(args: tuple[object, ...], suffixes: tuple[int, ...], now_s: float) -> Later:
        return Later(lambda at_s: f"{at_s:g}", at_s=now_s + 2.0)

    device = device_with(Command("MEASure", query=measure))
    device.receive(b"MEAS?;*ESE?\n", 1.0)
    assert device.next_due_s() == 3.0
    assert device.advance(10.0) == [(3.0, b"3;0\n")]


def test_a_later_answer_may_be_a_refusal() -> None:
    def refuse(now_s: float) -> str:
        raise ScpiError(-230, "no capture")

    device = device_with(
        Command("FETCh", query=lambda args, suffixes, now_s: Later(refuse, now_s + 1.0)),
    )
    device.receive(b"FETC?\n", 0.0)
    assert device.advance(1.0) == []
    device.receive(b"SYST:ERR?\n", 1.0)
    assert device.advance(1.0) == [(1.0, b'-230,"Data corrupt or stale;no capture"\n')]


def test_self_test_hook_answers_tst() -> None:
    assert Instrument(self_test=lambda now_s: 3).exchange(b"*TST?\n") == b"3\n"


def test_a_handler_may_close_the_link_it_was_called_on() -> None:
    device = ScpiDevice(
        IDENTITY,
        [Command("DIE", set=lambda args, suffixes, now_s: device.link_closed(now_s))],
    )
    device.receive(b"DIE;*IDN?\n*ESE?\n", 0.0)
    assert device.advance(1.0) == []
    device.receive(b"*IDN?\n", 1.0)
    assert device.advance(1.0) == [(1.0, IDENTITY_REPLY)]


def test_an_endless_line_overruns_once_and_the_next_message_works() -> None:
    device = device_with(input_limit=100)
    for _ in range(50):
        device.receive(b"x" * 50, 0.0)
    device.receive(b"\n*IDN?\n", 0.0)
    assert device.advance(0.0) == [(0.0, IDENTITY_REPLY)]
    device.receive(b"SYST:ERR:ALL?\n", 0.0)
    assert device.advance(0.0) == [(0.0, b'-363,"Input buffer overrun;at most 100 bytes"\n')]


def test_messages_behind_a_wait_overrun_when_they_are_too_many() -> None:
    device = device_with(input_limit=100)
    operation = device.begin_operation()
    device.receive(b"*WAI\n", 0.0)
    for _ in range(100):
        device.receive(b"*ESE?\n", 0.0)
    device.end_operation(operation, 1.0)
    replies = device.advance(1.0)
    assert replies == [(1.0, b"0\n")] * 20
    device.receive(b"SYST:ERR:COUN?\n", 1.0)
    assert device.advance(1.0) == [(1.0, b"1\n")]


@pytest.mark.parametrize("data", [b"y" * 200, b"\n" + b"y" * 199], ids=["plain", "new line in it"])
def test_a_block_longer_than_the_input_buffer_is_an_overrun(data: bytes) -> None:
    """What stands behind a new line in such a block is no longer part of it."""
    device = device_with(Command("DATA", set=silent, parameters=(Block(),)), input_limit=100)
    device.receive(b"DATA #3200" + data + b"\nSYST:ERR?\n", 0.0)
    assert device.advance(0.0) == [(0.0, b'-363,"Input buffer overrun;at most 100 bytes"\n')]


@pytest.mark.parametrize(("length", "answered"), [(100, True), (101, False)])
@pytest.mark.parametrize("piece", [1, 7, 1000])
def test_a_message_may_fill_the_input_buffer_and_no_more(length: int, answered: bool, piece: int) -> None:
    device = device_with(input_limit=100)
    stream = b"*ESE?".ljust(length) + b"\n"
    for start in range(0, len(stream), piece):
        device.receive(stream[start : start + piece], 0.0)
    assert device.advance(0.0) == ([(0.0, b"0\n")] if answered else [])
    assert len(device.errors) == (0 if answered else 1)


@pytest.mark.parametrize(
    ("digits", "expected"), [(255, b'0,"No error"\n'), (256, b'-124,"Too many digits"\n')]
)
def test_a_mantissa_has_at_most_255_digits(digits: int, expected: bytes) -> None:
    device = device_with(Command("GAIN", set=silent, parameters=(Number(),)))
    device.receive(b"GAIN 0.0" + b"7" * digits + b"\nSYST:ERR?\n", 0.0)
    assert device.advance(0.0) == [(0.0, expected)]


def test_an_error_text_is_cut_and_printable() -> None:
    device = device_with()
    device.error(101, 'a"b\n' + "x" * 400)
    device.receive(b"SYST:ERR?\n", 0.0)
    ((_, entry),) = device.advance(0.0)
    text = entry.decode("ascii").removeprefix('101,"').removesuffix('"\n')
    assert text.startswith('Device-specific error;a""b.xxx')
    assert len(text.replace('""', '"')) == 255


def test_a_fault_in_a_handler_is_not_swallowed_and_does_not_jam_the_device() -> None:
    def broken(args: tuple[object, ...], suffixes: tuple[int, ...], now_s: float) -> None:
        raise ZeroDivisionError

    device = device_with(Command("BREak", set=broken))
    with pytest.raises(ZeroDivisionError):
        device.receive(b"BRE\n", 0.0)
    device.receive(b"*IDN?\n", 0.0)
    assert device.advance(0.0) == [(0.0, IDENTITY_REPLY)]


@pytest.mark.parametrize(
    ("first", "second"),
    [("VOLTage:RANGe", "VOLTage[:DC]:RANGe"), ("TRIGger", "TRIGgering")],
)
def test_two_headers_that_cannot_be_told_apart_are_refused(first: str, second: str) -> None:
    with pytest.raises(ValueError, match=r"same header|already means"):
        HeaderTree([Command(first, set=silent), Command(second, set=silent)])


@pytest.mark.parametrize("header", ["voltage", "VOLTage RANGe", "", "VOLTage:#"])
def test_a_header_not_in_scpi_notation_is_refused(header: str) -> None:
    with pytest.raises(ValueError, match="SCPI notation"):
        HeaderTree([Command(header, set=silent, highest_suffixes=(1,) * header.count("#"))])


def test_limits_must_fit_the_numeric_suffixes() -> None:
    with pytest.raises(ValueError, match="1 numeric suffixes, 2 limits"):
        Command("OUTPut#", set=silent, highest_suffixes=(1, 2))


def test_suffixes_reach_the_handler_in_the_order_of_the_header() -> None:
    seen: list[tuple[int, ...]] = []

    def put(args: tuple[object, ...], suffixes: tuple[int, ...], now_s: float) -> None:
        seen.append(suffixes)

    device = device_with(
        Command("[ROUTe#:]MODule#:PORT2:CHANnel#", set=put, highest_suffixes=(9, 9, 9)),
    )
    device.receive(b"ROUT3:MOD4:PORT2:CHAN5\nMOD4:PORT2:CHAN\n", 0.0)
    assert seen == [(3, 4, 5), (1, 4, 1)]


@pytest.mark.parametrize("field", ["", "a,b", "a;b", "caf\u00e9", "a\n"])
def test_an_identity_field_that_would_break_idn_is_refused(field: str) -> None:
    with pytest.raises(ValueError, match="cannot be a field"):
        Identity(field, "TD-1", "TD1-0001", "1.0")


@pytest.mark.parametrize("number", [0, -50, -500])
def test_an_error_number_outside_the_classes_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match="no SCPI-99 error class"):
        device_with().error(number)


@pytest.mark.parametrize("bit", [-1, 15])
def test_a_register_has_no_bit_15(bit: int) -> None:
    with pytest.raises(ValueError, match="bits 0 to 14"):
        device_with().status.operation.set_condition(bit, True)


def test_a_text_parameter_keeps_its_limit() -> None:
    device = device_with(Command("NOTE", set=silent, parameters=(Text(longest=3),)))
    device.receive(b'NOTE "abcd"\nSYST:ERR?\n', 0.0)
    assert device.advance(0.0) == [(0.0, b'-223,"Too much data;at most 3 characters"\n')]


def test_many_blocks_full_of_new_lines_in_one_message() -> None:
    """Each block sends the reader back for more of the message; it must not start over each time."""
    blocks: list[bytes] = []

    def put(args: tuple[bytes, ...], suffixes: tuple[int, ...], now_s: float) -> None:
        blocks.append(args[0])

    device = device_with(Command("DATA:PATTern", set=put, parameters=(Block(),)))
    message = b";".join([b":DATA:PATT #12\n" + bytes([65 + at % 26]) for at in range(3000)])
    started_s = time.perf_counter()
    device.receive(message + b"\nSYST:ERR:COUN?\n", 0.0)
    assert time.perf_counter() - started_s < 5.0, "starting over takes half a minute"
    assert device.advance(0.0) == [(0.0, b"0\n")]
    assert blocks == [b"\n" + bytes([65 + at % 26]) for at in range(3000)]
