"""What the steps of a sequence do, one function a kind; the step classes call these."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Protocol, cast

from drivers.equipment.instrument import differences
from orchestrator.analysis.uncertainty import combine, within
from orchestrator.core.reasons import Reason
from orchestrator.engine.context import Context
from orchestrator.engine.judge import Value
from orchestrator.engine.live import live
from orchestrator.engine.overload import LIVE_ABOVE, require_proven_overload
from orchestrator.engine.stop import BenchFault
from sequences.capture import INDICATOR_STATES

if TYPE_CHECKING:
    from orchestrator.engine.people import Answer
    from orchestrator.monitor.port import Snapshot
    from sequences.step import Step


class Act(Protocol):
    """What every step kind has beside its fields."""

    def run(self, at: Context) -> None: ...


def perform(step: Step, at: Context) -> None:
    """Do one step."""
    cast(Act, step).run(at)


SETTLED_S = 0.1
METER_HEADROOM = 1.2  # the range is chosen so that a little more than the highest asked for can be read


def measure(at: Context, result: str, equipment: str, voltage_v: float, after_s: float) -> None:
    """One leakage reading in an energised block of its own."""
    at.arming.require()
    shot = at.gathered.current
    rules: Any = at.bench.file.equipment[equipment]
    wants: Any = at.sequence.equipment[equipment]
    meter, name = at.bench.meter(equipment), rules.instrument
    range_a = METER_HEADROOM * wants.highest
    with live(rules.output, at, shot, "measurement"):
        meter.prepare(voltage_v, range_a)
        read = meter.read_back()
        wanted: dict[str, Any] = {"voltage_v": voltage_v}
        at.journal.append("settings", shot=shot, instrument=name, wanted=wanted, read_back=read)
        if differs := differences(wanted, read):
            raise BenchFault(
                Reason.INSTRUMENT_FAULT, f"{name} reads back other settings: {'; '.join(differs)}"
            )
        meter.on()
        on_s = at.clock.now_s()
        at.progress.say(
            f"measuring {result.replace('_', ' ')}", until_s=at.clock.now_s() + after_s, until_what="reading"
        )
        at.pace.wait_until(at.clock.now_s() + after_s)
        current_a = meter.current_a()
        seen = at.monitor.snapshot()
        above = current_a > float(rules.highest)
        if above:
            require_proven_overload(at, equipment, voltage_v, current_a)
    if math.isnan(current_a):
        raise BenchFault(Reason.INSTRUMENT_FAULT, f"{name} has no reading at {voltage_v:g} V")
    _require_a_live_divider(seen, on_s, name, voltage_v)
    _keep_measurement(at, result, name, float(rules.highest) if above else current_a, rules.accuracy, above)


def _require_a_live_divider(seen: Snapshot, on_s: float, name: str, voltage_v: float) -> None:
    """The divider at the terminals has to show what is applied: on one that is dead no proof of off may rest."""
    divider_v = seen.voltages.get("terminals")
    if divider_v is None or seen.read_at_s is None or seen.read_at_s < on_s + SETTLED_S:
        return
    if divider_v < LIVE_ABOVE * voltage_v:
        what = f"{name} applies {voltage_v:g} V, the bench's divider at the terminals reads {divider_v:g} V"
        raise BenchFault(Reason.SUPPLY_FAULT, f"{what}: no proof of off may rest on it")


def _keep_measurement(
    at: Context, result: str, instrument: str, current_a: float, accuracy: Any, above: bool
) -> None:
    """The reading with its budget: gain of the reading and offset, both stated limits. `above`: it is more."""
    budget = combine(
        current_a,
        "A",
        [
            within("gain", accuracy.gain, abs(current_a), "stated accuracy of the meter"),
            within("offset", accuracy.offset, 1.0, "stated accuracy of the meter"),
        ],
    )
    at.journal.append(
        "measurement",
        result=result,
        value=current_a,
        unit="A",
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        budget=budget.to_json(),
        shot=at.gathered.current or None,
        instrument=instrument,
        **({"above": True} if above else {}),
    )
    value = Value(at.gathered.current, current_a, "A", budget.expanded, budget.coverage_factor, above=above)
    at.gathered.add(result, value)
    at.progress.figure(result, value)


def observe(at: Context, indicator: str, time_s: float) -> None:
    """Watch the indicator for the whole window; a mark may be reported at once, "unmarked" only at its end."""
    since_s = at.gathered.last_s if at.gathered.last_s is not None else at.clock.now_s()
    until_s = max(since_s + time_s, at.clock.now_s())
    states = INDICATOR_STATES[indicator]
    at.progress.say(
        f"watching the {indicator}", until_s=until_s, until_what="the end of the observation window"
    )
    at.progress.doubt(f"the {indicator} is being watched after shot {at.gathered.current}")
    shot, name = at.gathered.current, indicator.replace(" ", "_")

    def heard(answer: Answer) -> None:
        """A mark counts from the moment in which it was said, whatever becomes of its line in the journal."""
        if answer.yes and answer.choice in states[1:]:
            at.gathered.add_state(name, shot, answer.choice)
            at.progress.doubt(f"the {indicator} was {answer.choice} after shot {shot}")
            if at.sequence.failure_policy.indicator == "stop":
                what = f"{indicator} was {answer.choice} after shot {shot}"
                at.stop.because(Reason.INDICATOR_IGNITED, what, answer.by.name)

    answer = at.ask(
        "observe",
        f"Watch the {indicator} through the window, do not enter. What does it show?",
        heard,
        choices=states,
        not_before_s=until_s,
    )
    state = answer.choice or ""
    at.journal.append(
        "observation", shot=shot, indicator=name, state=state, by=answer.by.to_json(), window_s=time_s
    )
    if state == states[0]:
        at.gathered.add_state(name, shot, state)
        at.progress.doubt("")
    at.stop.check()


def inspect(at: Context, confirm: tuple[str, ...], needs_photo: bool) -> None:
    """A person looks, with everything off and the lamp green, and confirms each point."""
    at.arming.let_in()
    at.progress.say("inspection")
    off = "off and earthed" if any("earth" in name for name in at.bench.file.lifted) else "off"
    text = f"Everything is {off}. Inspect, and confirm each point."
    at.ask("inspect", text, items=confirm, needs_photo=needs_photo)


def hold(at: Context, reason: str, released_by: str) -> None:
    """A hold point: everything off until the named role releases it."""
    at.arming.let_in()
    at.course.go("hold")
    at.progress.say(f"hold point: {reason}")
    text = f"Hold point, to be released by the {released_by}: {reason}"
    at.ask("hold", text, items=(reason,), role=released_by)
    at.course.go("go_on")


def dwell(at: Context, time_s: float) -> None:
    """Keep the present state for a fixed time."""
    at.progress.say("dwell", until_s=at.clock.now_s() + time_s, until_what="the end of the dwell")
    at.pace.wait_until(at.clock.now_s() + time_s)


def trigger(at: Context) -> None:
    """Let the charged source go; the shot proves its capture once more and refuses otherwise."""
    if at.charged is None:
        raise BenchFault(Reason.INTERNAL_ERROR, "a trigger outside a charged block")  # the check excludes it
    at.charged.fire()
