"""SCPI-99 error numbers, their texts and classes, and the queue.

Sources: the error list of a public device-side SCPI parser library (github.com/j123b567/scpi-parser,
libscpi/inc/scpi/error.h), whose "-203 Command protected TK024" is an artefact of that list; the manuals of the
70004A, 83751A, 8712ET, 86140B and ASR-2000 for the descriptions and the examples quoted below. Queue: first in first
out, the last entry replaced by -350 when it is full, emptied by *CLS and by reading the last entry (appendix C of
the GPIB-M supply option's manual, which cites IEEE 488.2, and the 19020 tester's). The paid standard was not read.
"""

import pytest

from simulators.scpi import Command, EventBit, Identity, Integer, ScpiDevice
from simulators.scpi.errors import TEXTS, event_bit

IDENTITY = Identity("Made-up Instruments", "TD-2", "TD2-0001", "1.0")

PUBLISHED = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -310: "System error",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}


def silent(args: tuple[object, ...], suffixes: tuple[int, ...], now_s: float) -> None:
    """A command that does nothing."""


@pytest.fixture
def device() -> ScpiDevice:
    return ScpiDevice(
        IDENTITY,
        [Command("SYSTem:KLOCk", set=silent, parameters=(Integer(lowest=0, highest=1),))],
        errors_kept=5,
    )


def exchange(device: ScpiDevice, message: str) -> str:
    device.receive(message.encode() + b"\n", 0.0)
    return b"".join(data for _, data in device.advance(0.0)).decode().rstrip("\n")


@pytest.mark.parametrize("number", PUBLISHED)
def test_text_of_the_number(number: int) -> None:
    assert TEXTS[number] == PUBLISHED[number]


@pytest.mark.parametrize(
    ("numbers", "bit"),
    [
        (range(-199, -99), EventBit.CME),
        (range(-299, -199), EventBit.EXE),
        (range(-399, -299), EventBit.DDE),
        (range(-499, -399), EventBit.QYE),
        (range(1, 32_768, 97), EventBit.DDE),
    ],
)
def test_class_of_the_number(numbers: range, bit: EventBit) -> None:
    assert {event_bit(number) for number in numbers} == {bit}


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("SETUP&", -101),  # "a header containing an ampersand, SETUP&"
        (
            "*ESE 1:CH1:VOLTS 5",
            -103,
        ),  # "the semicolon was omitted after a program message unit, *EMC 1:CH1:VOLTS 5"
        (
            "SYSTem:KLOCk 1,0",
            -108,
        ),  # "only accepts one parameter, so receiving SYSTem:KLOCk 1,0 is not allowed"
        ("*ESE 0,1", -108),
        ("SYSTem:KLOCk", -109),  # "requires one parameter, so receiving :SYSTem:KLOCk is not allowed"
        ("*ESE", -109),
        ('*ESE"MACRO"', -111),  # "no white space followed the header, thus *GMC"MACRO" is an error"
        ("ABCDEFGHIJKLM", -112),  # "the header contains more than twelve characters"
        ("*XYZ", -113),  # "*XYZ is not defined for any device"
        ("*ESE #Q9", -121),  # 'a "9" in octal data'
        ("*ESE 1E32001", -123),  # "the magnitude of the exponent was larger than 32000"
        ("*ESE ABCDEFGHIJKLM", -144),  # "more than twelve characters"
        ("*ESE 1 ABCDEFGHIJKLM", -134),  # "the suffix contained more than 12 characters"
        ('*ESE "abc', -151),  # "an END message was received before the terminal quote character"
        (
            "*IDN?;*ESE?",
            -440,
        ),  # "a query ... in the same message after a query requesting an indefinite response"
    ],
)
def test_examples_of_the_descriptions(device: ScpiDevice, message: str, number: int) -> None:
    exchange(device, message)
    assert exchange(device, "SYST:ERR?").startswith(f'{number},"{PUBLISHED[number]}')


def test_the_queue_is_first_in_first_out_and_overflows_at_its_end(device: ScpiDevice) -> None:
    for number in (-200, -211, -221, -222, -240, -241):
        device.error(number)
    read = [int(exchange(device, "SYST:ERR?").split(",")[0]) for _ in range(6)]
    assert read == [-200, -211, -221, -222, -350, 0]


def test_the_queue_is_emptied_by_cls(device: ScpiDevice) -> None:
    device.error(-200)
    exchange(device, "*CLS")
    assert exchange(device, "SYST:ERR?") == '0,"No error"'
