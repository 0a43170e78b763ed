"""The endurance bench in the fault test: what is done to it, and what its plant's truth log means.

A fault that shows only in the next press of the contact is injected at the message that asks for it; one of the axis
at every message to it and while it moves.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from orchestrator.core.reasons import Reason
from orchestrator.rehearse.faults.bench_kind import BenchKind, Seen
from orchestrator.rehearse.faults.case import Entry
from orchestrator.rehearse.faults.endurance_checks import CHECKS
from orchestrator.rehearse.faults.first_causes import EMERGENCY_STOP, INTERLOCK, OF_A_LINK, POWER, UNHARMED
from orchestrator.rehearse.faults.kinds import (
    CHANGES,
    Fault,
    Removed,
    applies_later,
    further_kinds,
    further_numbers,
    moment,
    moves_again,
    needs_answer,
    of_an_input,
    of_power,
    only_change,
)
from orchestrator.rehearse.faults.points import Point, PointKind

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.harness import Asked
    from orchestrator.rehearse.faults.trace import Trace
    from orchestrator.rehearse.rehearsal import Rehearsal

_R = Reason
CYCLES = "cycles"
MOST_NUMBERS = 4
"""Other than zero in one answer: both ranges, interval and trigger level of the contact recorder."""
_PRESS = re.compile(rb"(G01 Z|MOVE Z=)-")
_EXCHANGES = frozenset({PointKind.EXCHANGE})
_WAITS_AND_EXCHANGES = frozenset({PointKind.EXCHANGE, PointKind.WAIT})
_INPUTS = {
    "guard_opens": ("the guard is opened", "guard"),
    "smoke": ("the smoke detector sees smoke", "smoke_detector"),
    "guard_bounces": ("a guard contact bounces for 30 ms", "guard.a"),
    "guard_disagrees": ("one guard contact opens, its twin stays closed", "guard.a"),
    "emergency_stop": ("the emergency stop is pressed", "emergency_stop"),
}
_AXIS = {
    "steps_lost": "the motor slips by 14 steps",
    "encoder_stale": "the encoder's value no longer changes",
    "limit_switch": "a limit switch is held",
    "drive_alarm": "the drive has an alarm",
    "cable_out": "the actuator's cable is pulled",
    "cable_renamed": "the actuator comes back under another device name",
    "foreign_device": "another device answers on the actuator's port",
}
_IN_A_PRESS = {
    "recorder_misses": "the recorder does not see its trigger",
    "lamp_burns": "a lamp of the bank that is on burns",
    "supply_dips": "the load's supply dips to 86 % in the cycle",
    "specimen_welds": "the specimen's contact makes and stays closed",
    "specimen_misses": "the specimen's contact does not make",
}


def _in_a_press(point: Point, trace: Trace) -> str | None:
    """Where the next press of a cycle is asked for."""
    is_press = point.where == "gantry" and _PRESS.search(point.message) and point.part.startswith(CYCLES)
    return applies_later(point, trace) if is_press else "only where a cycle's press is asked for"


def _on_the_axis(point: Point, trace: Trace) -> str | None:
    """At a message to the actuator, and while it moves."""
    if point.where != "gantry" and point.number not in trace.in_motion:
        return "only at a message to the actuator and while it moves"
    if point.where != "gantry" and not trace.begins_moment(point):
        return "no time passes since the point before: the same case"
    return None if point.number < max(trace.in_motion, default=0) else "nothing moves after this point"


def _under_load(point: Point, trace: Trace) -> str | None:
    if not (point.energised and point.part.startswith(CYCLES)):
        return "only while cycles are made"
    return applies_later(point, trace)


def _closes_again(feedback: str) -> Removed:
    """For a contactor that has opened and will not close, or a precaution that will not be lifted."""
    after, again = only_change(feedback, True), moves_again(feedback)
    return lambda point, trace: after(point, trace) or again(point, trace)


_POWER = (
    of_power("contactor_welds", "the load's contactor stays closed", "load_open"),
    of_power("check_contactor_welds", "the contactor of the low-energy check stays closed", "check_open"),
    of_power("brake_does_not_close", "the brake stays lifted", "brake_closed"),
    Fault(
        "contactor_does_not_close",
        "power",
        "the load's contactor stays open",
        CHANGES,
        _closes_again("load_open"),
    ),
    Fault("brake_does_not_lift", "power", "the brake stays closed", CHANGES, _closes_again("brake_closed")),
)
_OWN = (
    Fault("unheard", "link", "the message is lost, nothing is done", _EXCHANGES, needs_answer),
    Fault("doubled", "link", "the answer comes twice", _EXCHANGES, needs_answer),
    *(of_an_input(name, *row) for name, row in _INPUTS.items()),
    Fault("guard_sticks", "input", "a guard contact no longer moves", CHANGES, moves_again("guard.a")),
    *_POWER,
    *(Fault(name, "actuator", words, _WAITS_AND_EXCHANGES, _on_the_axis) for name, words in _AXIS.items()),
    moment("supply_off", "load", "the load's supply is lost", _under_load),
    *(
        Fault(name, family, _IN_A_PRESS[name], _EXCHANGES, _in_a_press)
        for name, family in (
            ("recorder_misses", "measuring"),
            ("lamp_burns", "load"),
            ("supply_dips", "load"),
            ("specimen_welds", "specimen"),
            ("specimen_misses", "specimen"),
        )
    ),
)
_ACTUATOR = UNHARMED | {_R.ACTUATOR_FAULT, _R.INSTRUMENT_FAULT}
_SUPPLY = UNHARMED | {_R.SUPPLY_FAULT}


def _next_cycle(form: str) -> Callable[[Seen], str]:
    """A setting for the cycle that comes next, on the bank that it is made on."""

    def value(seen: Seen) -> str:
        return form.format(cycle=seen["cycles"] + 1, bank=seen["load"]["bank"])

    return value


def _harmed(truth: list[Entry]) -> frozenset[str]:
    """A contact that really did not make or break is evidence against those clauses, and against the count."""
    failed = _never_p(truth)
    return failed | {"cycles", "malfunctions"} if failed else failed


def _never_p(truth: list[Entry]) -> frozenset[str]:
    operations = [e for e in truth if e["event"] == "operation"]
    found = set()
    if not all(all(e["made"]) for e in operations):
        found.add("fail_to_make")
    if not all(all(e["broke"]) for e in operations):
        found.add("fail_to_break")
    return frozenset(found)


def _left_v(seen: Seen) -> float:
    return float(abs(seen["source_v"]))


def _is_cycle(entry: Entry) -> bool:
    return bool(entry["event"] == "operation" and entry["cycle"])


def _resumes(entry: Entry) -> bool:
    return entry["event"] in ("operation", "move")


def _is_moving(plant: Any) -> bool:
    return bool(plant.bench.axis.moving)


def _watch(rehearsal: Rehearsal, asked: Asked) -> None:
    """Count what the run asks of its actuators, before any driver or link has a say in it."""
    from sequences.bench import Actuator

    file = rehearsal.order.bench.bench
    assert file is not None, "a bench file with findings is never rehearsed"
    for rules in file.equipment.values():
        if isinstance(rules, Actuator):
            unit = rehearsal.world.bench.instrument(rules.instrument)
            for name in ("move", "home", "touch_off"):
                setattr(unit, name, _counted(getattr(unit, name), asked))


def _counted(do: Callable[..., Any], asked: Asked) -> Callable[..., Any]:
    def counting(*arguments: Any) -> Any:
        asked.motions += 1
        return do(*arguments)

    return counting


ENDURANCE = BenchKind(
    name="endurance",
    own=(*_OWN, *further_numbers(MOST_NUMBERS)),
    settings={
        "guard_opens": (("guard", "open"),),
        "smoke": (("smoke_detector", "smoke"),),
        "guard_bounces": (("guard.a", "bounces:0.03 s"),),
        "guard_disagrees": (("guard.a", "open"),),
        "guard_sticks": (("guard.a", "sticks"),),
        "emergency_stop": (("emergency_stop", "pressed"),),
        "contactor_welds": (("contactor.welds", "load"),),
        "check_contactor_welds": (("contactor.welds", "check"),),
        "brake_does_not_close": (("brake.fails", "yes"),),
        "contactor_does_not_close": (("contactor.does_not_close", "load"),),
        "brake_does_not_lift": (("brake.does_not_lift", "yes"),),
        "steps_lost": (("gantry.loses_steps", "14"),),
        "encoder_stale": (("gantry.encoder", "stale"),),
        "limit_switch": (("gantry.limit_switch", "pressed"),),
        "drive_alarm": (("gantry.alarm", "overload"),),
        "cable_out": (("gantry.cable", "out"),),
        "cable_renamed": (("gantry.cable", "renamed"),),
        "foreign_device": (("gantry.identity", "foreign"), ("gantry.restart", "0.1 s")),
        "supply_off": (("supply", "off"),),
        "recorder_misses": (("recorder.misses_trigger", "next"),),
        "lamp_burns": (("lamp.burns", _next_cycle("{bank} at {cycle}")),),
        "supply_dips": (("supply.dips_at_cycle", _next_cycle("{cycle}:86 %")),),
        "specimen_welds": (("specimen.welds_at_cycle", _next_cycle("{cycle}")),),
        "specimen_misses": (("specimen.fails_to_make_at", _next_cycle("{cycle}")),),
    },
    link_faults={"unheard": "hung", "doubled": "twice", **further_kinds(MOST_NUMBERS)},
    first_causes={
        **dict.fromkeys([*_INPUTS, "guard_sticks"], INTERLOCK),
        "emergency_stop": EMERGENCY_STOP,
        **dict.fromkeys([fault.name for fault in _POWER], POWER | {_R.ACTUATOR_FAULT}),
        **dict.fromkeys(_AXIS, _ACTUATOR),
        "supply_off": _SUPPLY,
        "lamp_burns": _SUPPLY,
        "supply_dips": _SUPPLY,
        "recorder_misses": UNHARMED | {_R.CAPTURE_INVALID, _R.INSTRUMENT_FAULT},
        "specimen_welds": UNHARMED,
        "specimen_misses": UNHARMED,
    },
    of_a_link=OF_A_LINK | {_R.ACTUATOR_FAULT},
    contactors=("load", "check"),
    precautions=("brake",),
    cannot_open=frozenset({"contactor_welds", "check_contactor_welds"}),
    left_v=_left_v,
    voltage_event="",
    applies=_is_cycle,
    resumes=_resumes,
    applied=CYCLES,
    none_later="no cycle is made",
    harmed=_harmed,
    never_p=_never_p,
    # Of the static readings a wrong contact drop is contradicted by its current, a temperature by nothing.
    single_source={"wrong_value": (b"MEASure:TEMPerature?",), "wrong_unit": (b"MEASure:TEMPerature?",)},
    seconds=(
        "abort",
        "guard_opens",
        "emergency_stop",
        "engine_killed",
        "monitor_killed",
        "power_cut",
        "sync_fails",
        "lost",
    ),
    checks=CHECKS,
    in_motion=_is_moving,
    watch=_watch,
)
