"""Instruments for a bench file, in either world: the world gives the transports and runs the off writes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from drivers.equipment.actuator import MotionRules
from drivers.equipment.family import instrument_for, line_of
from drivers.equipment.off import OffResult, OffWrite, off_begun_in_threads
from drivers.equipment.protocols import Identity
from drivers.links import transport_to
from drivers.links.base import Link, Transport
from orchestrator.engine.bench import OpenBench
from sequences.bench import Actuator as ActuatorRules

if TYPE_CHECKING:
    from orchestrator.engine.pace import Pace
    from sequences.bench import Bench
    from sequences.bench import Instrument as InstrumentRules

Finish = Callable[[], list[OffResult]]
StartOff = Callable[[list[OffWrite]], Finish]


def open_bench(
    file: Bench, pace: Pace, transport_for: Callable[[str, InstrumentRules], Transport], start_off: StartOff
) -> OpenBench:
    """Every instrument of the file behind its link, not yet opened."""
    instruments = {}
    for name, rules in file.instruments.items():
        expected = Identity(rules.identity.maker, rules.identity.model, rules.serial)
        link = Link(name, transport_for(name, rules), pace)
        instruments[name] = instrument_for(rules.dialect, link, expected, motion=_motion_rules(file, name))
    return OpenBench(file, instruments, start_off)


def _motion_rules(file: Bench, instrument: str) -> MotionRules | None:
    """How the bench file has an actuator confirm its moves; None for what moves nothing."""
    for rules in file.equipment.values():
        if isinstance(rules, ActuatorRules) and rules.instrument == instrument:
            return MotionRules(
                confirm_within_mm=1000.0 * rules.confirm_within, move_within_s=rules.move_within
            )
    return None


def real_transport(name: str, rules: InstrumentRules) -> Transport:
    """The transport of the real world, by the resource string; a serial line as the dialect has it."""
    return transport_to(rules.resource, line=line_of(rules.dialect))


def off_in_threads(machines: list[OffWrite]) -> Finish:
    """Begin at once, each write in a thread of its own; the run thread meanwhile asks the monitor."""
    return off_begun_in_threads(machines)
