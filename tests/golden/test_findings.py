"""Broken files and what is said about them: one fault each, and one file with ten."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from orchestrator.cli.check import Answer, answer_for
from sequences.codes import CODES
from sequences.findings import render

FOLDER = Path(__file__).with_name("sequences")
BENCH = FOLDER / "bench.yaml"
CYCLES_BENCH = FOLDER / "cycles_bench.yaml"
BENCHES = {"broken": BENCH, "broken_cycles": CYCLES_BENCH}  # what the sequences of a folder are checked on
BROKEN = [path for folder in BENCHES for path in sorted((FOLDER / folder).glob("*.yaml"))]
BROKEN_BENCH = [path for folder in BENCHES for path in sorted((FOLDER / f"{folder}_bench").glob("*.yaml"))]
EXPECTS = re.compile(
    r"# expects: (?P<code>[a-z0-9-]+) at (?P<line>\d+):(?P<column>\d+)(?P<alone>, checked by itself)?"
)

# Codes that no small text file can show; the test that shows each stands in the module named.
ELSEWHERE = {
    "file-missing": "test_tree",
    "not-a-file": "test_tree",
    "not-permitted": "test_tree",
    "cannot-read": "test_tree",
    "too-large": "test_tree",
    "empty-file": "test_tree",
    "not-utf8": "test_tree",
    "control-character": "test_tree",
    "too-deep": "test_tree",
    "too-many-values": "test_tree",
    "more-findings": "test_sequence_loading",
    "not-understood": "test_sequence_loading",
    "unknown-parameter": "test_sequence_loading",
    "parameter-out-of-bounds": "test_sequence_loading",
}


def answer(path: Path) -> tuple[re.Match[str], Answer]:
    """What the first line of a file expects, and what the check says."""
    expected = EXPECTS.fullmatch(path.read_text().splitlines()[0])
    assert expected, f"{path.name} does not say what it expects"
    bench = None if expected["alone"] else BENCHES.get(path.parent.name)
    return expected, answer_for(str(path), str(bench) if bench else None)


def test_the_unbroken_files_have_no_findings() -> None:
    assert answer_for(str(FOLDER / "good.yaml"), str(BENCH)).findings == []
    assert answer_for(str(BENCH)).findings == []
    assert answer_for(str(FOLDER / "good_cycles.yaml"), str(CYCLES_BENCH)).findings == []
    assert answer_for(str(CYCLES_BENCH)).findings == []


@pytest.mark.parametrize("path", BROKEN + BROKEN_BENCH, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_a_broken_file_has_one_finding_at_its_place(path: Path) -> None:
    expected, said = answer(path)

    assert [finding.code for finding in said.findings] == [expected["code"]]
    finding = said.findings[0]
    assert (finding.line, finding.column) == (int(expected["line"]), int(expected["column"]))
    assert finding.excerpt == re.split(r"\r\n|\r|\n", path.read_text())[finding.line - 1]
    assert said.exit_code() == (1 if finding.severity == "refused" else 0)


@pytest.mark.parametrize("path", BROKEN + BROKEN_BENCH, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_a_finding_is_a_plain_sentence_with_help(path: Path) -> None:
    for finding in answer(path)[1].findings:
        assert re.fullmatch(r'["A-Z0-9\-].*\.', finding.what), finding.what
        assert finding.help and not finding.help.endswith(".")
        assert not re.search(r"pydantic|Input should|Traceback|validation", finding.what + finding.help)


def test_there_are_at_least_sixty_broken_files() -> None:
    assert len(BROKEN + BROKEN_BENCH) >= 60


def test_every_code_is_shown_by_a_file_or_a_test() -> None:
    shown = {answer(path)[0]["code"] for path in BROKEN + BROKEN_BENCH}
    assert shown | ELSEWHERE.keys() == CODES.keys()
    for code, module in ELSEWHERE.items():
        text = (FOLDER.parents[1] / "unit" / f"{module}.py").read_text()
        assert f'"{code}"' in text, f"{code} is not in {module}"


def test_ten_faults_make_exactly_ten_findings_in_one_answer() -> None:
    said = answer_for(str(FOLDER / "ten_faults.yaml"), str(BENCH))

    assert len(said.findings) == 10
    assert in_text(said) == (FOLDER / "ten_faults.txt").read_text()
    assert said.exit_code() == 1


def test_eight_faults_of_a_duty_of_cycles_make_exactly_eight_findings_in_one_answer() -> None:
    said = answer_for(str(FOLDER / "eight_faults_of_cycles.yaml"), str(CYCLES_BENCH))

    assert len(said.findings) == 8
    assert in_text(said) == (FOLDER / "eight_faults_of_cycles.txt").read_text()
    assert said.exit_code() == 1


def in_text(said: Answer) -> str:
    """The findings as they are printed, without the folder."""
    return "\n\n".join(render(finding) for finding in said.findings).replace(f"{FOLDER}/", "") + "\n"
