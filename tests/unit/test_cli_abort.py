"""`benchward abort` from any folder, with any words beside it, finds what there is to stop."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from orchestrator.cli import abort
from orchestrator.cli.main import main


class PlayedMonitor(threading.Thread):
    """Takes aborts and proves off, at two sockets as the interlock monitor does."""

    def __init__(self, folder: Path, cause_at_s: float = 1e12) -> None:
        super().__init__(daemon=True)
        folder.mkdir(parents=True)
        (folder / "bench.yaml").write_text(f"language: 1\nname: bench {folder.name}\n")
        self.aborts: list[str] = []
        self._cause = {"what": "the made-up cause.", "at_s": cause_at_s}
        self._sockets = [_listen(folder / name) for name in ("abort.sock", "monitor.sock")]
        self._watch = threading.Thread(target=self._tell, daemon=True)
        self._watch.start()
        self.start()

    def run(self) -> None:
        for one in _accepted(self._sockets[0]):
            if line := one.recv(256):
                self.aborts.append(json.loads(line)["who"])
                one.sendall(b"taken\n")

    def _tell(self) -> None:
        for one in _accepted(self._sockets[1]):
            snapshot = {"proof": {"safe": True}, "cause": self._cause}
            one.sendall(json.dumps({"snapshot": snapshot}).encode() + b"\n")

    def end(self) -> None:
        for one in self._sockets:
            one.shutdown(socket.SHUT_RDWR)
            one.close()


def _listen(path: Path) -> socket.socket:
    one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    one.bind(str(path))
    one.listen()
    return one


def _accepted(one: socket.socket) -> Iterator[socket.socket]:
    with suppress(OSError):
        while True:
            yield one.accept()[0]


@pytest.fixture
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A runtime folder of the test alone: no daemon of anybody else is found."""
    monkeypatch.setattr(abort, "runtime_folders", lambda: {tmp_path / "r"})
    monkeypatch.delenv("BENCHWARD_DATA", raising=False)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "r"


@pytest.mark.parametrize("words", [[], ["now"], ["--at-once"], ["stop", "it"], ["--by"]])
def test_abort_from_another_folder_or_with_more_words_did_nothing(
    words: list[str], runtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monitor = PlayedMonitor(runtime / "a")
    code = main(["abort", *words])
    monitor.end()
    assert code == 0
    assert len(monitor.aborts) == 1
    assert "Off is proven. Stopped because: the made-up cause.\n" in capsys.readouterr().out


def test_of_several_daemons_all_are_aborted_and_named(
    runtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monitors = [PlayedMonitor(runtime / name) for name in ("a", "b")]
    code = main(["abort", "--by", "T. Made-Up"])
    for monitor in monitors:
        monitor.end()
    out = capsys.readouterr().out
    assert code == 0
    assert [monitor.aborts for monitor in monitors] == [["T. Made-Up"], ["T. Made-Up"]]
    assert "2 daemons run, and none was named: all of them are aborted" in out
    assert "bench a: Off is proven." in out
    assert "bench b: Off is proven." in out


def test_without_any_daemon_the_person_is_sent_to_the_emergency_stop(
    runtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["abort"]) == 3
    err = capsys.readouterr().err
    assert "Nothing was aborted" in err
    assert "Press the emergency stop" in err


def test_a_folder_that_was_named_stops_no_other_daemon(
    runtime: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monitor = PlayedMonitor(runtime / "a")
    code = main(["abort", "--data", str(tmp_path / "other")])
    monitor.end()
    assert code == 3
    assert monitor.aborts == []
    assert "Press the emergency stop" in capsys.readouterr().err


def test_the_cause_of_an_earlier_stop_is_not_told_as_that_of_this_abort(
    runtime: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monitor = PlayedMonitor(runtime / "a", cause_at_s=time.monotonic() - 100.0)
    main(["abort"])
    monitor.end()
    out = capsys.readouterr().out
    assert "It had stopped before this abort already, because: the made-up cause.\n" in out
    assert "Stopped because" not in out


@pytest.mark.parametrize("typed", ["stop", "halt", "quit", "off", "aborrt", "STOP"])
def test_other_words_for_stopping_lead_to_abort(typed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([typed]) == 2
    assert "to stop at once: benchward abort" in capsys.readouterr().err
