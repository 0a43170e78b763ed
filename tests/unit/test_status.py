"""The three questions: every doubt is "not known", and only proof makes a "yes"."""

from __future__ import annotations

import copy
import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.reasons import Cause, Reason, sentence
from orchestrator.core.states import BenchState
from orchestrator.core.status import FRESH_S, STAY_OUT, aged, compose
from orchestrator.core.status_text import compact, render

NOW_S = 1000.0
SNAPSHOT: dict[str, Any] = {
    "at_s": NOW_S - 0.01,
    "read_at_s": NOW_S - 0.02,
    "bench_state": "ready for operation",
    "lamp": "green",
    "armed": [],
    "inputs": {
        "door": {"closed": True, "failed": False, "age_s": 0.0, "proven": False, "channels": [True, True]}
    },
    "voltages": {"store": 3.0, "terminals": 0.1},
    "ambient": {"temperature": 23.0},
    "outputs": {
        "high_voltage": {"commanded": False, "off_feedback": True, "output_on": False},
        "leakage": {"commanded": False, "off_feedback": True, "output_on": False},
    },
    "lifted": {
        "discharge": {"commanded": False, "closed": True},
        "earth": {"commanded": False, "closed": True},
    },
    "cause": None,
    "blocked": None,
    "proof": {"safe": True, "at_s": NOW_S - 0.02, "facts": {}, "against": []},
}
RUN: dict[str, Any] = {
    "bench": "Bench 3", "run": "20261124-2301-TW-04", "title": "Impulses", "specimen": "TW-04", "part": "duty",
    "shot": 7, "shots": 12, "polarity": "negative", "doing": "charging", "countdown_s": 4.2,
    "countdown_to": "trigger", "charge_v": 1690.4, "wanted_v": 1700.0, "capture": "all channels waiting",
    "question": None, "figures": [], "paused": False, "next": "",
}  # fmt: skip


def snapshot(**changes: Any) -> dict[str, Any]:
    return {**copy.deepcopy(SNAPSHOT), **changes}


def answer(view: dict[str, Any] | None, lost: str | None = None) -> str:
    return str(compose(view, None, None, NOW_S, lost)["may_i_go_in"]["answer"])


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "yes"),
        ({"bench_state": "out of operation", "lamp": "none"}, "yes"),
        ({"bench_state": "ready to switch on", "lamp": "red"}, "no"),
        ({"bench_state": "in operation", "lamp": "red", "proof": None}, "no"),
        ({"bench_state": "off not proven", "lamp": "red"}, "not known"),
        ({"bench_state": "a state nobody knows"}, "not known"),
        ({"proof": None}, "not known"),
        ({"proof": {"safe": False, "against": ["earth is not closed"]}}, "not known"),
        ({"read_at_s": None}, "not known"),
        ({"read_at_s": NOW_S - FRESH_S}, "not known"),
        ({"read_at_s": NOW_S - FRESH_S + 0.01}, "yes"),
        ({"bench_state": "in operation", "read_at_s": NOW_S - 60}, "not known"),
        ({"outputs": {"high_voltage": {"commanded": True, "off_feedback": True}}}, "not known"),
    ],
)
def test_may_i_go_in(changes: dict[str, Any], expected: str) -> None:
    assert answer(snapshot(**changes)) == expected


def test_nothing_known_or_anything_lost_is_not_known() -> None:
    assert answer(None) == "not known"
    assert answer(snapshot(), lost="the engine is gone") == "not known"


def test_only_a_fresh_safe_proof_in_a_state_without_red_lamp_makes_a_yes() -> None:
    """Every state x proof x age x command: no other combination says yes."""
    states = [*BenchState, "nonsense"]
    for state, safe, age_s, commanded in itertools.product(
        states, (True, False, None), (0.1, 5.0), (True, False)
    ):
        view = snapshot(bench_state=str(state), read_at_s=NOW_S - age_s)
        view["proof"] = None if safe is None else {"safe": safe, "against": []}
        view["outputs"]["high_voltage"]["commanded"] = commanded
        expected = (
            safe is True and age_s < FRESH_S and not commanded and "operation" in state and state[:2] != "in"
        )
        assert (answer(view) == "yes") is expected, (state, safe, age_s, commanded)


@given(st.floats(0.0, 1e5), st.floats(0.0, 1e5))
def test_a_status_never_gets_better_by_growing_old(first_s: float, later_s: float) -> None:
    status = compose(snapshot(read_at_s=NOW_S - first_s, at_s=NOW_S - first_s), None, None, NOW_S, None)
    older = aged(status, NOW_S + later_s)
    assert older["may_i_go_in"]["age_s"] == pytest.approx(first_s + later_s)
    assert (older["may_i_go_in"]["answer"] == "yes") == (first_s + later_s < FRESH_S)
    if older["may_i_go_in"]["answer"] == "not known":
        assert older["do"]["sentence"] == STAY_OUT


def test_a_yes_comes_with_the_caution_that_belongs_to_it() -> None:
    status = compose(snapshot(), None, None, NOW_S, None)
    assert "earthing stick" in status["do"]["caution"]
    assert status["may_i_go_in"]["symbol"] == "(_)"


def without_earth() -> dict[str, Any]:
    """A bench that moves something and has no earthing switch: what it lifts is a brake."""
    return snapshot(
        lifted={"brake": {"commanded": False, "closed": True}},
        voltages={"supply_side": 0.0, "contact_side": 0.0},
    )


def test_a_bench_without_an_earthing_switch_was_said_to_be_earthed() -> None:
    status = compose(without_earth(), None, None, NOW_S, None)
    entry, text = status["may_i_go_in"], " ".join(render(status).split())

    assert (entry["words"], entry["earth"]) == ("YES. Off is proven.", "none")
    assert "earth" not in status["do"]["caution"]
    assert "keep clear of what moves" in status["do"]["caution"]
    assert "contactor open, brake closed, supply_side 0 V" in text


def test_a_pause_that_was_asked_for_was_not_seen_before_it_came() -> None:
    pausing = RUN | {
        "pause_asked_by": "P. Made-Up",
        "counted": "cycle",
        "doing": "cycles run",
        "details": ["12"],
    }
    asked, held = (
        compose(snapshot(), pausing | {"paused": paused}, None, NOW_S, None)["going_on"]["details"]
        for paused in (False, True)
    )

    assert asked == ["pauses after the present cycle, asked for by P. Made-Up", "12"]
    assert held == ["12"]


def test_what_is_old_says_nothing_of_an_earth_that_the_bench_has_not() -> None:
    status = compose(without_earth(), None, None, NOW_S, None)
    entry = aged(status, NOW_S + FRESH_S)["may_i_go_in"]

    assert entry["answer"] == "not known"
    assert (entry["earth"], entry["precautions"]) == ("none", {"brake": "not known"})


def test_a_stopped_run_that_may_go_on_is_offered_with_its_command() -> None:
    ended = {"run": "R-1", "reason": "abort_by_person", "sentence": "Stopped.", "go_on_with": "R-1"}
    offered, not_offered = (
        compose(without_earth(), None, one, NOW_S, None)["do"]
        for one in (ended, ended | {"go_on_with": None})
    )

    assert offered["sentence"] == "To go on with the last run: benchward resume R-1"
    assert offered["then"].startswith("To begin a run: benchward start")
    assert not_offered["sentence"].startswith("To begin a run: benchward start")


def test_facts_come_from_feedback_and_not_from_commands() -> None:
    view = snapshot()
    view["outputs"]["leakage"]["off_feedback"] = False
    view["lifted"]["earth"] = {"commanded": False, "closed": False}
    entry = compose(view, None, None, NOW_S, None)["may_i_go_in"]
    assert (entry["contactor"], entry["earth"], entry["stored_v"], entry["terminals_v"]) == (
        "closed",
        "off",
        3.0,
        0.1,
    )


def test_what_is_going_on_counts_down_to_the_next_thing() -> None:
    going_on = compose(snapshot(bench_state="in operation"), RUN, None, NOW_S, None)["going_on"]
    assert going_on["sentence"] == "Shot 7 of 12, negative: charging. Trigger in 4 s."
    assert going_on["details"] == ["1690 of 1700 V charged", "capture: all channels waiting"]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"part": "link", "shot": 2}, "Verification, link, shot 2 of 12, negative: charging. Trigger in 4 s."),
        ({"countdown_s": 150.0}, "Shot 7 of 12, negative: charging. Trigger in 2 min 30 s."),
        ({"doing": "making safe", "countdown_s": None}, "Making safe."),
        ({"shot": 0, "doing": "opening the record", "countdown_s": None}, "Opening the record."),
        ({"question": {"ask": "arm", "text": "Arm."}, "countdown_s": None}, "Waiting until a person arms the bench."),
        ({"run": None, "doing": None}, "No run is in progress."),
    ],
)  # fmt: skip
def test_sentences(changes: dict[str, Any], expected: str) -> None:
    assert compose(snapshot(), RUN | changes, None, NOW_S, None)["going_on"]["sentence"] == expected


def test_armed_or_energised_a_person_stays_outside_and_is_told_how_to_stop() -> None:
    do = compose(snapshot(bench_state="ready to switch on"), RUN, None, NOW_S, None)["do"]
    assert do["sentence"] == "Nothing. Stay outside."
    assert do["abort"] == "benchward abort"


def test_waiting_for_a_person_shows_question_items_and_caution() -> None:
    question = {
        "question": 2, "ask": "arm", "text": "Arm the bench.", "items": ["cell is clear"], "choices": [],
        "needs_photo": False, "caution": "Stored energy can kill.",
    }  # fmt: skip
    status = compose(snapshot(), RUN | {"question": question}, None, NOW_S, None)
    text = render(status)
    assert status["do"]["sentence"] == "Arm the bench."
    assert "CAUTION: Stored energy can kill." in text
    assert "confirm: cell is clear" in text
    assert "benchward answer" in text


def test_a_blocked_start_asks_for_the_release_and_keeps_people_out() -> None:
    status = compose(
        snapshot(bench_state="off not proven", blocked="Start blocked: x."), None, None, NOW_S, None
    )
    assert status["do"]["sentence"] == STAY_OUT
    assert status["do"]["question"]["ask"] == "release"


def test_a_failure_of_the_software_asks_for_its_acknowledgement() -> None:
    idle = {"bench": "B", "unacknowledged": {"run": "R1", "what": "ValueError: x"}}
    status = compose(snapshot(), idle, None, NOW_S, None)
    assert status["do"]["question"]["ask"] == "acknowledge"
    assert "ValueError: x" in status["do"]["sentence"]


def test_idle_shows_how_the_last_run_ended() -> None:
    end = {"run": "R1", "sentence": "Every step was done.", "verdicts": [{"clause": "4.1", "verdict": "P"}]}
    status = compose(snapshot(), {"bench": "B"}, end, NOW_S, None)
    assert status["going_on"]["details"] == ["Last run R1: Every step was done."]
    assert status["verdicts"] == end["verdicts"]


def test_interlocks_grow_older_and_say_whether_they_are_proven() -> None:
    status = compose(snapshot(at_s=NOW_S - 0.5, armed=["door"]), None, None, NOW_S, None)
    assert status["interlocks"] == [
        {"name": "door", "closed": True, "failed": False, "age_s": 0.5, "proven": False, "needed": True}
    ]
    assert "door closed (not yet proven: open and close it)" in " ".join(render(status).split())


def test_an_interlock_that_was_read_long_ago_is_not_known_to_be_closed() -> None:
    status = compose(snapshot(), None, None, NOW_S, None)
    once = aged(status, NOW_S + 2.0)
    twice = aged(once, NOW_S + 4.1)
    assert "door closed" in " ".join(render(status).split())
    assert "door not known (was closed 2.0 s ago)" in " ".join(render(once).split())
    assert "door not known (was closed 4.1 s ago)" in " ".join(render(twice).split())


def test_figures_are_handed_on_without_definitions() -> None:
    results = {"peak": {"value": 1.0, "unit": "V", "expanded_uncertainty": 0.1, "definition": "long"}}
    run = RUN | {
        "figures": [{"part": "duty", "shot": n, "valid": True, "results": results} for n in range(100)]
    }
    figures = compose(snapshot(), run, None, NOW_S, None)["figures"]
    assert figures[-1]["shot"] == 99
    assert figures[-1]["results"] == {"peak": {"value": 1.0, "unit": "V", "expanded_uncertainty": 0.1}}
    assert len(figures) < 100


@pytest.mark.parametrize("width", [60, 80, 100])
@pytest.mark.parametrize(
    "view", [snapshot(), None, snapshot(bench_state="off not proven", blocked="B" * 200 + ".")]
)
def test_text_keeps_to_its_width_and_its_order(width: int, view: dict[str, Any] | None) -> None:
    status = compose(view, RUN, None, NOW_S, None)
    text = render(status, width)
    places = [text.index(question) for question in ("May I go in?", "What is going on?", "What do I do?")]
    assert places == sorted(places)
    assert all(len(line) <= width for line in text.splitlines())
    assert len(compact(status, width)) == 6
    assert all(len(line) <= width for line in compact(status, width))


def test_no_plain_yes_while_the_cloth_is_watched_or_was_seen_to_burn() -> None:
    doubt = "the cheesecloth is being watched after shot 3"
    watching = compose(snapshot(), {**RUN, "indicator_doubt": doubt}, None, NOW_S, None)["may_i_go_in"]
    burned = {"run": "r", "sentence": "s", "indicator_doubt": "the cheesecloth was ignited after shot 3"}
    after = compose(snapshot(), None, burned, NOW_S, None)["may_i_go_in"]

    assert watching["answer"] == "no"
    assert doubt in watching["words"]
    assert after["words"].startswith("YES, BUT LOOK FIRST")
    assert "Fire is possible" in after["words"]


def test_proven_and_lamp_stayed_as_they_were_when_the_data_was_old() -> None:
    fresh = compose(snapshot(), None, None, NOW_S, None)
    for old in (aged(fresh, NOW_S + 2 * FRESH_S), compose(snapshot(), None, None, NOW_S + 2 * FRESH_S, None)):
        entry = old["may_i_go_in"]
        assert (entry["proven"], entry["lamp"], entry["state"]) == (False, "not known", "not known")
        assert (entry["contactor"], entry["earth"], entry["voltages"]) == ("not known", "not known", {})
    assert fresh["may_i_go_in"]["lamp"] == "green"


def test_the_next_run_was_said_to_be_refused_after_the_acknowledgement_too() -> None:
    told = sentence(Cause(Reason.INTERNAL_ERROR, "ValueError: x"), True)
    ended = {"run": "R1", "sentence": told, "off_proven": True, "reason": "internal_error"}
    failure = {"run": "R1", "what": "ValueError: x"}
    before = compose(snapshot(), {"unacknowledged": failure}, ended, NOW_S, None)
    after = compose(snapshot(), {"unacknowledged": None}, ended, NOW_S, None)

    assert "the next run is refused" in before["going_on"]["details"][0]
    assert "refused" not in render(after)
    assert "an engineer has acknowledged it since" in after["last_end"]["sentence"]


def test_a_sentence_of_then_read_as_one_of_now() -> None:
    told = sentence(Cause(Reason.OFF_NOT_PROVEN, "earth is open"), False)
    ended = {"run": "R1", "sentence": told, "off_proven": False, "reason": "off_not_proven"}
    details = compose(snapshot(), None, ended, NOW_S, None)["going_on"]["details"]

    assert details[0].startswith("Last run R1, as it was at its end: Off could not be proven")


def test_a_duty_says_itself_how_far_it_is_and_what_is_shown() -> None:
    shown = {"head": ["mount", "done"], "rows": [["1", "31417"]]}
    cycles = {**RUN, "doing": "cycles run", "counted": "cycle", "where": "cycle 31417 of 44000", "shown": shown,
              "details": ("12 a minute",), "countdown_s": None}  # fmt: skip
    going_on = compose(snapshot(), cycles, None, NOW_S, None)["going_on"]

    assert going_on["sentence"] == "Cycle 31417 of 44000: cycles run."
    assert going_on["details"] == ["12 a minute"]
    assert going_on["shown"] == shown
