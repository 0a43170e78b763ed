"""The commands `check` and `schema`, and the checks that need more than one file to be shown."""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from orchestrator.cli import check as check_command
from orchestrator.cli import schema as schema_command
from orchestrator.steps import KINDS
from sequences import tree
from sequences.checker import check, check_bounds
from sequences.loader import load_bench, load_sequence
from sequences.schema import bench_schema, sequence_schema

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "tests/golden/sequences"
LIBRARY = ROOT / "sequences/library"
GOOD = (FOLDER / "good.yaml").read_text()


def benchward(*words: str) -> int:
    parser = argparse.ArgumentParser()
    commands = parser.add_subparsers(required=True)
    check_command.add_parser(commands)
    schema_command.add_parser(commands)
    args = parser.parse_args(words)
    code: int = args.run(args)
    return code


# --------------------------------------------------------------------------- check


def test_a_sequence_is_checked_on_the_bench_file_beside_it_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sequence.yaml").write_text(GOOD)
    assert benchward("check", str(tmp_path / "sequence.yaml")) == 0
    assert "no bench was given" in capsys.readouterr().out

    (tmp_path / "bench.yaml").write_text((FOLDER / "bench.yaml").read_text())
    assert benchward("check", str(tmp_path / "sequence.yaml")) == 0
    assert "the bench file beside it): nothing wrong. It may be used." in capsys.readouterr().out


def test_the_findings_of_the_bench_file_are_told_with_those_of_the_sequence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sequence.yaml").write_text(GOOD.replace("language: 1", "language: 9"))
    (tmp_path / "bench.yaml").write_text((FOLDER / "bench.yaml").read_text().replace("unit: 1", "unit: 999"))

    assert benchward("check", str(tmp_path / "sequence.yaml")) == 1
    printed = capsys.readouterr().out
    assert "bench.yaml:8:9: refused: out-of-bounds" in printed
    assert "sequence.yaml:2:11: refused: language-version" in printed
    assert printed.endswith("2 findings. It would be refused.\n")


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["good.yaml", "--bench", "bench.yaml"], 0),
        (["bench.yaml"], 0),
        (["broken/no-clause.yaml", "--bench", "bench.yaml"], 0),
        (["broken/no-unit.yaml", "--bench", "bench.yaml"], 1),
        (["broken_bench/coil-twice.yaml"], 1),
        (["absent.yaml"], 2),
        (["."], 2),
        (["good.yaml", "--bench", "absent.yaml"], 2),
        (["good.yaml", "--set", "interval"], 2),
        (["good.yaml", "--set", "interval=60 s"], 0),
        (["good.yaml", "--set", "interval=60 h"], 1),
    ],
)
def test_exit_codes(words: list[str], code: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    assert benchward("check", *words) == code


def test_json_says_the_same_for_programs(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(FOLDER)
    assert benchward("check", "ten_faults.yaml", "--bench", "bench.yaml", "--json") == 1
    said = json.loads(capsys.readouterr().out)

    assert (said["kind"], said["bench"], said["exit_code"]) == ("sequence", "bench.yaml", 1)
    text = (FOLDER / "ten_faults.txt").read_text()
    places = [
        f"{f['file']}:{f['line']}:{f['column']}: {f['severity']}: {f['code']}" for f in said["findings"]
    ]
    assert places == re.findall(r"^ten_faults.*$", text, re.MULTILINE)


def test_a_check_loads_nothing_heavy() -> None:
    """A person waits for it: no engine, no numerics, no reference library of units."""
    script = (
        "import sys; from orchestrator.cli.check import answer_for; answer_for(sys.argv[1]);"
        "print([m for m in ('numpy', 'scipy', 'pint', 'pyvisa', 'orchestrator.engine.run') if m in sys.modules])"
    )
    path = str(LIBRARY / "tidewater/sequence.yaml")
    done = subprocess.run(
        [sys.executable, "-c", script, path], capture_output=True, text=True, check=True, cwd=ROOT
    )

    assert done.stdout == "[]\n"


# --------------------------------------------------------------------------- bounds, accuracy


def findings(text: str, bench_text: str | None = None) -> list[str]:
    loaded = load_sequence(tree.from_text(text), KINDS)
    assert loaded.sequence is not None
    bench = load_bench(tree.from_text(bench_text)) if bench_text else None
    return [f.code for f in [*check(loaded, bench), *check_bounds(loaded, KINDS, bench)]]


def test_a_bound_that_only_a_bench_forbids_is_warned_of_with_that_bench() -> None:
    text = GOOD.replace("      charging_voltage: 1.7 kV +-2 %", "      charging_voltage: level")
    text = text.replace(
        "set_at_start:", "set_at_start:\n  level: {usual: 1.7 kV +-2 %, lowest: 1, highest: 2}"
    )
    loaded = load_sequence(tree.from_text(text), KINDS)
    assert [finding.code for finding in loaded.findings] == ["not-a-quantity"], (
        "a toleranced value is no bound"
    )

    text = GOOD.replace("voltage: 60 V, after: 1 s", "voltage: level, after: 1 s")
    text = text.replace(
        "set_at_start:", "set_at_start:\n  level: {usual: 60 V, lowest: 10 V, highest: 300 V}"
    )
    assert findings(text) == []
    assert findings(text, (FOLDER / "bench.yaml").read_text()) == ["bound-never-usable"]


def test_a_guard_band_needs_an_accuracy_in_the_bench_file() -> None:
    bench = (FOLDER / "bench.yaml").read_text()
    perfect = bench.replace("accuracy: {gain: 0.5 %, offset: 0.1 %", "accuracy: {gain: 0 %, offset: 0 %")

    assert findings(GOOD, bench) == []
    assert findings(GOOD, perfect) == ["rule-without-uncertainty"]


# --------------------------------------------------------------------------- schema


def printed_schema(kind: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert benchward("schema", kind) == 0
    schema: dict[str, Any] = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


def as_texts(path: Path) -> Any:
    root = tree.build(tree.read(path))
    assert root is not None
    return tree.plain(root)


@pytest.mark.parametrize("kind", ["sequence", "bench"])
def test_the_shipped_files_validate_against_the_schema(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    validator = jsonschema.Draft202012Validator(printed_schema(kind, capsys))
    paths = [*LIBRARY.glob(f"*/{kind}.yaml"), FOLDER / {"sequence": "good.yaml", "bench": "bench.yaml"}[kind]]

    for path in paths:
        assert [error.message for error in validator.iter_errors(as_texts(path))] == [], path
    assert len(paths) > 1


@pytest.mark.parametrize(
    "name",
    [
        "capital-kilo",
        "no-unit",
        "misspelt-key",
        "misspelt-step",
        "unknown-polarity",
        "no-title",
        "two-numbers",
    ],
)
def test_an_editor_with_the_schema_marks_what_the_check_refuses(name: str) -> None:
    validator = jsonschema.Draft202012Validator(sequence_schema(KINDS))
    assert not validator.is_valid(as_texts(FOLDER / f"broken/{name}.yaml"))


@pytest.mark.parametrize("name", ["cycle-limit-without-unit", "cycle-rate-in-hertz"])
def test_an_editor_marks_a_fault_of_a_duty_of_cycles(name: str) -> None:
    validator = jsonschema.Draft202012Validator(sequence_schema(KINDS))
    assert validator.is_valid(as_texts(FOLDER / "good_cycles.yaml"))
    assert not validator.is_valid(as_texts(FOLDER / f"broken_cycles/{name}.yaml"))


def test_every_key_has_a_text_for_the_editor_to_show() -> None:
    def keys(schema: Any, path: str) -> list[str]:
        if isinstance(schema, list):
            return [found for one in schema for found in keys(one, path)]
        if not isinstance(schema, dict):
            return []
        own = [
            f"{path}.{key}"
            for key, one in schema.get("properties", {}).items()
            if not str(one.get("description", ""))
        ]
        return own + [found for key, one in schema.items() for found in keys(one, f"{path}.{key}")]

    for schema in (sequence_schema(KINDS), bench_schema()):
        assert keys(schema, "") == []


def test_every_step_kind_is_in_the_schema() -> None:
    offered = {next(iter(one["properties"])) for one in sequence_schema(KINDS)["$defs"]["step"]["oneOf"]}
    assert offered == set(KINDS)
