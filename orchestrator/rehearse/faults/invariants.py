"""What must hold after any fault, judged from the plant's truth log and the stored record, never by the engine's word.

Each check gives a sentence that names what broke, or nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.core.reasons import Reason
from orchestrator.rehearse.faults.bench_kind import ANY
from orchestrator.rehearse.faults.case import ROUNDING_S, Case, Entry
from orchestrator.rehearse.faults.first_causes import first_causes

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.bench_kind import BenchKind, Check

# Poll, write and the contactor's own travel; with the monitor or its link struck, the watchdog comes instead.
OPEN_BOUND_S = 0.1
STRUCK_BOUND_S = 1.0
CROSSING_V = 0.5  # the log notes the crossing of the limit, by a hair on either side


def breaches(case: Case) -> list[str]:
    """Every invariant that does not hold."""
    checks = checks_of(case.bench)
    return [f"{name}: {sentence}" for name, check in checks.items() for sentence in check(case)]


def checks_of(bench: BenchKind) -> dict[str, Check]:
    """What must hold on every bench, and on this one."""
    return {**COMMON_CHECKS, **bench.checks}


# ---- energy


def _states(truth: list[Entry], names: tuple[str, ...]) -> dict[str, str]:
    states = {e["name"]: e["state"] for e in truth if e["event"] == "contactor"}
    first: dict[str, str] = next((e["contactors"] for e in truth if e["event"] == "start"), {})
    return {name: states.get(name, first.get(name, "open")) for name in names}


def _is_safe(case: Case) -> bool:
    return is_off(case, case.truth) and case.left_v <= case.rules.touch_safe_v


def is_off(case: Case, truth: list[Entry]) -> bool:
    """Whether at the end of these entries every contactor is open and every precaution closed."""
    is_open = all(state == "open" for state in _states(truth, case.bench.contactors).values())
    return is_open and all(state == "closed" for state in _states(truth, case.bench.precautions).values())


def _safe_or_blocked(case: Case) -> Iterator[str]:
    """De-energised and discharged in the end, or start blocked with the outputs cut."""
    if _is_safe(case):
        return
    if case.blocked is None or not case.coils_off:
        states = _states(case.truth, (*case.bench.contactors, *case.bench.precautions))
        yield f"not safe at the end ({states}, {case.left_v:.0f} V left) and start is not blocked"


def _off_before_anybody_restarts(case: Case) -> Iterator[str]:
    """What was struck must be made safe by the layers that are left, not by its restart."""
    before = [entry for entry in case.truth if entry["at_s"] < case.restarted_s]
    closed = [name for name, state in _states(before, case.bench.contactors).items() if state == "closed"]
    if closed and case.blocked is None:
        yield f"{', '.join(closed)} still closed when the daemon was started again"


def _proofs_are_true(case: Case) -> Iterator[str]:
    """What the record calls proven off was off: contactors open, precautions closed, what is stored touch-safe."""
    tells = ("start", "contactor", case.bench.voltage_event)
    truth = [e for e in case.truth if e["event"] in tells]
    for proof in case.stored:
        if proof["kind"] == "off_proof" and proof["safe"]:
            then = [e for e in truth if e["at_s"] <= proof["mono_s"] + ROUNDING_S]
            volts = [abs(e["volts"]) for e in then if e["event"] == case.bench.voltage_event]
            discharged = not volts or volts[-1] <= case.rules.touch_safe_v + CROSSING_V
            if not (is_off(case, then) and discharged):
                yield f"the record says at {proof['mono_s']:.3f} s that {proof['output']} is proven off, and it was not"


def time_to_safe_s(case: Case) -> float | None:
    """From the fault until the contactors were open for good; None where nothing was energised at the fault."""
    opened = [e for e in case.truth if _is_contactor(case, e)]
    at_fault = [e for e in opened if e["at_s"] <= case.injected_s]
    last = {e["name"]: e["state"] for e in at_fault}
    if "closed" not in last.values():
        return None
    after = [e["at_s"] for e in opened if e["at_s"] > case.injected_s and e["state"] == "open"]
    return after[0] - case.injected_s if after else None


def _is_contactor(case: Case, entry: Entry) -> bool:
    return entry["event"] == "contactor" and entry["name"] in case.bench.contactors


def _never_energised_with_an_open_interlock(case: Case) -> Iterator[str]:
    bound_s = STRUCK_BOUND_S if case.monitor_struck or case.safety_link_struck else OPEN_BOUND_S
    if case.bench.cannot_open.intersection(case.faults):
        return  # nothing can open it: that start is blocked is judged by "safe or blocked"
    for name, since_s, until_s in _overlaps(case):
        if until_s - since_s > bound_s + finishes_within_s(case, name):
            yield f"{name} closed for {until_s - since_s:.3f} s with an interlock open (from {since_s:.3f} s)"


def finishes_within_s(case: Case, contactor: str) -> float:
    """Stop category 1: how long an actuator may go on to its rest before this contactor opens."""
    rule = case.rules.outputs[contactor]
    return rule.deadline_s if rule.stop_category else 0.0


def _overlaps(case: Case) -> Iterator[tuple[str, float, float]]:
    """Spans in which a contactor was closed while a safety input was open."""
    inputs: dict[str, bool] = dict(next((e["inputs"] for e in case.truth if e["event"] == "start"), {}))
    watched = [name for name in inputs if name.partition(".")[0] in case.rules.inputs]
    closed_at: dict[str, bool] = {}
    since_s: dict[str, float] = {}
    for entry in [*case.truth, {"event": "end", "at_s": case.ended_s}]:
        if entry["event"] == "input":
            inputs[entry["name"]] = entry["value"]
        elif entry["event"] != "end" and _is_contactor(case, entry):
            closed_at[entry["name"]] = entry["state"] == "closed"
        is_open = not all(inputs[name] for name in watched)
        for name, closed in closed_at.items():
            wrong = closed and is_open and entry["event"] != "end"
            if wrong and name not in since_s:
                since_s[name] = entry["at_s"]
            elif not wrong and name in since_s:
                yield name, since_s.pop(name), entry["at_s"]


def _nothing_resumes(case: Case) -> Iterator[str]:
    if case.restarted and case.applied_after_restart:
        yield f"{case.applied_after_restart} {case.bench.applied} or motions after the restart"


# ---- verdicts and record


def _verdicts_rest_on_evidence(case: Case) -> Iterator[str]:
    harmed, never_p = case.bench.harmed(case.truth), case.bench.never_p(case.truth)
    for row in case.verdicts:
        if row["verdict"] == Verdict.PASSES and _outcome(case) != Outcome.PASS:
            yield f"P for {row['clause']} in a run with outcome {_outcome(case)}"
        if row["verdict"] == Verdict.PASSES and never_p & {ANY, row["result"]}:
            yield f"P for {row['clause']} although the specimen failed"
        is_sound = not harmed & {ANY, row["result"]} and row["clause"] not in case.fails_anyway()
        if row["verdict"] == Verdict.FAILS and is_sound:
            yield f"F for {row['clause']} although the specimen is sound"


def _outcome(case: Case) -> str | None:
    ended = [e["outcome"] for e in case.told if e["kind"] == "run_ended"]
    return ended[-1] if ended else None


def _record_holds(case: Case) -> Iterator[str]:
    found = case.verification
    if not found.ok and not found.interrupted:
        yield f"the record neither verifies nor shows as interrupted: {found.sentence}"
    stored = {e["n"]: e["kind"] for e in case.stored}
    lost = [e for e in case.promised if stored.get(e["n"]) != e["kind"]]
    if lost:
        yield f"{len(lost)} entries that were promised durable are gone, the first is {lost[0]['kind']} {lost[0]['n']}"


def _says_rightly_whether_it_is_safe(case: Case) -> Iterator[str]:
    if case.end is None:
        return
    if case.end.off_proven is True and not _was_safe_at_the_end_of_the_run(case):
        yield f"says that off is proven, and it is not: {case.end.sentence}"
    if case.end.off_proven is True and "NOT PROVEN" in case.end.sentence:
        yield f"its sentence contradicts its proof: {case.end.sentence}"


def _was_safe_at_the_end_of_the_run(case: Case) -> bool:
    then = [e for e in case.truth if e["at_s"] <= case.run_ended_s]
    return is_off(case, then) and case.left_then_v <= case.rules.touch_safe_v


def _tells_what_it_kept(case: Case) -> Iterator[str]:
    """What people are told is what the record holds: no P without a pass, no seal over a missing end."""
    if case.end is None:
        return
    told = {row.verdict for row in case.end.rows}
    if Verdict.PASSES in told and case.end.outcome is not Outcome.PASS:
        yield f"tells a P in a run with outcome {case.end.outcome}"
    if case.end.sealed and not case.verification.ok:
        yield "says that the record is sealed, and it does not verify"
    if case.end.sealed and _outcome(case) != case.end.outcome:
        yield f"tells outcome {case.end.outcome} and has sealed {_outcome(case)}"
    recorded = [row["verdict"] for row in case.verdicts]
    if case.end.sealed and recorded != [row.verdict for row in case.end.rows]:
        yield f"tells other verdicts than it has sealed: {recorded}"


def _no_bug_of_ours(case: Case) -> Iterator[str]:
    """No fault of the bench makes the software fail."""
    for cause in () if case.end is None else (case.end.cause, *case.end.later):
        if cause.reason is Reason.INTERNAL_ERROR:
            yield f"the software failed: {cause.what}"


def _first_cause_is_right(case: Case) -> Iterator[str]:
    """What was done to the bench, or what the specimen really did before it."""
    if case.end is None or case.end.cause.reason in first_causes(case.fault, case.bench):
        return
    ignited = case.end.cause.reason is Reason.INDICATOR_IGNITED and case.bench.marked(case.truth)
    if not ignited and case.end.cause.reason is not Reason.SPECIMEN_FAILED:  # its F is judged by itself
        yield f"{case.fault} is told as {case.end.cause.reason}: {case.end.cause.what}"


COMMON_CHECKS: dict[str, Check] = {
    "safe or blocked": _safe_or_blocked,
    "off before anybody restarts": _off_before_anybody_restarts,
    "proofs are true": _proofs_are_true,
    "never energised with an interlock open": _never_energised_with_an_open_interlock,
    "nothing resumes by itself": _nothing_resumes,
    "verdicts rest on evidence": _verdicts_rest_on_evidence,
    "the record holds what was promised": _record_holds,
    "says rightly whether it is safe": _says_rightly_whether_it_is_safe,
    "tells what it kept": _tells_what_it_kept,
    "no bug of ours": _no_bug_of_ours,
    "the first cause is right": _first_cause_is_right,
}
