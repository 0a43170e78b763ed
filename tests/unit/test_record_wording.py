import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.record import wording


@pytest.mark.parametrize(
    ("value", "unit", "expanded", "said"),
    [
        (288.926473, "V", 1.38357352, "288.9 ± 1.4 V"),
        (-285.4, "V", 3.0, "-285.4 ± 3.0 V"),
        (1.143e-4, "A", 1.1e-6, "114.3 ± 1.1 µA"),
        (1702.4, "V", 9.3, "1.7024 ± 0.0093 kV"),
        (999.99, "V", 0.5, "999.99 ± 0.50 V"),
        (0.261, "1", 0.00025, "26.100 ± 0.025 %"),
        (0.0, "V", 0.2, "0 ± 200 mV"),
        (12.0, "ohm", None, "12.00 ohm"),
        (None, "V", 1.0, "no value"),
        (math.nan, "V", 1.0, "no value"),
    ],
)
def test_a_value_has_the_digits_that_its_uncertainty_carries(
    value: float | None, unit: str, expanded: float | None, said: str
) -> None:
    assert wording.with_uncertainty(value, unit, expanded) == said


@given(st.floats(1e-9, 1e6), st.floats(1e-4, 0.5), st.sampled_from(["V", "A", "s", "1"]))
def test_the_shown_value_is_within_a_tenth_of_its_uncertainty(
    value: float, relative: float, unit: str
) -> None:
    """Two digits of U: rounding moves the value by at most 5 % of U, and U by at most 5 % of itself."""
    shown, _, rest = wording.with_uncertainty(value, unit, relative * value).partition(" ± ")
    spread, _, prefixed = rest.partition(" ")
    scale = {"%": 1e-2}.get(
        prefixed, {"µ": 1e-6, "n": 1e-9, "p": 1e-12, "m": 1e-3, "k": 1e3, "M": 1e6}.get(prefixed[0], 1.0)
    )
    assert float(shown) * scale == pytest.approx(value, abs=0.051 * relative * value)
    assert float(spread) * scale == pytest.approx(relative * value, rel=0.051)


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [(310.0, "V", "310 V"), (2.2e-4, "A", "220 µA"), (0.07, "1", "7 %"), (306.98, "V", "306.98 V")],
)
def test_a_limit_is_said_as_it_was_written(value: float, unit: str, said: str) -> None:
    assert wording.exact(value, unit) == said


def test_shot_numbers_are_drawn_together() -> None:
    assert wording.shots_words([1, 2, 3, 5, 8, 7]) == "1 to 3, 5, 7 to 8"
    assert wording.shots_words(None) == "none"


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"temperature_c": 22.4, "humidity_percent": 48.0}, "22.4 °C, 48.0 % relative humidity"),
        ({"temperature": 0.0, "humidity": 0.45}, "0.0 °C, 45.0 % relative humidity"),
        ({}, "not recorded"),
    ],
)
def test_ambient_is_said_in_both_forms(entry: dict[str, float], said: str) -> None:
    assert wording.ambient_words(entry) == said


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"verdict": "P", "conditional": True}, "conditional pass"),
        ({"verdict": "F"}, "fail"),
        ({"verdict": "N/J"}, "not judged"),
    ],
)
def test_verdicts_are_said_in_the_words_of_the_rule(row: dict[str, object], said: str) -> None:
    assert wording.verdict_word(row) == said
