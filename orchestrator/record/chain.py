"""Chains of lines, each holding the hash of the one before: what the journal, the amendments and the list
of heads have in common.

Amendments, heads and the seal also end in `check`, the sha256 of their own bytes before it: nothing comes
after the newest of them that could hold its hash. Neither hash keeps out a person who rewrites everything;
it is the list of heads, kept apart, that does.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

NO_LINE_BEFORE = "0" * 64
_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def sha256_hex(data: bytes) -> str:
    """The hash that the whole record uses."""
    return hashlib.sha256(data).hexdigest()


def encode_line(entry: Mapping[str, Any]) -> bytes:
    """One line of a chain: UTF-8 JSON without NaN, keys in the order given, with its line end.

    A lone surrogate (an undecodable byte of a command line) becomes its JSON escape.
    """
    return _ENCODER.encode(entry).encode("utf-8", "backslashreplace") + b"\n"


def encode_checked(entry: Mapping[str, Any], indent: int | None = None) -> bytes:
    """Like `encode_line`, with `check` as the last key; with `indent` over several lines."""
    text = json.dumps(entry, ensure_ascii=False, allow_nan=False, indent=indent)
    body = text.encode("utf-8", "backslashreplace").removesuffix(b"}").removesuffix(b"\n")
    gap = b", " if indent is None else b",\n" + b" " * indent
    end = b"}\n" if indent is None else b"\n}\n"
    return body + gap + b'"check": "' + sha256_hex(body).encode() + b'"' + end


def check_holds(data: bytes) -> bool:
    """Whether bytes made by `encode_checked` are still what they were."""
    body, mark, tail = data.rpartition(b'"check": "')
    for gap, end in ((b", ", b"}\n"), (b",\n ", b"\n}\n")):
        whole = body.removesuffix(gap)
        if mark and whole != body and tail == sha256_hex(whole).encode() + b'"' + end:
            return True
    return False


@dataclass(frozen=True)
class Line:
    """One whole line: its number in the file from 1, what it says, and its hash with the line end."""

    number: int
    entry: dict[str, Any]
    sha256: str


@dataclass(frozen=True)
class Break:
    """A place where a chain does not hold. `line` counts from 1 in the file."""

    line: int
    what: str


@dataclass(frozen=True)
class Chain:
    """A chain as it was read: whole lines, breaks, and torn bytes behind the last line end."""

    origin: str
    lines: tuple[Line, ...]
    breaks: tuple[Break, ...]
    torn: bytes
    set_aside: tuple[int, ...] = ()  # numbers of torn lines that the line after them declares

    @property
    def head(self) -> str:
        """Hash of the last line; the origin of an empty chain."""
        return self.lines[-1].sha256 if self.lines else self.origin

    @property
    def entries(self) -> list[dict[str, Any]]:
        """What the lines say."""
        return [line.entry for line in self.lines]


_LEARNT: dict[bytes, tuple[dict[str, Any] | None, str]] = {}


def learn(raw: bytes) -> None:
    """Read a line once for every later reading in this process and its forks, which must not change the entry.

    For a test that reads thousands of journals with the same beginning; a line is known by all of its bytes.
    """
    if raw not in _LEARNT:
        _LEARNT[raw] = _read_line(raw)


def _read_line(raw: bytes) -> tuple[dict[str, Any] | None, str]:
    """What a line says, None where it is no JSON object, and its hash."""
    return _LEARNT.get(raw) or (_parse(raw), sha256_hex(raw))


def read_chain(data: bytes, origin: str = NO_LINE_BEFORE, checked: bool = False) -> Chain:
    """Read a chain that starts from `origin`; with `checked` each line must also pass its own check."""
    whole, torn = _split(data)
    lines: list[Line] = []
    breaks: list[Break] = []
    aside: list[int] = []
    for number, (raw, after) in enumerate(zip(whole, [*whole[1:], b""], strict=False), 1):
        entry, digest = _read_line(raw)
        if (entry is None or (checked and not check_holds(raw))) and _declares_torn(after, raw):
            aside.append(number)
        elif entry is None:
            breaks.append(Break(number, "is no JSON object: it was changed or torn"))
        else:
            lines.append(Line(number, entry, digest))
            if checked and not check_holds(raw):
                breaks.append(Break(number, "was changed: it does not pass its own check"))
    breaks.extend(_chain_breaks(lines, origin))
    return Chain(origin, tuple(lines), tuple(sorted(breaks, key=lambda b: b.line)), torn, tuple(aside))


def next_line(chain: Chain, entry: Mapping[str, Any]) -> bytes:
    """The bytes that add an entry to a checked chain: `n` and `prev` are filled in, torn bytes declared."""
    numbered = {"n": len(chain.lines) + 1} | dict(entry)
    if chain.torn:
        numbered["torn_before"] = sha256_hex(chain.torn)
    line = encode_checked(numbered | {"prev": chain.head})
    return b"\n" + line if chain.torn else line


def _split(data: bytes) -> tuple[list[bytes], bytes]:
    """Whole lines with their line ends, and what is behind the last one. Only LF ends a line."""
    parts = data.split(b"\n")
    return [part + b"\n" for part in parts[:-1]], parts[-1]


def _parse(raw: bytes) -> dict[str, Any] | None:
    try:
        entry = json.loads(raw)
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


def _declares_torn(after: bytes, raw: bytes) -> bool:
    entry = _parse(after)
    return entry is not None and entry.get("torn_before") == sha256_hex(raw.removesuffix(b"\n"))


def _chain_breaks(lines: list[Line], origin: str) -> Iterator[Break]:
    """Where `n` or `prev` do not follow.

    A changed line shows in the line after it. If the changed bytes were its own `prev`, it shows twice, and
    then the first of the two lines is the changed one.
    """
    follows = [_follows(line, before, origin) for line, before in zip(lines, [None, *lines], strict=False)]
    for place, line in enumerate(lines):
        before = lines[place - 1] if place else None
        if line.entry.get("n") != place + 1:
            yield Break(
                line.number,
                f"says n = {line.entry.get('n')}, expected {place + 1}: lines are missing or changed",
            )
            return
        if follows[place] or (place and not follows[place - 1]):
            continue
        own = place + 1 < len(lines) and not follows[place + 1]
        if own or before is None:
            yield Break(line.number, "was changed: it does not follow from what is before it")
        else:
            yield Break(before.number, f"was changed: line {line.number} holds another hash of it")


def _follows(line: Line, before: Line | None, origin: str) -> bool:
    return line.entry.get("prev") == (before.sha256 if before else origin)
