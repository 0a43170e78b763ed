"""Where in a file a value stands: from a path of keys and indices to a line and a column."""

from __future__ import annotations

from dataclasses import dataclass

from sequences.tree import Items, Mark, Node, Source, Table

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


def without(node: Node, path: Path_) -> Node:
    """The tree without what stands at a path; the same tree if nothing stands there."""
    part, rest = path[0], path[1:]
    if isinstance(node, Items) and isinstance(part, int) and part < len(node.items):
        kept = [without(node.items[part], rest)] if rest else []
        return Items((*node.items[:part], *kept, *node.items[part + 1 :]), node.at)
    if not isinstance(node, Table):
        return node
    entries = dict(node.entries)
    if str(part) not in entries and len(entries) == 1:  # a step: its fields stand below its kind
        ((kind, (known, body)),) = entries.items()
        entries[kind] = (known, without(body, path))
    elif str(part) in entries and rest:
        known, value = entries[str(part)]
        entries[str(part)] = (known, without(value, rest))
    else:
        entries.pop(str(part), None)
    return Table(entries, node.at)


@dataclass(frozen=True, slots=True)
class Located:
    """A file's text and tree: where in the file each value stands."""

    source: Source
    root: Node | None

    def at(self, *path: str | int, key: bool = False) -> Mark | None:
        """The place of the value at a path of keys and indices, or of the last key; as near as the file has it."""
        return locate(self.root, path, key) if self.root else None
