"""What must hold after any fault, judged from the plant's truth log and the stored record, never by the engine's word.

Each check gives a sentence that names what broke, or nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.record.verify import verify

if TYPE_CHECKING:
    from orchestrator.core.interlock import Rules
    from orchestrator.engine.run import RunEnd
    from orchestrator.record.store import MemoryStore

Entry = dict[str, Any]
CONTACTORS = ("high_voltage", "leakage")
# Poll, write and the contactor's own travel; with the monitor or its link struck, the watchdog comes instead.
OPEN_BOUND_S = 0.1
STRUCK_BOUND_S = 1.0
PROOF_AGE_S = 2.0


@dataclass(frozen=True)
class Case:
    """One ended rehearsal with everything to judge it by. `end` is None where the engine was struck.

    `injected_s` is when the fault was injected, `ended_s` when plant and monitor had been left alone long enough;
    `stored_v` is what the store holds then, `blocked` the monitor's sentence of a blocked start after the restart;
    `promised` are the journal entries whose append had returned.
    """

    fault: str
    injected_s: float
    ended_s: float
    truth: list[Entry]
    store: MemoryStore
    end: RunEnd | None
    promised: list[Entry]
    blocked: str | None
    coils_off: bool
    monitor_struck: bool
    safety_link_struck: bool
    rules: Rules
    restarted: bool
    shots_after_restart: int
    stored_v: float
    tried: bool = True


def breaches(case: Case) -> list[str]:
    """Every invariant that does not hold."""
    return [f"{name}: {sentence}" for name, check in CHECKS.items() for sentence in check(case)]


# ---- energy


def _states(truth: list[Entry], names: tuple[str, ...]) -> dict[str, str]:
    states = {e["name"]: e["state"] for e in truth if e["event"] == "contactor"}
    first: dict[str, str] = next((e["contactors"] for e in truth if e["event"] == "start"), {})
    return {name: states.get(name, first.get(name, "open")) for name in names}


def _is_safe(case: Case) -> bool:
    contactors = _states(case.truth, CONTACTORS)
    closed = _states(case.truth, ("discharge", "earth"))
    open_ = all(state == "open" for state in contactors.values())
    earthed = all(state == "closed" for state in closed.values())
    return open_ and earthed and case.stored_v <= case.rules.touch_safe_v


def _safe_or_blocked(case: Case) -> Iterator[str]:
    """De-energised and discharged in the end, or start blocked with the outputs cut."""
    if _is_safe(case):
        return
    if case.blocked is None or not case.coils_off:
        states = _states(case.truth, (*CONTACTORS, "discharge", "earth"))
        yield f"not safe at the end ({states}, {case.stored_v:.0f} V stored) and start is not blocked"


def time_to_safe_s(case: Case) -> float | None:
    """From the fault until the contactors were open for good; None where nothing was energised at the fault."""
    opened = [e for e in case.truth if e["event"] == "contactor" and e["name"] in CONTACTORS]
    at_fault = [e for e in opened if e["at_s"] <= case.injected_s]
    last = {e["name"]: e["state"] for e in at_fault}
    if "closed" not in last.values():
        return None
    after = [e["at_s"] for e in opened if e["at_s"] > case.injected_s and e["state"] == "open"]
    return after[0] - case.injected_s if after else None


def _never_energised_with_an_open_interlock(case: Case) -> Iterator[str]:
    bound_s = STRUCK_BOUND_S if case.monitor_struck or case.safety_link_struck else OPEN_BOUND_S
    if case.fault.endswith("welds"):
        return  # nothing can open it: that start is blocked is judged by "safe or blocked"
    for name, since_s, until_s in _overlaps(case):
        if until_s - since_s > bound_s:
            yield f"{name} closed for {until_s - since_s:.3f} s with an interlock open (from {since_s:.3f} s)"


def _overlaps(case: Case) -> Iterator[tuple[str, float, float]]:
    """Spans in which a contactor was closed while a safety input was open."""
    inputs: dict[str, bool] = dict(next((e["inputs"] for e in case.truth if e["event"] == "start"), {}))
    watched = [name for name in inputs if name.partition(".")[0] in case.rules.inputs]
    closed_at: dict[str, bool] = {}
    since_s: dict[str, float] = {}
    for entry in [*case.truth, {"event": "end", "at_s": case.ended_s}]:
        if entry["event"] == "input":
            inputs[entry["name"]] = entry["value"]
        elif entry["event"] == "contactor" and entry["name"] in CONTACTORS:
            closed_at[entry["name"]] = entry["state"] == "closed"
        is_open = not all(inputs[name] for name in watched)
        for name, closed in closed_at.items():
            wrong = closed and is_open and entry["event"] != "end"
            if wrong and name not in since_s:
                since_s[name] = entry["at_s"]
            elif not wrong and name in since_s:
                yield name, since_s.pop(name), entry["at_s"]


# ---- shots


def _commanded(case: Case) -> list[Entry]:
    return [e for e in case.truth if e["event"] == "shot" and e["by"] == "commanded"]


def _one_shot_a_trigger(case: Case) -> Iterator[str]:
    intents = [e for e in case.promised if e["kind"] == "intent" and e["act"] == "trigger"]
    if len(_commanded(case)) > len(intents):
        yield f"{len(_commanded(case))} shots for {len(intents)} intents to trigger"


def _no_blind_shot(case: Case) -> Iterator[str]:
    """Each commanded shot found every digitiser of its capture really waiting."""
    proofs = [e for e in case.promised if e["kind"] == "proof_of_capture" and e["waiting"]]
    for shot in _commanded(case):
        fresh = [p for p in proofs if 0 <= shot["at_s"] - p["mono_s"] + 1e-6 <= PROOF_AGE_S + 1e-3]
        names = {p["instrument"] for p in fresh if p["when"] == "before trigger"}
        blind = names - set(shot["digitisers_waiting"])
        if not names:
            yield f"shot {shot['number']} was fired without a fresh proof of capture"
        elif blind:
            yield f"shot {shot['number']} was fired while {', '.join(sorted(blind))} did not wait"


def _nothing_resumes(case: Case) -> Iterator[str]:
    if case.restarted and case.shots_after_restart:
        yield f"{case.shots_after_restart} shots after the restart"


# ---- verdicts and record


def _verdicts_rest_on_evidence(case: Case) -> Iterator[str]:
    broken = any(e["event"] == "specimen" and e["state"] == "broken down" for e in case.truth)
    marked = any(e["event"] == "cloth" and e["state"] not in ("unmarked", "none") for e in case.truth)
    for row in _verdicts(case):
        if row["verdict"] == Verdict.PASSES and _outcome(case) != Outcome.PASS:
            yield f"P for {row['clause']} in a run with outcome {_outcome(case)}"
        if row["verdict"] == Verdict.PASSES and broken:
            yield f"P for {row['clause']} although the specimen broke down"
        if row["verdict"] == Verdict.FAILS and not broken and not marked:
            yield f"F for {row['clause']} although the specimen is sound"


def _stored(case: Case) -> list[Entry]:
    import json

    try:
        lines = case.store.read("journal.jsonl").splitlines(keepends=True)
    except Exception:  # noqa: BLE001 (no journal at all: nothing was promised)
        return []
    return [json.loads(line) for line in lines if line.endswith(b"\n") and line.startswith(b"{")]


def _verdicts(case: Case) -> list[Entry]:
    return [e for e in _stored(case) if e["kind"] == "verdict"]


def _outcome(case: Case) -> str | None:
    ended = [e["outcome"] for e in _stored(case) if e["kind"] == "run_ended"]
    return ended[-1] if ended else None


def _record_holds(case: Case) -> Iterator[str]:
    found = verify(case.store, None)
    if not found.ok and not found.interrupted:
        yield f"the record neither verifies nor shows as interrupted: {found.sentence}"
    stored = {e["n"]: e["kind"] for e in _stored(case)}
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
    return _is_safe(case)


CHECKS: dict[str, Callable[[Case], Iterator[str]]] = {
    "safe or blocked": _safe_or_blocked,
    "never energised with an interlock open": _never_energised_with_an_open_interlock,
    "one shot a trigger": _one_shot_a_trigger,
    "no shot without proof of capture": _no_blind_shot,
    "nothing resumes by itself": _nothing_resumes,
    "verdicts rest on evidence": _verdicts_rest_on_evidence,
    "the record holds what was promised": _record_holds,
    "says rightly whether it is safe": _says_rightly_whether_it_is_safe,
}
