"""Quantities: what is read, and what is refused with which advice."""

from __future__ import annotations

import copy
import math
import pickle
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences import quantity
from sequences.quantity import (
    DIMENSIONS,
    UNITS,
    Quantity,
    QuantityError,
    Toleranced,
    parse,
    parse_toleranced,
    show,
)

READ = [
    ("1.7 kV", "voltage", 1700.0, "V"),
    ("0.85 kA", "current", 850.0, "A"),
    ("220 uA", "current", 220e-6, "A"),
    ("1.2 us", "time", 1.2e-6, "s"),
    ("3 \u00b5s", "time", 3e-6, "s"),
    ("10 min", "time", 600.0, "s"),
    ("8 h", "time", 28800.0, "s"),
    ("2 \u2126", "resistance", 2.0, "ohm"),
    ("100 MHz", "frequency", 1e8, "Hz"),
    ("12 1/min", "rate", 0.2, "1/s"),
    ("7 %", "ratio", 0.07, "1"),
    ("50 ppm", "ratio", 50e-6, "1"),
    ("-5 degC", "temperature", -5.0, "degC"),
    ("55 K", "temperature difference", 55.0, "K"),
    ("150 mm", "length", 0.15, "m"),
    ("250 g", "mass", 0.25, "kg"),
    ("48000 A2s", "joule integral", 48000.0, "A2s"),
    ("1e-3 V", "voltage", 1e-3, "V"),
    ("  5 V ", "voltage", 5.0, "V"),
]

REFUSED = [
    ("6 KV", "voltage", "unknown-unit", "write kV"),
    ("5 mA", "voltage", "wrong-unit", "a voltage, for example 310 V"),
    ("6 kV 3", "voltage", "not-a-quantity", "a number, a space and a unit"),
    ("nan V", "voltage", "not-a-quantity", "a number"),
    ("inf V", "voltage", "not-a-quantity", "a number"),
    ("1e999 V", "voltage", "number-out-of-range", "finite"),
    ("1e-999 V", "voltage", "number-out-of-range", "finite"),
    ("1e308 MV", "voltage", "number-out-of-range", "finite"),
    ("9" * 500 + " V", "voltage", "number-out-of-range", "finite"),
    ("310", "voltage", "missing-unit", "310 V"),
    ("7", "ratio", "missing-unit", "7 %"),
    ("1.7kV", "voltage", "not-a-quantity", "write 1.7 kV"),
    ("1,7 kV", "voltage", "not-a-quantity", "1.7 kV"),
    ("2*24 V", "voltage", "not-a-quantity", "a number"),
    ("1_000 V", "voltage", "not-a-quantity", "a number"),
    ("0x10 V", "voltage", "not-a-quantity", "a number"),
    ("\u0661 V", "voltage", "not-a-quantity", "a number"),
    ("", "time", "not-a-quantity", "45 s"),
    ("5 m", "time", "wrong-unit", "for minutes write 5 min"),
    ("5 m", "voltage", "wrong-unit", "write a voltage"),
    ("5 A", "time", "wrong-unit", "write a time"),
    ("5 M", "time", "unknown-unit", "write m"),
    ("2 seconds", "time", "unknown-unit", "write s"),
    ("5 mhz", "frequency", "unknown-unit", "write mHz or write MHz"),
    ("5 PA", "current", "unknown-unit", "write pA"),
    ("5 furlong", "length", "unknown-unit", "150 mm"),
    ("5 K", "temperature", "wrong-unit", "23 degC"),
]


@pytest.mark.parametrize(("text", "dimension", "value", "unit"), READ)
def test_a_quantity_is_read_into_its_base_unit(text: str, dimension: str, value: float, unit: str) -> None:
    read = parse(text, dimension)

    assert (float(read), read.unit, read.text) == (value, unit, text.strip())


@pytest.mark.parametrize(("text", "dimension", "code", "advice"), REFUSED)
def test_what_is_no_quantity_is_refused_with_advice(
    text: str, dimension: str, code: str, advice: str
) -> None:
    with pytest.raises(QuantityError) as refused:
        parse(text, dimension)

    assert (refused.value.code, advice in refused.value.help) == (code, True), refused.value.help
    assert len(refused.value.what) < 200


@pytest.mark.parametrize(
    ("text", "nominal", "low", "high"),
    [
        ("1.7 kV +-2 %", 1700.0, 1666.0, 1734.0),
        ("1.7 kV \u00b150 V", 1700.0, 1650.0, 1750.0),
        ("1.2 us +-30 %", 1.2e-6, 0.84e-6, 1.56e-6),
        ("-10 V +-10 %", -10.0, -11.0, -9.0),
        ("23 degC +-2 K", 23.0, 21.0, 25.0),
        ("0 V +-5 mV", 0.0, -0.005, 0.005),
    ],
)
def test_a_tolerance_makes_a_band(text: str, nominal: float, low: float, high: float) -> None:
    read = parse_toleranced(text)

    assert (read.nominal, read.low, read.high, read.text) == (nominal, low, high, text)
    assert read.holds(low) and read.holds(high) and not read.holds(high + abs(high) * 1e-9 + 1e-12)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1.7 kV", "tolerance-missing"),
        ("1.7 kV +-0 %", "bad-tolerance"),
        ("1.7 kV +--2 %", "bad-tolerance"),
        ("50 % +-2 %", "bad-tolerance"),
        ("1.7 kV +-2 s", "wrong-unit"),
        ("23 degC +-2 %", "wrong-unit"),
        ("1.7 kV +-2", "missing-unit"),
        ("1.7 kV +-", "not-a-quantity"),
        ("+-2 %", "not-a-quantity"),
    ],
)
def test_a_tolerance_that_cannot_be_used_is_refused(text: str, code: str) -> None:
    with pytest.raises(QuantityError) as refused:
        parse_toleranced(text)

    assert refused.value.code == code


@given(st.text())
def test_no_text_does_anything_but_read_or_refuse(text: str) -> None:
    for read in (parse, parse_toleranced, quantity.number):
        try:
            found = read(text)
        except QuantityError as refused:
            assert refused.what and refused.help
        else:
            assert isinstance(found, Toleranced) or math.isfinite(found)


numbers = st.decimals(min_value=-1000, max_value=1000, places=3).map(lambda n: f"{n:f}")


@given(numbers, st.sampled_from(sorted(UNITS)))
def test_every_unit_reads_its_number_times_its_factor(number: str, symbol: str) -> None:
    unit = UNITS[symbol]
    read = parse(f"{number} {symbol}", unit.dimension)

    assert read.unit == DIMENSIONS[unit.dimension].base
    assert math.isclose(read, float(number) * float(unit.factor), rel_tol=1e-15, abs_tol=0.0)


@given(numbers, st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(DIMENSIONS)))
def test_the_pattern_for_editors_agrees_with_the_reader(number: str, symbol: str, dimension: str) -> None:
    text = f"{number} {symbol}"
    matches = re.fullmatch(quantity.pattern(dimension), text) is not None

    assert matches == (UNITS[symbol].dimension == dimension)


@given(st.floats(min_value=1e-12, max_value=1e9), st.sampled_from(sorted(DIMENSIONS)))
def test_what_is_shown_can_be_read_again(value: float, dimension: str) -> None:
    base = DIMENSIONS[dimension].base
    assert math.isclose(parse(show(value, base), dimension), value, rel_tol=1e-3)


def test_a_quantity_keeps_its_unit_when_it_is_copied_or_sent() -> None:
    one = parse("5 mA")
    for other in (copy.deepcopy(one), pickle.loads(pickle.dumps(one))):
        assert isinstance(other, Quantity)
        assert (other, other.unit, other.text) == (0.005, "A", "5 mA")


def test_no_spelling_of_a_unit_is_another_one_in_other_letters_of_the_same_dimension() -> None:
    """Where two spellings differ in case alone (mHz, MHz) the advice names both; every other slip has one answer."""
    for dimension in DIMENSIONS:
        symbols = [symbol for symbol, unit in UNITS.items() if unit.dimension == dimension]
        twins = {s for s in symbols for t in symbols if s != t and s.casefold() == t.casefold()}
        assert all(symbol[0] in "mM" for symbol in twins), twins
