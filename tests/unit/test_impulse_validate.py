"""The validation page: it covers every method and figure, and it can fail."""

from dataclasses import replace

import pytest

from orchestrator.analysis.definitions import (
    CONTACT_BREAK,
    CONTACT_MAKE,
    IMPULSE_CURRENT,
    IMPULSE_VOLTAGE,
    LIMITING_VOLTAGE,
)
from orchestrator.analysis.methods import Analysis, analyse
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.validate import LIMITS, Validation, page, validation
from orchestrator.analysis.waveform import Waveform


@pytest.fixture(scope="module")
def found() -> Validation:
    return validation()


def test_every_figure_of_every_method_is_checked(found: Validation) -> None:
    every = {*IMPULSE_VOLTAGE, *IMPULSE_CURRENT, *LIMITING_VOLTAGE, *CONTACT_MAKE, *CONTACT_BREAK}

    assert {check.figure for check in found.checks} == every == set(LIMITS)
    assert found.all_in
    assert {check.recording for check in found.checks} >= {"as computed", "8 bits, noise 0.5 %"}


def test_as_computed_all_are_far_inside_their_limits(found: Validation) -> None:
    """So that the limits are not what makes them pass."""
    for check in found.checks:
        if check.recording == "as computed":
            assert abs(check.deviation or 0.0) < 0.12 * check.limit


@pytest.mark.parametrize("figure", sorted(LIMITS))
def test_each_figure_is_found_out_when_it_is_off_by_three_limits(figure: str) -> None:
    def spoilt(waveform: Waveform, method: str) -> Analysis:
        analysis = analyse(waveform, method)
        if figure not in analysis.results:
            return analysis
        result = analysis.results[figure]
        moved = result.value + 0.03 if figure == "undershoot" else result.value * (1.0 + 3.0 * LIMITS[figure])
        results = {**analysis.results, figure: replace(result, value=moved)}
        return Analysis(method, results, (), analysis.internals)

    off = validation(spoilt)

    assert not off.all_in
    assert {check.figure for check in off.checks if not check.is_in} == {figure}
    assert " OUT" in page(off)


def test_a_refused_reference_is_out_with_its_reason() -> None:
    def refusing(waveform: Waveform, method: str) -> Analysis:
        raise Refused("flat", "made-up reason.", "none.")

    off = validation(refusing)

    assert not any(check.is_in for check in off.checks)
    assert "made-up reason." in page(off)


def test_no_checks_at_all_are_not_a_pass(found: Validation) -> None:
    assert not replace(found, checks=()).all_in


def test_the_page_names_what_it_was_made_with(found: Validation) -> None:
    text = page(found)

    for word in ("python", "numpy", "SHA-256", "UTC", "Reviewed by", "IEC 61083-2"):
        assert word in text
    assert found.to_json()["all_in"] is True
