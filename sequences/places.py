"""Where in a file a value stands, from a path of keys and indices to a line and a column; and where none stands."""

from __future__ import annotations

from dataclasses import dataclass

from sequences.tree import Items, Mark, Node, Scalar, Source, Table

Path_ = tuple[str | int, ...]


def child(node: Node, part: str | int) -> Node | None:
    """What stands at a key of a table or an index of a list."""
    if isinstance(node, Items) and isinstance(part, int):
        return node.items[part] if part < len(node.items) else None
    if isinstance(node, Table) and isinstance(part, str):
        return node.get(part)
    return None


def step_body(node: Node, part: str | int) -> Node | None:
    """What stands below a step's kind, if the part is to be found there: a step is a table with one key."""
    if isinstance(node, Table) and len(node.entries) == 1 and isinstance(part, str):
        ((_, body),) = node.entries.values()
        return body if child(body, part) else None
    return None


def locate(root: Node, path: Path_, key: bool = False) -> Mark:
    """The place a path leads to, as near as the file has it; with `key` the place of the last key itself."""
    node = root
    for index, part in enumerate(path):
        holder = node if child(node, part) else step_body(node, part)
        if holder is None:
            continue  # a part that is no key of the file, such as the type that chose a model
        if key and index == len(path) - 1 and isinstance(holder, Table) and (found := holder.key(str(part))):
            return found.at
        node = child(holder, part) or node
    return node.at


def changed(node: Node, path: Path_, new: Node | None) -> Node:
    """The tree with another node at a path, or without what stands there; the same tree if no way leads there."""
    part, rest = path[0], path[1:]
    if isinstance(node, Items) and isinstance(part, int) and part < len(node.items):
        inner = changed(node.items[part], rest, new) if rest else new
        kept = () if inner is None else (inner,)
        return Items((*node.items[:part], *kept, *node.items[part + 1 :]), node.at)
    if not isinstance(node, Table) or isinstance(part, int):
        return node
    return Table(_changed_entries(node, part, rest, new), node.at)


def _changed_entries(node: Table, part: str, rest: Path_, new: Node | None) -> dict[str, tuple[Scalar, Node]]:
    entries = dict(node.entries)
    known, value = entries.get(part, (Scalar(part, node.at), None))
    if rest and value:
        entries[part] = (known, changed(value, rest, new))
    elif new is None:
        entries.pop(part, None)
    elif not rest:
        entries[part] = (known, new)
    return entries


@dataclass(frozen=True, slots=True)
class StandIns:
    """Where the file holds nothing that can be used: there stands something else, or nothing at all.

    `places` are those values. `open_ended` are the tables from which an entry was left out with its name.
    """

    places: frozenset[Path_] = frozenset()
    open_ended: frozenset[Path_] = frozenset()

    def known(self, *paths: Path_) -> bool:
        """Whether each of these is the file's own, so that it is fair to judge by it. Parts below may be not."""
        return not any(path[:end] in self.places for path in paths for end in range(len(path) + 1))

    def complete(self, *paths: Path_) -> bool:
        """Whether each of these tables is the file's own and has all its names: only then is a name absent."""
        return self.known(*paths) and self.open_ended.isdisjoint(paths)

    def whole(self, *paths: Path_) -> bool:
        """Whether each of these is the file's own, with all that stands below."""
        gaps = (*self.places, *self.open_ended)
        return self.known(*paths) and not any(gap[: len(path)] == path for path in paths for gap in gaps)


NO_STAND_INS = StandIns()


@dataclass(frozen=True, slots=True)
class Located:
    """A file's text and tree: where in the file each value stands."""

    source: Source
    root: Node | None

    def at(self, *path: str | int, key: bool = False) -> Mark | None:
        """The place of the value at a path of keys and indices, or of the last key; as near as the file has it."""
        return locate(self.root, path, key) if self.root else None
