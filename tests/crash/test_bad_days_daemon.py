"""Bad days of the daemon: its processes killed at every kind of journal event, two people, ports, a lapsed date.

Real processes and sockets; judged by the plant's truth log and by the record. The quick slice runs in `make test`, the
complete set in `make crash`.
"""

from __future__ import annotations

import json
import os
import re
import signal
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli.client import EngineLink, Refusal
from orchestrator.core.reasons import Reason
from orchestrator.daemon.places import places_of_running
from orchestrator.record.reader import read_run
from orchestrator.record.specimens import past_run
from orchestrator.record.verify import verify
from tests.crash.bad_days import FULL, SAFE, assert_one_sentence, contactors
from tests.daemon_rig import PATIENCE_S, PERSON, Facts, Installation
from tests.run.worlds import short_sequence, truth_in, wait_for

pytestmark = pytest.mark.real
LAPSED = "2020-01-01"
REASON = "certificate is here, the date is not in the bench file yet"
KINDS = [
    "run_started", "indicator", "instrument", "ambient", "asked", "answered", "bench_state", "arming",
    "settings", "proof_of_capture", "intent energise", "intent charge", "charged", "intent trigger", "triggered",
    "off_proof", "capture", "figures", "observation", "measurement",
]  # fmt: skip
QUICK_KILLS = {("interlock monitor", "charged"), ("API", "intent charge")}


def kills(processes: Iterable[str], kinds: Iterable[str]) -> list[Any]:
    """Every process at every kind of entry; all but a few wait for the full set."""
    skip = pytest.mark.skip(reason="in the full set: make crash")
    return [
        pytest.param(process, kind, marks=[] if FULL or (process, kind) in QUICK_KILLS else [skip])
        for kind in kinds
        for process in processes
    ]


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    """One plant for all; no daemon yet. The duty alone, on a bench whose meter is overdue."""
    lab: Any = Installation(tmp_path_factory.mktemp("lab"))
    lab.daemon = None
    lab.sequence.write_text(short_sequence().text)
    lab.bench.write_text(
        lab.bench.read_text().replace("calibration_due: 2027-07-31", f"calibration_due: {LAPSED}")
    )
    try:
        lab.start_plant()
        yield lab
    finally:
        lab.close()


@pytest.fixture
def lab(plant: Any) -> Installation:
    """The daemon, idle and proven off; the one of the test before where that lives on."""
    if plant.daemon is None or plant.daemon.poll() is not None:
        plant.serve()
    return plant


def start(lab: Installation, specimen: str, link: EngineLink | None = None) -> Facts:
    order = {"sequence": str(lab.sequence), "specimen": specimen, "override_calibration": REASON}
    link = link or lab.link
    assert link is not None
    return link.call("start", PERSON, PATIENCE_S, **order)


def watch_until(lab: Installation, kind: str) -> list[Facts]:
    """All entries that were told of, up to the first of a kind ("intent charge" names the act too)."""
    wanted, _, act = kind.partition(" ")
    seen: list[Facts] = []
    for message in lab.messages(f"the first {kind}"):
        if "event" in message:
            seen.append(message["event"])
            if seen[-1]["kind"] == wanted and act in ("", seen[-1].get("act")):
                return seen
    raise AssertionError("unreachable")


def assert_nothing_promised_was_lost(
    lab: Installation, run: Facts, seen: list[Facts], shots_before: int
) -> None:
    """Every entry that anybody was told of is in the file; no shot that the record does not count."""
    record = read_run(Path(run["folder"]))
    assert [entry["n"] for entry in seen] == [entry["n"] for entry in record.entries[: len(seen)]]
    assert seen == record.entries[: len(seen)]
    assert len(lab.truth("shot", connection="specimen")) - shots_before <= past_run(record).shots_applied
    found = verify(Path(run["folder"]), None)
    assert found.ok or found.interrupted, found.sentence
    assert not [one for one in found.findings if one.weight == "wrong"], found.findings


def assert_made_safe(lab: Installation) -> None:
    """By the plant's own word, as soon as the layers that are left have acted."""

    def is_safe() -> bool:
        return contactors(truth_in(lab.truth_file)) == SAFE

    wait_for(is_safe, "every contactor is where it is safe")


def assert_nothing_resumes(lab: Installation, run: Facts) -> Facts:
    """A new daemon: safe first, the run before is shown, nothing goes on by itself.

    Where off was left unproven, nobody is let in before a named person has released the bench.
    """
    record = read_run(Path(run["folder"]))
    ended, energised = record.last("run_ended"), ("intent", "energise")
    acts = [(e["kind"], e.get("act")) for e in record.entries if e["kind"] == "off_proof"
            or (e["kind"], e.get("act")) == energised]  # fmt: skip
    left_open = not ended["off_proven"] if ended else energised in acts[-1:]
    lab.serve()
    status: Facts = json.loads(lab.shell("status", "--json").stdout)
    assert status["may_i_go_in"]["answer"] == ("not known" if left_open else "yes")
    if left_open:
        assert run["run"] in status["may_i_go_in"]["words"]
        with pytest.raises(Refusal, match="Start blocked: off was not proven"):
            start(lab, "TW-blocked")
        lab.release()
    assert status["run"] is None
    assert status["last_end"]["run"] == run["run"]
    return status


def assert_why_explains(lab: Installation, run: Facts) -> str:
    shown = lab.shell("why", run["run"], "--data", str(lab.data))
    assert shown.returncode == 0, shown.stderr
    assert "(?) NOT KNOWN FROM A RECORD." in shown.stdout
    assert "Traceback" not in shown.stdout
    return " ".join(shown.stdout.split())


@pytest.mark.parametrize(("process", "kind"), kills(["engine", "interlock monitor"], KINDS))
def test_killed_at(process: str, kind: str, lab: Installation) -> None:
    shots_before = len(lab.truth("shot", connection="specimen"))
    run = start(lab, f"TW-{process[:3]}-{kind}")
    seen = watch_until(lab, kind)
    os.kill(lab.pids[process], signal.SIGKILL)
    code = lab.wait_end()

    assert code == 3
    assert any(f"the {process} was killed by SIGKILL: treat the bench as live" in line for line in lab.said)
    assert_made_safe(lab)
    assert_nothing_promised_was_lost(lab, run, seen, shots_before)
    text = assert_why_explains(lab, run)
    if process == "engine":
        assert "The record has no end" in text
        assert "interrupted" in assert_nothing_resumes(lab, run)["last_end"]["sentence"]
    else:
        ended = read_run(Path(run["folder"])).last("run_ended")
        assert ended["reason"] == "monitor_lost"
        assert "monitor" in ended["sentence"]
        assert_nothing_resumes(lab, run)


@pytest.mark.parametrize(("process", "kind"), kills(["API"], KINDS))
def test_the_api_killed_disturbs_no_run(process: str, kind: str, lab: Installation) -> None:
    wait_for(lambda: _api_answers(lab), "the API is there")
    run = start(lab, f"TW-api-{kind}")
    watch_until(lab, kind)
    (api,) = [pid for pid in children_of(lab.daemon.pid) if b"orchestrator.api" in command_line(pid)]
    os.kill(api, signal.SIGKILL)
    ended = lab.until_ended()

    assert (ended["run"], ended["reason"], ended["sealed"]) == (run["run"], "completed", True)
    wait_for(lambda: _api_answers(lab), "the API is there again")


def _api_answers(lab: Installation) -> bool:
    try:
        return lab.request("GET", "/status")[0] == 200
    except OSError:
        return False


def test_everything_killed_while_charged(lab: Installation) -> None:
    """As a power cut of the computer: only the watchdog in the safety I/O is left. The way back is a person's."""
    shots_before = len(lab.truth("shot", connection="specimen"))
    run = start(lab, "TW-all")
    seen = watch_until(lab, "charged")
    for pid in (lab.daemon.pid, *children_of(lab.daemon.pid)):
        os.kill(pid, signal.SIGKILL)
    lab.daemon.communicate()

    assert_made_safe(lab)
    assert_nothing_promised_was_lost(lab, run, seen, shots_before)
    assert "nothing in the record says that it was switched off again" in assert_why_explains(lab, run)
    status = assert_nothing_resumes(lab, run)
    assert (status["last_end"]["reason"], status["last_end"]["off_proven"]) == ("power_lost", None)
    again = start(lab, "TW-all")
    assert again["part_of"] == [run["run"]]
    assert lab.shell("abort", "--by", "T. Made-Up").returncode == 0
    assert_one_sentence(lab.until_ended()["sentence"], Reason.ABORT_BY_PERSON)


def children_of(pid: int) -> list[int]:
    """As the kernel has them now: the API may have been started again."""
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def command_line(pid: int) -> bytes:
    return Path(f"/proc/{pid}/cmdline").read_bytes()


# --------------------------------------------------------------------------- people


def test_two_people_who_both_start(lab: Installation) -> None:
    """One run begins; the other person is told which one, and what to do. Their override is the record's."""
    links = [EngineLink(places_of_running(lab.data)) for _ in range(2)]
    said: dict[int, Facts] = {}
    together = threading.Barrier(2)

    def begin(number: int) -> None:
        together.wait()
        try:
            said[number] = start(lab, f"TW-two-{number}", links[number])
        except Refusal as refusal:
            said[number] = refusal.reply

    people = [threading.Thread(target=begin, args=(number,)) for number in range(2)]
    for person in people:
        person.start()
    for person in people:
        person.join(PATIENCE_S)
    begun = [reply for reply in said.values() if reply["ok"]]
    refused = [reply for reply in said.values() if not reply["ok"]]
    assert lab.shell("abort", "--by", "T. Made-Up").returncode == 0
    lab.until_ended()
    for link in links:
        link.close()

    assert (len(begun), len(refused)) == (1, 1)
    assert refused[0]["code"] == "busy"
    assert re.search(r"in progress|[Bb]usy with", refused[0]["sentence"])
    assert "benchward abort" in refused[0]["help"]
    (entry,) = read_run(Path(begun[0]["folder"])).of("override")
    assert entry["reason"] == REASON
    assert entry["by"] == PERSON
    assert entry["instruments"] == [{"name": "meter", "due": LAPSED}]


def test_a_lapsed_calibration_refuses_until_somebody_answers_for_it(lab: Installation) -> None:
    order = ("start", str(lab.sequence), "--specimen", "TW-late")
    plain = lab.shell(*order)
    nameless = lab.shell(*order, "--override-calibration", REASON)
    no_reason = lab.shell(*order, "--override-calibration", " ", "--by", "T. Made-Up")

    assert (plain.returncode, nameless.returncode, no_reason.returncode) == (2, 2, 2)
    assert f"meter (due {LAPSED})" in plain.stderr
    assert "--override-calibration REASON --by NAME" in plain.stderr
    assert "name of the person who answers for it" in nameless.stderr
    assert "An override needs its reason." in no_reason.stderr
    assert not list(lab.data.glob("*TW-late"))


# --------------------------------------------------------------------------- ports and folders


def test_ports_in_use_are_one_sentence(plant: Installation) -> None:
    """Somebody already serves this bench's plant."""
    shown = plant.shell("simulators", str(plant.bench))

    assert shown.returncode == 2
    assert "Traceback" not in shown.stderr
    assert "in use" in shown.stderr
    assert len(shown.stderr.strip().splitlines()) <= 3


def test_a_resource_that_is_no_instrument_is_named_with_what_to_do(lab: Installation, tmp_path: Path) -> None:
    """The generator's address answers as a digitiser: refused by name before anything is switched on."""
    shots_before, energised = (
        len(lab.truth("shot")),
        len(lab.truth("contactor", state="closed", name="high_voltage")),
    )
    lab.hand("generator.serial", "IG2-9999")
    try:
        start(lab, "TW-wrong-unit")
        ended = lab.until_ended()
    finally:
        lab.hand("generator.serial", "IG2-0031")

    assert ended["reason"] == "instrument_fault"
    assert "IG2-9999" in ended["sentence"]
    assert len(lab.truth("shot")) == shots_before
    assert len(lab.truth("contactor", state="closed", name="high_voltage")) == energised


def test_status_without_a_daemon_says_so_and_to_stay_out(tmp_path: Path) -> None:
    shown = Installation(tmp_path).shell("status")
    text = " ".join(shown.stdout.split())

    assert shown.returncode == 3
    assert "NOT KNOWN. Treat the bench as live: No daemon serves the data folder" in text
    assert "Do not enter." in text
