"""`benchward check NEW --against OLD`: what changed, in words, and what of it is weaker than before.

Exit codes: 0 nothing is weaker; 1 something is weaker, or a file would be refused; 2 the command was wrong or a file
could not be opened.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from orchestrator.cli.check import UNOPENED, Answer, as_data, as_text, kind_of

if TYPE_CHECKING:
    from sequences.difference import Change
    from sequences.difference_rules import Verdict
    from sequences.findings import Finding
    from sequences.loader import Loaded, LoadedBench

HEADINGS: dict[Verdict, str] = {"weaker": "weaker", "stronger": "stronger", "other": "other, look at it"}
NOT_COMPARED = {
    "old refused": ("The old file would be refused", "mend what is found above and compare again"),
    "new refused": ("The new file would be refused", "mend what is found above and compare again"),
    "two kinds": (
        "One is a sequence and the other a bench file",
        "give two sequences or two bench files",
    ),
}


@dataclass(slots=True)
class Comparison:
    """What a comparison says: the check of the new file, the changes, or why there was none."""

    answer: Answer
    against: str
    changes: list[Change] = field(default_factory=list)
    old_findings: list[Finding] = field(default_factory=list)
    not_compared: str = ""  # a key of NOT_COMPARED

    def exit_code(self) -> int:
        from sequences.difference import weaker

        unopened = any(finding.code in UNOPENED for finding in self.old_findings)
        if unopened or self.answer.exit_code() == 2 or self.not_compared == "two kinds":
            return 2
        return 1 if self.not_compared or self.answer.exit_code() or weaker(self.changes) else 0


def compare(answer: Answer, against: str) -> Comparison:
    """Compare the file that was checked with another state of it; values given at the start play no part."""
    from sequences.difference import difference
    from sequences.findings import refused

    comparison = Comparison(answer, against)
    old, comparison.old_findings = _loaded(against)
    new, new_findings = _loaded(answer.file)
    if refused(comparison.old_findings):
        comparison.not_compared = "old refused"
    elif refused(new_findings):
        comparison.not_compared = "new refused"
    elif old is None or new is None or type(old) is not type(new):
        comparison.not_compared = "two kinds"
    else:
        comparison.changes = difference(old, new)
    return comparison


def _loaded(file: str) -> tuple[Loaded | LoadedBench | None, list[Finding]]:
    from orchestrator.steps import KINDS
    from sequences import tree
    from sequences.loader import load_bench, load_sequence

    source = tree.read(file)
    kind = kind_of(source)
    if kind == "file":
        return None, source.findings
    loaded = load_bench(source) if kind == "bench file" else load_sequence(source, KINDS)
    return loaded, loaded.findings


# --------------------------------------------------------------------------- answers


def comparison_as_json(comparison: Comparison) -> str:
    """One JSON object: that of the check, and what changed."""
    about: dict[str, Any] = {
        **as_data(comparison.answer),
        "exit_code": comparison.exit_code(),
        "against": comparison.against,
        "not_compared": comparison.not_compared or None,
        "old_findings": [finding.to_json() for finding in comparison.old_findings],
        "changes": [change.to_json() for change in comparison.changes],
    }
    return json.dumps(about, indent=2, ensure_ascii=False)


def comparison_as_text(comparison: Comparison) -> str:
    """The check of the new file, then every change, the weaker ones first, and a summary."""
    from sequences.findings import render

    changes = [_change(change, comparison) for change in comparison.changes]
    old = [render(finding) for finding in comparison.old_findings if comparison.not_compared]
    return "\n\n".join([as_text(comparison.answer), *old, *changes, _summary(comparison)])


def _change(change: Change, comparison: Comparison) -> str:
    from sequences.findings import printable

    places = [
        f"{file}:{line}:{column}"
        for file, line, column in (
            (comparison.answer.file, change.line, change.column),
            (comparison.against, change.old_line, change.old_column),
        )
        if line
    ]
    lines = [f"{HEADINGS[change.verdict]}: {change.where}: {change.what}"]
    lines += [f"  {change.why}"] if change.why else []
    lines += [f"  {'; before '.join(places)}" if change.line else f"  before {places[0]}"] if places else []
    return "\n".join(printable(line) for line in lines)


def _summary(comparison: Comparison) -> str:
    files = f"{comparison.answer.file} against {comparison.against}"
    if comparison.not_compared:
        what, advice = NOT_COMPARED[comparison.not_compared]
        return f"{files}: {what}, so nothing was compared.\n  help: {advice}"
    if not comparison.changes:
        return f"{files}: nothing changed but comments and layout, if those."
    counts = Counter(change.verdict for change in comparison.changes)
    counted = ", ".join(f"{counts[verdict]} {verdict}" for verdict in HEADINGS if counts[verdict])
    said = "It is weaker than before." if counts["weaker"] else "Nothing is weaker than before."
    return f"{files}: {counted}. {said}"
