"""What is wrong with a file, said so that the writer can mend it: every finding at once, each with its place.

Standard library only. The codes and their meaning stand in `sequences/codes.py`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

from sequences.codes import CODES

Severity = Literal["refused", "warning"]
_WIDEST = 96  # columns of an excerpt; a longer line is cut around the place


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. Lines and columns count from 1; line 0 means the file as a whole."""

    code: str
    severity: Severity
    file: str
    line: int
    column: int
    excerpt: str
    what: str
    help: str

    def __post_init__(self) -> None:
        if self.code not in CODES:
            raise KeyError(f"finding code {self.code!r} is not in CODES")

    def to_json(self) -> dict[str, Any]:
        """Plain data for `--json`, key for key the attributes."""
        return asdict(self)


def printable(text: str) -> str:
    """The text on one line, without characters that a terminal would act on: an escape in quotation marks is one."""
    return "".join(c if c.isprintable() else " " for c in text)


def _window(excerpt: str, column: int) -> tuple[str, int]:
    """The part of a line around a column, printable, and the column in it."""
    clean = printable(excerpt)
    if len(clean) <= _WIDEST:
        return clean, column
    start = max(0, min(column - 1 - _WIDEST // 2, len(clean) - _WIDEST))
    return clean[start : start + _WIDEST], column - start


def render(finding: Finding) -> str:
    """A finding as text: place and code, the line with a caret under the place, what is wrong, help."""
    place = f"{finding.file}:{finding.line}:{finding.column}" if finding.line else finding.file
    lines = [f"{place}: {finding.severity}: {finding.code}"]
    if finding.line and finding.excerpt.strip():
        shown, column = _window(finding.excerpt, finding.column)
        lines += [f"    {shown}", " " * (3 + column) + "^"]
    lines.append(f"  {finding.what}")
    if finding.help:
        lines.append(f"  help: {finding.help}")
    return "\n".join(printable(line) for line in lines)


def refused(findings: Iterable[Finding]) -> bool:
    """Whether any of them refuses the file; warnings alone do not."""
    return any(finding.severity == "refused" for finding in findings)


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """By file and place, as a person reads; the same finding is kept once."""
    return sorted(dict.fromkeys(findings), key=lambda f: (f.file, f.line, f.column, f.code, f.what))
