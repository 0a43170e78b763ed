"""Parameter types of SCPI-99: what a command takes, and what its handler gets for it."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from simulators.scpi.data import Element, Kind
from simulators.scpi.errors import ScpiError
from simulators.scpi.formats import nr1, nr3

MULTIPLIERS = {
    "EX": 18,
    "PE": 15,
    "T": 12,
    "G": 9,
    "MA": 6,
    "K": 3,
    "": 0,
    "M": -3,
    "U": -6,
    "N": -9,
    "P": -12,
    "F": -15,
    "A": -18,
}
"""IEEE 488.2 suffix multipliers as powers of ten. Case does not matter: MV and mV are both millivolt."""

_NOTATION = re.compile(r"([A-Z][A-Z0-9_]*)([a-z0-9_]*)")


class Parameter(Protocol):
    """One parameter of a command. `value` turns program data into what the handler gets."""

    @property
    def optional(self) -> bool: ...

    @property
    def takes_block(self) -> bool: ...

    def value(self, element: Element) -> object:
        """Raises ScpiError when the element does not fit."""
        ...


def forms(notation: str) -> tuple[str, str]:
    """Short and long form of a mnemonic in SCPI notation, in capitals: `VOLTage` is VOLT and VOLTAGE."""
    match = _NOTATION.fullmatch(notation)
    if match is None:
        raise ValueError(f"{notation!r} is no mnemonic in SCPI notation, such as VOLTage")
    return match[1], notation.upper()


def suffix_powers(unit: str) -> dict[str, int]:
    """Every suffix of a unit with its power of ten; M is mega for HZ and OHM, milli elsewhere."""
    powers = {prefix + unit: power for prefix, power in MULTIPLIERS.items()}
    if unit in ("HZ", "OHM"):
        powers["M" + unit] = 6
    return powers


def _refuse(element: Element) -> ScpiError:
    return ScpiError(element.kind.value, element.text[:20])


@dataclass(frozen=True)
class Limit:
    """What MINimum, MAXimum or DEFault stands for, already written as a response."""

    reply: str


@dataclass(frozen=True)
class Number:
    """Decimal numeric data in `unit` (SI, capitals: V, A, S, HZ, OHM) or none; the handler gets a float.

    MINimum, MAXimum and DEFault stand for `lowest`, `highest` and `default` where those are given and `names`
    is left True. A value outside is -222, a foreign suffix -131, any suffix without a unit -138.
    """

    unit: str = ""
    lowest: float | None = None
    highest: float | None = None
    default: float | None = None
    names: bool = True
    optional: bool = False
    takes_block: bool = field(default=False, init=False)
    _powers: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        powers = suffix_powers(self.unit.upper()) if self.unit else {}
        object.__setattr__(self, "_powers", powers)

    def value(self, element: Element) -> float:
        if element.kind is Kind.WORD:
            return self.by_name(element)
        return self._within(self._read(element))

    def by_name(self, element: Element) -> float:
        """The value of MINimum, MAXimum or DEFault; -148 where the parameter has none of them, -141 else."""
        if element.kind is not Kind.WORD:
            raise _refuse(element)
        known = self._names() if self.names else {}
        if not known:
            raise ScpiError(-148, element.text)
        found = known.get(element.text.upper())
        if found is None:
            raise ScpiError(-141, element.text)
        return found

    def reply(self, value: float) -> str:
        return nr3(value)

    def _names(self) -> dict[str, float]:
        limits = {"MINimum": self.lowest, "MAXimum": self.highest, "DEFault": self.default}
        return {form: value for name, value in limits.items() if value is not None for form in forms(name)}

    def _read(self, element: Element) -> float:
        if element.kind is not Kind.NUMBER:
            raise _refuse(element)
        power = element.exponent
        if element.suffix:
            if not self._powers:
                raise ScpiError(-138, element.suffix)
            if element.suffix not in self._powers:
                raise ScpiError(-131, element.suffix)
            power += self._powers[element.suffix]
        return float(f"{element.text}E{power}")

    def _within(self, value: float) -> float:
        low = float("-inf") if self.lowest is None else self.lowest
        high = float("inf") if self.highest is None else self.highest
        if not low <= value <= high or value in (float("inf"), float("-inf")):
            raise ScpiError(-222, f"{value:g}{self.unit and ' ' + self.unit}")
        return value


@dataclass(frozen=True)
class Integer(Number):
    """A whole number; a fraction is rounded, as IEEE 488.2 asks of a device that keeps integers."""

    def value(self, element: Element) -> int:
        if element.kind is Kind.WORD:
            return int(self.by_name(element))
        number = self._read(element)
        if number in (float("inf"), float("-inf")):
            raise ScpiError(-222)
        return int(self._within(float(_rounded(number))))

    def reply(self, value: float) -> str:
        return nr1(int(value))


def _rounded(number: float) -> int:
    """Halves away from zero."""
    whole = int(number)
    fraction = abs(number - whole)
    return whole if fraction < 0.5 else whole + (1 if number > 0 else -1)


@dataclass(frozen=True)
class LimitQuery:
    """The one optional parameter of a numeric setting's query: MINimum, MAXimum or DEFault."""

    of: Number
    optional: bool = field(default=True, init=False)
    takes_block: bool = field(default=False, init=False)

    def value(self, element: Element) -> Limit:
        return Limit(self.of.reply(self.of.by_name(element)))


@dataclass(frozen=True)
class Boolean:
    """ON, OFF or a number that is on unless it rounds to 0; the handler gets a bool."""

    optional: bool = False
    takes_block: bool = field(default=False, init=False)

    def value(self, element: Element) -> bool:
        if element.kind is Kind.WORD:
            word = element.text.upper()
            if word not in ("ON", "OFF"):
                raise ScpiError(-141, element.text)
            return word == "ON"
        return Integer().value(element) != 0


class Choice:
    """One of several words in SCPI notation, `Choice("IMMediate", "BUS")`; the handler gets the short one."""

    takes_block = False

    def __init__(self, *words: str, optional: bool = False) -> None:
        self.words = words
        self.optional = optional
        self._short_forms = {form: forms(word)[0] for word in words for form in forms(word)}

    def value(self, element: Element) -> str:
        if element.kind is not Kind.WORD:
            raise _refuse(element)
        found = self._short_forms.get(element.text.upper())
        if found is None:
            raise ScpiError(-141, element.text)
        return found


@dataclass(frozen=True)
class Text:
    """String data in single or double quotes; the handler gets the text without them."""

    longest: int = 255
    optional: bool = False
    takes_block: bool = field(default=False, init=False)

    def value(self, element: Element) -> str:
        if element.kind is not Kind.STRING:
            raise _refuse(element)
        if len(element.text) > self.longest:
            raise ScpiError(-223, f"at most {self.longest} characters")
        return element.text


@dataclass(frozen=True)
class Block:
    """Arbitrary block data; the handler gets the bytes. An indefinite block (#0) ends at the new line."""

    longest: int = 65_536
    optional: bool = False
    takes_block: bool = field(default=True, init=False)

    def value(self, element: Element) -> bytes:
        if element.kind is not Kind.BLOCK:
            raise _refuse(element)
        if len(element.text) > self.longest:
            raise ScpiError(-223, f"at most {self.longest} bytes")
        return element.text.encode("latin-1")
