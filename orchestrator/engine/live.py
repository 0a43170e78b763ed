"""The only block inside which volts exist, and the way out of it.

Every way out (end, error, stop) switches the sources off over their own links, each in its own thread with its own
deadline, asks the monitor to cut, and then proves off: contactor feedback and every independent voltage. A source that
reads its own store is asked as well: what it reads above touch-safe contradicts the proof, its silence does not.
Nothing here raises on the way out; what went wrong becomes a cause behind the first one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from drivers.equipment.protocols import InstrumentFault
from drivers.links.base import LinkFault
from orchestrator.core.interlock import EMERGENCY_STOP
from orchestrator.core.reasons import Reason
from orchestrator.engine.context import Context
from orchestrator.engine.stop import BenchFault, cause_of
from orchestrator.monitor.port import Reply

if TYPE_CHECKING:
    from orchestrator.engine.bench import SourceUnit

T = TypeVar("T")
CONTACTOR_MARGIN_S = 1.0
PROOF_MARGIN_S = 2.0
LOOK_WITHIN_S = 0.5
WITNESS_EVERY_S = 0.02


@dataclass(frozen=True)
class Proof:
    """What proved that an output is off, or why it is not proven."""

    safe: bool
    facts: dict[str, Any] = field(default_factory=dict)
    off_writes: tuple[dict[str, str], ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {"safe": self.safe, **self.facts, "off_writes": list(self.off_writes)}


@contextmanager
def live(output: str, at: Context, shot: int = 0, part: str = "") -> Iterator[None]:
    """Energise `output`; on every way out command off and prove it. The first cause is the one raised."""
    with at.stop.latching():
        at.journal.append("intent", act="energise", output=output, shot=shot, part=part)
        try:
            # Latched here, before the way out looks for further causes: the first one stays first.
            with at.stop.latching(), at.pace.energised():
                at.course.go("energise")
                switch_on(output, at)
                yield
        finally:
            proof = off_and_prove(output, at)
            failed = at.journal.keep("off_proof", output=output, shot=shot, **proof.to_json())
            if failed is not None:
                at.stop.because(Reason.STORAGE_FAULT, str(failed))
            require(proof, output, at)
            if proof.safe:
                at.course.go("off_proven")
    at.stop.check()


def switch_on(output: str, at: Context) -> None:
    """Ask the monitor for the output and wait until the contactor says that it closed."""
    interlock = list(at.sequence.interlock)
    reply = at.monitor.ask(
        "switch_on", output=output, interlock=interlock, timeout_s=1.0, on_slice=at.pace.slice
    )
    if not reply.granted:
        at.pace.slice()  # the monitor's own cause, if it has one, comes first
        raise BenchFault(_why_refused(reply, at), f"the interlock monitor refused {output}: {reply.sentence}")
    rules = at.bench.file.outputs[output]
    at.progress.say("warning horn", until_s=at.clock.now_s() + rules.warning, until_what="energy on")
    at.pace.wait_until(at.clock.now_s() + rules.warning)
    if not at.pace.wait_for(lambda: _is_on(output, at), CONTACTOR_MARGIN_S):
        within_s = rules.warning + CONTACTOR_MARGIN_S
        raise BenchFault(
            Reason.SUPPLY_FAULT, f"the contactor of {output} did not close within {within_s:g} s"
        )


def _why_refused(reply: Reply, at: Context) -> Reason:
    """What a refusal stands for: the emergency stop and a missing proof of off are more than an open interlock."""
    proof = at.monitor.snapshot().proof
    if proof is not None and not proof.safe:
        return Reason.OFF_NOT_PROVEN
    return Reason.EMERGENCY_STOP if reply.sentence.startswith(EMERGENCY_STOP) else Reason.INTERLOCK_OPEN


def _is_on(output: str, at: Context) -> bool:
    state = at.monitor.snapshot().outputs.get(output)
    return state is not None and bool(state["output_on"])


def look(output: str, at: Context) -> Reply:
    """Whether `output` is on and stays on, by a reading that the monitor took after this question.

    Not granted as soon as anything it needs is open. Facts: `read_at_s`, `voltages`; none without an answer.
    """
    return at.monitor.ask("look", output=output, timeout_s=LOOK_WITHIN_S, on_slice=at.pace.slice)


def require_on(output: str, at: Context) -> Reply:
    """The same, for what may only happen while everything is closed."""
    reply = look(output, at)
    if not reply.granted:
        at.pace.slice()  # the monitor's own cause, if it has one, comes first
        reason = Reason.SUPPLY_FAULT if reply.facts else Reason.MONITOR_LOST
        raise BenchFault(reason, reply.sentence)
    return reply


def off_and_prove(output: str, at: Context) -> Proof:
    """Off over the instruments' own links and by the monitor, then the proof. Never raises."""
    with at.stop.shielded():
        at.progress.say("switching off")
        try:
            finish = _guarded(lambda: at.bench.start_off(output), _no_writes, at)
            off_writes = None
            if (
                at.bench.file.outputs[output].stop_category == 1
            ):  # at rest, then cut: the monitor holds the deadline
                off_writes = _guarded(finish, _no_writes(), at)
            at.monitor.ask("switch_off", output=output, timeout_s=0.5, on_slice=at.pace.slice)
            if off_writes is None:
                off_writes = _guarded(finish, _no_writes(), at)
            proof_s = at.bench.file.discharge_time + PROOF_MARGIN_S
            reply = at.monitor.ask("prove_off", timeout_s=proof_s, on_slice=at.pace.slice)
            facts = {name: fact for name, fact in reply.facts.items() if name != "safe"}
            facts["because"] = None if reply.granted else reply.sentence
            if reply.granted:
                facts |= _source_says(output, at)
        except Exception as error:  # noqa: BLE001 (the way to safe must end in a proof or in "not proven")
            return Proof(False, {"because": f"{type(error).__name__}: {error}"})
    return Proof(facts["because"] is None, facts, tuple(off_writes))


def _source_says(output: str, at: Context) -> dict[str, Any]:
    """What the source of this output reads in its own store, after the monitor's proof: a third witness."""
    unit = at.bench.store_witness(output)
    if unit is None:
        return {}
    try:
        volts = _settled_v(unit, at)
    except (LinkFault, InstrumentFault) as fault:
        return {"source_v": None, "source_silent": str(fault)}
    if math.isnan(volts):
        return {"source_v": None, "source_silent": f"{unit.name} has no reading of its store"}
    limit_v = float(at.bench.file.touch_safe)
    if volts < limit_v:
        return {"source_v": volts}
    why = f"{unit.name} still reads {volts:.0f} V in its store, touch-safe is under {limit_v:g} V"
    at.monitor.ask("block", why=why, contradicts=True, timeout_s=LOOK_WITHIN_S, on_slice=at.pace.slice)
    return {"source_v": volts, "because": f"{why}, although every reading of the bench says off"}


def _settled_v(unit: SourceUnit, at: Context) -> float:
    """Its reading as soon as it is touch-safe, or the last one in the bench's time for discharging."""
    until_s = at.clock.now_s() + at.bench.file.discharge_time
    volts = abs(unit.charge_voltage_v())
    while volts >= at.bench.file.touch_safe and at.clock.now_s() < until_s:
        at.pace.wait_until(at.clock.now_s() + WITNESS_EVERY_S)
        volts = abs(unit.charge_voltage_v())
    return volts


def _no_writes() -> list[dict[str, str]]:
    return []


def _guarded(begin: Callable[[], T], otherwise: T, at: Context) -> T:
    """Off writes that fail by a fault of our own are a cause, and keep nobody from asking the monitor."""
    try:
        return begin()
    except Exception as error:  # noqa: BLE001 (the way to safe goes on)
        at.stop.request(cause_of(error, at.clock.now_s()))
        return otherwise


def require(proof: Proof, output: str, at: Context) -> None:
    """A missing proof is a cause; an off write that failed is an instrument fault although off was proven."""
    for write in proof.off_writes:
        if write["result"] != "confirmed":
            what = f"{write['instrument']} could not be switched off over its own link: {write['result']}"
            at.stop.because(Reason.INSTRUMENT_FAULT, what)
    silent = proof.facts.get("source_silent")
    if silent and all(write["result"] == "confirmed" for write in proof.off_writes):
        what = (
            f"the source did not say what is left in its store, the bench's own readings prove off: {silent}"
        )
        at.stop.because(Reason.INSTRUMENT_FAULT, what)
    if not proof.safe:
        because = proof.facts.get("because") or "no answer from the interlock monitor"
        at.stop.because(Reason.OFF_NOT_PROVEN, f"{output}: {because}")
