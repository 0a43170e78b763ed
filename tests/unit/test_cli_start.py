"""`benchward start` where it cannot: a sentence, no fault of the software."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli import prove, start
from orchestrator.cli.client import Refusal
from orchestrator.cli.main import main
from orchestrator.core.status_text import compact


def test_start_and_wait_without_a_daemon_was_told_as_a_fault_of_the_software(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["start", "x.yaml", "--specimen", "A-1", "--wait", "--data", str(tmp_path)])
    assert code == 2
    assert capsys.readouterr().err.startswith(f"No daemon serves the data folder {tmp_path}.\nhelp: ")


def test_a_specimen_with_a_line_break_is_refused_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["start", "x.yaml", "--specimen", "A\n1", "--data", str(tmp_path)]) == 2
    assert "identity has a line break" in capsys.readouterr().err


def test_a_missing_file_had_another_exit_code_than_in_check() -> None:
    assert Refusal({"code": "findings", "findings": [{"code": "file-missing"}]}).exit_code == 2
    assert Refusal({"code": "findings", "findings": [{"code": "unknown-key"}]}).exit_code == 1


def test_the_line_of_what_is_going_on_lacked_a_stop_between_its_details() -> None:
    status = {
        "may_i_go_in": {
            "symbol": "(X)",
            "words": "NO",
            "answer": "no",
            "lamp": "red",
            "contactor": "x",
            "earth": "y",
        },
        "going_on": {"sentence": "Charging.", "details": ["602 of 1700 V charged", "capture: waiting"]},
        "do": {"sentence": "Nothing. Stay outside."},
    }
    assert "Charging. 602 of 1700 V charged; capture: waiting" in compact(status)[2]


def test_prove_during_a_run_is_a_wrong_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def busy(*_: Any) -> Any:
        raise Refusal({"code": "busy", "sentence": "Run R is in progress."})

    monkeypatch.setattr(prove, "good_bench", lambda file: argparse.Namespace(text=""))
    monkeypatch.setattr(prove, "_daemon", busy)
    assert main(["prove", "bench.yaml", "--data", str(tmp_path)]) == 2
    assert "Run R is in progress." in capsys.readouterr().err


def test_the_check_that_was_named_did_not_show_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(*_: Any) -> int:
        raise Refusal({"code": "findings", "sentence": "It cannot be run.", "help": "check"})

    monkeypatch.setattr(start, "EngineLink", lambda places: argparse.Namespace(close=lambda: None))
    monkeypatch.setattr(start, "_start", refuse)
    given = ["start", "my sequence.yaml", "--specimen", "A", "--set", "interval=2 s", "--data", str(tmp_path)]
    assert main(given) == 1
    err = capsys.readouterr().err
    assert "benchward check 'my sequence.yaml' --bench " in err
    assert err.endswith("bench.yaml --set 'interval=2 s'\n")


def test_a_plant_file_was_checked_as_a_sequence(capsys: pytest.CaptureFixture[str]) -> None:
    plant = Path(__file__).parents[2] / "sequences" / "library" / "tidewater" / "plant.yaml"
    assert main(["check", str(plant)]) == 1
    out = capsys.readouterr().out
    assert "This is the file of a simulated plant" in out
    assert out.count("not-recognised") == 1
