"""Program data elements of IEEE 488.2: decimal and based numbers, words, strings, blocks, expressions."""

import re
from dataclasses import dataclass
from enum import Enum

from simulators.scpi.blocks import block_span
from simulators.scpi.errors import ScpiError

WHITE = r"[\x00-\x09\x0b-\x20]"
"""White space of IEEE 488.2: control characters and the blank, but not the new line that ends a message."""

LONGEST_WORD = 12
LONGEST_MANTISSA = 255
LARGEST_EXPONENT = 32_000

_SPACE = re.compile(f"{WHITE}*")
_NUMBER = re.compile(rf"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:{WHITE}*[Ee]{WHITE}*([+-]?[0-9]+))?")
_SUFFIX = re.compile(rf"{WHITE}*([A-Za-z/%][A-Za-z0-9/.%-]*)")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_STRINGS = {'"': re.compile(r'"((?:[^"]|"")*)"'), "'": re.compile(r"'((?:[^']|'')*)'")}
_BASES = {
    "H": (16, re.compile("[0-9A-Fa-f]+(?![A-Za-z0-9_])")),
    "Q": (8, re.compile("[0-7]+(?![A-Za-z0-9_])")),
    "B": (2, re.compile("[01]+(?![A-Za-z0-9_])")),
}
_DIGITS = "0123456789"


class Kind(Enum):
    """The kinds of program data; the value is the error of a legal element where it is not allowed."""

    NUMBER = -128
    WORD = -148
    STRING = -158
    BLOCK = -168
    EXPRESSION = -178


@dataclass(frozen=True, slots=True)
class Element:
    """One program data element. A number's text is its mantissa, its exponent stands apart."""

    kind: Kind
    text: str
    exponent: int = 0
    suffix: str = ""


class BlockRunsOn(Exception):
    """A block's data ends behind the bytes at hand; `needed` is the length of the message up to there."""

    def __init__(self, needed: int) -> None:
        super().__init__(needed)
        self.needed = needed


def skip_space(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at


def read_element(text: str, at: int, blocks_allowed: bool) -> tuple[Element, int]:
    """The element at `at` and where it ends.

    Raises ScpiError with the standard's number, and BlockRunsOn for an allowed block that is not all there.
    """
    first = text[at]
    if first in "+-." or first in _DIGITS:
        return _read_number(text, at)
    if first in _STRINGS:
        return _read_string(text, at)
    if first == "#":
        return _read_hash(text, at, blocks_allowed)
    if first == "(":
        return _read_expression(text, at)
    word = _WORD.match(text, at)
    if word is None:
        raise ScpiError(-102 if first in ",;" else -101, text[at : at + LONGEST_WORD])
    if len(word[0]) > LONGEST_WORD:
        raise ScpiError(-144, word[0])
    return Element(Kind.WORD, word[0]), word.end()


def _read_number(text: str, at: int) -> tuple[Element, int]:
    match = _NUMBER.match(text, at)
    if match is None or text[match.end() : match.end() + 1] == ".":
        raise ScpiError(-121, text[at : at + LONGEST_WORD])
    mantissa, exponent_text = match[1], match[2] or "0"
    if sum(c in _DIGITS for c in mantissa.lstrip("+-0.")) > LONGEST_MANTISSA:
        raise ScpiError(-124)
    digits = exponent_text.lstrip("+-0")
    if len(digits) > 5 or int(digits or "0") > LARGEST_EXPONENT:
        raise ScpiError(-123)
    suffix = _SUFFIX.match(text, match.end())
    if suffix is None:
        return Element(Kind.NUMBER, mantissa, int(exponent_text)), match.end()
    if len(suffix[1]) > LONGEST_WORD:
        raise ScpiError(-134, suffix[1])
    return Element(Kind.NUMBER, mantissa, int(exponent_text), suffix[1].upper()), suffix.end()


def _read_string(text: str, at: int) -> tuple[Element, int]:
    quote = text[at]
    match = _STRINGS[quote].match(text, at)
    if match is None or not match[1].isascii():
        raise ScpiError(-151)
    return Element(Kind.STRING, match[1].replace(quote * 2, quote)), match.end()


def _read_hash(text: str, at: int, blocks_allowed: bool) -> tuple[Element, int]:
    head = text[at + 1 : at + 2].upper()
    if head in _BASES:
        base, digits = _BASES[head]
        match = digits.match(text, at + 2)
        if match is None:
            raise ScpiError(-121, text[at : at + LONGEST_WORD])
        return Element(Kind.NUMBER, str(int(match[0], base))), match.end()
    if head and head in _DIGITS and not blocks_allowed:
        raise ScpiError(-168)
    if head == "0":
        return Element(Kind.BLOCK, text[at + 2 :]), len(text)
    span = block_span(text, at)
    if span is None:
        raise ScpiError(-161, text[at : at + LONGEST_WORD])
    start, end = span
    if end > len(text):
        raise BlockRunsOn(end)
    return Element(Kind.BLOCK, text[start:end]), end


def _read_expression(text: str, at: int) -> tuple[Element, int]:
    end = text.find(")", at)
    if end < 0 or "(" in text[at + 1 : end]:
        raise ScpiError(-171)
    return Element(Kind.EXPRESSION, text[at : end + 1]), end + 1
