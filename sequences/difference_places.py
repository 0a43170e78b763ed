"""Where a value stands in two files at once, and as what it is written there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sequences.difference_values import Value, is_number
from sequences.model import Parameter
from sequences.places import Located, Path_, child, step_body
from sequences.tree import Mark, Node, Scalar, Table


def text_at(root: Node | None, path: Path_) -> str | None:
    """The text of the single value at a path; None if none is written there."""
    node = root
    for part in path:
        if node is None:
            return None
        found = child(node, part) or child(step_body(node, part) or node, part)
        if found is None and isinstance(node, Table) and len(node.entries) == 1:
            ((_, found),) = node.entries.values()  # a step in its short form
            found = found if isinstance(found, Scalar) else None
        node = found
    return node.text if isinstance(node, Scalar) else None


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two files."""

    located: Located
    parameters: dict[str, Parameter]

    def value(self, value: Any, path: Path_) -> Value:
        text = text_at(self.located.root, path)
        return Value(value, text, self.parameters.get((text or "").strip()) if is_number(value) else None)

    def texts(self, path: Path_, count: int) -> list[str]:
        """The entries of a list of single values, as they are written."""
        return [(text_at(self.located.root, (*path, index)) or "").strip() for index in range(count)]

    def shown(self, path: Path_ | None) -> str:
        """A single value behind `removed` or `added`; nothing for a table or a list."""
        text = text_at(self.located.root, path or ())
        return f": {text}" if text else ""

    def mark(self, path: Path_ | None) -> Mark:
        found = self.located.at(*path) if path is not None else None
        return found or Mark(0, 0)


@dataclass(frozen=True, slots=True)
class Pair:
    """A place in both files (None: not there), and its name in words."""

    old: Path_ | None
    new: Path_ | None
    where: tuple[str, ...]

    def at(self, part: str | int, words: str = "") -> Pair:
        return self.between(part, part, words or str(part))

    def between(self, old: str | int | None, new: str | int | None, words: str) -> Pair:
        return Pair(
            _below(self.old, old), _below(self.new, new), (*self.where, words) if words else self.where
        )


def _below(path: Path_ | None, part: str | int | None) -> Path_ | None:
    return None if path is None or part is None else (*path, part)
