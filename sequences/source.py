"""A file as text with places, read so that no file can raise, hang or fill the memory. Standard library only."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from dataclasses import dataclass, field
from pathlib import Path

from sequences.findings import Finding, Severity

LARGEST_FILE = 1_000_000  # bytes; a sequence of 200 steps is about 30,000
LONGEST_EXCERPT = 1_000  # characters; a longer line is not quoted

LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a file, counted from 1."""

    line: int
    column: int


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
            self._lines = LINE_END.split(self.text)
        return self._lines[number - 1] if 0 < number <= len(self._lines) else ""

    def finding(
        self, code: str, at: Mark | None, what: str, advice: str, severity: Severity = "refused"
    ) -> Finding:
        """A finding about a place in this file, not yet added."""
        mark = at or Mark(0, 0)
        line = self.line(mark.line)
        excerpt = line if len(line) <= LONGEST_EXCERPT else ""
        return Finding(code, severity, self.file, mark.line, mark.column, excerpt, what, advice)

    def add(self, code: str, at: Mark | None, what: str, advice: str = "") -> None:
        self.findings.append(self.finding(code, at, what, advice))


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
        lines = LINE_END.split(before)
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
