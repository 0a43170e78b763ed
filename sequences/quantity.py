"""Quantities as a laboratory writes them: `1.7 kV`, `45 s`, `1.7 kV +-2 %`. Standard library only.

A fixed table of units: what is not in it is refused, so `6 KV` and `6 kV 3` cannot become a voltage. The
factors are checked against a reference library in tests/published/test_units.py.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Self

PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "h": 2, "k": 3, "M": 6, "G": 9}


@dataclass(frozen=True, slots=True)
class Dimension:
    """What a quantity measures. `base` is the unit that values are held in; `example` is text a file may
    hold."""

    words: str
    base: str
    example: str


DIMENSIONS = {
    "voltage": Dimension("a voltage", "V", "310 V"),
    "current": Dimension("a current", "A", "220 uA"),
    "resistance": Dimension("a resistance", "ohm", "2 ohm"),
    "conductance": Dimension("a conductance", "S", "4 mS"),
    "frequency": Dimension("a frequency", "Hz", "100 MHz"),
    "rate": Dimension("a rate", "1/s", "12 1/min"),
    "time": Dimension("a time", "s", "45 s"),
    "energy": Dimension("an energy", "J", "12 J"),
    "charge": Dimension("a charge", "C", "30 mC"),
    "power": Dimension("a power", "W", "60 W"),
    "capacitance": Dimension("a capacitance", "F", "10 uF"),
    "inductance": Dimension("an inductance", "H", "25 nH"),
    "joule integral": Dimension("a joule integral (I2t)", "A2s", "48000 A2s"),
    "length": Dimension("a length", "m", "150 mm"),
    "speed": Dimension("a speed", "m/s", "20 mm/s"),
    "acceleration": Dimension("an acceleration", "m/s2", "4 m/s2"),
    "mass": Dimension("a mass", "kg", "250 g"),
    "force": Dimension("a force", "N", "38 N"),
    "torque": Dimension("a torque", "Nm", "0.9 Nm"),
    "pressure": Dimension("a pressure", "Pa", "1013 hPa"),
    "angle": Dimension("an angle", "deg", "90 deg"),
    "angular speed": Dimension("an angular speed", "deg/s", "30 deg/s"),
    "temperature": Dimension("a temperature", "degC", "23 degC"),
    "temperature difference": Dimension("a temperature difference", "K", "55 K"),
    "ratio": Dimension("a ratio", "1", "7 %"),
}
NUMBER = Dimension("a plain number", "1", "12")


@dataclass(frozen=True, slots=True)
class Unit:
    """One spelling of a unit: `factor` times the number gives the value in the dimension's base unit."""

    symbol: str
    dimension: str
    factor: Decimal


# symbol: (dimension, factor to the base unit, prefixes that the trade writes before it)
_STEMS: dict[str, tuple[str, str, str]] = {
    "V": ("voltage", "1", "numkM"),
    "A": ("current", "1", "pnumk"),
    "ohm": ("resistance", "1", "umkMG"),
    "S": ("conductance", "1", "num"),
    "Hz": ("frequency", "1", "mkMG"),
    "1/s": ("rate", "1", ""),
    "1/h": ("rate", "1/3600", ""),
    "1/min": ("rate", "1/60", ""),
    "s": ("time", "1", "pnum"),
    "min": ("time", "60", ""),
    "h": ("time", "3600", ""),
    "d": ("time", "86400", ""),
    "J": ("energy", "1", "umkM"),
    "C": ("charge", "1", "pnum"),
    "W": ("power", "1", "umkM"),
    "F": ("capacitance", "1", "pnum"),
    "H": ("inductance", "1", "num"),
    "A2s": ("joule integral", "1", ""),
    "m": ("length", "1", "numck"),
    "m/s": ("speed", "1", "umck"),
    "m/s2": ("acceleration", "1", "m"),
    "g": ("mass", "0.001", "umk"),
    "N": ("force", "1", "mk"),
    "Nm": ("torque", "1", "mk"),
    "Pa": ("pressure", "1", "mhkM"),
    "deg": ("angle", "1", ""),
    "deg/s": ("angular speed", "1", ""),
    "degC": ("temperature", "1", ""),
    "K": ("temperature difference", "1", "m"),
    "%": ("ratio", "0.01", ""),
    "ppm": ("ratio", "0.000001", ""),
}
# What a keyboard or a data sheet may put in place of our spelling; the meaning is not in doubt.
_SAME_SIGN = str.maketrans({"\u00b5": "u", "\u03bc": "u", "\u2126": "ohm", "\u03a9": "ohm", "\u00b0": "deg"})
_WORDS = {
    "volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "ohms": "ohm",
    "hertz": "Hz", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min",
    "mins": "min", "hour": "h", "hours": "h", "hr": "h", "hrs": "h", "day": "d", "days": "d", "msec": "ms",
    "usec": "us", "percent": "%", "joule": "J", "joules": "J", "celsius": "degC", "meter": "m", "metre": "m",
    "degree": "deg", "degrees": "deg", "sa/s": "Hz", "msa/s": "MHz", "gsa/s": "GHz", "ksa/s": "kHz",
}  # fmt: skip


def _factor(text: str) -> Decimal:
    above, _, below = text.partition("/")
    return Decimal(above) / Decimal(below or "1")


def _spellings() -> dict[str, Unit]:
    table: dict[str, Unit] = {}
    for symbol, (dimension, factor, prefixes) in _STEMS.items():
        table[symbol] = Unit(symbol, dimension, _factor(factor))
        for prefix in prefixes:
            scaled = _factor(factor).scaleb(PREFIXES[prefix])
            table[prefix + symbol] = Unit(prefix + symbol, dimension, scaled)
    return table


UNITS: dict[str, Unit] = _spellings()
_DIMENSION_OF_BASE = {dimension.base: name for name, dimension in DIMENSIONS.items()}


class QuantityError(ValueError):
    """Text that is no quantity here. `code` is a finding's code, `what` and `help` are sentences for a
    person."""

    def __init__(self, code: str, what: str, advice: str) -> None:
        super().__init__(what)
        self.code, self.what, self.help = code, what, advice


class Quantity(float):
    """A number in the base unit named by `unit` (`V`, `s`, `1` for a ratio or a plain number); `text` as
    written. `unit` is "" for a count, which is written without one."""

    __slots__ = ("text", "unit")
    unit: str
    text: str

    def __new__(cls, value: float, unit: str, text: str) -> Self:
        self = super().__new__(cls, value)
        self.unit, self.text = unit, text
        return self

    def __getnewargs__(self) -> tuple[float, str, str]:  # type: ignore[override]
        return float(self), self.unit, self.text


@dataclass(frozen=True, slots=True)
class Toleranced:
    """A nominal value and the band around it, all in the base unit `unit`; `text` as written."""

    nominal: float
    low: float
    high: float
    unit: str
    text: str

    def holds(self, value: float) -> bool:
        """Whether the value lies in the band, its ends included."""
        return self.low <= value <= self.high


_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?"
_QUANTITY = re.compile(rf"({_NUMBER})([ ]*)(1/[^\s]+|[^\s0-9+\-.][^\s]*)?", re.ASCII)
_TOLERANCE = re.compile(r"(.+?)\s*(?:\+-|\u00b1|\+/-)\s*(.+)", re.DOTALL)
_LONGEST = 64


def dimension_of(unit: str) -> Dimension:
    """The dimension whose base unit this is; a plain number for `1` and for a count, which has none."""
    return NUMBER if unit in ("1", "") else DIMENSIONS[_DIMENSION_OF_BASE[unit]]


def show(value: float, unit: str) -> str:
    """A value in its base unit as a person would write it, to four significant digits: `1700 V` as `1.7
    kV`."""
    if unit == "1":
        return f"{value * 100:.4g} %"
    if unit == "1/s":
        return f"{value * 60:.4g} 1/min"
    stem = {"kg": "g"}.get(unit, unit)
    scaled = value * 1000 if unit == "kg" else value
    for prefix in ("M", "k", "", "m", "u", "n", "p"):
        power = 10.0 ** PREFIXES.get(prefix, 0)
        if prefix + stem in UNITS and abs(scaled) >= power:
            return f"{scaled / power:.4g} {prefix}{stem}"
    return f"{scaled:.4g} {stem}"


def _to_number(text: str) -> Decimal:
    number = Decimal(text) if len(text) <= _LONGEST else Decimal("inf")
    value = float(number)
    if not math.isfinite(value) or (value == 0.0 and number != 0):
        raise QuantityError(
            "number-out-of-range",
            f'"{text[:_LONGEST]}" is larger or smaller than any number this program can hold.',
            "write a finite number, for example 310",
        )
    return number


def number(text: str) -> float:
    """A plain number without a unit.

    Raises QuantityError.
    """
    match = re.fullmatch(_NUMBER, text.strip(), re.ASCII)
    if match is None:
        raise QuantityError(
            "not-a-number", f'"{text}" is not a plain number.', "write digits alone, for example 1000"
        )
    return float(_to_number(match.group()))


def _near(symbol: str) -> list[str]:
    """Spellings that a person probably meant, in the table's order."""
    folded = symbol.casefold()
    if folded in _WORDS:
        return [_WORDS[folded]]
    return [known for known in UNITS if known.casefold() == folded]


def _wanted(dimension: str | None) -> Dimension | None:
    return DIMENSIONS[dimension] if dimension else None


def _unit(written: str, number_text: str, dimension: str | None) -> Unit:
    unit = UNITS.get(written.translate(_SAME_SIGN))
    wanted = _wanted(dimension)
    if unit is None:
        near = [known for known in _near(written) if dimension in (None, UNITS[known].dimension)] or _near(
            written
        )
        choice = " or ".join(f"write {known}" for known in near)
        example = f"write a unit of the table, for example {wanted.example if wanted else '310 V or 45 s'}"
        raise QuantityError(
            "unknown-unit", f'"{written}" is not a unit this program knows.', choice or example
        )
    if wanted is not None and unit.dimension != dimension:
        minutes = written == "m" and dimension == "time"
        raise QuantityError(
            "wrong-unit",
            f'"{number_text} {written}" is {DIMENSIONS[unit.dimension].words}, and {wanted.words} is '
            f"wanted here.",
            f"for minutes write {number_text} min"
            if minutes
            else f"write {wanted.words}, for example {wanted.example}",
        )
    return unit


def _no_quantity(text: str, wanted: Dimension | None) -> QuantityError:
    example = wanted.example if wanted else "310 V"
    if re.fullmatch(r"[0-9]+,[0-9]+( .*)?", text):
        return QuantityError(
            "not-a-quantity",
            f'"{text}" has a decimal comma.',
            f"write a decimal point: {text.replace(',', '.', 1)}",
        )
    return QuantityError(
        "not-a-quantity",
        f'"{text[:_LONGEST]}" is not a number with a unit.',
        f"write a number, a space and a unit, for example {example}",
    )


def parse(text: str, dimension: str | None = None) -> Quantity:
    """Read `number unit`. With `dimension` (a key of DIMENSIONS) other dimensions are refused.

    Raises QuantityError.
    """
    stripped = text.strip()
    wanted = _wanted(dimension)
    match = _QUANTITY.fullmatch(stripped.translate(_SAME_SIGN))
    if match is None:
        raise _no_quantity(stripped, wanted)
    digits, space, symbol = match.groups()
    if not symbol:
        unit_text = wanted.base if wanted and wanted.base != "1" else "%" if wanted else "V"
        raise QuantityError(
            "missing-unit", f'"{digits}" has no unit.', f"write the unit too: {digits} {unit_text}"
        )
    unit = _unit(symbol, digits, dimension)
    if not space:
        raise QuantityError(
            "not-a-quantity", f'"{stripped}" has no space before its unit.', f"write {digits} {symbol}"
        )
    value = float(_to_number(digits) * unit.factor)
    if not math.isfinite(value):
        raise QuantityError("number-out-of-range", f'"{stripped}" is too large.', "write a finite number")
    return Quantity(value, DIMENSIONS[unit.dimension].base, stripped)


def _half_width(tolerance: str, nominal: Quantity, text: str) -> Decimal:
    """Half the width of the band in the base unit of the nominal value."""
    name = _DIMENSION_OF_BASE[nominal.unit]
    if name == "temperature":
        name = "temperature difference"
    if tolerance.endswith("%") and name not in ("ratio", "temperature difference"):
        return abs(Decimal(repr(float(nominal)))) * Decimal(repr(float(parse(tolerance, "ratio"))))
    if name == "ratio":
        raise QuantityError(
            "bad-tolerance",
            f'"{text}" can be read in two ways: per cent of the value, or per cent added to it.',
            "a ratio takes no tolerance here: write it without one",
        )
    return Decimal(repr(float(parse(tolerance, name))))


def parse_toleranced(text: str, dimension: str | None = None) -> Toleranced:
    """Read `number unit +-x %` or `number unit +-x unit`; the tolerance must be written.

    Raises QuantityError.
    """
    stripped = text.strip()
    match = _TOLERANCE.fullmatch(stripped)
    if match is None:
        nominal = parse(stripped, dimension)
        raise QuantityError(
            "tolerance-missing",
            f'"{nominal.text}" has no tolerance.',
            f"write how far it may be off: {nominal.text} +-2 %",
        )
    nominal = parse(match.group(1), dimension)
    half = _half_width(match.group(2), nominal, stripped)
    if half <= 0:
        raise QuantityError(
            "bad-tolerance", f'"{stripped}" leaves no room.', "write a tolerance above zero, as in +-2 %"
        )
    exact = Decimal(repr(float(nominal)))
    return Toleranced(float(nominal), float(exact - half), float(exact + half), nominal.unit, stripped)


@cache
def pattern(dimension: str | None = None) -> str:
    """A regular expression (ECMA 262 too) of what `parse` accepts, apart from spaces around it."""
    symbols = [re.escape(s).replace("/", "\\/") for s, u in UNITS.items() if dimension in (None, u.dimension)]
    return rf"{_NUMBER} +(?:{'|'.join(sorted(symbols, key=len, reverse=True))})"
