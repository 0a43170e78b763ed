"""The record's hashes checked by a program that nobody here wrote, as an auditor without this one would.

Source: SHA-256 as published in FIPS 180-4, in the implementation of GNU coreutils (`sha256sum`).
"""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from orchestrator.record.store import MemoryStore
from tests.golden.invented_run import InventedRun, Plan

needs_sha256sum = pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    store = MemoryStore()
    InventedRun(Plan(shots=1, verification_shots=1, samples=40), store).write()
    store.save_to(tmp_path / "run")
    return tmp_path / "run"


def sha256sum(*paths: Path) -> list[str]:
    done = subprocess.run(["sha256sum", *map(str, paths)], capture_output=True, text=True, check=True)
    return [line.split()[0] for line in done.stdout.splitlines()]


@needs_sha256sum
def test_every_line_of_the_journal_holds_the_hash_of_the_line_before(folder: Path, tmp_path: Path) -> None:
    lines = (folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    paths = []
    for number, line in enumerate(lines):
        paths.append(tmp_path / f"line-{number:04d}")
        paths[-1].write_bytes(line)
    hashes = sha256sum(*paths)
    assert [json.loads(line)["prev"] for line in lines] == ["0" * 64, *hashes[:-1]]
    assert json.loads((folder / "seal.json").read_text())["head"] == hashes[-1]


@needs_sha256sum
def test_the_seal_lists_the_hash_of_every_file(folder: Path) -> None:
    sealed = json.loads((folder / "seal.json").read_text())["files"]
    assert [facts["sha256"] for facts in sealed.values()] == sha256sum(*(folder / name for name in sealed))
    assert len(sealed) == 7


@needs_sha256sum
def test_the_environment_is_checked_by_the_usual_command(folder: Path) -> None:
    done = subprocess.run(
        ["sha256sum", "-c", "environment.sha256"], cwd=folder, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (0, "environment.json: OK\n")
