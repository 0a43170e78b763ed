"""`benchward check`: what is wrong with a sequence or a bench file, all of it at once, before anything opens.

Exit codes: 0 fine, warnings alone too; 1 findings; 2 the command was wrong or a file could not be opened.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from sequences.findings import Finding
    from sequences.loader import LoadedBench
    from sequences.tree import Source

UNOPENED = {"file-missing", "not-a-file", "not-permitted", "cannot-read"}
BESIDE = "bench.yaml"


@dataclass(slots=True)
class Answer:
    """What a check says: which kind of file it was, the bench it was checked on, and the findings."""

    file: str
    kind: Literal["sequence", "bench file", "file"]
    bench: str | None = None
    beside: bool = False
    findings: list[Finding] = field(default_factory=list)
    compared: bool = False
    """Whether a sequence was held against the bench: a bench file that cannot be read as one allows no comparison."""

    def exit_code(self) -> int:
        if any(finding.code in UNOPENED for finding in self.findings):
            return 2
        return 1 if any(finding.severity == "refused" for finding in self.findings) else 0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the `check` command; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "check",
        help="say what is wrong with a sequence or a bench file",
        description="Look for everything that is wrong with a sequence or a bench file before anything opens. "
        "A sequence is also compared with a bench: the one given, or the file bench.yaml beside it.",
    )
    parser.add_argument("file", metavar="FILE", help="a sequence or a bench file")
    parser.add_argument("--bench", metavar="BENCH", help="the bench file that the sequence is to run on")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a value as it would be given at the start; may be repeated",
    )
    parser.add_argument(
        "--against",
        metavar="OLD",
        help="an earlier state of the file: say also what changed, and exit 1 if anything is weaker than before",
    )
    parser.add_argument("--json", action="store_true", help="for programs: one JSON object instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check, print, and return the exit code."""
    given = dict(text.partition("=")[::2] for text in args.set)
    wrong = [text for text in args.set if "=" not in text]
    if wrong:
        print(
            f'"{wrong[0]}" gives no value.\n  help: write --set NAME=VALUE, for example --set "interval=60 s"'
        )
        return 2
    answer = answer_for(args.file, args.bench, given)
    if args.against is not None:
        return _against(answer, args.against, args.json)
    print(json.dumps(as_data(answer), indent=2, ensure_ascii=False) if args.json else as_text(answer))
    return answer.exit_code()


def _against(answer: Answer, old: str, as_json: bool) -> int:
    from orchestrator.cli import check_against

    comparison = check_against.compare(answer, old)
    write = check_against.comparison_as_json if as_json else check_against.comparison_as_text
    print(write(comparison))
    return comparison.exit_code()


def answer_for(file: str, bench: str | None = None, given: dict[str, str] | None = None) -> Answer:
    """Check one file; with a sequence also against a bench."""
    from sequences import tree

    source = tree.read(file)
    kind = kind_of(source)
    if kind == "bench file":
        return Answer(file, kind, findings=checked_bench(source)[1])
    if kind == "sequence":
        return _sequence(source, file, bench, given or {})
    return Answer(file, kind, findings=source.findings)


def kind_of(source: Source) -> Literal["sequence", "bench file", "file"]:
    """By the keys at the top: the kind that has more of them that are its own. A finding if neither has any."""
    from sequences import tree
    from sequences.bench import Bench
    from sequences.model import Sequence

    root = tree.build(source)
    if root is None:
        return "file"
    source.findings.clear()  # the loader builds the tree again and finds the same
    keys = set(root.entries) if isinstance(root, tree.Table) else set()
    sequence = len(keys & (Sequence.model_fields.keys() - Bench.model_fields.keys()))
    bench = len(keys & (Bench.model_fields.keys() - Sequence.model_fields.keys()))
    if {"kind", "power", "set"} <= keys and "language" not in keys:
        what = "This is the file of a simulated plant, neither a sequence nor a bench file."
        source.add(
            "not-recognised", root.at, what, "`benchward simulators BENCH` reads it; check its bench file"
        )
        return "file"
    if sequence == bench == 0:
        what = "The file has none of the keys that a sequence or a bench file has."
        source.add("not-recognised", root.at, what, "a sequence has duty:, a bench file has safety_io:")
        return "file"
    return "bench file" if bench > sequence else "sequence"


def checked_bench(source: Source) -> tuple[LoadedBench, list[Finding]]:
    """A bench file by itself, with everything that is wrong with it."""
    from datetime import UTC, datetime

    from drivers import dialects
    from sequences.checker import check_bench
    from sequences.findings import in_order
    from sequences.loader import load_bench

    loaded = load_bench(source)
    types = {shape: name for name, shape in dialects.SHAPES.items()}
    known = {name: types[type(dialects.load(name))] for name in dialects.names()}
    found = check_bench(loaded, known, datetime.now(UTC).date())
    return loaded, in_order([*loaded.findings, *found])


def _sequence(source: Source, file: str, bench: str | None, given: dict[str, str]) -> Answer:
    from orchestrator.steps import KINDS
    from sequences import tree
    from sequences.checker import check, check_bounds
    from sequences.findings import in_order
    from sequences.loader import load_sequence

    beside = Path(file).with_name(BESIDE)
    chosen = bench or (str(beside) if beside.is_file() else None)
    loaded_bench, bench_findings = checked_bench(tree.read(chosen)) if chosen else (None, [])
    loaded = load_sequence(source, KINDS, given)
    findings = [*loaded.findings, *check(loaded, loaded_bench)]
    findings += check_bounds(loaded, KINDS, loaded_bench)
    found, beside_it = in_order([*bench_findings, *findings]), bench is None and chosen is not None
    compared = loaded_bench is not None and loaded_bench.bench is not None
    return Answer(file, "sequence", chosen, beside_it, found, compared)


# --------------------------------------------------------------------------- answers


def as_data(answer: Answer) -> dict[str, Any]:
    """Plain data for `--json`."""
    findings = [finding.to_json() for finding in answer.findings]
    about = {"file": answer.file, "kind": answer.kind, "bench": answer.bench, "exit_code": answer.exit_code()}
    return {**about, "compared_with_bench": answer.compared, "findings": findings}


def as_text(answer: Answer) -> str:
    """Every finding, and a summary."""
    from sequences.findings import render

    return "\n\n".join([*(render(finding) for finding in answer.findings), _summary(answer)])


def _summary(answer: Answer) -> str:
    refusing = sum(finding.severity == "refused" for finding in answer.findings)
    warnings = len(answer.findings) - refusing
    counted = [
        f"{number} {word}{'' if number == 1 else 's'}"
        for number, word in ((refusing, "finding"), (warnings, "warning"))
        if number
    ]
    said = " and ".join(counted) or "nothing wrong"
    verdict = "It would be refused." if refusing else "It may be used."
    return f"{answer.file} ({answer.kind}{_where(answer)}): {said}. {verdict}"


def _where(answer: Answer) -> str:
    if answer.kind != "sequence":
        return ""
    if answer.bench is None:
        return ", checked by itself: no bench was given, so levels, ranges and interlocks of a bench were not looked at"
    which = f"{answer.bench}{', the bench file beside it' if answer.beside else ''}"
    if not answer.compared:
        return f", NOT compared with {which}: that file is refused itself; mend it and check again, more may come"
    return f", checked on {which}"
