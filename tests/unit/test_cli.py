"""The commands as a person meets them: what they load, what they say, how they end."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli.happenings import ending, happening
from orchestrator.cli.main import COMMANDS, main
from orchestrator.cli.showing import Screen
from orchestrator.daemon.locks import FolderLock, ResourceLocks, Taken, canonical, is_held
from orchestrator.daemon.places import daemon_facts, places_for, places_of_running

HEAVY = {
    "numpy",
    "scipy",
    "pydantic",
    "pint",
    "fastapi",
    "uvicorn",
    "yaml",
    "h5py",
    "transitions",
    "pymodbus",
}


def fresh(code: str) -> str:
    """What a process of its own prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout


@pytest.mark.parametrize("command", ["status", "abort", "pause", "resume", "answer"])
def test_commands_of_a_hurry_load_nothing_heavy(command: str, tmp_path: Path) -> None:
    more = ", '--yes'" if command == "answer" else ""
    code = f"""
import sys, json
from orchestrator.cli import main
code = main(['{command}', '--data', {str(tmp_path)!r}{more}])
print(json.dumps([code, sorted(m for m in sys.modules if '.' not in m)]))
"""
    code_, modules = json.loads(fresh(code).splitlines()[-1])
    assert code_ in (2, 3)
    assert HEAVY & set(modules) == set()


def test_help_names_every_command_once_and_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert [line.split()[0] for line in out.splitlines() if line.startswith("  ")] == list(COMMANDS)
    assert "interlock chain is the safety function" in out
    assert all(len(line) <= 120 for line in out.splitlines())


def test_an_unknown_command_is_wrong_and_helps(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["begin"]) == 2
    assert (
        capsys.readouterr().err
        == "benchward: there is no command 'begin'.\nhelp: benchward --help lists them\n"
    )


def test_no_traceback_reaches_a_person_and_the_details_are_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(args: Any) -> int:
        raise RuntimeError("made to fail")

    monkeypatch.setattr("orchestrator.cli.status.run", fail)
    assert main(["status"]) == 3
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "benchward status failed: RuntimeError: made to fail" in err
    kept = Path(err.split("the details are in ")[1].strip())
    assert "made to fail" in kept.read_text()
    kept.unlink()


def test_status_without_a_daemon_is_not_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--data", str(tmp_path)]) == 3
    assert "(?) NOT KNOWN. Treat the bench as live" in capsys.readouterr().out
    assert main(["status", "--json", "--data", str(tmp_path)]) == 3
    assert json.loads(capsys.readouterr().out)["may_i_go_in"]["answer"] == "not known"


@pytest.mark.parametrize("command", ["pause", "resume", "answer"])
def test_without_a_daemon_commands_say_how_to_get_one(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, "--data", str(tmp_path)]) == 2
    err = capsys.readouterr().err
    assert f"No daemon serves the data folder {tmp_path}." in err
    assert "help: start one with `benchward serve BENCH`" in err


def test_abort_without_a_monitor_says_that_off_is_not_proven(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["abort", "--data", str(tmp_path)]) == 3
    assert "Nothing was aborted" in capsys.readouterr().err


def test_start_refuses_a_value_without_its_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["start", "x.yaml", "--specimen", "A", "--set", "shots", "--data", str(tmp_path)]) == 2
    assert '"shots" gives no value' in capsys.readouterr().err


def test_serve_prints_the_findings_of_a_bench_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text("language: 1\nname: x\n")
    assert main(["serve", str(bench), "--data", str(tmp_path / "data")]) == 1
    assert "bench.yaml" in capsys.readouterr().err
    assert not (tmp_path / "data").exists()


# ---- places and locks


def test_one_daemon_a_folder_and_it_says_who(tmp_path: Path) -> None:
    lock = FolderLock(tmp_path)
    lock.say(sockets="/somewhere/else", bench="B")
    assert is_held(tmp_path)
    assert places_of_running(tmp_path).sockets == Path("/somewhere/else")
    with pytest.raises(Taken, match=r"another daemon \(pid"):
        FolderLock(tmp_path)
    lock.close()
    assert not is_held(tmp_path)
    assert daemon_facts(tmp_path) == {}
    FolderLock(tmp_path).close()


def test_one_daemon_a_resource_however_it_is_written() -> None:
    held = ResourceLocks(["TCPIP0::LOCALHOST::45991::SOCKET"])
    with pytest.raises(Taken, match="used by another daemon"):
        ResourceLocks(["TCPIP::127.0.0.1::45992::SOCKET", "tcpip::127.0.0.1::45991::socket"])
    ResourceLocks(
        ["TCPIP::127.0.0.1::45992::SOCKET"]
    ).close()  # what was taken before the refusal is free again
    held.close()
    ResourceLocks(["TCPIP::127.0.0.1::45991::SOCKET"]).close()


def test_a_device_file_and_a_link_to_it_are_one_resource(tmp_path: Path) -> None:
    (tmp_path / "ttyA").touch()
    (tmp_path / "motor").symlink_to(tmp_path / "ttyA")
    assert canonical(f"ASRL{tmp_path}/motor::INSTR") == canonical(f"asrl{tmp_path}/ttyA::INSTR")


def test_socket_paths_are_short_whatever_the_data_folder(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 200)
    assert len(str(places_for(deep).engine_sock)) < 100


# ---- what happened, in words

FIGURES = {
    "kind": "figures", "part": "duty", "shot": 3, "of": 12, "repeat": 0, "polarity": "positive", "valid": True,
    "warnings": [], "results": {
        "energy": {"value": 3.172, "unit": "J", "expanded_uncertainty": 0.038},
        "limiting_voltage": {"value": 288.02, "unit": "V", "expanded_uncertainty": 1.38},
    },
}  # fmt: skip


def test_a_shot_is_one_line_with_value_uncertainty_and_unit() -> None:
    (line,) = happening(FIGURES)
    assert line.replace("\u00a0", " ") == (
        "shot 3 of 12, positive: limiting voltage 288.0 +- 1.4 V, energy 3.172 +- 0.038 J"
    )


def test_a_shot_that_is_not_valid_says_why_and_what_is_not_stored_says_so() -> None:
    (line,) = happening(FIGURES | {"valid": False, "why": "clipped", "stored": False})
    assert "NOT VALID: clipped" in line
    assert line.endswith("(NOT IN THE RECORD)")


def test_entries_that_tell_a_person_nothing_are_silent() -> None:
    assert happening({"kind": "settings", "shot": 1}) == []
    assert happening({"kind": "of another version"}) == []


def test_the_end_has_a_row_for_each_verdict_and_says_what_came_later() -> None:
    row = {
        "clause": "house 4.1", "result": "limiting_voltage", "judged": "every shot", "direction": "at_most",
        "limit": 310.0, "unit": "V", "verdict": "F", "conditional": True, "sentence": "F (fail): 315 V is above.",
    }  # fmt: skip
    ended = {
        "words": "run valid: the specimen failed a requirement", "sentence": "It failed. Off is proven.",
        "later": [{"what": "the disk is full"}], "verdicts": [row], "folder": "/data/R1", "sealed": False,
    }  # fmt: skip
    text = ending(ended, 80)
    assert "F    house 4.1: limiting voltage at most 310 V, every shot (conditional)" in text
    assert "     315 V is above." in text
    assert "later: the disk is full" in text
    assert "(NOT SEALED)" in text


class _Terminal:
    """Remembers what was written."""

    def __init__(self, is_terminal: bool) -> None:
        self.text = ""
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Nothing is kept back."""


def test_into_a_pipe_the_state_is_said_once_and_without_control_characters() -> None:
    out: Any = _Terminal(False)
    screen = Screen(out)
    for _ in range(3):
        screen.stay(["a", "b"], "charging")
    screen.say("shot 1")
    screen.end()
    assert out.text == "charging\nshot 1\n"


def test_on_a_terminal_the_state_stays_at_the_bottom() -> None:
    out: Any = _Terminal(True)
    screen = Screen(out)
    screen.stay(["state one"], "")
    screen.say("shot 1")
    screen.stay(["state two"], "")
    screen.end()
    kept = _as_seen(out.text)
    assert kept == ["shot 1"]
    assert out.text.index("state one") < out.text.index("shot 1") < out.text.index("state two")


def _as_seen(text: str) -> list[str]:
    """What a terminal shows in the end: cursor up n lines and clear below is all that is used."""
    import re

    lines: list[str] = []
    for part in re.split(r"(\x1b\[\d+F\x1b\[J)", text):
        if part.startswith("\x1b"):
            del lines[len(lines) - int(re.findall(r"\d+", part)[0]) :]
        else:
            lines += part.splitlines()
    return lines
