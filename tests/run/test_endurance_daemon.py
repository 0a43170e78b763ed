"""An endurance run on a real bench of processes: sockets, a pseudo-terminal, the commands of a person at a shell."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli.client import Refusal
from orchestrator.record.verify import verify
from tests.endurance_installation import SAFE, EnduranceInstallation, endurance_installation
from tests.run.worlds import wait_for

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EnduranceInstallation]:
    """One plant and one daemon for the whole module; every test leaves them idle, with a new specimen on the bench."""
    with endurance_installation(tmp_path_factory.mktemp("endurance")) as made:
        yield made


@pytest.fixture
def fresh(lab: EnduranceInstallation) -> EnduranceInstallation:
    """The cable in its socket, and nothing counted yet of the specimen to come."""
    lab.hand("gantry.cable", "in")
    lab.hand("gantry.identity", "own")
    return lab


def safe_after(lab: EnduranceInstallation) -> None:
    wait_for(lambda: lab.is_safe() == SAFE, "contactors open, brake closed, at rest")


def test_start_pause_resume_abort_and_going_on_by_the_commands(fresh: EnduranceInstallation) -> None:
    lab = fresh
    started = lab.shell("start", str(lab.sequence), "--specimen", "WG-01", "--by", "T. Made-Up")
    assert started.returncode == 0, started.stderr
    status = lab.until_cycle(2)["going_on"]
    paused = lab.shell("pause", "--by", "P. Made-Up")
    held = lab.until_status(lambda s: bool(s["going_on"]["paused"]), "paused between two cycles")
    seen = lab.is_safe()
    resumed = lab.shell("resume", "--by", "R. Made-Up")
    lab.until_cycle(int(held["going_on"]["shot"]) + 1)
    told = lab.shell("status").stdout
    aborted = lab.shell("abort", "--by", "N. Onlooker")
    ended = lab.until_ended()

    assert re.fullmatch(r"confirmed \d, malfunctions 0, 100 a minute, \d s left", status["details"][0])
    assert set(status["trend"]) == {"contact_drop", "bounce_time"}
    assert paused.returncode == resumed.returncode == aborted.returncode == 0
    assert "after the present cycle" in paused.stdout
    assert seen == SAFE
    assert "of 8" in told
    assert "confirmed" in told
    assert (ended["reason"], ended["off_proven"]) == ("abort_by_person", True)
    assert f"benchward resume {ended['run']}" in ended["sentence"]
    safe_after(lab)

    again = lab.shell("resume", ended["run"], "--by", "T. Made-Up")
    assert again.returncode == 0, again.stderr
    done = lab.until_ended()
    assert (done["reason"], done["outcome"]) == ("count_reached", "pass"), done["sentence"]
    assert lab.confirmed(done["run"]) == 8
    assert lab.pressed() in (8, 9)  # the one in which it was aborted is made again
    gap = next(entry for entry in lab.entries(done["run"]) if entry["kind"] == "gap")
    assert gap["earlier_run"] == ended["run"]
    assert gap["accepted_by"]["name"] == "T. Made-Up"
    assert verify(Path(done["folder"]), None).ok
    shown = json.loads(lab.shell("why", done["run"], "--json").stdout)
    assert shown["reason"] == "count_reached"

    with pytest.raises(Refusal, match="has reached its end"):
        lab.go_on(done["run"])


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("gantry.cable", "out", "the line was pulled"),
        ("gantry.cable", "renamed", "the line was pulled"),
    ],
)
def test_a_gantry_that_is_unplugged_in_a_run_stops_it_safe_and_says_so_in_one_sentence(
    name: str, value: str, said: str, fresh: EnduranceInstallation
) -> None:
    lab = fresh
    run = lab.start(f"WG-{value}")["run"]
    lab.until_cycle(2)
    lab.hand(name, value)
    ended = lab.until_ended()

    assert (ended["reason"], ended["off_proven"]) == ("actuator_fault", True), ended["sentence"]
    assert said in ended["sentence"]
    assert "gantry" in ended["sentence"]
    assert f"benchward resume {run}" in ended["sentence"]
    safe_after(lab)


def test_another_device_on_the_gantrys_line_is_refused_with_both_names(fresh: EnduranceInstallation) -> None:
    lab = fresh
    lab.hand("gantry.identity", "foreign")
    lab.start("WG-foreign")
    ended: dict[str, Any] = lab.until_ended()

    assert ended["reason"] == "instrument_fault"
    assert "gantry" in ended["sentence"]
    assert "Imagined Motion" in ended["sentence"]
    safe_after(lab)
