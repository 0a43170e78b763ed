"""A file as a tree of texts with places: YAML without its typing, anchors, tags and surprises.

Everything that can be wrong with a file comes back as a finding; nothing here raises for a bad file, waits
for a writer, or reads without an end.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from sequences.findings import Finding, Severity

LARGEST_FILE = 1_000_000  # bytes; a sequence of 200 steps is about 30,000
DEEPEST = 24
MOST_VALUES = 60_000

_LINE_END = re.compile(r"\r\n|\r|\n")
# What YAML 1.1 calls unprintable, and the two exotic line ends that editors do not count as lines.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]|(?<!^)\ufeff")
_LOADER: Any = getattr(yaml, "CLoader", yaml.Loader)


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a file, counted from 1."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Scalar:
    text: str
    at: Mark


@dataclass(frozen=True, slots=True)
class Refused:
    """Stands where a value was refused already, so that nobody complains about it twice."""

    at: Mark


@dataclass(frozen=True, slots=True)
class Items:
    items: tuple[Node, ...]
    at: Mark


@dataclass(frozen=True, slots=True)
class Table:
    entries: tuple[tuple[Scalar, Node], ...]
    at: Mark

    def get(self, key: str) -> Node | None:
        return next((value for known, value in self.entries if known.text == key), None)

    def key(self, key: str) -> Scalar | None:
        return next((known for known, _ in self.entries if known.text == key), None)


Node = Scalar | Items | Table | Refused


@dataclass(slots=True)
class Source:
    """A file's name and text, and the findings about it so far."""

    file: str
    text: str = ""
    findings: list[Finding] = field(default_factory=list)
    _lines: list[str] | None = None

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.text.encode()).hexdigest()

    def line(self, number: int) -> str:
        if self._lines is None:
            self._lines = _LINE_END.split(self.text)
        return self._lines[number - 1] if 0 < number <= len(self._lines) else ""

    def finding(
        self, code: str, at: Mark | None, what: str, advice: str, severity: Severity = "refused"
    ) -> Finding:
        """A finding about a place in this file, not yet added."""
        mark = at or Mark(0, 0)
        return Finding(code, severity, self.file, mark.line, mark.column, self.line(mark.line), what, advice)

    def add(self, code: str, at: Mark | None, what: str, advice: str = "") -> None:
        self.findings.append(self.finding(code, at, what, advice))


# --------------------------------------------------------------------------- bytes


def _kind(mode: int) -> str:
    kinds = {
        stat.S_IFDIR: "a directory", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device", stat.S_IFBLK: "a device",
    }  # fmt: skip
    return kinds.get(stat.S_IFMT(mode), "no plain file")


def _read_bytes(path: Path) -> bytes | str:
    """At most one byte more than allowed; a kind in words instead if it is no plain file. Never waits."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            return _kind(mode)
        with os.fdopen(handle, "rb", closefd=False) as file:
            return file.read(LARGEST_FILE + 1)
    finally:
        os.close(handle)


def _open_failed(source: Source, error: OSError) -> None:
    if error.errno == errno.ENOENT:
        source.add(
            "file-missing", None, "There is no file of this name.", "look at the spelling and at the folder"
        )
    elif error.errno in (errno.EACCES, errno.EPERM):
        source.add(
            "not-permitted",
            None,
            "This account may not read the file.",
            "ask its owner for permission to read it",
        )
    elif error.errno in (errno.ENXIO, errno.EISDIR):
        source.add("not-a-file", None, "This is no plain file.", "give the name of a file")
    else:
        reason = os.strerror(error.errno) if error.errno else "no reason given"
        source.add("cannot-read", None, f"The file cannot be read: {reason}.", "try to open it in an editor")


def read(path: str | Path) -> Source:
    """Read a file as UTF-8 text with every kind of line end kept. What is wrong is in `findings`."""
    source = Source(str(path))
    try:
        data = _read_bytes(Path(path))
    except OSError as error:
        _open_failed(source, error)
        return source
    except ValueError:  # a NUL byte in the name
        source.add("file-missing", None, "No file can have this name.", "look at the spelling")
        return source
    if isinstance(data, str):
        source.add("not-a-file", None, f"This is {data}.", "give the name of a file")
    elif len(data) > LARGEST_FILE:
        source.add(
            "too-large",
            None,
            f"The file has more than {LARGEST_FILE // 1000} kB.",
            "look whether it is the right file",
        )
    else:
        _decode(source, data)
    return source


def _decode(source: Source, data: bytes) -> None:
    try:
        source.text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        lines = _LINE_END.split(before)
        source.text = before  # the excerpt ends where the text does
        utf16 = data[:2] in (b"\xff\xfe", b"\xfe\xff")
        what = (
            "The file is UTF-16 text."
            if utf16
            else f"Byte 0x{data[error.start]:02x} does not belong to UTF-8 text."
        )
        source.add("not-utf8", Mark(len(lines), len(lines[-1]) + 1), what, "save the file as UTF-8")


def from_text(text: str, file: str = "(text)") -> Source:
    """A source from text that is at hand."""
    source = Source(file, text.removeprefix("\ufeff"))
    if len(text) > LARGEST_FILE:
        source.add(
            "too-large",
            None,
            f"The text has more than {LARGEST_FILE // 1000} kB.",
            "look whether it is the right file",
        )
    return source


# --------------------------------------------------------------------------- YAML


# pattern in the parser's own words: what is wrong, what to do
_PROBLEMS = (
    (
        r"mapping values are not allowed",
        "A colon stands where no key may begin.",
        "put text with a colon in quotation marks, or look at the line above",
    ),
    (
        r"did not find expected ',' or '[\]}]'",
        "A list or table in brackets is not closed, or a comma is missing.",
        "look for the closing bracket and for the commas",
    ),
    (
        r"did not find expected key|expected <block end>|did not find expected '-'",
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
                f'The anchor "&{event.anchor}" is not allowed.',
                "write the value out where it is used",
            )
        tag = getattr(event, "tag", None)
        if tag and tag != "!":
            self.source.add(
                "tag-not-allowed", at, f'The tag "{tag}" is not allowed.', "write the value without it"
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
                    f'"{key.text}" stands here for the second time; the first is in line {first}.',
                    "keep one of the two",
                )
            else:
                entries[key.text] = (key, value)
        return Table(tuple(entries.values()), at)

    def scalar(self, event: Any) -> None:
        self.decorated(event)
        self.put(Scalar(event.value, _mark(event.start_mark)))

    def alias(self, event: Any) -> None:
        at = _mark(event.start_mark)
        self.source.add(
            "reference-not-allowed",
            at,
            f'The alias "*{event.anchor}" is not allowed.',
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
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    what, help_text = (
        "The text is not YAML at this place.",
        "look at the brackets, quotation marks and indentation here and in the line above",
    )
    if mark and source.line(mark.line + 1)[mark.column : mark.column + 1] == "\t":
        what, help_text = "A tab stands where YAML wants spaces.", "indent with spaces"
    for pattern, sentence, advice in () if "tab" in what else _PROBLEMS:
        if re.search(pattern, problem):
            what, help_text = sentence, advice
            break
    source.add("not-yaml", _mark(mark) if mark else None, what, help_text)


def _unprintable(source: Source) -> bool:
    match = _UNPRINTABLE.search(source.text)
    if match is None:
        return False
    lines = _LINE_END.split(source.text[: match.start()])
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
    """Dicts, lists and texts; a refused value stays the `Refused` object it is."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Items):
        return [plain(item) for item in node.items]
    if isinstance(node, Table):
        return {key.text: plain(value) for key, value in node.entries}
    return node
