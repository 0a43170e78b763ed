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


def _not_yet(thing: str) -> Callable[[Point, Trace], str | None]:
    def removed(point: Point, trace: Trace) -> str | None:
        return None if trace.energises_later(point) else f"nothing is energised after this point: {thing}"

    return removed


def _link(name: str, words: str, removed: Callable[[Point, Trace], str | None] = _needs_answer) -> Fault:
    return Fault(name, "link", words, frozenset({_K.EXCHANGE}), removed)


_MOMENTS = frozenset({_K.EXCHANGE, _K.WAIT, _K.WRITE, _K.SYNC, _K.ANSWER, _K.INPUT})

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
    Fault(
        "door_opens", "input", "the door is opened", _MOMENTS, _asynchronous(_not_yet("the door may be open"))
    ),
    Fault(
        "stick_taken",
        "input",
        "the earthing stick leaves its hook",
        _MOMENTS,
        _not_yet("the stick may be away"),
    ),
    Fault(
        "exhaust_stops",
        "input",
        "the exhaust stops",
        _MOMENTS,
        _asynchronous(_not_yet("the exhaust may rest")),
    ),
    Fault(
        "door_bounces",
        "input",
        "a door contact bounces for 30 ms",
        _MOMENTS,
        _asynchronous(_not_yet("the door may move")),
    ),
    Fault(
        "door_disagrees",
        "input",
        "one door contact opens, its twin stays closed",
        _MOMENTS,
        _not_yet("nobody asks"),
    ),
    Fault(
        "door_sticks",
        "input",
        "a door contact no longer moves",
        frozenset({_K.INPUT}),
        _moves_again("door.a"),
    ),
    Fault(
        "emergency_stop",
        "input",
        "the emergency stop is pressed",
        _MOMENTS,
        _asynchronous(_not_yet("it may be pressed")),
    ),
    Fault(
        "contactor_welds",
        "power",
        "the high-voltage contactor stays closed",
        frozenset({_K.INPUT}),
        _only_change("high_voltage_open", False),
    ),
    Fault(
        "leakage_contactor_welds",
        "power",
        "the leakage contactor stays closed",
        frozenset({_K.INPUT}),
        _only_change("leakage_open", False),
    ),
    Fault(
        "discharge_fails",
        "power",
        "the discharge stays open",
        frozenset({_K.INPUT}),
        _only_change("discharge_closed", False),
    ),
    Fault(
        "earth_fails",
        "power",
        "the earth stays open",
        frozenset({_K.INPUT}),
        _only_change("earth_closed", False),
    ),
    Fault("disk_full", "storage", "from here on nothing more can be written", frozenset({_K.WRITE}), _never),
    Fault("write_fails", "storage", "this write fails once", frozenset({_K.WRITE}), _never),
    Fault("sync_fails", "storage", "this sync fails once", frozenset({_K.SYNC}), _never),
    Fault("person_says_no", "person", "the person says no", frozenset({_K.ANSWER}), _never),
    Fault("abort", "person", "a person aborts", _MOMENTS, _asynchronous(_never)),
    Fault("engine_killed", "process", "the engine is killed", _MOMENTS, _engine_acts),
    Fault("engine_frozen", "process", "the engine stops where it is", _MOMENTS, _engine_acts),
    Fault("monitor_killed", "process", "the interlock monitor is killed", _MOMENTS, _asynchronous(_never)),
    Fault(
        "monitor_frozen",
        "process",
        "the interlock monitor stops where it is",
        _MOMENTS,
        _asynchronous(_never),
    ),
    Fault("power_cut", "process", "the mains fail; what was not synced is lost", _MOMENTS, _engine_acts),
)
# The only source of a number, with nothing to hold it against: a plausible error there rests on calibration.
SINGLE_SOURCE = {"wrong_value": (b"MEASure:CURRent",), "wrong_unit": (b"MEASure:CURRent",)}
BY_NAME = {fault.name: fault for fault in TABLE}
# Without an api in the virtual world there is nothing to kill: the crash tests do it to real processes.
NOT_IN_VIRTUAL_WORLD = ("api_killed", "api_frozen")


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
