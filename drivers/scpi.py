"""SCPI program messages and responses, as pure functions (SCPI-99 volume 1, IEEE 488.2).

A response that cannot be what was asked for raises `ResponseError`, whatever the bytes are.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

OVERLOAD = 9.9e37  # infinity in SCPI-99
NOT_A_NUMBER = 9.91e37
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([Ee][+-]?\d+)?", re.ASCII)
CHARACTERS = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
INTEGER = re.compile(r"[+-]?\d+", re.ASCII)


class ResponseError(ValueError):
    """The response is not of the kind that the question asks for; the sentence says what came."""


@dataclass(frozen=True)
class ErrorEntry:
    """One entry of the error queue: `-222,"Data out of range;1700 to 2000"`."""

    number: int
    text: str

    def in_words(self) -> str:
        """The instrument's words, its number, and whose fault that class of numbers is."""
        return f"{self.text or 'no text'} ({self.number}, {error_class(self.number)})"


# ---- what is sent


def message(header: str, *parameters: str) -> str:
    """One program message unit: the header, and its parameters after a blank."""
    return f"{header} {','.join(parameters)}" if parameters else header


def query(header: str, *parameters: str) -> str:
    """The question that belongs to a header."""
    return message(header + "?", *parameters)


def together(*units: str) -> str:
    """Several units as one program message (IEEE 488.2); each header after the first starts at the root."""
    return ";".join(unit if place == 0 or unit[0] in "*:" else f":{unit}" for place, unit in enumerate(units))


@lru_cache(maxsize=256)
def with_suffix(header: str, node: str, suffix: int) -> str:
    """The header with a numeric suffix on one node: `SENSe:VOLTage`, `SENSe`, 2 gives `SENSe2:VOLTage`."""
    nodes = header.split(":")
    nodes[nodes.index(node)] = f"{node}{suffix}"
    return ":".join(nodes)


def number_text(value: float) -> str:
    """A number as an NR1 or NR3 parameter, twelve significant digits. Raises `ValueError` unless finite."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent as a number")
    return f"{value:.12G}"


def switch_text(on: bool) -> str:
    """A boolean parameter."""
    return "ON" if on else "OFF"


# ---- what comes back


@lru_cache(maxsize=1024)
def text_of(line: bytes) -> str:
    """The response as text. Raises `ResponseError` for bytes that are no printable ASCII."""
    text = line.decode("ascii", "replace").strip(" \t")
    if not line.isascii() or not text.replace("\t", " ").isprintable():
        raise ResponseError(f"unreadable bytes: {line[:40]!r}")
    return text


def number(text: str) -> float:
    """NR1, NR2 or NR3; +-9.9E37 is infinite and 9.91E37 not a number, as SCPI-99 has it."""
    if not NUMBER.fullmatch(text):
        raise ResponseError(f"not a number: {shortened(text)}")
    value = float(text)
    if value == NOT_A_NUMBER:
        return math.nan
    if abs(value) == OVERLOAD:
        return math.copysign(math.inf, value)
    if not math.isfinite(value):
        raise ResponseError(f"beyond any number: {shortened(text)}")
    return value


def integer(text: str) -> int:
    """NR1 of at most 18 digits."""
    if not INTEGER.fullmatch(text) or len(text) > 19:
        raise ResponseError(f"not a whole number: {shortened(text)}")
    return int(text)


def boolean(text: str) -> bool:
    """0 or 1: how a boolean is answered whatever word was sent."""
    if text not in ("0", "1"):
        raise ResponseError(f"neither 0 nor 1: {shortened(text)}")
    return text == "1"


def characters(text: str) -> str:
    """Character response data: a word of letters, digits and underscores."""
    if not CHARACTERS.fullmatch(text):
        raise ResponseError(f"not a word: {shortened(text)}")
    return text


def mnemonic(text: str, *words: str) -> str:
    """Which of the words (`NORMal`, `INVerted`) a character response means, in its short or long form."""
    for word in words:
        if text.upper() in (short_form(word), word.upper()):
            return word
    raise ResponseError(f"none of {', '.join(words)}: {shortened(text)}")


def string(text: str) -> str:
    """A quoted string, its doubled quotes undone."""
    quote = text[:1]
    inner = text[1:-1]
    if quote not in ("'", '"') or len(text) < 2 or text[-1] != quote:
        raise ResponseError(f"not a quoted string: {shortened(text)}")
    if quote in inner.replace(quote * 2, ""):
        raise ResponseError(f"a quote inside a string: {shortened(text)}")
    return inner.replace(quote * 2, quote)


def fields(text: str) -> list[str]:
    """The fields of a response, split at the commas that stand outside quotes."""
    return [field.strip() for field in _split(text, ",")]


def answers(text: str, count: int) -> list[str]:
    """The answers to so many questions of one message, split at the semicolons that stand outside quotes."""
    found = text.split(";") if '"' not in text and "'" not in text else list(_split(text, ";"))
    if len(found) != count:
        raise ResponseError(f"{len(found)} answers to {count} questions: {shortened(text)}")
    return found


@lru_cache(maxsize=256)
def error_entry(text: str) -> ErrorEntry:
    """The answer to `SYSTem:ERRor?`."""
    parts = fields(text)
    if len(parts) != 2:
        raise ResponseError(f"no error number and text: {shortened(text)}")
    return ErrorEntry(integer(parts[0]), string(parts[1]))


def identity_fields(text: str) -> tuple[str, str, str, str]:
    """Maker, model, serial, firmware: the answer to `*IDN?` (IEEE 488.2)."""
    parts = [part.strip() for part in text.split(",", 3)]
    if len(parts) != 4 or not all(parts[:2]):
        raise ResponseError(f"no identity of four fields: {shortened(text)}")
    return parts[0], parts[1], parts[2], parts[3]


def short_form(word: str) -> str:
    """`VOLTage` gives `VOLT`: the capitals (and digits) are the short form."""
    return "".join(letter for letter in word if not letter.islower())


def error_class(number_: int) -> str:
    """The class of an error number (SCPI-99)."""
    if number_ == 0:
        return "no error"
    if number_ > 0:
        return "the instrument's own number"
    classes = {1: "command error", 2: "execution error", 3: "device error", 4: "query error"}
    return classes.get(-number_ // 100, "reserved number")


def shortened(text: str, most: int = 60) -> str:
    """A response as shown to a person: quoted, and not longer than a line."""
    return repr(text if len(text) <= most else text[:most] + "...")


def _split(text: str, separator: str) -> Iterator[str]:
    start, quote = 0, ""
    for at, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == separator:
            yield text[start:at]
            start = at + 1
    yield text[start:]
