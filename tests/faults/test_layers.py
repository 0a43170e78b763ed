"""The first of the three layers alone: the run's own way out, with the monitor dead and the watchdog out of order."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.core.reasons import Reason
from orchestrator.rehearse.faults.harness import Harness
from orchestrator.rehearse.faults.points import Point, PointKind
from tests.faults.test_broken_engines import ORDER

TOUCH_SAFE_V = 50.0
DISCHARGE_S = 5.0


@pytest.mark.parametrize("pipe_closes", [True, False], ids=["killed", "frozen"])
def test_the_run_switches_the_source_off_over_its_own_link_when_nothing_else_is_left(
    pipe_closes: bool,
) -> None:
    harness = Harness(ORDER.make())
    virtual = harness.rehearsal.virtual
    virtual.plant.set("safety_io.watchdog", "dead", 0.0)
    struck_s: list[float] = []

    def strike(point: Point) -> None:
        charging = point.kind is PointKind.EXCHANGE and point.message.startswith(b"MEASure:VOLTage")
        if charging and point.part == "duty 1" and not struck_s:
            struck_s.append(virtual.now_s)
            harness.strike_monitor(pipe_closes)

    harness.points.on_point = strike
    end = harness.rehearsal.perform()
    harness.disarm()
    virtual.run_until(struck_s[0] + DISCHARGE_S)

    seen: dict[str, Any] = virtual.plant.show(virtual.now_s)
    assert seen["contactors"]["high_voltage"] == "closed", "nobody else must have cut, or this proves nothing"
    assert seen["generator"]["output"] == "off"
    assert seen["stored_v"] < TOUCH_SAFE_V
    assert end.cause.reason is Reason.MONITOR_LOST
    assert end.off_proven is not True
    assert "NOT PROVEN" in end.sentence or "not known" in end.sentence
    shots = [e for e in virtual.plant.truth() if e["event"] == "shot" and e["connection"] == "specimen"]
    assert shots == []
