"""Every example in the docs is done: files are checked, commands are run and their output compared."""

from __future__ import annotations

import argparse
import importlib
import json
from pathlib import Path

import pytest

from orchestrator.cli.main import COMMANDS
from tests.docs_examples import (
    DOCS,
    Block,
    Command,
    Workplace,
    blocks,
    commands,
    expected_codes,
    found_codes,
    is_whole,
    same,
)
from tests.unit.test_docs import NAMES, journal_table

YAML = [block for name in NAMES for block in blocks(DOCS / name) if block.language == "yaml"]
WITH_CONSOLE = [name for name in NAMES if any(block.language == "console" for block in blocks(DOCS / name))]
NOT_RUN = [
    command
    for name in NAMES
    for block in blocks(DOCS / name)
    if block.language == "console"
    for command in commands(block)
    if not command.runs_alone
]
OF_EVERY_LINE = {"n", "utc", "kind", "mono_s", "prev", "not_written"}
NAMED_BY_THE_BENCH = {"off_proof": ("_v", "_open", "_closed"), "ambient": ("",)}  # endings of further keys


@pytest.mark.parametrize("block", YAML, ids=lambda block: block.where)
def test_yaml_has_the_findings_that_it_states(block: Block, tmp_path: Path) -> None:
    found = found_codes(block, tmp_path / "example.yaml") if not is_whole(block) else _found(block, tmp_path)

    assert found == expected_codes(block)


def _found(block: Block, folder: Path) -> set[str]:
    path = folder / "example.yaml"
    path.write_text(block.body, encoding="utf-8")
    return found_codes(block, path)


@pytest.mark.parametrize("name", WITH_CONSOLE)
def test_commands_print_what_is_stated(name: str, tmp_path: Path) -> None:
    place = Workplace(tmp_path)
    for block in blocks(DOCS / name):
        if block.language == "console":
            _follow(block, place)
        elif block.language == "diff":
            place.change(block)
        elif block.is_saved:
            place.save(block)


def _follow(block: Block, place: Workplace) -> None:
    for command in commands(block):
        if command.runs_alone:
            printed = place.run(command)
            said = "\n".join(printed)
            assert same(command.printed, printed), f"{block.where}: $ {command.text}\n{said}\n(make docs)"


@pytest.mark.parametrize("command", NOT_RUN, ids=lambda command: command.text)
def test_commands_that_need_a_daemon_are_at_least_understood(command: Command) -> None:
    words = command.words
    assert words[0] == "benchward"
    module = importlib.import_module(COMMANDS[words[1]][0])
    parser = argparse.ArgumentParser()
    module.add_parser(parser.add_subparsers())

    assert parser.parse_args(words[1:]).run


@pytest.mark.parametrize(
    "trouble", ["cloth=fresh", "digitiser_v.misses_trigger=next", "contactor.welds=high_voltage"]
)
def test_every_key_of_a_rehearsed_journal_is_described(trouble: str, tmp_path: Path) -> None:
    place = Workplace(tmp_path)
    place.run(
        Command(
            "benchward rehearse sequences/library/tidewater/sequence.yaml --set shots=4 --set verification_shots=1 "
            f"--plant {trouble} --output rehearsed",
            [],
        )
    )
    described = journal_table()
    lines = (tmp_path / "rehearsed" / "journal.jsonl").read_text(encoding="utf-8").splitlines()

    assert lines
    for entry in map(json.loads, lines):
        further = NAMED_BY_THE_BENCH.get(entry["kind"], ())
        unknown = set(entry) - OF_EVERY_LINE - described[entry["kind"]]
        assert [key for key in unknown if not key.endswith(further)] == [], entry["kind"]


# --------------------------------------------------------------------------- the tools themselves


@pytest.mark.parametrize(
    ("stated", "printed", "is_same"),
    [
        (["a", "..."], ["a", "b", "c"], True),
        (["...", "c"], ["a", "b", "c"], True),
        (["a", "...", "c"], ["a", "c"], True),
        (["a", "...", "c"], ["a", "b", "d"], False),
        (["a"], ["a", "b"], False),
        (["a.c"], ["abc"], False),
        ([], [], True),
    ],
)
def test_three_dots_stand_for_any_lines_and_nothing_else_does(
    stated: list[str], printed: list[str], is_same: bool
) -> None:
    assert same(stated, printed) is is_same


def test_a_wrong_statement_is_found(tmp_path: Path) -> None:
    block = Block("page.md", 1, "console", "$ benchward check nothing.yaml\nnothing wrong\n", "")

    with pytest.raises(AssertionError, match="file-missing"):
        _follow(block, Workplace(tmp_path))
