"""Dialect files: what comes with the program, and what is said about a file that cannot be used."""

from __future__ import annotations

import re
from dataclasses import fields
from importlib import resources

import pytest

from drivers import dialects
from drivers.dialects.shapes import (
    ActuatorDialect,
    ContactRecorderDialect,
    DigitiserDialect,
    ImpulseSourceDialect,
    LeakageMeterDialect,
    SerialLine,
)

HEADER = re.compile(r"\*[A-Z]{3}|[A-Z]+[a-z]*(:[A-Z]+[a-z]*)*")
WORDS = re.compile(r"[A-Z]+[0-9]*\??( [A-Z][0-9]+)*")


def text_of(name: str) -> str:
    return resources.files(dialects).joinpath(f"{name}.toml").read_text("utf-8")


def test_the_families_that_come_with_the_program_load() -> None:
    assert dialects.names() == [
        "contact-recorder",
        "digitiser-sample-count",
        "digitiser-status-bit",
        "impulse-source",
        "leakage-meter",
        "motion-lines",
        "motion-words",
    ]
    assert isinstance(dialects.load("impulse-source"), ImpulseSourceDialect)
    assert isinstance(dialects.load("leakage-meter"), LeakageMeterDialect)
    assert isinstance(dialects.load("contact-recorder"), ContactRecorderDialect)


def test_the_two_motion_controllers_differ_in_numbering_checksum_completion_and_speed() -> None:
    words, lines = dialects.load("motion-words"), dialects.load("motion-lines")
    assert isinstance(words, ActuatorDialect)
    assert isinstance(lines, ActuatorDialect)
    assert (words.line.checksum, lines.line.checksum) == ("xor", "none")
    assert (words.line.completion, lines.line.completion) == ("announced", "asked for")
    assert (words.speed_unit, lines.speed_unit) == ("mm/min", "mm/s")
    assert words.serial == lines.serial == SerialLine(115200, 8, "N", 1)


def test_the_two_digitisers_prove_waiting_differently() -> None:
    bit, count = dialects.load("digitiser-status-bit"), dialects.load("digitiser-sample-count")
    assert isinstance(bit, DigitiserDialect)
    assert isinstance(count, DigitiserDialect)
    assert (bit.waiting.method, bit.waiting.bit) == ("status bit", 5)
    assert (count.waiting.method, count.waiting.points) == ("sample count", "PRETrigger")
    assert (bit.trace.byte_order, count.trace.byte_order) == ("little", "big")


@pytest.mark.parametrize("name", dialects.names())
def test_headers_are_plain_headers_with_nothing_to_substitute(name: str) -> None:
    dialect = dialects.load(name)
    words, form = (
        (dialect.words, WORDS) if isinstance(dialect, ActuatorDialect) else (dialect.headers, HEADER)
    )
    for each in fields(words):
        assert form.fullmatch(getattr(words, each.name)), each.name
    assert not re.search(r"[{}$%<>]", text_of(name))


def test_an_unknown_dialect_is_named_with_those_there_are() -> None:
    with pytest.raises(
        dialects.DialectError, match=r"no dialect 'impuls-source'; there are: .*impulse-source"
    ):
        dialects.load("impuls-source")


@pytest.mark.parametrize(
    ("name", "old", "new", "says"),
    [
        (
            "impulse-source",
            'equipment = "impulse source"',
            'equipment = "oven"',
            "key equipment: must be one of",
        ),
        ("impulse-source", 'trigger = "*TRG"', "", "key headers.trigger: missing"),
        ("impulse-source", 'trigger = "*TRG"', 'fire = "*TRG"', "key headers.fire: not known here"),
        ("impulse-source", "waiting = 5", 'waiting = "5"', "key bits.waiting: must be a whole number"),
        ("impulse-source", "waiting = 5", "waiting = true", "key bits.waiting: must be a whole number"),
        ("impulse-source", 'negative = "INVerted"', "negative = 2", "key words.negative: must be a text"),
        ("impulse-source", '["ABORt", "OUTPut OFF"]', "[]", "key off.messages: must be a list of texts"),
        ("impulse-source", 'answer = "0"', 'answer = "0\\n"', "key off.answer: must be a text of one line"),
        ("leakage-meter", "[headers]", "[heads]", "key heads: not known here"),
        (
            "digitiser-status-bit",
            'byte_order = "little"',
            'byte_order = "odd"',
            "key trace.byte_order: must be one of",
        ),
        ("digitiser-status-bit", "\nbit = 5", "", "key waiting.bit: must be from 0 to 15"),
        ("digitiser-sample-count", 'points = "PRETrigger"', "", "key waiting.points: missing"),
        (
            "digitiser-status-bit",
            'range = "SENSe"',
            'range = "SENS"',
            "key channel_suffix.range: SENS is no node",
        ),
        ("digitiser-status-bit", "[trace]", "[trace", "line"),
        ("motion-words", 'done = "D"', 'done = "L2"', "key state.done: L2 begins like state.line"),
        ("motion-words", 'points = "points"', "", "key answers.points: missing where answers are numbered"),
        (
            "motion-lines",
            '"asked for"',
            '"announced"',
            "key line.completion: announced needs numbered answers",
        ),
        ("motion-lines", "baud = 115200", 'baud = "fast"', "key serial.baud: must be a whole number"),
        ("motion-words", 'speed_unit = "mm/min"', 'speed_unit = "in/min"', "key speed_unit: must be one of"),
        ("contact-recorder", "waiting = 5", "", "key bits.waiting: missing"),
    ],
)
def test_a_broken_file_is_named_with_its_key(name: str, old: str, new: str, says: str) -> None:
    text = text_of(name)
    assert old in text
    with pytest.raises(dialects.DialectError) as caught:
        dialects.parse(text.replace(old, new, 1), "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert says in str(caught.value)
