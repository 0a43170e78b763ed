"""SCPI-99 headers: the notation of a command, and the tree in which a received header is looked up.

A mnemonic is known by its short form (the capitals of the notation) and its long form, in any case, and by no
other length. `[...]` marks nodes that may be left out, `#` a numeric suffix, which is 1 where it is left out.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from simulators.scpi.errors import ScpiError
from simulators.scpi.parameters import Limit, LimitQuery, Number, Parameter, forms

LONGEST_MNEMONIC = 12

Args = tuple[Any, ...]
"""What a handler gets, each as its parameter's `value` made it; optional ones may be missing."""
Suffixes = tuple[int, ...]
"""The numeric suffixes, one for each `#` of the notation."""


@dataclass(frozen=True)
class Later:
    """Returned by a handler that is not done: the rest of the message waits.

    Until `at_s`, or, where that is None, until no overlapped operation is pending; then `answer(now_s)` is
    called and gives the query's reply, or None where there is none.
    """

    answer: Callable[[float], str | bytes | None]
    at_s: float | None = None


Setter = Callable[[Args, Suffixes, float], Later | None]
Query = Callable[[Args, Suffixes, float], "str | bytes | Later"]


@dataclass(frozen=True)
class Command:
    """One header with what it does: `set` for the command, `query` for the form with `?`, or both.

    Handlers are called as `handler(args, suffixes, now_s)`. A query returns its response data as text (`nr3`
    and its neighbours write it) or as bytes, which go out as a definite length block. A handler refuses with
    ScpiError. `highest_suffixes` has one entry for each `#`; the lowest is 1. The query of a command whose
    first parameter is a Number answers MINimum, MAXimum and DEFault by itself. After a reply without an end of
    its own (`ends_replies`, *IDN? is one) a further query in the same message is -440.
    """

    header: str
    set: Setter | None = None
    query: Query | None = None
    parameters: tuple[Parameter, ...] = ()
    query_parameters: tuple[Parameter, ...] = ()
    highest_suffixes: tuple[int, ...] = ()
    ends_replies: bool = False

    def __post_init__(self) -> None:
        marks = self.header.count("#")
        if not self.highest_suffixes:
            object.__setattr__(self, "highest_suffixes", (1,) * marks)
        if len(self.highest_suffixes) != marks:
            raise ValueError(f"{self.header}: {marks} numeric suffixes, {len(self.highest_suffixes)} limits")
        first = self.parameters[0] if self.parameters else None
        if isinstance(first, Number) and first.names and not self.query_parameters:
            object.__setattr__(self, "query_parameters", (LimitQuery(first),))

    def accepted(self, is_query: bool) -> tuple[Parameter, ...] | None:
        """The parameters of that form; None where the command has no such form."""
        if is_query:
            return self.query_parameters if self.query else None
        return self.parameters if self.set else None

    def answer(self, args: Args, suffixes: Suffixes, now_s: float) -> str | bytes | Later:
        """The query's response data."""
        if args and isinstance(args[0], Limit):
            return args[0].reply
        assert self.query is not None
        return self.query(args, suffixes, now_s)


@dataclass(frozen=True)
class Found:
    """A header looked up."""

    command: Command
    suffixes: Suffixes


@dataclass
class _Node:
    children: dict[str, "_Node"] = field(default_factory=dict)
    command: Command | None = None
    slots: tuple[int | None, ...] = ()


_Part = tuple[str, str, int | None]
"""Short form, long form, and the place of the numeric suffix where there is one."""
_NODE = re.compile(r"(\*?)([A-Za-z0-9_]+?)(?:#(\d+))?")
_TRAILING_DIGITS = re.compile(r"([A-Z0-9_]*?[A-Z_])([0-9]+)")


class HeaderTree:
    """All commands of a device. Building it raises ValueError for a notation that is wrong or given twice."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Node()
        for command in commands:
            for parts in _spelt(command.header):
                self._add(parts, command)

    def find(self, nodes: Sequence[str]) -> Found:
        """The command of a header given as its mnemonics from the root, a common one with its asterisk.

        Raises ScpiError: -112 a mnemonic too long, -113 not known, -114 a numeric suffix out of range.
        """
        text = ":".join(nodes)
        node, digits = self._root, []
        for mnemonic in nodes:
            if len(mnemonic.lstrip("*")) > LONGEST_MNEMONIC:
                raise ScpiError(-112, text)
            below, number = _child(node, mnemonic.upper())
            if below is None:
                raise ScpiError(-113, text)
            node = below
            digits.append(number)
        if node.command is None:
            raise ScpiError(-113, text)
        return Found(node.command, _suffixes(node.command, node.slots, digits, text))

    def _add(self, parts: tuple[_Part, ...], command: Command) -> None:
        node = self._root
        for short, long, _ in parts:
            node = _grown(node, short, long, command.header)
        if node.command is not None:
            raise ValueError(f"{command.header} and {node.command.header} are the same header")
        node.command, node.slots = command, tuple(slot for _, _, slot in parts)


def _child(node: _Node, mnemonic: str) -> tuple[_Node | None, str]:
    """The node below and the digits behind its mnemonic. A mnemonic that itself ends in digits wins."""
    exact = node.children.get(mnemonic)
    if exact is not None:
        return exact, ""
    match = _TRAILING_DIGITS.fullmatch(mnemonic)
    return (node.children.get(match[1]), match[2]) if match else (None, "")


def _suffixes(command: Command, slots: Sequence[int | None], digits: Sequence[str], text: str) -> Suffixes:
    values = [1] * len(command.highest_suffixes)
    for slot, number in zip(slots, digits, strict=True):
        if slot is None and number:
            raise ScpiError(-113, text)
        if slot is not None and number:
            values[slot] = int(number)
    if any(not 1 <= value <= high for value, high in zip(values, command.highest_suffixes, strict=True)):
        raise ScpiError(-114, text)
    return tuple(values)


def _grown(node: _Node, short: str, long: str, header: str) -> _Node:
    below = node.children.get(long)
    if below is None:
        below = _Node()
    for form in (short, long):
        if node.children.setdefault(form, below) is not below:
            raise ValueError(f"{header}: {form} already means another mnemonic")
    return below


def _numbered(header: str) -> str:
    """Each `#` with its place, so that it keeps it when optional nodes fall away."""
    parts = header.split("#")
    return parts[0] + "".join(f"#{place}{part}" for place, part in enumerate(parts[1:]))


@lru_cache(maxsize=1024)
def _spelt(notation: str) -> tuple[tuple[_Part, ...], ...]:
    """Every header that a notation allows, as its mnemonics. Raises ValueError."""
    return tuple(
        tuple(_part(text, notation) for text in header.split(":"))
        for header in _expanded(_numbered(notation))
    )


def _part(text: str, notation: str) -> _Part:
    match = _NODE.fullmatch(text)
    if match is None:
        raise ValueError(f"{notation!r} is no header in SCPI notation")
    short, long = ("*" + form if match[1] else form for form in forms(match[2]))
    return short, long, int(match[3]) if match[3] else None


def _expanded(header: str) -> list[str]:
    """Every header that the optional nodes of a notation allow, the longest first."""
    start = header.rfind("[")
    end = header.find("]", start)
    if start < 0 or end < 0:
        return [header.strip(":")]
    kept = header[:start] + header[start + 1 : end] + header[end + 1 :]
    dropped = header[:start] + header[end + 1 :]
    return [*_expanded(kept), *_expanded(dropped)]
