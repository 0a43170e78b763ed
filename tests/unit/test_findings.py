"""How a finding is printed, and the table of codes."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from sequences.codes import CODES
from sequences.findings import Finding, Severity, in_order, refused, render


def finding(
    line: int = 3, column: int = 8, excerpt: str = "time: 5 mA", severity: Severity = "refused"
) -> Finding:
    return Finding(
        "wrong-unit", severity, "a.yaml", line, column, excerpt, "It is a current.", "write a time"
    )


def test_a_finding_is_printed_with_a_caret_under_its_place_and_help_on_a_line_of_its_own() -> None:
    assert render(finding(column=7)).splitlines() == [
        "a.yaml:3:7: refused: wrong-unit",
        "    time: 5 mA",
        "          ^",
        "  It is a current.",
        "  help: write a time",
    ]


def test_a_finding_about_the_whole_file_has_no_excerpt() -> None:
    assert render(finding(line=0, column=0, excerpt="")).splitlines()[0] == "a.yaml: refused: wrong-unit"
    assert "^" not in render(finding(line=0, column=0, excerpt=""))


@pytest.mark.parametrize("column", [1, 50, 400, 700])
def test_a_long_line_is_cut_around_its_place(column: int) -> None:
    line = "." * (column - 1) + "X" + "." * (700 - column)
    shown, caret = render(finding(column=column, excerpt=line)).splitlines()[1:3]

    assert len(shown) <= 100
    assert shown[caret.index("^")] == "X"


@pytest.mark.parametrize("word", range(0, 90, 7))
def test_a_long_line_of_words_is_cut_between_words(word: int) -> None:
    words = [f"word{number:03}" for number in range(90)]
    line = " ".join(words)
    shown, caret = render(finding(column=line.index(words[word]) + 1, excerpt=line)).splitlines()[1:3]

    assert shown.startswith("    ...word" if word >= 7 else "    word000 ")
    assert shown.endswith("..." if word <= 84 else "word089") and len(shown) <= 100
    assert set(shown.strip().strip(".").split(" ")) <= set(words)
    assert shown[caret.index("^") :].startswith(words[word])


def test_nothing_unprintable_reaches_the_terminal() -> None:
    assert "\x1b" not in render(finding(excerpt="time: \x1b[31m5 mA"))


def test_a_finding_is_plain_data_for_programs() -> None:
    assert json.loads(json.dumps(finding().to_json())) == {
        "code": "wrong-unit",
        "severity": "refused",
        "file": "a.yaml",
        "line": 3,
        "column": 8,
        "excerpt": "time: 5 mA",
        "what": "It is a current.",
        "help": "write a time",
    }


def test_a_value_cannot_send_escape_sequences_to_the_terminal() -> None:
    """An escape in quotation marks is a control character in the value: `"\\e[2J"` would clear the screen."""
    said = render(replace(finding(), what='"\x1b[2J\t" is no name.\n', help="write\r\x07 b"))

    assert all(line.isprintable() for line in said.split("\n"))
    assert '  " [2J " is no name. \n  help: write   b' in said


def test_findings_stand_in_the_order_of_the_file_and_once() -> None:
    later, earlier = finding(line=9), finding(line=2)

    assert in_order([later, earlier, later]) == [earlier, later]


def test_warnings_alone_refuse_nothing() -> None:
    assert not refused([finding(severity="warning")])
    assert refused([finding(severity="warning"), finding()])


def test_a_code_that_is_not_in_the_table_cannot_be_used() -> None:
    with pytest.raises(KeyError, match="no-such-code"):
        Finding("no-such-code", "refused", "a.yaml", 1, 1, "", "", "")


def test_every_code_is_lower_case_words_with_a_paragraph() -> None:
    for code, paragraph in CODES.items():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)
        assert paragraph.endswith(".") and len(paragraph) > 70, code
