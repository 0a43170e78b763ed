"""Checks of what a cycle and the steps around it ask of the actuator: positions, speeds, times and forces."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sequences.bench import Actuator, ContactRecorder
from sequences.fields import nearest
from sequences.model import ActuatorWanted, ContactRecorderWanted, CycleDuty
from sequences.quantity import show

if TYPE_CHECKING:
    from sequences.asking import At, Checking
    from sequences.places import Path_


def stroke_s(travel_m: float, speed: float, acceleration: float) -> float:
    """Shortest time of a move from rest to rest: it accelerates, goes on at its speed if it reaches it, decelerates."""
    if travel_m >= speed * speed / acceleration:
        return travel_m / speed + speed / acceleration
    return 2 * math.sqrt(travel_m / acceleration)


@dataclass(frozen=True, slots=True)
class Travel:
    """A move between two positions by name, and the places in the file that say so."""

    actuator: str
    off: str
    on: str
    speed: float
    at: Path_  # the table that has `off`, `on` and `speed`
    actuator_at: Path_

    def places(self) -> list[Path_]:
        """All that decides how far it goes."""
        return [(*self.at, "off"), (*self.at, "on"), self.actuator_at]


def bench_actuator(checking: Checking, name: str) -> Actuator | None:
    """The bench's actuator of that name."""
    given = checking.bench.equipment.get(name) if checking.bench else None
    return given if isinstance(given, Actuator) else None


def bench_recorder(checking: Checking, name: str) -> ContactRecorder | None:
    """The bench's contact recorder of that name."""
    given = checking.bench.equipment.get(name) if checking.bench else None
    return given if isinstance(given, ContactRecorder) else None


def travel_m(given: Actuator, travel: Travel) -> float | None:
    """How far a move goes; None if the bench has not both positions."""
    off, on = given.positions.get(travel.off), given.positions.get(travel.on)
    return None if off is None or on is None else abs(on - off)


def check_positions(checking: Checking, travel: Travel) -> None:
    """Positions that the sequence asks for, and two that can be told from each other."""
    for key in ("off", "on"):
        asked_for(checking, travel, key, getattr(travel, key))
    if travel.off == travel.on:
        what = f'Both positions are "{travel.on}": nothing would move.'
        places = travel.places()
        checking.say("positions-too-near", (*travel.at, "on"), what, "write two positions", compared=places)
        return
    given = bench_actuator(checking, travel.actuator)
    way = travel_m(given, travel) if given else None
    if given and way is not None and way <= 2 * given.confirm_within:
        what = (
            f'"{travel.off}" and "{travel.on}" lie {_mm(way)} apart on the bench, and its actuator confirms a '
            f"position within {_mm(given.confirm_within)} either way: one would pass for the other."
        )
        advice = "take positions that lie further apart"
        checking.say("positions-too-near", (*travel.at, "on"), what, advice, compared=travel.places())


def asked_for(checking: Checking, travel: Travel, key: str, name: str) -> None:
    """A position that is used stands among those that the sequence asks its actuator for."""
    wanted = checking.sequence.equipment.get(travel.actuator)
    asked: Path_ = ("equipment", travel.actuator, "positions")
    if not isinstance(wanted, ActuatorWanted) or name in wanted.positions:
        return
    if checking.stand_ins.whole(asked) and checking.known(travel.actuator_at):
        what = f'The sequence does not ask {travel.actuator} for a position named "{name}".'
        checking.say("unknown-position", (*travel.at, key), what, nearest(name, wanted.positions))


def check_speed(checking: Checking, travel: Travel) -> None:
    """A speed that the bench's actuator reaches, and a move that ends within its deadline."""
    given = bench_actuator(checking, travel.actuator)
    here: Path_ = (*travel.at, "speed")
    if given is None or not checking.known(travel.actuator_at):
        return
    if travel.speed > given.highest_speed:
        highest = _mm_s(given.highest_speed)
        what = f"{_mm_s(travel.speed)} is asked for, and the bench's {travel.actuator} goes to {highest}."
        checking.say("above-bench-rating", here, what, "write a lower speed, or take another bench")
        return
    way = travel_m(given, travel)
    took_s = stroke_s(way, travel.speed, given.acceleration) if way is not None else 0.0
    if way is not None and took_s > given.move_within:
        what = (
            f"A move of {_mm(way)} at {_mm_s(travel.speed)} takes {show(took_s, 's')}, and the bench waits "
            f"{show(given.move_within, 's')} for one."
        )
        advice = "write a higher speed, or let the bench file allow a move more time"
        checking.say("move-too-slow", here, what, advice, compared=travel.places())


def _mm(value: float) -> str:
    return f"{value * 1000:.4g} mm"


def _mm_s(value: float) -> str:
    return f"{value * 1000:.4g} mm/s"


# --------------------------------------------------------------------------- steps


def check_needs_cycles(at: At) -> bool:
    """Whether the step stands in a sequence whose duty is of cycles; a finding if it does not."""
    if isinstance(at.sequence.duty, CycleDuty):
        return True
    what = f"The step {at.step.kind} takes its equipment from each_cycle, and this is a duty of shots."
    at.say("step-needs-cycles", None, what, "remove it, or write duty: {cycles: ...}", compared=[("duty",)])
    return False


def check_touch_off(at: At, actuator: str, off: str, on: str, speed: float, result: str) -> None:
    """Its positions and speed, a datum to compare with, and a limit that the drive's force reaches."""
    if not check_needs_cycles(at):
        return
    travel = Travel(actuator, off, on, speed, at.path, at.place("actuator"))
    check_positions(at.checking, travel)
    check_speed(at.checking, travel)
    _datum(at, result)
    given = bench_actuator(at.checking, actuator)
    for index, requirement in enumerate(at.sequence.requirements):
        limit = requirement.at_most if requirement.result == result else None
        if given and limit is not None and limit.unit == "N" and limit > given.force.highest:
            highest = show(given.force.highest, "N")
            what = f"The limit {limit.text} is above the {highest} that {actuator} can press with."
            compared: list[Path_] = [
                at.place("result"),
                at.place("actuator"),
                ("requirements", index, "result"),
            ]
            path: Path_ = ("requirements", index, "at_most")
            advice = f"take a bench whose {actuator} presses harder"
            at.checking.say("above-instrument-rating", path, what, advice, compared=compared)


def _datum(at: At, result: str) -> None:
    """What is compared has been set before."""
    if getattr(at.step, "datum", "set") == "set":
        return
    earlier: list[At] = []
    for one in at.checking.steps():
        if one.path == at.path:
            break
        earlier.append(one)
    unread = any(not one.results_known() or not one.known() for one in earlier)
    here = [one for one in earlier if one.step.kind == at.step.kind and result in one.results()]
    if not unread and not any(getattr(one.step, "datum", "") == "set" for one in here):
        what = f'No touch-off before this one sets the datum that "{result}" is compared with.'
        advice = "write one with datum: set under initial_measurements:"
        places = [(*one.path, "datum") for one in here]
        at.say(
            "datum-missing",
            "datum",
            what,
            advice,
            compared=[("initial_measurements",), at.place("result"), *places],
        )


def check_dry_run(at: At, speed: float) -> None:
    """Its speed, between the positions of the duty's cycles."""
    each = at.sequence.each_cycle
    if check_needs_cycles(at) and each is not None:
        by = Travel(each.actuator, each.off, each.on, speed, at.path, ("each_cycle", "actuator"))
        places = [("each_cycle", "off"), ("each_cycle", "on")]
        if at.checking.known(*places):
            check_speed(at.checking, by)


def check_temperature(at: At, channels: tuple[str, ...], above: str) -> None:
    """Thermocouples that the sequence asks for, and a rise above another than themselves."""
    each = at.sequence.each_cycle
    if not check_needs_cycles(at) or each is None:
        return
    wanted = at.sequence.equipment.get(each.recorder)
    asked: Path_ = ("equipment", each.recorder, "temperatures")
    if not isinstance(wanted, ContactRecorderWanted) or not at.checking.stand_ins.whole(asked):
        return
    for key, name in (*((("channels", i), name) for i, name in enumerate(channels)), (("above",), above)):
        if name not in wanted.temperatures:
            what = f'The sequence asks {each.recorder} for no thermocouple named "{name}".'
            place = (*at.path, *key)
            recorder: list[Path_] = [("each_cycle", "recorder")]
            advice = nearest(name, wanted.temperatures) if wanted.temperatures else "ask for it"
            at.checking.say("unknown-channel", place, what, advice, compared=recorder)
    if above in channels:
        what = f'A rise of "{above}" above itself is always nothing.'
        at.say("wrong-channel", "above", what, "write another thermocouple", compared=[at.place("channels")])
