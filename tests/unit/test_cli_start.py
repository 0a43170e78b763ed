"""`benchward start` where it cannot: a sentence, no fault of the software."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.cli.main import main


def test_start_and_wait_without_a_daemon_was_told_as_a_fault_of_the_software(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["start", "x.yaml", "--specimen", "A-1", "--wait", "--data", str(tmp_path)])
    assert code == 2
    assert capsys.readouterr().err.startswith(f"No daemon serves the data folder {tmp_path}.\nhelp: ")
