"""The faults that are tried, and the declared table of which fault makes sense at which kind of point.

A fault that a point cannot have is removed with a reason, counted and printed; what is left must change something.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from orchestrator.rehearse.faults.points import Point, PointKind
from orchestrator.rehearse.faults.trace import SAFETY_IO

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.trace import Trace

_K = PointKind
LONG_LATE_S = 3.0


@dataclass(frozen=True)
class Fault:
    """One kind of fault. `family` groups the report; `at` are the kinds of points it is tried at.

    `removed(point, trace)` gives the reason why this point cannot have it, or None.
    """

    name: str
    family: str
    words: str
    at: frozenset[PointKind]
    removed: Callable[[Point, Trace], str | None]


def _never(point: Point, trace: Trace) -> str | None:
    return None


def _needs_answer(point: Point, trace: Trace) -> str | None:
    return None if trace.reply(point) else "the message has no answer that could go wrong"


def _needs_number(point: Point, trace: Trace) -> str | None:
    reply = trace.reply(point)
    if not reply:
        return "the message has no answer that could go wrong"
    return None if trace.changes(point, "wrong_value") else "the answer holds no number other than zero"


def _needs_unit(point: Point, trace: Trace) -> str | None:
    reply = trace.reply(point)
    if not reply:
        return "the message has no answer that could go wrong"
    return None if trace.changes(point, "wrong_unit") else "the answer holds no number other than zero"


def _moves_again(contact: str) -> Callable[[Point, Trace], str | None]:
    """A contact that sticks shows only where it moves again."""

    def removed(point: Point, trace: Trace) -> str | None:
        if not point.where.startswith(contact):
            return f"only where {contact} has just moved"
        return None if trace.moves_later(point) else f"{contact} does not move again"

    return removed


def _only_change(name: str, to: bool) -> Callable[[Point, Trace], str | None]:
    """Only at the change of one feedback to one value: where a latent fault next takes effect."""

    def removed(point: Point, trace: Trace) -> str | None:
        if point.where == name and trace.value(point) is to:
            return None
        return f"takes effect only after {name} became {to}"

    return removed


def _asynchronous(also: Callable[[Point, Trace], str | None]) -> Callable[[Point, Trace], str | None]:
    """For what comes from outside: once between two looks of the monitor."""

    def removed(point: Point, trace: Trace) -> str | None:
        if not trace.begins_moment(point):
            return "no time passes since the point before: the same case"
        return also(point, trace)

    return removed


def _engine_acts(point: Point, trace: Trace) -> str | None:
    if point.kind is PointKind.EXCHANGE and point.where == SAFETY_IO:
        return "the monitor's exchange: the engine's own next point stands for it"
    if point.kind is PointKind.INPUT:
        return "a change of an input: the engine's own next point stands for it"
    return None


def _shoots_later(point: Point, trace: Trace) -> str | None:
    return None if point.number <= trace.last_shot else "no shot is captured after this point"


def _energises_later(point: Point, trace: Trace) -> str | None:
    return None if trace.energises_later(point) else "nothing is energised after this point"


def _link(name: str, words: str, removed: Callable[[Point, Trace], str | None] = _needs_answer) -> Fault:
    return Fault(name, "link", words, frozenset({_K.EXCHANGE}), removed)


_MOMENTS = frozenset(_K)
_CHANGES = frozenset({_K.INPUT})


def _moment(name: str, family: str, words: str, also: Callable[[Point, Trace], str | None]) -> Fault:
    return Fault(name, family, words, _MOMENTS, _asynchronous(also))


def _input(name: str, words: str) -> Fault:
    return _moment(name, "input", words, _energises_later)


def _power(name: str, words: str, feedback: str) -> Fault:
    return Fault(name, "power", words, _CHANGES, _only_change(feedback, False))


_INPUTS = (
    ("door_opens", "the door is opened"),
    ("stick_taken", "the earthing stick leaves its hook"),
    ("exhaust_stops", "the exhaust stops"),
    ("door_bounces", "a door contact bounces for 30 ms"),
    ("door_disagrees", "one door contact opens, its twin stays closed"),
    ("emergency_stop", "the emergency stop is pressed"),
)
_POWER = (
    ("contactor_welds", "the high-voltage contactor stays closed", "high_voltage_open"),
    ("leakage_contactor_welds", "the leakage contactor stays closed", "leakage_open"),
    ("discharge_fails", "the discharge stays open", "discharge_closed"),
    ("earth_fails", "the earth stays open", "earth_closed"),
)

TABLE: tuple[Fault, ...] = (
    _link("silent", "the device acts and does not answer"),
    _link("late", f"the answer comes {LONG_LATE_S:g} s later"),
    _link("dribbling", "the answer comes a byte at a time, 0.3 s apart"),
    _link("garbled", "every second byte of the answer has flipped bits"),
    _link("truncated", "half of the answer comes"),
    _link("wrong_value", "the number in the answer is ten times what it is", _needs_number),
    _link("wrong_unit", "the number in the answer is a thousandth of what it is", _needs_unit),
    _link("refused", "the connection is dropped and nobody is let in again", _never),
    _link("lost", "the connection is dropped", _never),
    _link("restarted", "the device loses power for a second", _never),
    *(_input(*row) for row in _INPUTS),
    Fault("door_sticks", "input", "a door contact no longer moves", _CHANGES, _moves_again("door.a")),
    *(_power(*row) for row in _POWER),
    _moment("probe_switched", "measuring", "the voltage probe gives ten times the voltage", _shoots_later),
    Fault("disk_full", "storage", "from here on nothing more can be written", frozenset({_K.WRITE}), _never),
    Fault("write_fails", "storage", "this write fails once", frozenset({_K.WRITE}), _never),
    Fault("sync_fails", "storage", "this sync fails once", frozenset({_K.SYNC}), _never),
    Fault("person_says_no", "person", "the person says no", frozenset({_K.ANSWER}), _never),
    _moment("abort", "person", "a person aborts", _never),
    Fault("engine_killed", "process", "the engine is killed", _MOMENTS, _engine_acts),
    Fault("engine_frozen", "process", "the engine stops where it is", _MOMENTS, _engine_acts),
    _moment("monitor_killed", "process", "the interlock monitor is killed", _never),
    _moment("monitor_frozen", "process", "the interlock monitor stops where it is", _never),
    Fault("power_cut", "process", "the mains fail; what was not synced is lost", _MOMENTS, _engine_acts),
)
# The only source of a number, with nothing to hold it against: a plausible error there rests on calibration.
SINGLE_SOURCE = {"wrong_value": (b"MEASure:CURRent",), "wrong_unit": (b"MEASure:CURRent",)}
PAIR = "+"
BY_NAME = {fault.name: fault for fault in TABLE}
# Without an api in the virtual world there is nothing to kill: the crash tests do it to real processes.
NOT_IN_VIRTUAL_WORLD = {
    name: f"{name}: no api lives in the virtual world; `make crash` does it to real processes"
    for name in ("api_killed", "api_frozen")
}


def family_of(fault: str) -> str:
    """The family of a fault, or of a pair."""
    return "pair" if PAIR in fault else BY_NAME[fault].family


FAMILIES = (*dict.fromkeys(fault.family for fault in TABLE), "pair")


def rests_on_calibration(fault: str, point: Point) -> bool:
    """Whether the fault is a plausible error of a single source, which nothing here can contradict."""
    return point.message.startswith(SINGLE_SOURCE.get(fault, ())) and point.kind is PointKind.EXCHANGE


def cells(point: Point, trace: Trace) -> tuple[list[Fault], list[tuple[Fault, str]]]:
    """The faults to be tried at a point, and those removed there, each with its reason."""
    tried, removed = [], []
    for fault in TABLE:
        if point.kind not in fault.at:
            continue
        reason = fault.removed(point, trace)
        if reason is None:
            tried.append(fault)
        else:
            removed.append((fault, reason))
    return tried, removed
