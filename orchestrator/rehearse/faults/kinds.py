"""The faults that every bench can have, and what makes one no case at a point: the declared table's own words.

A fault that a point cannot have is removed with a reason, counted and printed; what is left must change something.
The faults of one kind of bench stand in its description (`bench_kind.py`).
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
Removed = Callable[[Point, "Trace"], str | None]


@dataclass(frozen=True)
class Fault:
    """One kind of fault. `family` groups the report; `at` are the kinds of points it is tried at.

    `removed(point, trace)` gives the reason why this point cannot have it, or None.
    """

    name: str
    family: str
    words: str
    at: frozenset[PointKind]
    removed: Removed


def never(point: Point, trace: Trace) -> str | None:
    """No point is taken out."""
    return None


def needs_answer(point: Point, trace: Trace) -> str | None:
    """For what happens to an answer."""
    return None if trace.reply(point) else "the message has no answer that could go wrong"


def _needs_number(kind: str) -> Removed:
    """For a false number, by how the plant calls it."""

    def removed(point: Point, trace: Trace) -> str | None:
        if not trace.reply(point):
            return "the message has no answer that could go wrong"
        return None if trace.changes(point, kind) else "the answer holds no number other than zero"

    return removed


def _needs_another(kind: str) -> Removed:
    """The same for a number behind the first."""

    def removed(point: Point, trace: Trace) -> str | None:
        return None if trace.changes(point, kind) else "the answer holds no further number other than zero"

    return removed


def moves_again(contact: str) -> Removed:
    """A contact that sticks shows only where it moves again."""

    def removed(point: Point, trace: Trace) -> str | None:
        if not point.where.startswith(contact):
            return f"only where {contact} has just moved"
        return None if trace.moves_later(point) else f"{contact} does not move again"

    return removed


def only_change(name: str, to: bool) -> Removed:
    """Only at the change of one feedback to one value: where a latent fault next takes effect."""

    def removed(point: Point, trace: Trace) -> str | None:
        if point.where == name and trace.value(point) is to:
            return None
        return f"takes effect only after {name} became {to}"

    return removed


def _asynchronous(also: Removed) -> Removed:
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


def applies_later(point: Point, trace: Trace) -> str | None:
    """For what shows only where energy is applied to the specimen."""
    return None if point.number <= trace.last_applied else f"{trace.bench.none_later} after this point"


def _energises_later(point: Point, trace: Trace) -> str | None:
    return None if trace.energises_later(point) else "nothing is energised after this point"


def _link(name: str, words: str, removed: Removed = needs_answer) -> Fault:
    return Fault(name, "link", words, frozenset({_K.EXCHANGE}), removed)


def further_numbers(most: int) -> tuple[Fault, ...]:
    """Of several answers in one message the first number has its faults already; each further one in its turn."""
    return tuple(
        _link(name, f"number {name[-1]} of several in the answer is {words} what it is", _needs_another(kind))
        for false, words in (("wrong_value", "ten times"), ("wrong_unit", "a thousandth of"))
        for name, kind in further_kinds(most).items()
        if name.startswith(false)
    )


def further_kinds(most: int) -> dict[str, str]:
    """How the plant calls each of `further_numbers`; `most` is the most numbers in one message, below ten."""
    return {
        f"{false}_{place}": f"{false}:{place}"
        for false in ("wrong_value", "wrong_unit")
        for place in range(2, most + 1)
    }


_MOMENTS = frozenset(_K)
CHANGES = frozenset({_K.INPUT})


def moment(name: str, family: str, words: str, also: Removed) -> Fault:
    """What may happen at any moment."""
    return Fault(name, family, words, _MOMENTS, _asynchronous(also))


def of_an_input(name: str, words: str, thing: str = "") -> Fault:
    """An input that changes, at any moment before the last energy is off and where it does not open by itself."""

    def removed(point: Point, trace: Trace) -> str | None:
        if thing and point.where.startswith(thing) and trace.value(point) is False:
            return f"{thing} opens here anyway"
        if thing and "." not in thing and trace.stands_open(point, thing):
            return f"{thing} is open already"
        return _energises_later(point, trace)

    return moment(name, "input", words, removed)


def of_power(name: str, words: str, feedback: str, to: bool = False) -> Fault:
    """A contactor or a precaution that will not move: latent since its feedback last changed."""
    return Fault(name, "power", words, CHANGES, only_change(feedback, to))


LINKS: tuple[Fault, ...] = (
    _link("silent", "the device acts and does not answer"),
    _link("late", f"the answer comes {LONG_LATE_S:g} s later"),
    _link("dribbling", "the answer comes a byte at a time, 0.3 s apart"),
    _link("garbled", "every second byte of the answer has flipped bits"),
    _link("truncated", "half of the answer comes"),
    _link("wrong_value", "the number in the answer is ten times what it is", _needs_number("wrong_value")),
    _link(
        "wrong_unit", "the number in the answer is a thousandth of what it is", _needs_number("wrong_unit")
    ),
    _link("refused", "the connection is dropped and nobody is let in again", never),
    _link("lost", "the connection is dropped", never),
    _link("restarted", "the device loses power for a second", never),
)
COMMON: tuple[Fault, ...] = (
    Fault("disk_full", "storage", "from here on nothing more can be written", frozenset({_K.WRITE}), never),
    Fault("write_fails", "storage", "this write fails once", frozenset({_K.WRITE}), never),
    Fault("sync_fails", "storage", "this sync fails once", frozenset({_K.SYNC}), never),
    Fault("person_says_no", "person", "the person says no", frozenset({_K.ANSWER}), never),
    moment("abort", "person", "a person aborts", never),
    Fault("engine_killed", "process", "the engine is killed", _MOMENTS, _engine_acts),
    Fault("engine_frozen", "process", "the engine stops where it is", _MOMENTS, _engine_acts),
    moment("monitor_killed", "process", "the interlock monitor is killed", never),
    moment("monitor_frozen", "process", "the interlock monitor stops where it is", never),
    Fault("power_cut", "process", "the mains fail; what was not synced is lost", _MOMENTS, _engine_acts),
)
PAIR = "+"
# Without an api in the virtual world there is nothing to kill: the crash tests do it to real processes.
NOT_IN_VIRTUAL_WORLD = {
    name: f"{name}: no api lives in the virtual world; `make crash` does it to real processes"
    for name in ("api_killed", "api_frozen")
}


def cells(point: Point, trace: Trace) -> tuple[list[Fault], list[tuple[Fault, str]]]:
    """The faults to be tried at a point, and those removed there, each with its reason."""
    tried, removed = [], []
    for fault in trace.bench.table:
        if point.kind not in fault.at:
            continue
        reason = fault.removed(point, trace)
        if reason is None:
            tried.append(fault)
        else:
            removed.append((fault, reason))
    return tried, removed
