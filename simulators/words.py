"""Reading the values that a person sets: numbers with units, yes and no, one of a few words."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")
_PREFIXES = {"G": 1e9, "M": 1e6, "k": 1e3, "": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}


def number_of(text: str, unit: str) -> float:
    """A number in SI from text such as `1.7 kV` or, with the unit left out, `1700`. ValueError says what is wrong."""
    match = _NUMBER.fullmatch(str(text))
    if match is None:
        raise ValueError(f"{text!r} is no number in {unit or 'plain figures'}")
    number, written = float(match[1]), match[2]
    if written == "" or written == unit:
        factor = 1.0
    elif unit and written.endswith(unit) and written[: -len(unit)] in _PREFIXES:
        factor = _PREFIXES[written[: -len(unit)]]
    else:
        raise ValueError(f"{text!r} has the unit {written!r}, where {unit or 'none'} is expected")
    if not math.isfinite(number * factor):
        raise ValueError(f"{text!r} is beyond all numbers")
    return number * factor


def seconds_of(text: str) -> float:
    """A time of zero or more in seconds: `4 s`, `30 ms`, `0.5`."""
    value_s = number_of(text, "s")
    if value_s < 0:
        raise ValueError(f"{text!r} is a time before now")
    return value_s


def factor_of(text: str) -> float:
    """A factor written as `x0.96`."""
    if not str(text).startswith("x"):
        raise ValueError(f"{text!r} is no factor; write it as x0.96")
    return number_of(str(text)[1:], "")


def whole_of(text: str, lowest: int = 0) -> int:
    """A whole number not below `lowest`."""
    if not re.fullmatch(r"\s*\d+\s*", str(text)) or int(text) < lowest:
        raise ValueError(f"{text!r} is no whole number from {lowest} up")
    return int(text)


def yes_of(text: str) -> bool:
    """`yes` or `no`; YAML's true and false are taken for them."""
    return one_of(str(text).lower(), ("yes", "no", "true", "false", "on", "off")) in ("yes", "true", "on")


def one_of(text: str, words: Sequence[str]) -> str:
    """`text` where it is one of `words`; else a ValueError that lists them."""
    if text not in words:
        raise ValueError(f"{text!r} is not one of: {', '.join(words)}")
    return text


def unknown(name: str, known: Iterable[str]) -> ValueError:
    """The error for a name that does not exist, with the nearest that do."""
    near = difflib.get_close_matches(name, list(known), n=3, cutoff=0.4)
    hint = f"the nearest are: {', '.join(near)}" if near else "--show --json lists all names"
    return ValueError(f"nothing on this bench is called {name!r}; {hint}")
