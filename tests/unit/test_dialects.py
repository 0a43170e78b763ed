"""Dialect files: what comes with the program, and what is said about a file that cannot be used."""

from __future__ import annotations

import re
from dataclasses import fields
from importlib import resources

import pytest

from drivers import dialects
from drivers.dialects.shapes import DigitiserDialect, ImpulseSourceDialect, LeakageMeterDialect

HEADER = re.compile(r"\*[A-Z]{3}|[A-Z]+[a-z]*(:[A-Z]+[a-z]*)*")


def text_of(name: str) -> str:
    return resources.files(dialects).joinpath(f"{name}.toml").read_text("utf-8")


def test_the_four_families_of_the_impulse_bench_load() -> None:
    assert dialects.names() == [
        "digitiser-sample-count",
        "digitiser-status-bit",
        "impulse-source",
        "leakage-meter",
    ]
    assert isinstance(dialects.load("impulse-source"), ImpulseSourceDialect)
    assert isinstance(dialects.load("leakage-meter"), LeakageMeterDialect)


def test_the_two_digitisers_prove_waiting_differently() -> None:
    bit, count = dialects.load("digitiser-status-bit"), dialects.load("digitiser-sample-count")
    assert isinstance(bit, DigitiserDialect)
    assert isinstance(count, DigitiserDialect)
    assert (bit.waiting.method, bit.waiting.bit) == ("status bit", 5)
    assert (count.waiting.method, count.waiting.points) == ("sample count", "PRETrigger")
    assert (bit.trace.byte_order, count.trace.byte_order) == ("little", "big")


@pytest.mark.parametrize("name", dialects.names())
def test_headers_are_plain_headers_with_nothing_to_substitute(name: str) -> None:
    headers = dialects.load(name).headers
    for each in fields(headers):
        assert HEADER.fullmatch(getattr(headers, each.name)), each.name
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
    ],
)
def test_a_broken_file_is_named_with_its_key(name: str, old: str, new: str, says: str) -> None:
    text = text_of(name)
    assert old in text
    with pytest.raises(dialects.DialectError) as caught:
        dialects.parse(text.replace(old, new, 1), "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert says in str(caught.value)
