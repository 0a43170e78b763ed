"""What the monitor keeps over a restart, also with broken files, a full disk and a clock that was set."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from orchestrator.monitor.kept import Kept


def test_a_blocked_start_is_there_until_released(tmp_path: Path) -> None:
    kept = Kept(tmp_path / "data")
    assert kept.blocked() is None
    assert kept.block("Start blocked: welded.", {"high_voltage_open": False}) is None
    assert Kept(tmp_path / "data").blocked() == "Start blocked: welded."
    assert kept.release() is None
    assert kept.release() is None
    assert Kept(tmp_path / "data").blocked() is None


@pytest.mark.parametrize("content", ["", "{}", "[]", "null", "{", "\0" * 20])
def test_a_file_that_cannot_be_read_blocks(tmp_path: Path, content: str) -> None:
    (tmp_path / "blocked.json").write_text(content)
    assert "it is not known whether off was proven" in str(Kept(tmp_path).blocked())


def test_a_block_that_cannot_be_written_is_reported_not_raised(tmp_path: Path) -> None:
    kept = Kept(tmp_path)
    (tmp_path / "blocked.part").mkdir()
    assert "directory" in str(kept.block("Start blocked: welded.", {}))


def test_the_age_of_a_proof_goes_on_over_a_restart(tmp_path: Path) -> None:
    assert Kept(tmp_path).prove({"door", "exhaust"}) is None
    ages = Kept(tmp_path).proven_age_s()
    assert set(ages) == {"door", "exhaust"}
    assert all(0 <= age_s < 5 for age_s in ages.values())


def test_a_proof_from_the_future_is_not_believed(tmp_path: Path) -> None:
    utc_s = {"door": time.time() + 3600, "exhaust": time.time() - 60}
    (tmp_path / "proven.json").write_text(json.dumps(utc_s))
    assert set(Kept(tmp_path).proven_age_s()) == {"exhaust"}


@pytest.mark.parametrize("content", ["", "[1]", "{", '{"door": "x"}', '{"door": null}'])
def test_unreadable_proofs_prove_nothing(tmp_path: Path, content: str) -> None:
    (tmp_path / "proven.json").write_text(content)
    assert Kept(tmp_path).proven_age_s() == {}
