"""`benchward check NEW --against OLD`: exit codes, the JSON object, and files that cannot be compared."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import pytest

from orchestrator.cli import main
from sequences.difference import Change, difference
from tests.changed_files import BENCH, SEQUENCE, edited, load


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "old.yaml"
    path.write_text(SEQUENCE)
    return path


def new(old: Path, text: str) -> Path:
    path = old.with_name("new.yaml")
    path.write_text(text)
    return path


def test_the_json_object_has_the_check_and_the_changes(old: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = new(old, edited(SEQUENCE, ("at_most: 310 V", "at_most: 320 V"), ("limit: go on", "limit: stop")))
    code = main(["check", str(path), "--against", str(old), "--json"])
    said = json.loads(capsys.readouterr().out)
    assert code == said["exit_code"] == 1
    assert (said["file"], said["against"], said["not_compared"]) == (str(path), str(old), None)
    assert [one["verdict"] for one in said["changes"]] == ["weaker", "stronger"]
    weaker = said["changes"][0]
    assert weaker.keys() == {one.name for one in fields(Change)}
    assert (weaker["what"], weaker["why"]) == ("310 V -> 320 V, higher", "the limit is loosened")
    assert (weaker["line"], weaker["old_line"]) == (76, 76)


def test_the_same_file_exits_0(old: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(old), "--against", str(old)]) == 0
    assert "nothing changed but comments and layout, if those." in capsys.readouterr().out


def test_a_new_file_that_is_refused_exits_1_with_its_findings(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = new(old, edited(SEQUENCE, ("at_most: 310 V", "at_most: 310")))
    assert main(["check", str(path), "--against", str(old)]) == 1
    said = capsys.readouterr().out
    assert "missing-unit" in said and "The new file would be refused, so nothing was compared." in said


def test_an_old_file_that_is_refused_exits_1_with_its_findings(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = new(old, SEQUENCE)
    old.write_text(edited(SEQUENCE, ("at_most: 310 V", "at_most: 310")))
    assert main(["check", str(path), "--against", str(old)]) == 1
    said = capsys.readouterr().out
    assert f"{old}:76:80: refused: missing-unit" in said
    assert "The old file would be refused, so nothing was compared." in said


def test_a_sequence_and_a_bench_file_exit_2(old: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = new(old, BENCH)
    assert main(["check", str(path), "--against", str(old)]) == 2
    assert "One is a sequence and the other a bench file" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["missing.yaml", ".", ""])
def test_an_old_file_that_cannot_be_opened_exits_2(
    name: str, old: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(old.parent)
    assert main(["check", str(old), "--against", name, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["not_compared"] == "old refused"


def test_a_weakening_shows_beside_findings_of_the_cross_check(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that reads well is compared even if it does not fit together."""
    path = new(old, edited(SEQUENCE, ("  - observe: {indicator: cheesecloth, time: observation}\n", "")))
    assert main(["check", str(path), "--against", str(old)]) == 1
    said = capsys.readouterr().out
    assert "It would be refused." in said and "weaker: each_shot, step 2 (observe): removed" in said


def test_a_change_cannot_send_escape_sequences_to_the_terminal(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = new(old, edited(SEQUENCE, ("title: Impulses on", 'title: "\\e[2J\\n on"  #')))
    assert main(["check", str(path), "--against", str(old)]) == 0
    said = capsys.readouterr().out
    assert "title: Impulses on a buoy-lamp input filter ->  [2J  on, changed\n" in said


def test_refused_files_are_not_compared_by_the_function_either() -> None:
    refused = load(edited(SEQUENCE, ("at_most: 310 V", "at_most: 310")))
    with pytest.raises(ValueError, match="was refused"):
        difference(load(SEQUENCE), refused)
    with pytest.raises(ValueError, match="cannot be compared"):
        difference(load(SEQUENCE), load(BENCH))


def test_two_long_files_are_compared_in_time() -> None:
    """Thousands of steps that are all alike, the worst for a search of the longest common run."""
    steps = "".join(f"  - dwell: {number % 3 + 1} s\n" for number in range(4000))
    long = edited(SEQUENCE, ("each_shot:\n", f"each_shot:\n{steps}"))
    said = difference(load(SEQUENCE), load(long))
    assert len(said) >= 4000
    assert {change.verdict for change in said} == {"other"}
