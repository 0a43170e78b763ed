"""Changes of every kind and what is said about each, and the whole answer of one comparison."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from orchestrator.cli import main
from sequences.difference import weaker
from tests.changed_files import TIDEWATER, changes, edited

FOLDER = Path(__file__).with_name("differences")
SEQUENCES = FOLDER.with_name("sequences")
BASES = {
    "sequence": SEQUENCES / "good.yaml",
    "bench": TIDEWATER / "bench.yaml",
    "cycles": SEQUENCES / "good_cycles.yaml",
    "cycles bench": SEQUENCES / "cycles_bench.yaml",
}
CASES: dict[str, dict[str, Any]] = yaml.safe_load((FOLDER / "cases.yaml").read_text())
NAMED = [(kind, name) for kind, cases in CASES.items() for name in cases]


def texts(kind: str, name: str) -> tuple[str, str]:
    """The old and the new text of a case."""
    case, old = CASES[kind][name], BASES[kind].read_text()
    new = edited(old, *case.get("replace", {}).items())
    if "cut" in case:
        start, end = (new.index(f"\n{mark}") for mark in case["cut"])
        new = new[:start] + new[end:]
    return (new, old) if case.get("reversed") else (old, new)


@pytest.mark.parametrize(("kind", "name"), NAMED)
def test_a_change_is_said_in_words(kind: str, name: str) -> None:
    said = changes(*texts(kind, name))
    assert [f"{one.verdict}: {one.where}: {one.what}" for one in said] == CASES[kind][name]["said"]


@pytest.mark.parametrize(("kind", "name"), NAMED)
def test_a_weakening_has_its_consequence_and_nothing_else_has(kind: str, name: str) -> None:
    said = changes(*texts(kind, name))
    assert weaker(said) is any(line.startswith("weaker") for line in CASES[kind][name]["said"])
    assert all(bool(one.why) == (one.verdict == "weaker") for one in said)


def test_the_whole_answer(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(FOLDER)
    code = main(["check", "new.yaml", "--against", "old.yaml"])
    assert capsys.readouterr().out == (FOLDER / "said.txt").read_text()
    assert code == 1
