"""A text as a tree of texts with places: YAML without its typing, anchors, tags and surprises.

Everything that can be wrong comes back as a finding of the source; nothing here raises for a bad file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import yaml

from sequences.source import LINE_END, Mark, Source, from_text, read

__all__ = [
    "Items",
    "Mark",
    "Node",
    "Refused",
    "Scalar",
    "Source",
    "StandIn",
    "Table",
    "build",
    "from_text",
    "plain",
    "read",
]

DEEPEST = 24
MOST_VALUES = 60_000

# What YAML 1.1 calls unprintable, and the two exotic line ends that editors do not count as lines.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]|(?<!^)\ufeff")
_LOADER: Any = getattr(yaml, "CLoader", yaml.Loader)


@dataclass(frozen=True, slots=True)
class Scalar:
    text: str
    at: Mark


@dataclass(frozen=True, slots=True)
class Refused:
    """Stands where a value was refused already, so that nobody complains about it twice."""

    at: Mark


@dataclass(frozen=True, slots=True)
class StandIn:
    """Plain data that the language accepts, in the place of what was refused or is missing."""

    data: Any
    at: Mark


@dataclass(frozen=True, slots=True)
class Items:
    items: tuple[Node, ...]
    at: Mark


@dataclass(frozen=True, slots=True)
class Table:
    entries: dict[str, tuple[Scalar, Node]]
    at: Mark

    def get(self, key: str) -> Node | None:
        found = self.entries.get(key)
        return found[1] if found else None

    def key(self, key: str) -> Scalar | None:
        found = self.entries.get(key)
        return found[0] if found else None


Node = Scalar | Items | Table | Refused | StandIn


# pattern in the parser's own words: what is wrong, what to do
_PROBLEMS = (
    (
        r"mapping values are not allowed",
        "A colon stands where no key may begin.",
        "put text with a colon in quotation marks, or look at the line above",
    ),
    (
        r"expected ',' or '[\]}]'",
        "A list or table in brackets is not closed, or a comma is missing.",
        "look for the closing bracket and for the commas",
    ),
    (
        r"expected (the )?node content",
        "A value is missing, or a bracket has no partner.",
        "write the value, or look for the other bracket",
    ),
    (
        r"expected key|expected <block end>|expected '-'",
        "The indentation does not fit the lines above.",
        "line the keys of one table up in one column",
    ),
    (r"could not find expected ':'", "A key without its colon.", "write a colon and a space after the key"),
    (
        r"unexpected end of stream|unexpected document indicator",
        "A quotation mark is not closed.",
        "close the quotation mark",
    ),
    (
        r"cannot start any token",
        "The value starts with a character that means something else in YAML.",
        "put the value in quotation marks",
    ),
    (r"escape", "A backslash sequence that YAML does not know.", "use single quotation marks"),
)


def _mark(at: Any) -> Mark:
    return Mark(at.line + 1, at.column + 1)


class _TooMuch(Exception):
    """The tree has grown past a limit; the finding is already noted."""


class _Builder:
    """Turns the parser's events into a tree, without recursion, refusing what the language does not have."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.values = 0
        self.open: list[tuple[Mark, list[Node], bool]] = []  # place, children so far, whether a table
        self.root: Node | None = None

    def put(self, node: Node) -> None:
        self.values += 1
        if self.values > MOST_VALUES:
            self.source.add(
                "too-many-values",
                node.at,
                f"The file holds more than {MOST_VALUES} values.",
                "look whether it is the right file",
            )
            raise _TooMuch
        if self.open:
            self.open[-1][1].append(node)
        else:
            self.root = node

    def decorated(self, event: Any) -> None:
        """Note anchors and tags; the value itself is kept."""
        at = _mark(event.start_mark)
        if getattr(event, "anchor", None):
            self.source.add(
                "reference-not-allowed",
                at,
                f'The anchor "&{event.anchor[:64]}" is not allowed.',
                "write the value out where it is used",
            )
        tag = getattr(event, "tag", None)
        if tag and tag != "!":
            self.source.add(
                "tag-not-allowed", at, f'The tag "{tag[:64]}" is not allowed.', "write the value without it"
            )

    def start(self, event: Any, table: bool) -> None:
        self.decorated(event)
        at = _mark(event.start_mark)
        if len(self.open) >= DEEPEST:
            self.source.add(
                "too-deep",
                at,
                f"More than {DEEPEST} tables and lists inside one another.",
                "look at the brackets",
            )
            raise _TooMuch
        self.open.append((at, [], table))

    def end(self) -> None:
        at, children, table = self.open.pop()
        self.put(self.table(at, children) if table else Items(tuple(children), at))

    def table(self, at: Mark, children: list[Node]) -> Table:
        entries: dict[str, tuple[Scalar, Node]] = {}
        for key, value in zip(children[::2], children[1::2], strict=True):
            if isinstance(key, Refused):
                continue
            if not isinstance(key, Scalar):
                self.source.add(
                    "key-not-text",
                    key.at,
                    "A list or a table stands where a key is wanted.",
                    "write a plain word and a colon",
                )
            elif key.text in entries:
                first = entries[key.text][0].at.line
                self.source.add(
                    "duplicate-key",
                    key.at,
                    f'"{key.text[:64]}" stands here for the second time; the first is in line {first}.',
                    "keep one of the two",
                )
            else:
                entries[key.text] = (key, value)
        return Table(entries, at)

    def scalar(self, event: Any) -> None:
        self.decorated(event)
        self.put(Scalar(event.value, _mark(event.start_mark)))

    def alias(self, event: Any) -> None:
        at = _mark(event.start_mark)
        self.source.add(
            "reference-not-allowed",
            at,
            f'The alias "*{event.anchor[:64]}" is not allowed.',
            "write the value out here",
        )
        self.put(Refused(at))


def _build(builder: _Builder, events: Iterator[Any]) -> None:
    documents = 0
    for event in events:
        name = type(event).__name__
        if name == "DocumentStartEvent":
            documents += 1
            if documents > 1:
                builder.source.add(
                    "several-documents",
                    _mark(event.start_mark),
                    "A second document starts here.",
                    "keep one document in a file",
                )
                builder.root = None  # which of them was meant is not ours to choose
                return
        elif name == "ScalarEvent":
            builder.scalar(event)
        elif name == "AliasEvent":
            builder.alias(event)
        elif name in ("MappingStartEvent", "SequenceStartEvent"):
            builder.start(event, name == "MappingStartEvent")
        elif name in ("MappingEndEvent", "SequenceEndEvent"):
            builder.end()


def _not_yaml(source: Source, error: yaml.YAMLError) -> None:
    problem = str(getattr(error, "problem", "") or "")
    mark = _on_a_line(source, getattr(error, "problem_mark", None) or getattr(error, "context_mark", None))
    if "nesting depth" in problem:
        source.add("too-deep", mark, "Brackets are nested without an end.", "look at the brackets")
        return
    if mark and source.line(mark.line)[mark.column - 1 : mark.column] == "\t":
        source.add("not-yaml", mark, "A tab stands where YAML wants spaces.", "indent with spaces")
        return
    known = ((what, advice) for pattern, what, advice in _PROBLEMS if re.search(pattern, problem))
    what, advice = next(known, ("The text is not YAML at this place.", "look at this line and the one above"))
    source.add("not-yaml", mark, what, advice)


def _on_a_line(source: Source, mark: Any) -> Mark | None:
    """The parser's place; a place behind the last line is that line's end."""
    if mark is None:
        return None
    lines = len(LINE_END.split(source.text.rstrip()))
    if mark.line < lines:
        return _mark(mark)
    return Mark(lines, len(source.line(lines).rstrip()) + 1)


def _unprintable(source: Source) -> bool:
    match = _UNPRINTABLE.search(source.text)
    if match is None:
        return False
    lines = LINE_END.split(source.text[: match.start()])
    what = f"The character U+{ord(match.group()):04X} does not belong in the file."
    source.add(
        "control-character",
        Mark(len(lines), len(lines[-1]) + 1),
        what,
        "remove it, or look whether this is the right file",
    )
    return True


def build(source: Source) -> Node | None:
    """The tree of a source; None when the text has none. Findings are added to the source."""
    if source.findings or _unprintable(source):
        return None
    builder = _Builder(source)
    try:
        _build(builder, yaml.parse(source.text, Loader=_LOADER))
    except _TooMuch:
        return None
    except yaml.YAMLError as error:
        _not_yaml(source, error)
        return None
    empty = builder.root is None or (isinstance(builder.root, Scalar) and not builder.root.text.strip())
    if empty and not source.findings:
        source.add(
            "empty-file",
            None,
            "The file holds nothing.",
            "write a sequence or a bench file; the library folder has examples",
        )
    return None if empty else builder.root


def plain(node: Node) -> Any:
    """Dicts, lists and texts; a refused value stays the `Refused` object it is, a stand-in is its data."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Items):
        return [plain(item) for item in node.items]
    if isinstance(node, Table):
        return {text: plain(value) for text, (_, value) in node.entries.items()}
    return node.data if isinstance(node, StandIn) else node
