"""What a person is told when a run of cycles stops: it is gone on with, by its name, and nothing speaks of shots."""

from __future__ import annotations

import pytest

from orchestrator.core.reasons import Cause, Reason, explained, sentence

FINISHED = {Reason.COMPLETED, Reason.COUNT_REACHED, Reason.SPECIMEN_FAILED, Reason.INDICATOR_IGNITED}
ELSEWHERE = {Reason.OFF_NOT_PROVEN, Reason.SPURIOUS_SHOT, Reason.CALIBRATION_LAPSED, Reason.PLANNED_PAUSE}
RUN = "20260305-0914-WG-01"


@pytest.mark.parametrize("reason", [r for r in Reason if r is not Reason.SPURIOUS_SHOT])
def test_nothing_that_is_said_of_cycles_speaks_of_shots(reason: Reason) -> None:
    told = explained(reason, RUN)
    said = " ".join((told.happened, told.advice, *told.check)).lower()
    assert "shot" not in said
    assert "start a new run" not in said
    assert told.advice.endswith(".")
    assert not told.advice.endswith("..")


@pytest.mark.parametrize("reason", sorted(set(Reason) - FINISHED - ELSEWHERE - {Reason.INTERNAL_ERROR}))
def test_a_run_of_cycles_that_was_stopped_names_the_command_that_goes_on_with_it(reason: Reason) -> None:
    assert f"benchward resume {RUN}" in sentence(Cause(reason, "it happened"), True, RUN)
    assert "resume" not in sentence(Cause(reason, "it happened"), True)


def test_where_off_is_not_proven_nobody_is_told_to_go_on() -> None:
    assert "resume" not in sentence(Cause(Reason.OFF_NOT_PROVEN, "it happened"), False, RUN)
