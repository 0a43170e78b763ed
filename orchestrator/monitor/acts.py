"""What may be asked of the monitor: each act grants, refuses with a sentence, or answers later (None).

Acts that make safe are never refused: switch off, abort, prove off, block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from orchestrator.core.interlock import prove, refusal
from orchestrator.core.reasons import Cause, Reason
from orchestrator.core.states import BenchState
from orchestrator.monitor.values import Block, Phase, Request

if TYPE_CHECKING:
    from orchestrator.monitor.logic import Monitor

Outcome = tuple[bool, str] | None
_STATE = BenchState
_NO_INTERLOCK = "no interlock was named: nothing is switched on without one"


def _hello(monitor: Monitor, request: Request) -> Outcome:
    monitor.renewed(monitor.now_s)
    return True, "welcome"


def _renew(monitor: Monitor, request: Request) -> Outcome:
    monitor.renewed(monitor.now_s)
    return True, "renewed"


def _arm(monitor: Monitor, request: Request) -> Outcome:
    named, who = _names(request.get("interlock")), _person(request)
    if not named:
        return False, _NO_INTERLOCK
    if who is None:
        return False, "arming needs the name of the person who arms"
    needs = monitor.rules.needed(named)
    why = _not_ready(monitor, needs)
    if why is not None:
        return False, why
    if not monitor.fire("arm", interlocks_closed=monitor.closed(needs), off_proven=True):
        return False, f"the bench cannot be armed while it is '{monitor.bench_state}'"
    monitor.armed, monitor.disarm_why = needs, None
    monitor.event("armed", by=who, interlock=list(needs))
    return True, "the bench is ready to switch on"


def _not_ready(monitor: Monitor, needs: Sequence[str]) -> str | None:
    """What speaks against arming and against switching on alike; None: nothing."""
    if monitor.blocked is not None:
        return monitor.blocked
    if monitor.cause is not None:
        return f"the last stop has not been acknowledged: {monitor.cause.what}"
    proof = monitor.proof_now()
    if not proof.safe:
        return proof.sentence
    return refusal(monitor.rules, monitor.views, needs, monitor.now_s)


def _disarm(monitor: Monitor, request: Request) -> Outcome:
    why = f"disarmed by {_person(request) or 'the engine'}"
    if any(block.commanded for block in monitor.blocks.values()):
        return False, "an output is on: switch it off first"
    if monitor.machine.state == _STATE.IN_OPERATION:
        monitor.disarm_why = why
        return True, "the bench will be disarmed as soon as off is proven"
    if monitor.machine.state == _STATE.READY_TO_SWITCH_ON:
        monitor.sequencer.drop_all()
        proof = monitor.proof_now()
        if not monitor.fire("disarm", off_proven=proof.safe):
            return False, proof.sentence
        monitor.event("disarmed", why=why)
    return True, "the bench is not armed"


def _switch_on(monitor: Monitor, request: Request) -> Outcome:
    output = request.get("output")
    rule = monitor.rules.outputs.get(output) if isinstance(output, str) else None
    named = _names(request.get("interlock"))
    if rule is None:
        return False, f"the bench has no output '{output}'; it has {', '.join(monitor.rules.outputs)}"
    if not named:
        return False, _NO_INTERLOCK
    if monitor.blocks:
        return False, f"{next(iter(monitor.blocks))} is not off yet"
    needs = monitor.rules.needed((*named, *monitor.armed))
    why = monitor.disarm_why or _not_ready(monitor, needs)
    if why is not None:
        return False, why
    if monitor.machine.state != _STATE.READY_TO_SWITCH_ON:
        return False, f"the bench is '{monitor.bench_state}', not '{_STATE.READY_TO_SWITCH_ON}': arm it first"
    monitor.renewed(monitor.now_s)
    until_s = monitor.now_s + rule.warning_s
    monitor.blocks[rule.name] = Block(rule, needs, Phase.WARNING, until_s)
    monitor.event("warning", output=rule.name, until_s=until_s)
    return True, f"granted: warning for {rule.warning_s:g} s, then {rule.name} goes on"


def _switch_off(monitor: Monitor, request: Request) -> Outcome:
    """Without a name, or with an unknown one, everything goes off."""
    output = request.get("output")
    known = isinstance(output, str) and output in monitor.rules.outputs
    for name, block in list(monitor.blocks.items()):
        if name == output or not known:
            monitor.sequencer.open(block, "switched off")
    return True, "commanded off"


def _prove_off(monitor: Monitor, request: Request) -> Outcome:
    monitor.waiting.append(request.get("id"))
    return None


def _look(monitor: Monitor, request: Request) -> Outcome:
    """Whether an output is still on and stays on, by a reading that is newer than the question."""
    monitor.looking.append((request.get("id"), str(request.get("output"))))
    return None


def _block(monitor: Monitor, request: Request) -> Outcome:
    """Off is in doubt by something the monitor cannot see: everything off, start blocked until released.

    `sentence` is what a person is told, else one is made of `why`. With `contradicts`, `why` also speaks against every
    proof by the monitor's own readings until then.
    """
    why = _text(request.get("why")) or "the engine doubts it"
    if request.get("contradicts"):
        monitor.contradicted = why
    monitor.block(why, _text(request.get("sentence")))
    return True, str(monitor.blocked)


def _release(monitor: Monitor, request: Request) -> Outcome:
    who = _person(request)
    if monitor.machine.state != _STATE.OFF_NOT_PROVEN:
        return False, "there is nothing to release"
    if who is None:
        return False, "a release needs the name of the person who takes it upon them"
    proof = prove(monitor.rules, monitor.reading, monitor.now_s)
    if not monitor.fire("release", off_proven=proof.safe, named_person=True):
        return False, proof.sentence
    monitor.blocked = monitor.contradicted = None
    monitor.unproven_since_s = None
    monitor.event("released", by=who)
    return True, f"released by {who}"


def _switch_on_signalling(monitor: Monitor, request: Request) -> Outcome:
    """The state follows in the same turn when off is proven, and later otherwise."""
    monitor.signalling = True
    proof = monitor.proof_now()
    return proof.safe, "signalling is on" if proof.safe else proof.sentence


def _switch_off_signalling(monitor: Monitor, request: Request) -> Outcome:
    proof = monitor.proof_now()
    out = monitor.machine.state == _STATE.OUT_OF_OPERATION
    if not out and not monitor.fire("switch_off_signalling", off_proven=proof.safe):
        return False, f"the bench is '{monitor.bench_state}' ({proof.sentence}): signalling stays on"
    monitor.signalling = False
    return True, "the bench is out of operation"


def _abort(monitor: Monitor, request: Request) -> Outcome:
    who = request.get("who")
    name = who if isinstance(who, str) and who else "somebody"
    details = {key: request[key] for key in ("uid", "how") if key in request}
    cause = Cause(Reason.ABORT_BY_PERSON, f"{name} asked for it", monitor.now_s, name, details)
    monitor.stop_all(cause)
    return True, "aborting"


def _engine_gone(monitor: Monitor, request: Request) -> Outcome:
    """Said by the process, not by the engine."""
    monitor.waiting, monitor.looking = [], []
    if monitor.blocks:
        what = f"the engine's connection closed while {next(iter(monitor.blocks))} was on or about to be"
        monitor.stop_all(Cause(Reason.INTERNAL_ERROR, what, monitor.now_s))
    elif monitor.armed:
        monitor.disarm_why = "the engine's connection closed"
    return None


def _monitor_ends(monitor: Monitor, request: Request) -> Outcome:
    """Said by the process when it is told to end: everything off, then out of operation once proven."""
    if monitor.blocks:
        what = (
            f"the interlock monitor was told to end while {next(iter(monitor.blocks))} was on or about to be"
        )
        monitor.stop_all(Cause(Reason.MONITOR_LOST, what, monitor.now_s))
    monitor.disarm_why = "the interlock monitor was told to end"
    return None


def _clear_cause(monitor: Monitor, request: Request) -> Outcome:
    """Only what happened before `until_s`, where that is given: nobody has acknowledged what came after."""
    if monitor.machine.state == _STATE.OFF_NOT_PROVEN:
        return False, monitor.blocked or "off is not proven: a named person must release the bench first"
    proof = monitor.proof_now()
    if monitor.blocks or not proof.safe:
        return False, proof.sentence
    until_s = request.get("until_s")
    if monitor.cause is not None and isinstance(until_s, int | float) and monitor.cause.at_s > until_s:
        return False, f"stopped since it was asked for: {monitor.cause.what}"
    if monitor.cause is not None:
        monitor.event("cause_cleared", reason=monitor.cause.reason.value)
    monitor.cause, monitor.later = None, []
    return True, "the cause is cleared"


ACTS: Mapping[str, Callable[[Monitor, Request], Outcome]] = {
    "hello": _hello,
    "renew": _renew,
    "arm": _arm,
    "disarm": _disarm,
    "switch_on": _switch_on,
    "switch_off": _switch_off,
    "prove_off": _prove_off,
    "look": _look,
    "block": _block,
    "release": _release,
    "switch_on_signalling": _switch_on_signalling,
    "switch_off_signalling": _switch_off_signalling,
    "abort": _abort,
    "engine_gone": _engine_gone,
    "monitor_ends": _monitor_ends,
    "clear_cause": _clear_cause,
}


def _names(value: Any) -> tuple[str, ...] | None:
    """A list of names, or None for anything else."""
    if isinstance(value, list | tuple) and all(isinstance(name, str) for name in value):
        return tuple(value)
    return None


def _person(request: Request) -> str | None:
    return _text(request.get("by"))


def _text(value: Any) -> str | None:
    return value.strip() if isinstance(value, str) and value.strip() else None
