"""The SCPI codec: what is sent, and what is made of any answer."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_sent_is_the_number_meant(value: float) -> None:
    assert float(scpi.number_text(value)) == pytest.approx(value, rel=1e-11)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_sent(value: float) -> None:
    with pytest.raises(ValueError, match="cannot be sent"):
        scpi.number_text(value)


def test_messages_and_suffixes() -> None:
    assert scpi.message("SOURce:VOLTage", scpi.number_text(1700.0)) == "SOURce:VOLTage 1700"
    assert scpi.query("TRACe:POINts", "CH1") == "TRACe:POINts? CH1"
    assert scpi.with_suffix("SENSe:VOLTage:RANGe", "SENSe", 2) == "SENSe2:VOLTage:RANGe"
    assert scpi.with_suffix("INPut:COUPling", "INPut", 1) == "INPut1:COUPling"
    assert scpi.short_form("NORMal") == "NORM"
    assert scpi.short_form("INTernal2") == "INT2"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1700", 1700.0),
        ("+1.70000E+03", 1700.0),
        ("-.5", -0.5),
        ("5.", 5.0),
        ("9.9E37", math.inf),
        ("+9.90000E+37", math.inf),
        ("-9.9E+37", -math.inf),
    ],
)
def test_numbers(text: str, value: float) -> None:
    assert scpi.number(text) == value


def test_not_a_number() -> None:
    assert math.isnan(scpi.number("9.91E37"))


@pytest.mark.parametrize("text", ["", "nan", "inf", "1e999", "1_000", "0x10", "1,2", "1.7 kV", "--1", "٣"])
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(scpi.ResponseError):
        scpi.number(text)


def test_words_match_short_and_long_form_alone() -> None:
    assert scpi.mnemonic("NORM", "NORMal", "INVerted") == "NORMal"
    assert scpi.mnemonic("inverted", "NORMal", "INVerted") == "INVerted"
    with pytest.raises(scpi.ResponseError, match="NORMA"):
        scpi.mnemonic("NORMA", "NORMal", "INVerted")


def test_error_entries_in_words() -> None:
    entry = scpi.error_entry('-222,"Data out of range;SOUR:VOLT 2500"')
    assert entry == scpi.ErrorEntry(-222, "Data out of range;SOUR:VOLT 2500")
    assert entry.in_words() == "Data out of range;SOUR:VOLT 2500 (-222, execution error)"
    assert scpi.error_entry('+0,"No error"').number == 0
    assert scpi.error_entry('-113,"a ""quoted"", part"').text == 'a "quoted", part'
    assert "the instrument's own" in scpi.error_entry('104,"Store door open"').in_words()


def test_identity() -> None:
    assert scpi.identity_fields("Made-up Instruments,IG-2,IG2-0031,1.4") == (
        "Made-up Instruments",
        "IG-2",
        "IG2-0031",
        "1.4",
    )
    with pytest.raises(scpi.ResponseError):
        scpi.identity_fields("1.70000E+03")


PARSERS: list[Callable[[str], object]] = [
    scpi.number,
    scpi.integer,
    scpi.boolean,
    scpi.string,
    scpi.fields,
    scpi.error_entry,
    scpi.identity_fields,
    lambda text: scpi.mnemonic(text, "NORMal", "INVerted"),
]


@given(st.one_of(st.text(max_size=60), st.text(alphabet="0123456789+-.eE\"',#;: aN", max_size=40)))
def test_any_text_gives_a_value_or_the_declared_error(text: str) -> None:
    for parse in PARSERS:
        try:
            assert parse(text) is not None
        except scpi.ResponseError as error:
            assert str(error)


@given(st.binary(max_size=60))
def test_any_bytes_give_readable_text_or_the_declared_error(line: bytes) -> None:
    try:
        assert scpi.text_of(line).replace("\t", " ").isprintable()
    except scpi.ResponseError as error:
        assert "unreadable" in str(error)


@given(st.text(alphabet="ab\"', ", max_size=20))
def test_strings_come_back_out_of_their_quotes(text: str) -> None:
    assert scpi.string('"' + text.replace('"', '""') + '"') == text
    assert scpi.fields('1,"' + text.replace('"', '""') + '"')[1].startswith('"')


def test_units_of_one_message_start_at_the_root() -> None:
    assert (
        scpi.together("TRIGger:SOURce?", "TRIGger:LEVel?", "*OPC?") == "TRIGger:SOURce?;:TRIGger:LEVel?;*OPC?"
    )


def test_answers_of_one_message_are_split_outside_quotes_and_counted() -> None:
    assert scpi.answers('5;EXT;-222,"out of range;1 to 2"', 3) == ["5", "EXT", '-222,"out of range;1 to 2"']
    for text in ("5;EXT", "5;EXT;1;", ""):
        with pytest.raises(scpi.ResponseError, match="answers to 3 questions"):
            scpi.answers(text, 3)
