"""The monitor's pure decision: input views, what cuts what, refusals, proof of off, rules that point nowhere."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.core.interlock import (
    CutBy,
    CutNow,
    InputRule,
    InputView,
    Keep,
    Proof,
    Reading,
    Rules,
    decide,
    observe,
    prove,
    refusal,
)
from orchestrator.core.reasons import Reason
from tests.monitor_bench import ALL, INTERLOCK, RULES, ToyBench, rules

DOOR = InputRule("door", (0, 1), 3600.0)
AGREE_S = 0.5
STEP_S = 0.1


def views(now_s: float, **opened: tuple[bool, ...]) -> dict[str, InputView]:
    """All closed and proven, but those named."""
    made = {}
    for name, rule in rules().inputs.items():
        channels = opened.get(name, (True,) * len(rule.channels))
        made[name] = InputView(rule, channels, now_s, toggled_at_s=now_s)
    return made


def watch(channels: list[tuple[bool, bool]], view: InputView | None = None) -> InputView:
    """The view after these readings, `STEP_S` apart."""
    start_s = 0.0 if view is None else view.at_s + STEP_S
    for index, pair in enumerate(channels):
        view = observe(DOOR, view, pair, start_s + index * STEP_S, AGREE_S)
    assert view is not None
    return view


def test_closed_only_while_every_channel_says_so() -> None:
    assert watch([(True, True)]).closed
    assert not watch([(True, True), (True, False)]).closed
    assert not watch([(True, True), (False, False)]).closed


def test_disagreement_for_the_agreed_time_is_a_failure_that_closing_does_not_mend() -> None:
    short = watch([(True, False)] * 5)
    assert not short.failed
    assert watch([(True, True)], short).closed
    long = watch([(True, False)] * 6)
    assert long.failed
    closed_again = watch([(True, True)] * 3, long)
    assert closed_again.failed
    assert not closed_again.closed
    assert watch([(False, False), (True, True)], closed_again).closed


def test_channels_that_take_turns_to_disagree_are_one_disagreement() -> None:
    assert watch([(True, False), (False, True)] * 3).failed


@pytest.mark.parametrize(
    "channels",
    [
        [(True, True), (True, False), (True, True)],
        [(True, True), (False, True), (True, True)],
        [(False, False)],
        [(True, True)],
        [(False, False), (True, False), (True, False), (False, False)],
    ],
)
def test_half_a_toggle_proves_nothing(channels: list[tuple[bool, bool]]) -> None:
    assert not watch(channels).proven(1.0)


def test_a_whole_toggle_proves_for_its_time_only() -> None:
    view = watch([(True, True), (False, False), (True, False), (True, True)])
    assert view.proven(view.at_s + 3599.0)
    assert not view.proven(view.at_s + 3600.0)


def test_a_channel_that_lags_too_long_in_closing_fails_again() -> None:
    view = watch([(False, False), *[(True, False)] * 6, (True, True)])
    assert view.failed
    assert not view.proven(view.at_s)


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=40))
def test_whatever_the_channels_do(channels: list[tuple[bool, bool]]) -> None:
    """Never closed with a channel open; failed ends only by both opened and then both closed."""
    view: InputView | None = None
    both_opened = False
    for index, pair in enumerate(channels):
        before = view
        view = observe(DOOR, view, pair, index * STEP_S, AGREE_S)
        assert not (view.closed and not all(pair))
        both_opened = (both_opened and not (before is not None and before.closed)) or not any(pair)
        if before is not None and before.failed and not view.failed:
            assert both_opened
            assert all(pair)
        if view.toggled_at_s is not None:
            assert (False, False) in channels[: index + 1]


def test_keep_while_everything_is_closed_fresh_and_renewed() -> None:
    assert decide(rules(), views(1.0), {"leakage": ALL}, 0.4, 1.2) == {"leakage": Keep()}
    assert decide(rules(), {}, {}, 99.0, 1.0) == {}


def test_each_output_is_judged_by_its_own_needs() -> None:
    on = {"high_voltage": ("door",), "leakage": ("exhaust",)}
    decision = decide(rules(), views(1.0, exhaust=(False,)), on, 0.0, 1.0)
    assert decision["high_voltage"] == Keep()
    assert isinstance(decision["leakage"], CutNow)


def test_stale_beats_open_and_emergency_stop_beats_the_rest() -> None:
    opened = views(1.0, door=(False, False), emergency_stop=(False, True))
    assert _reason(decide(rules(), opened, {"leakage": ALL}, 9.0, 1.25)) is Reason.MONITOR_LOST
    assert _reason(decide(rules(), opened, {"leakage": ALL}, 9.0, 1.2)) is Reason.EMERGENCY_STOP
    assert (
        _reason(decide(rules(), views(1.0, door=(False, False)), {"leakage": ALL}, 9.0, 1.2))
        is Reason.INTERLOCK_OPEN
    )
    assert _reason(decide(rules(), views(1.0), {"leakage": ALL}, 0.5, 1.2)) is Reason.INTERNAL_ERROR


def test_an_input_never_seen_is_lost() -> None:
    assert _reason(decide(rules(), {}, {"leakage": ALL}, 0.0, 1.0)) is Reason.MONITOR_LOST


def test_category_1_gives_the_deadline_of_the_file_but_not_to_a_lost_monitor() -> None:
    slow = rules(stop_category=1, deadline_s=0.7)
    decision = decide(slow, views(1.0, door=(False, False)), {"high_voltage": ALL}, 0.0, 1.0)["high_voltage"]
    assert isinstance(decision, CutBy)
    assert decision.deadline_s == pytest.approx(1.7)
    lost = decide(slow, views(1.0), {"high_voltage": ALL}, 0.0, 2.0)["high_voltage"]
    assert isinstance(lost, CutNow)


def _reason(decision: dict[str, Any]) -> Reason:
    cut = decision["leakage"]
    assert isinstance(cut, CutNow)
    return cut.cause.reason


@given(st.data())
def test_keep_means_all_closed_all_fresh_and_renewed(data: st.DataObject) -> None:
    """The decision against its own definition, over every combination of channels, ages and renewals."""
    r = rules(stop_category=data.draw(st.sampled_from([0, 1])), deadline_s=0.3)
    now_s = 100.0
    made = {}
    for name, rule in r.inputs.items():
        channels = tuple(data.draw(st.booleans()) for _ in rule.channels)
        age_s = data.draw(st.sampled_from([0.0, 0.1, 0.2499, 0.25, 3.0]))
        failed = data.draw(st.booleans()) if len(channels) == 2 else False
        made[name] = InputView(rule, channels, now_s - age_s, failed=failed)
    needs = tuple(data.draw(st.lists(st.sampled_from(INTERLOCK), min_size=1, unique=True)))
    renewal_s = data.draw(st.sampled_from([0.0, 0.49, 0.5, 8.0]))
    decision = decide(r, made, {"high_voltage": needs}, renewal_s, now_s)["high_voltage"]
    fine = all(all(made[n].channels) and not made[n].failed and now_s - made[n].at_s < 0.25 for n in needs)
    assert isinstance(decision, Keep) == (fine and renewal_s < 0.5)
    if isinstance(decision, CutBy):
        assert now_s <= decision.deadline_s <= now_s + 0.3


@pytest.mark.parametrize(
    ("opened", "words"),
    [
        ({"door": (False, False)}, "door is open: close it"),
        ({"emergency_stop": (True, False)}, "emergency_stop is open"),
    ],
)
def test_refusal_names_the_input(opened: dict[str, tuple[bool, ...]], words: str) -> None:
    assert words in str(refusal(rules(), views(1.0, **opened), ALL, 1.0))


def test_refusal_of_stale_failed_unproven_and_unknown() -> None:
    good = views(1.0)
    assert refusal(rules(), good, ALL, 1.1) is None
    assert "was not read within 0.25 s" in str(refusal(rules(), good, ALL, 1.3))
    assert "is failed" in str(
        refusal(rules(), {**good, "door": good["door"]._replace(failed=True)}, ALL, 1.0)
    )
    unproven = {**good, "exhaust": good["exhaust"]._replace(toggled_at_s=None)}
    assert "exhaust has not been opened and closed within 24 h" in str(refusal(rules(), unproven, ALL, 1.0))
    assert "no interlock 'gate'" in str(refusal(rules(), good, ("gate",), 1.0))
    assert "nothing is switched on without one" in str(refusal(rules(), good, (), 1.0))


def test_the_emergency_stop_is_always_needed() -> None:
    assert rules().needed(["door"]) == ("emergency_stop", "door")


def test_proof_needs_every_fact_of_one_fresh_reading() -> None:
    """Each single fact taken away takes the proof away: contactors, discharge, earth, each voltage, the age."""
    reading = ToyBench().reading()
    assert prove(rules(), reading, 0.1).safe
    for index in range(6, 10):
        inputs = tuple(value if i != index else False for i, value in enumerate(reading.inputs))
        assert not prove(rules(), reading._replace(inputs=inputs), 0.1).safe, index
    for registers in ((50, 0, 0, 0), (0, 500, 0, 0), (65535, 0, 0, 0), (0, 65535, 0, 0)):
        assert not prove(rules(), reading._replace(registers=registers), 0.1).safe
    assert prove(rules(), reading._replace(registers=(49, 499, 0, 0)), 0.1).safe
    assert not prove(rules(), reading, 0.25).safe
    assert not prove(rules(), None, 0.0).safe


def test_proof_says_what_speaks_against_it_and_survives_json() -> None:
    bench = ToyBench()
    bench.store_v = 812.0
    bench.closed_contactor[0] = True
    proof = prove(rules(), bench.reading(), 0.0)
    assert "high voltage open is not confirmed" in proof.sentence
    assert "store at 812 V, touch-safe is under 50 V" in proof.sentence
    assert Proof.from_json(proof.to_json()) == proof


def test_the_proof_ignores_interlocks() -> None:
    """Making safe needs nothing: it may never be blocked by a failed condition."""
    bench = ToyBench()
    bench.set("door", False)
    assert prove(rules(), bench.reading(), 0.0).safe


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"feedback": {"high_voltage_open": 6}}, "feedback 'leakage_open' is not declared"),
        ({"lifted": {}}, "lifts 'discharge', which is not declared"),
        ({"voltages": {}}, "off cannot be proven"),
        ({"signals": {"red": 0, "green": 5, "horn": 6}}, "one coil stands for two things"),
    ],
)
def test_rules_that_would_enforce_nothing_are_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Rules.from_dict({**RULES, **change})


def test_what_is_read_and_written_follows_from_the_rules() -> None:
    r = rules()
    assert (r.input_count, r.register_count, r.coil_count) == (10, 4, 7)
    assert Reading(0.0, (True,) * 10, (0,) * 4).feedback(r, "earth_closed")
