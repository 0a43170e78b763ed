"""Sequences and bench files that were changed in one place, for the tests of differences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from orchestrator.steps import KINDS
from sequences.difference import Change, difference
from sequences.loader import Loaded, LoadedBench, load_bench, load_sequence
from sequences.places import Path_
from sequences.source import from_text
from sequences.tree import Items, Node, Scalar, Table, build

TIDEWATER = Path(__file__).parents[1] / "sequences" / "library" / "tidewater"
SEQUENCE = (TIDEWATER / "sequence.yaml").read_text()
BENCH = (TIDEWATER / "bench.yaml").read_text()


@lru_cache(maxsize=16)
def load(text: str) -> Loaded | LoadedBench:
    """A sequence, or a bench file if the text has a safety input and output."""
    return load_bench(from_text(text)) if "safety_io:" in text else load_sequence(from_text(text), KINDS)


def good(loaded: Loaded | LoadedBench) -> bool:
    """Whether it was read without a refusing finding."""
    return (loaded.sequence if isinstance(loaded, Loaded) else loaded.bench) is not None


def changes(old: str, new: str) -> list[Change]:
    """Every change from one text to the other; both have to be good."""
    return difference(load(old), load(new))


def edited(text: str, *edits: tuple[str, str]) -> str:
    """A text with each first part replaced once by the second; it has to stand there."""
    for before, after in edits:
        assert before in text, f"{before!r} does not stand there"
        text = text.replace(before, after, 1)
    return text


@dataclass(frozen=True)
class Written:
    """A single value, or a key, in a text."""

    path: Path_
    text: str
    line: int
    column: int
    is_key: bool = False

    def replaced(self, text: str, by: str) -> str:
        """The text with another value in this place; quotation marks are not looked at."""
        lines = text.split("\n")
        line, start = lines[self.line - 1], self.column - 1
        assert line[start:].startswith(self.text), (line[start:], self.text)
        lines[self.line - 1] = line[:start] + by + line[start + len(self.text) :]
        return "\n".join(lines)


def written(text: str) -> list[Written]:
    """Every single value and every key of a text."""
    root = build(from_text(text))
    assert root is not None
    return list(_written(root, ()))


def _written(node: Node, path: Path_) -> Iterator[Written]:
    if isinstance(node, Scalar):
        yield Written(path, node.text, node.at.line, node.at.column)
    elif isinstance(node, Items):
        for index, item in enumerate(node.items):
            yield from _written(item, (*path, index))
    elif isinstance(node, Table):
        for name, (key, value) in node.entries.items():
            yield Written((*path, name), name, key.at.line, key.at.column, is_key=True)
            yield from _written(value, (*path, name))
