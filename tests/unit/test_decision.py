"""The four zones of a decision rule, at their edges and between them."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from orchestrator.analysis.decision import Direction, Rule, decide, probability_of_conformity

U, TL = 3.1, 310.0


def zone(value: float, rule: Rule = "guard_band", direction: Direction = "at_most") -> tuple[str, bool]:
    decision = decide(value, U, 2.0, TL, direction, rule)
    return decision.verdict, decision.conditional


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (300.0, ("P", False)),
        (306.9, ("P", False)),  # y exactly at AL passes
        (math.nextafter(306.9, 400), ("P", False)),  # the next binary number is not another value
        (306.901, ("P", True)),
        (310.0, ("P", True)),
        (310.001, ("F", True)),
        (313.1, ("F", True)),  # exactly at TL + w
        (313.101, ("F", False)),
        (400.0, ("F", False)),
    ],
)
def test_guard_band_zones_of_an_upper_limit(value: float, expected: tuple[str, bool]) -> None:
    assert zone(value) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (313.2, ("P", False)),
        (313.1, ("P", False)),
        (313.099, ("P", True)),
        (310.0, ("P", True)),
        (309.999, ("F", True)),
        (306.9, ("F", True)),
        (306.899, ("F", False)),
    ],
)
def test_guard_band_zones_of_a_lower_limit(value: float, expected: tuple[str, bool]) -> None:
    assert zone(value, direction="at_least") == expected


@pytest.mark.parametrize(("value", "verdict"), [(309.999, "P"), (310.0, "P"), (310.001, "F")])
def test_simple_acceptance_knows_no_condition(value: float, verdict: str) -> None:
    assert zone(value, "simple_acceptance") == (verdict, False)


def test_simple_acceptance_needs_no_uncertainty() -> None:
    decision = decide(310.0, None, None, TL, "at_most", "simple_acceptance")

    assert (decision.verdict, decision.guard_band, decision.acceptance_limit) == ("P", 0.0, TL)
    assert decision.probability_of_conformity is None


@pytest.mark.parametrize("rule", ["guard_band", "conformity_probability"])
@pytest.mark.parametrize("unknown", [None, math.nan, math.inf])
def test_a_rule_that_needs_the_uncertainty_does_not_judge_without_it(
    rule: Rule, unknown: float | None
) -> None:
    decision = decide(1.0, unknown, 2.0, TL, "at_most", rule)

    assert decision.verdict == "N/J"
    assert not decision.conditional
    assert decision.acceptance_limit is None
    assert "uncertainty" in decision.sentence


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_value_is_never_a_pass(value: float) -> None:
    assert decide(value, U, 2.0, TL, "at_most", "simple_acceptance").verdict == "N/J"


@pytest.mark.parametrize("value", [0.1 + 0.2, 0.3, 3 * 0.1, sum([0.1] * 3)])
def test_binary_fractions_do_not_decide(value: float) -> None:
    assert decide(value, None, None, 0.3, "at_most", "simple_acceptance").verdict == "P"
    assert decide(-value, None, None, -0.3, "at_least", "simple_acceptance").verdict == "P"


def test_the_slack_is_far_below_any_resolution() -> None:
    assert decide(310.0 * (1 + 1e-8), None, None, TL, "at_most", "simple_acceptance").verdict == "F"


def test_a_limit_of_zero_has_no_slack_to_hide_in() -> None:
    assert decide(1e-15, None, None, 0.0, "at_most", "simple_acceptance").verdict == "F"
    assert decide(0.0, None, None, 0.0, "at_most", "simple_acceptance").verdict == "P"


def test_a_stated_probability_sets_its_own_acceptance_limit() -> None:
    decision = decide(300.0, U, 2.0, TL, "at_most", "conformity_probability", probability=0.975)

    assert decision.guard_band == pytest.approx(1.959964 * U / 2.0)
    assert decision.acceptance_limit is not None
    assert probability_of_conformity(decision.acceptance_limit, U / 2.0, TL, "at_most") == pytest.approx(
        0.975
    )


def test_a_probability_of_one_half_is_simple_acceptance() -> None:
    for value in (309.9, 310.0, 310.1):
        half = decide(value, U, 2.0, TL, "at_most", "conformity_probability", probability=0.5)
        simple = decide(value, U, 2.0, TL, "at_most", "simple_acceptance")
        assert (half.verdict, half.conditional) == (simple.verdict, simple.conditional)


def test_without_any_uncertainty_every_rule_is_the_bare_limit() -> None:
    for value, verdict, conforms in ((310.0, "P", 1.0), (310.1, "F", 0.0)):
        decision = decide(value, 0.0, 2.0, TL, "at_most", "guard_band")
        assert (decision.verdict, decision.conditional) == (verdict, False)
        assert decision.probability_of_conformity == conforms


def test_only_an_unconditional_pass_is_accepted_in_the_binary_reading() -> None:
    accepted = [decide(v, U, 2.0, TL, "at_most", "guard_band").accepted for v in (300.0, 308.0, 312.0, 320.0)]

    assert accepted == [True, False, False, False]


def test_the_sentence_tells_what_was_compared() -> None:
    sentence = decide(308.25, U, 2.0, TL, "at_most", "guard_band", unit="V").sentence

    assert sentence == (
        "P (conditional pass: within the limit, but by less than the guard band): 308.25 V against at most "
        "310 V, guard band 3.1 V = U, acceptance limit 306.9 V."
    )


@pytest.mark.parametrize(
    "wrong",
    [
        {"rule": "hope"},
        {"direction": "about"},
        {"limit": math.nan},
        {"expanded_uncertainty": -1.0},
        {"coverage_factor": 0.0},
        {"probability": 0.4},
        {"probability": 1.0},
    ],
)
def test_a_rule_that_makes_no_sense_is_refused(wrong: dict[str, object]) -> None:
    usual: dict[str, object] = {
        "value": 1.0,
        "expanded_uncertainty": U,
        "coverage_factor": 2.0,
        "limit": TL,
        "direction": "at_most",
        "rule": "guard_band",
    }
    with pytest.raises(ValueError, match=r"not|negative"):
        decide(**{**usual, **wrong})  # type: ignore[arg-type]


sizes = st.floats(min_value=-1e6, max_value=1e6)
widths = st.floats(min_value=0.0, max_value=1e3)
ORDER = [("P", False), ("P", True), ("F", True), ("F", False)]


@given(value=sizes, step=widths, limit=sizes, expanded=widths)
@example(value=306.9, step=0.0, limit=310.0, expanded=3.1)
def test_a_worse_value_never_gets_a_better_statement(
    value: float, step: float, limit: float, expanded: float
) -> None:
    near, far = (decide(v, expanded, 2.0, limit, "at_most", "guard_band") for v in (value, value + step))

    assert ORDER.index((near.verdict, near.conditional)) <= ORDER.index((far.verdict, far.conditional))
    assert near.probability_of_conformity is not None
    assert far.probability_of_conformity is not None
    assert near.probability_of_conformity >= far.probability_of_conformity


@given(value=sizes, limit=sizes, expanded=widths)
def test_a_lower_limit_is_the_mirror_of_an_upper_one(value: float, limit: float, expanded: float) -> None:
    upper = decide(value, expanded, 2.0, limit, "at_most", "guard_band")
    lower = decide(-value, expanded, 2.0, -limit, "at_least", "guard_band")

    assert (upper.verdict, upper.conditional) == (lower.verdict, lower.conditional)


@given(limit=sizes, expanded=widths)
def test_the_acceptance_limit_itself_always_passes(limit: float, expanded: float) -> None:
    at = decide(limit - expanded, expanded, 2.0, limit, "at_most", "guard_band")

    assert (at.verdict, at.conditional) == ("P", False)
