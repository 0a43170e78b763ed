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
_LONGEST_WORD = 30
_CUT = "..."


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
    room = _WIDEST - 2 * len(_CUT)
    start = max(0, min(column - 1 - room // 2, len(clean) - room))
    end = start + room
    # no word is cut in two, if one ends near enough: never at the place itself
    if start > 0 and (blank := clean.find(" ", start - 1, min(start + _LONGEST_WORD, column - 1))) >= 0:
        start = blank + 1
    if end < len(clean) and (blank := clean.rfind(" ", max(end - _LONGEST_WORD, column), end + 1)) >= 0:
        end = blank
    before, after = _CUT * (start > 0), _CUT * (end < len(clean))
    return before + clean[start:end] + after, column - start + len(before)


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
