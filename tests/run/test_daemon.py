"""The daemon on real sockets: whole runs through the public commands, judged by the record and by the truth log."""

from __future__ import annotations

import json
import os
import pwd
import signal
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli.client import Refusal
from orchestrator.record.verify import verify
from tests.daemon_rig import Installation, installation, read_until

pytestmark = pytest.mark.real
TOUCH_SAFE_V = 50.0


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    """One plant and one daemon for the whole module; every test leaves them idle."""
    with installation(tmp_path_factory.mktemp("lab")) as made:
        yield made


@pytest.fixture(scope="module")
def whole_run(lab: Installation) -> tuple[str, int, dict[str, Any]]:
    """What `start --wait` printed into a pipe, its exit code, and how the run ended."""
    shown = lab.spawn("start", str(lab.sequence), "--specimen", "TW-01", "--by", "T. Made-Up", "--wait")
    ended = lab.until_ended()
    out, _ = shown.communicate()
    return out, shown.returncode, ended


def entries(folder: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (Path(folder) / "journal.jsonl").read_text().splitlines()]


def runs_in(data: Path) -> list[str]:
    return sorted(path.name for path in data.iterdir() if path.name[:8].isdigit())


def test_a_whole_run_ends_valid_sealed_and_safe(
    lab: Installation, whole_run: tuple[str, int, dict[str, Any]]
) -> None:
    _, code, ended = whole_run

    assert ended["sentence"].startswith("Every step was done")
    assert (code, ended["outcome"], ended["off_proven"], ended["sealed"]) == (0, "pass", True, True)
    assert [row["verdict"] for row in ended["verdicts"]] == ["P"] * 4
    assert verify(Path(ended["folder"]), None).ok
    assert len(lab.truth("shot", connection="specimen")) == 2


def test_what_is_printed_into_a_pipe_is_plain_and_tells_the_shot(
    whole_run: tuple[str, int, dict[str, Any]],
) -> None:
    out, _, ended = whole_run

    assert all(character.isprintable() or character == "\n" for character in out)
    assert "shot 1 of 2, positive: limiting voltage" in out
    assert "+-" in out
    assert "(X) NO, in operation" in out
    assert ended["folder"] in out


def test_the_journal_keeps_what_the_monitor_told_and_the_photo_is_sealed(
    whole_run: tuple[str, int, dict[str, Any]],
) -> None:
    folder = Path(whole_run[2]["folder"])
    kinds = [entry["kind"] for entry in entries(str(folder))]
    seal = json.loads((folder / "seal.json").read_text())

    assert kinds[0] == "run_started"
    assert {"bench_state", "interlock"} <= set(kinds)
    assert [name for name in seal["files"] if name.startswith("photos/")]


def test_a_second_daemon_is_refused_by_folder_and_by_resource(lab: Installation, tmp_path: Path) -> None:
    same_folder = lab.shell("serve", str(lab.bench), "--data", str(lab.data))
    same_bench = lab.shell("serve", str(lab.bench), "--data", str(tmp_path / "other"))

    assert (same_folder.returncode, same_bench.returncode) == (2, 2)
    assert f"used by another daemon (pid {lab.daemon.pid})" in same_folder.stderr
    assert "::SOCKET is used by another daemon" in same_bench.stderr
    assert f"pid {lab.daemon.pid}" in same_bench.stderr


def test_refused_starts_leave_nothing_behind(
    lab: Installation, whole_run: tuple[str, int, dict[str, Any]]
) -> None:
    before = runs_in(lab.data)
    with pytest.raises(Refusal, match="spent"):
        lab.start("tw-01")
    with pytest.raises(Refusal, match="finding") as refusal:
        lab.start("TW-02", shots="500", no_such="1 s")
    shown = lab.shell("start", str(lab.sequence), "--specimen", "TW-02", "--set", "shots=500")

    assert {one["code"] for one in refusal.value.reply["findings"]} >= {
        "parameter-out-of-bounds",
        "unknown-parameter",
    }
    assert shown.returncode == 1
    assert "shots" in shown.stderr
    assert "Traceback" not in shown.stderr
    assert runs_in(lab.data) == before


def test_abort_in_mid_charge_cuts_and_proves_off(
    lab: Installation, whole_run: tuple[str, int, dict[str, Any]]
) -> None:
    """Judged by the truth log; the verification of the run before still holds and is named."""
    shots_before = len(lab.truth("shot"))
    reply = lab.start("TW-03")
    lab.until_event("charging", lambda e: e["kind"] == "intent" and e["act"] == "charge")
    asked_s = time.monotonic()
    aborted = lab.shell("abort", "--by", "N. Onlooker")
    ended = lab.until_ended()

    assert reply["reuses_verification_of"] == whole_run[2]["run"]
    assert aborted.returncode == 0
    assert "Off is proven." in aborted.stdout
    assert (ended["reason"], ended["outcome"], ended["exit_code"]) == ("abort_by_person", "inconc", 3)
    assert "N. Onlooker" in ended["sentence"]
    opened_s = lab.await_truth("contactor", lab.energised_s(), name="high_voltage", state="open")
    assert opened_s - asked_s < 5.0  # the process that aborts has to start first; the monitor takes 10 ms
    assert len(lab.truth("shot")) == shots_before
    assert verify(Path(ended["folder"]), None).ok


def test_a_new_run_goes_on_with_an_aborted_specimen_and_can_be_paused(
    lab: Installation, whole_run: tuple[str, int, dict[str, Any]]
) -> None:
    reply = lab.start("TW-03")
    paused = lab.shell("pause", "--by", "P. Made-Up")
    held = lab.until_status(lambda s: bool(s["going_on"]["paused"]), "the run is paused after a shot")
    resumed = lab.shell("resume", "--by", "R. Made-Up")
    ended = lab.until_ended()

    journal = entries(ended["folder"])
    assert (
        reply["part_of"]
        == [run for run in (path.name for path in sorted(lab.data.iterdir())) if "TW-03" in run][:1]
    )
    assert (paused.returncode, resumed.returncode) == (0, 0)
    assert held["may_i_go_in"]["answer"] == "yes"
    so_far = {row["clause"]: row["sentence"] for row in held["verdicts"]}
    assert so_far["house 4.2"] == "1 of 2 values are there"
    assert [e["by"] for e in journal if e["kind"] in ("paused", "resumed")] == ["P. Made-Up", "R. Made-Up"]
    assert (ended["outcome"], ended["exit_code"]) == ("pass", 0)


def test_the_api_says_the_same_and_takes_the_same(lab: Installation) -> None:
    code, status = lab.request("GET", "/status")
    refused_code, refused = lab.request("POST", "/pause", {"by": "A. Program"})
    _, runs = lab.request("GET", "/runs")
    one_code, one = lab.request("GET", f"/runs/{runs[0]['folder']}")
    none_code, _ = lab.request("GET", "/runs/no-such-run")
    _, description = lab.request("GET", "/openapi.json")

    assert (code, status["may_i_go_in"]["answer"]) == (200, "yes")
    assert (refused_code, refused["code"]) == (409, "no-run")
    assert (one_code, one["journal"][0]["kind"], none_code) == (200, "run_started", 404)
    assert {
        "/start",
        "/pause",
        "/resume",
        "/abort",
        "/answer",
        "/release",
        "/acknowledge",
        "/status",
        "/events",
    } <= set(description["paths"])


def test_the_api_streams_statuses_and_journal_entries(lab: Installation) -> None:
    with lab.stream("/events") as events:
        lab.start("TW-10")
        lab.shell("abort")
        seen: dict[str, Any] = {}
        for kind, facts in events:
            seen.setdefault(kind, facts)
            if kind == "ended":
                break
    lab.until_ended()

    assert seen["status"]["may_i_go_in"]["answer"] == "yes"
    assert seen["event"]["kind"] == "run_started"
    assert seen["ended"]["reason"] == "abort_by_person"


def test_without_a_name_the_person_is_the_user_and_an_abort_right_after_the_start_counts(
    lab: Installation,
) -> None:
    user = pwd.getpwuid(os.getuid()).pw_name
    order = {"sequence": str(lab.sequence), "specimen": "TW-09"}
    code, started = lab.request("POST", "/start", order)
    aborted, _ = lab.request("POST", "/abort", {})
    ended = lab.until_ended()

    assert (code, aborted) == (200, 200)
    assert entries(ended["folder"])[0]["started_by"] == {"name": user, "how": "peer"}
    assert (ended["run"], ended["reason"]) == (started["run"], "abort_by_person")


def test_abort_and_status_work_with_engine_and_api_stopped(lab: Installation) -> None:
    lab.start("TW-05")
    lab.until_event("charging", lambda e: e["kind"] == "intent" and e["act"] == "charge")
    for name in ("engine", "API"):
        os.kill(lab.pids[name], signal.SIGSTOP)
    aborted = lab.shell("abort")
    status = lab.shell("status")
    for name in ("engine", "API"):
        os.kill(lab.pids[name], signal.SIGCONT)

    assert aborted.returncode == 0
    assert "Off is proven." in aborted.stdout
    assert status.returncode == 3
    assert "NOT KNOWN" in status.stdout
    assert lab.until_ended()["exit_code"] == 3
    assert not lab.truth("shot", lab.energised_s())


def test_the_api_is_started_again_and_nothing_else_notices(lab: Installation) -> None:
    os.kill(lab.pids["API"], signal.SIGKILL)
    read_until(lab.daemon, "API ended and is started again")
    read_until(lab.daemon, "api.sock")

    assert lab.request("GET", "/status")[1]["may_i_go_in"]["answer"] == "yes"


def test_prove_identifies_captures_and_names_the_input_that_was_not_toggled(lab: Installation) -> None:
    energised = len(lab.truth("contactor", state="closed", name="high_voltage"))
    proving = lab.spawn("prove", str(lab.bench), "--timeout", "3")
    shown = read_until(proving, "Open and close each safety input")
    for value in ("open", "closed"):
        lab.hand("door", value)
        lab.until_status(partial(_door_is, value), f"the door is seen {value}")
    out, _ = proving.communicate()

    assert proving.returncode == 3
    assert sum(line.startswith("proved") for line in shown) == 10
    assert "proved   door" in out
    assert "NOT PROVED: input earthing_stick_home" in out
    assert len(lab.truth("contactor", state="closed", name="high_voltage")) == energised


def _door_is(value: str, status: dict[str, Any]) -> bool:
    door = next(one for one in status["interlocks"] if one["name"] == "door")
    return bool(door["closed"]) is (value == "closed")
