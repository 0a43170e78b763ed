"""People at the bench: roles and control as the service enforces them, and arming that takes more than one person."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli.client import EngineLink, Refusal
from orchestrator.daemon.places import Places
from orchestrator.engine.control import LAPSES_S
from orchestrator.engine.people import Answer, Person, Question, objection
from orchestrator.engine.service import Service
from sequences.loader import load_bench
from sequences.tree import Source
from tests.run.test_daemon_service import PlayedMonitor
from tests.run.worlds import TIDEWATER, VirtualBench, _bench, short_sequence, wait_for

Facts = dict[str, Any]
PEOPLE = """
people:
  - {name: T. Made-Up, roles: [technician]}
  - {name: C. Made-Up, roles: [test operator in charge, witness]}
  - {name: V. Made-Up, roles: [viewer]}
"""
TIDEWATER_BENCH = (TIDEWATER / "bench.yaml").read_text()


def who(name: str, control: str | None = None) -> Facts:
    return {"name": name, "how": "declared", "control": control}


class Bench:
    """A service of a bench that names its people."""

    def __init__(self, folder: Path) -> None:
        self.places = Places(folder, folder)
        loaded = load_bench(Source("bench.yaml", TIDEWATER_BENCH + PEOPLE))
        port: Any = PlayedMonitor()
        self.service = Service(loaded, self.places, port, "the-token-of-the-api")
        self._threads = [threading.Thread(target=one) for one in (self.service.serve, self.service.work)]
        for thread in self._threads:
            thread.start()
        self.link = EngineLink(self.places)

    def refused(self, do: str, by: Facts, **args: Any) -> str:
        with pytest.raises(Refusal) as refusal:
            self.link.call(do, by, **args)
        return f"{refusal.value.reply['code']}: {refusal.value}"

    def owner(self) -> Facts | None:
        control: Facts | None = self.link.call("status")["status"]["control"]
        return control

    def close(self) -> None:
        self.link.close()
        self.service.end("the test")
        for thread in self._threads:
            thread.join()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.close()


def test_a_command_needs_its_role_and_the_refusal_says_whose_it_is(bench: Bench) -> None:
    assert bench.refused("start", who("V. Made-Up")) == (
        "not-allowed: V. Made-Up (viewer of this bench) may not do that: starting a run is for the engineer or "
        "technician or test operator in charge."
    )
    assert bench.refused("release", who("T. Made-Up")).startswith("not-allowed: ")
    assert bench.refused("start", who("T. Made-Up"), override_calibration="because").endswith(
        "setting a lapsed calibration aside is for the engineer or test operator in charge."
    )
    answered_for = {"override_calibration": "because", "override_by": "V. Made-Up"}
    assert bench.refused("start", who("C. Made-Up"), **answered_for).startswith("not-allowed: V. Made-Up")
    answered_for["override_by"] = "C. Made-Up"
    assert not bench.refused("start", who("T. Made-Up"), **answered_for).startswith("not-allowed")
    assert bench.refused("resume", who("T. Made-Up")).startswith("no-run: ")  # allowed, but nothing is there
    bench.link.call("release", who("C. Made-Up"))
    assert bench.refused("abort", who("V. Made-Up")).startswith(
        "monitor-lost"
    )  # nobody is kept from stopping


def test_a_second_console_only_looks_until_it_takes_over_and_that_is_recorded(bench: Bench) -> None:
    first = bench.link.call("take_control", who("T. Made-Up"))
    held = bench.refused("take_control", who("C. Made-Up"))
    looks = bench.refused("pause", who("C. Made-Up", "a made-up token"))
    same_name_other_console = bench.refused("pause", who("T. Made-Up", "a made-up token"))
    mine = bench.refused("pause", who("T. Made-Up", first["control"]))
    over = bench.link.call("take_control", who("C. Made-Up"), over=True)
    lost = bench.refused("pause", who("T. Made-Up", first["control"]))
    theirs = bench.refused("pause", who("C. Made-Up", over["control"]))

    assert held == "control-held: T. Made-Up has control of this bench."
    assert looks == "control-held: T. Made-Up has control of this bench; you only look."
    assert same_name_other_console.startswith("control-held")
    assert mine.startswith("no-run")
    assert "taken over from T. Made-Up" in over["sentence"]
    assert lost.startswith("control-held: C. Made-Up")
    assert theirs.startswith("no-run")
    wait_for(lambda: len(acts(bench)) == 8, "both takings and all that was refused are recorded")
    by_name = {act["by"]["name"]: act for act in acts(bench) if act["act"] == "took control"}
    assert by_name["C. Made-Up"]["taken_over_from"] == "T. Made-Up"
    assert by_name["T. Made-Up"]["taken_over_from"] is None


def acts(bench: Bench) -> list[Facts]:
    return (
        [json.loads(line) for line in bench.places.acts.read_text().splitlines()]
        if bench.places.acts.exists()
        else []
    )


def test_control_is_given_back_and_a_shell_of_the_owner_counts(bench: Bench) -> None:
    mine = bench.link.call("take_control", who("T. Made-Up"))
    owner = bench.owner()
    shell = bench.refused("pause", who("T. Made-Up"))
    other_shell = bench.refused("pause", who("C. Made-Up"))
    bench.link.call("give_control", who("T. Made-Up"), control=mine["control"])

    assert owner == {"owner": "T. Made-Up", "number": 1}
    assert shell.startswith("no-run")
    assert other_shell.startswith("control-held")
    assert bench.owner() is None


def test_a_console_that_was_killed_kept_control_for_ever(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Control lapses when nothing is heard of its owner, and that is recorded; who keeps it, keeps it."""
    mine = bench.link.call("take_control", who("T. Made-Up"))["control"]
    began_s = bench.service.control._heard_s
    bench.service.control.keep(mine, began_s + 20.0)
    assert bench.service.control.lapsed(began_s + 20.0 + LAPSES_S - 0.1) is None
    bench.refused("resume", who("T. Made-Up", mine))  # any command says the same
    bench.service.control._heard_s -= LAPSES_S
    wait_for(lambda: bench.owner() is None, "control lapses")
    wait_for(lambda: [act["act"] for act in acts(bench)][-1:] == ["control lapsed"], "that is recorded")

    assert acts(bench)[-1]["by"]["name"] == "T. Made-Up"
    assert bench.refused("keep_control", who("T. Made-Up"), control=mine).startswith("no-control")
    assert bench.refused("pause", who("C. Made-Up", "a made-up token")).startswith("no-run")


def test_prove_and_refused_commands_left_no_trace_of_who_gave_them(bench: Bench) -> None:
    bench.refused("start", who("V. Made-Up"))
    bench.link.call("prove", who("T. Made-Up"))
    bench.refused("no such thing", who("V. Made-Up"))
    bench.link.call("status", who("V. Made-Up"))
    wait_for(lambda: len(acts(bench)) == 3, "each is recorded, looking is not")

    told = [(act["act"], act["by"]["name"], act["done"], act.get("code")) for act in acts(bench)]
    assert told == [
        ("start", "V. Made-Up", False, "not-allowed"),
        ("prove", "T. Made-Up", True, None),
        ("no such thing", "V. Made-Up", False, "not-allowed"),
    ]
    assert acts(bench)[1]["proved"] is False  # there is no bench at these addresses


def test_a_viewer_gets_no_control_and_looking_needs_none(bench: Bench) -> None:
    assert bench.refused("take_control", who("V. Made-Up")).startswith("not-allowed")
    assert bench.link.call("watch", who("V. Made-Up"))["ok"]


# --------------------------------------------------------------------------- arming by more than one person


def test_two_people_and_a_witness_arm_where_the_bench_says_so() -> None:
    """In a rehearsal: three names, and energy only after the third."""
    world = VirtualBench()
    world.bench = _bench(world.bench.text + "\narming: {two_people: true, witness: true}\n")
    ending = world.perform(short_sequence())

    kinds = [(e["kind"], e.get("ask")) for e in ending.entries if e["kind"] in ("answered", "arming")]
    first = kinds.index(("answered", "arm"))
    assert kinds[first : first + 4] == [
        ("answered", "arm"),
        ("answered", "arm"),
        ("answered", "witness"),
        ("arming", None),
    ]
    names = [e["by"]["name"] for e in ending.of("answered")[first : first + 3]]
    assert len(set(names)) == 3
    assert ending.end.cause.reason.value == "completed"


def test_the_same_person_does_not_count_twice_however_the_name_is_typed() -> None:
    question = Question(1, "arm", "A second person: confirm.", ("cell is clear",), not_by=("T. Made-Up",))
    again = Answer(Person("t.  MADE-UP"), confirmed=("cell is clear",))
    other = Answer(Person("C. Made-Up"), confirmed=("cell is clear",))

    assert objection(question, again, 0.0) == "t.  MADE-UP has confirmed already: this is for another person."
    assert objection(question, other, 0.0) is None


# --------------------------------------------------------------------------- the specimen at the bench


@pytest.mark.parametrize(
    ("label", "said"),
    [
        (None, "The label at the bench was not read"),
        ("TW-05", "WRONG SPECIMEN: this is TW-05, the run is for TW-04. Do not connect it."),
        ("tw-04 ", None),
    ],
)
def test_a_shell_could_connect_another_specimen_than_the_admitted_one(
    label: str | None, said: str | None
) -> None:
    question = Question(2, "connect", "Connect specimen TW-04.", ("connected",), label_of="TW-04")
    found = objection(question, Answer(Person("T. Made-Up"), confirmed=("connected",), label=label), 0.0)

    assert found is None if said is None else str(found).startswith(said)


@pytest.mark.parametrize(
    ("labels", "said"),
    [
        ((), "Mount 1: The label at the bench was not read"),
        (("WG-01",), "Mount 2: The label at the bench was not read"),
        (("WG-02", "WG-01"), "Mount 1: WRONG SPECIMEN: this is WG-02, the run is for WG-01."),
        (("WG-01", "WG-02", "WG-03"), "3 labels were read, and there are 2 mounts"),
        (("wg-01", " WG-02"), None),
    ],
)
def test_only_the_first_of_several_labels_was_read_again(labels: tuple[str, ...], said: str | None) -> None:
    question = Question(2, "connect", "Connect.", ("all connected",), labels_of=("WG-01", "WG-02"))
    found = objection(
        question, Answer(Person("T. Made-Up"), confirmed=("all connected",), labels=labels), 0.0
    )

    assert found is None if said is None else str(found).startswith(said)


def test_condition_and_firmware_had_no_field_of_their_own_in_an_answer() -> None:
    elsewhere = Question(1, "arm", "Arm.", ())
    answer = Answer(Person("T. Made-Up"), condition="scratched")

    assert objection(elsewhere, answer, 0.0) == (
        "This question asks for no condition: it is told when the specimen is connected."
    )
    assert answer.to_json()["condition"] == "scratched"
    assert "firmware" not in answer.to_json()
