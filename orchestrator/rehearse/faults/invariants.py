"""What must hold after any fault, judged from the plant's truth log and the stored record, never by the engine's word.

Each check gives a sentence that names what broke, or nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, zip_longest
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import Outcome, Verdict
from orchestrator.core.reasons import Reason
from orchestrator.record.chain import read_chain
from orchestrator.record.verify import Verification, verify
from orchestrator.rehearse.faults.first_causes import first_causes

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
CROSSING_V = 0.5  # the log notes the crossing of the limit, by a hair on either side
ROUNDING_S = 1e-6  # the journal's times are rounded to a nanosecond
FIGURES_AGREE_WITHIN = 0.05
EXACTLY = 1e-6  # of a limit: nearer to it than this, two ways of rounding may differ


@dataclass(frozen=True)
class Case:
    """One ended rehearsal with everything to judge it by. `end` is None where the engine was struck.

    `injected_s` is when the fault was injected, `run_ended_s` when the run ended, `ended_s` when plant and monitor had
    been left alone long enough; `restarted_s` is when what was struck was started again, or `ended_s`. `stored_v` is
    what the store holds at the end, `stored_then_v` at the run's end; `blocked` the monitor's sentence of a blocked
    start after the restart; `promised` are the journal entries whose append had returned.

    `recorders` are those that each part of the run asks a capture of; `fails_anyway` gives the clauses that this
    specimen fails without any fault of the bench.

    Of a cell that has met the fault-free run again (`rejoined`) the record ends there; `truth` goes on with that run's
    truth log, `rest` are its further journal entries, and `end` is its end.
    """

    fault: str
    injected_s: float
    ended_s: float
    restarted_s: float
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
    run_ended_s: float
    stored_then_v: float
    tried: bool = True
    rest: list[Entry] = field(default_factory=list)
    rejoined: bool = False
    recorders: dict[str, frozenset[str]] = field(default_factory=dict)
    fails_anyway: Callable[[], frozenset[str]] = frozenset

    @cached_property
    def stored(self) -> list[Entry]:
        """The journal as the disk has it: its whole lines."""
        if "journal.jsonl" not in self.store.names():
            return []
        return read_chain(self.store.read("journal.jsonl")).entries

    @cached_property
    def told(self) -> list[Entry]:
        """All entries of the run: those on the disk, and of the fault-free run that it became."""
        return [*self.stored, *self.rest]

    @cached_property
    def verification(self) -> Verification:
        """What a reader of the record finds."""
        return verify(self.store, None)


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


def _off_before_anybody_restarts(case: Case) -> Iterator[str]:
    """What was struck must be made safe by the layers that are left, not by its restart."""
    before = [entry for entry in case.truth if entry["at_s"] < case.restarted_s]
    closed = [name for name, state in _states(before, CONTACTORS).items() if state == "closed"]
    if closed and case.blocked is None:
        yield f"{', '.join(closed)} still closed when the daemon was started again"


def _discharged_in_time(case: Case) -> Iterator[str]:
    """From each opening of the high-voltage contactor the store is touch-safe within the bench's discharge time."""
    limit_v, time_s = case.rules.touch_safe_v, case.rules.discharge_s
    moves = [e for e in case.truth if e["event"] == "contactor" and e["name"] == "high_voltage"]
    for opened, following in zip_longest(moves, moves[1:]):
        until_s = opened["at_s"] + time_s
        if opened["state"] != "open" or until_s > (following["at_s"] if following else case.ended_s):
            continue
        volts = [e["volts"] for e in case.truth if e["event"] == "stored_voltage" and e["at_s"] <= until_s]
        if volts and abs(volts[-1]) > limit_v + CROSSING_V and case.blocked is None:
            yield f"{abs(volts[-1]):.0f} V stored {time_s:g} s after the contactor opened, and start is not blocked"


def _proofs_are_true(case: Case) -> Iterator[str]:
    """What the record calls proven off was off: contactors open, discharge and earth closed, the store touch-safe."""
    for proof in case.stored:
        if proof["kind"] == "off_proof" and proof["safe"]:
            then = [e for e in case.truth if e["at_s"] <= proof["mono_s"] + ROUNDING_S]
            off = set(_states(then, CONTACTORS).values()) == {"open"}
            earthed = set(_states(then, ("discharge", "earth")).values()) == {"closed"}
            volts = [abs(e["volts"]) for e in then if e["event"] == "stored_voltage"]
            discharged = not volts or volts[-1] <= case.rules.touch_safe_v + CROSSING_V
            if not (off and earthed and discharged):
                yield f"the record says at {proof['mono_s']:.3f} s that {proof['output']} is proven off, and it was not"


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
    if "welds" in case.fault:
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
    """From each announced trigger to the next at most one commanded shot, and none before the first."""
    intents = [e for e in [*case.promised, *case.rest] if e["kind"] == "intent" and e["act"] == "trigger"]
    at_s = [float("-inf"), *(e["mono_s"] - ROUNDING_S for e in intents), float("inf")]
    for number, (since_s, until_s) in enumerate(pairwise(at_s)):
        shots = [e for e in _commanded(case) if since_s <= e["at_s"] < until_s]
        if len(shots) > min(number, 1):
            yield f"{len(shots)} shots after {number} announced triggers and before the next"


def _no_blind_shot(case: Case) -> Iterator[str]:
    """Each commanded shot found every digitiser of its capture really waiting."""
    proofs = [e for e in [*case.promised, *case.rest] if e["kind"] == "proof_of_capture" and e["waiting"]]
    for shot in _commanded(case):
        fresh = [p for p in proofs if 0 <= shot["at_s"] - p["mono_s"] + 1e-6 <= PROOF_AGE_S + 1e-3]
        names = {p["instrument"] for p in fresh if p["when"] == "before trigger"}
        blind = names - set(shot["digitisers_waiting"])
        if not names:
            yield f"shot {shot['number']} was fired without a fresh proof of capture"
        elif blind:
            yield f"shot {shot['number']} was fired while {', '.join(sorted(blind))} did not wait"


def _every_recorder_is_proved(case: Case) -> Iterator[str]:
    """Of each commanded shot, every recorder that its step asks for was proved waiting before the trigger."""
    written = [*case.promised, *case.rest]
    proofs = [e for e in written if e["kind"] == "proof_of_capture" and e["waiting"]]
    announced = [e for e in written if e["kind"] == "intent" and e["act"] == "trigger"]
    for shot in _commanded(case):
        fresh = [p for p in proofs if 0 <= shot["at_s"] - p["mono_s"] + 1e-6 <= PROOF_AGE_S + 1e-3]
        proved = {p["instrument"] for p in fresh if p["when"] == "before trigger"}
        parts = [e["part"] for e in announced if e["mono_s"] - ROUNDING_S <= shot["at_s"]]
        if missing := case.recorders.get(parts[-1] if parts else "", frozenset()) - proved:
            yield f"shot {shot['number']} was fired without a proof of {', '.join(sorted(missing))}"


def _nothing_resumes(case: Case) -> Iterator[str]:
    if case.restarted and case.shots_after_restart:
        yield f"{case.shots_after_restart} shots after the restart"


# ---- verdicts and record


def _verdicts_rest_on_evidence(case: Case) -> Iterator[str]:
    broken = any(e["event"] == "specimen" and e["state"] == "broken down" for e in case.truth)
    marked = _is_marked(case)
    for row in _verdicts(case):
        if row["verdict"] == Verdict.PASSES and _outcome(case) != Outcome.PASS:
            yield f"P for {row['clause']} in a run with outcome {_outcome(case)}"
        if row["verdict"] == Verdict.PASSES and broken:
            yield f"P for {row['clause']} although the specimen broke down"
        harmed = broken or marked
        if row["verdict"] == Verdict.FAILS and not harmed and row["clause"] not in case.fails_anyway():
            yield f"F for {row['clause']} although the specimen is sound"


def _is_marked(case: Case) -> bool:
    return any(e["event"] == "cloth" and e["state"] not in ("unmarked", "none") for e in case.truth)


def _verdicts(case: Case) -> list[Entry]:
    return [e for e in case.told if e["kind"] == "verdict"]


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


def _figures_rest_on_durable_captures(case: Case) -> Iterator[str]:
    """Raw codes first, then what is computed from them; the codes are those that the journal names."""
    captured: dict[tuple[Any, ...], Entry] = {}
    for entry in case.stored:
        key = _key(entry)
        if entry["kind"] == "capture":
            captured[key] = entry
        elif entry["kind"] == "figures" and entry["valid"]:
            yield from _capture_is_there(case, captured.get(key), entry)


def _capture_is_there(case: Case, capture: Entry | None, figures: Entry) -> Iterator[str]:
    which = f"the figures of {figures['part']} shot {figures['shot']}"
    if capture is None:
        yield f"{which} stand in the journal before their capture"
    elif capture["file"] not in case.store.names():
        yield f"{which} rest on {capture['file']}, which is not there"
    elif hashlib.sha256(case.store.read(capture["file"])).hexdigest() != capture["sha256"]:
        yield f"{which} rest on {capture['file']}, which is another"


def _figures_are_those_of_their_shot(case: Case) -> Iterator[str]:
    """A valid peak is that of the shot which was really fired: its sign, and its size within some per cent."""
    fired = {_key(e): e["triggered_s"] for e in case.stored if e["kind"] == "triggered"}
    for entry in case.stored:
        if entry["kind"] != "figures" or not entry["valid"] or _key(entry) not in fired:
            continue
        at_s = fired[_key(entry)]
        shot = min(_shots(case), key=lambda e: abs(e["at_s"] - at_s), default=None)
        for name, true in (("limiting_voltage", "peak_v"), ("peak_current", "peak_a")):
            if shot is not None and name in entry["results"]:
                signed = shot[true] * shot["polarity"]
                off_by = abs(entry["results"][name]["value"] / signed - 1.0)
                if off_by > FIGURES_AGREE_WITHIN:
                    yield f"{name} of {entry['part']} shot {entry['shot']} is not that of the shot fired"


def _key(entry: Entry) -> tuple[Any, ...]:
    return entry.get("part"), entry.get("shot"), entry.get("repeat")


def _shots(case: Case) -> list[Entry]:
    return [e for e in case.truth if e["event"] == "shot"]


def _says_rightly_whether_it_is_safe(case: Case) -> Iterator[str]:
    if case.end is None:
        return
    if case.end.off_proven is True and not _was_safe_at_the_end_of_the_run(case):
        yield f"says that off is proven, and it is not: {case.end.sentence}"
    if case.end.off_proven is True and "NOT PROVEN" in case.end.sentence:
        yield f"its sentence contradicts its proof: {case.end.sentence}"


def _was_safe_at_the_end_of_the_run(case: Case) -> bool:
    then = [e for e in case.truth if e["at_s"] <= case.run_ended_s]
    off = set(_states(then, CONTACTORS).values()) == {"open"}
    earthed = set(_states(then, ("discharge", "earth")).values()) == {"closed"}
    return off and earthed and case.stored_then_v <= case.rules.touch_safe_v


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
    recorded = [row["verdict"] for row in _verdicts(case)]
    if case.end.sealed and recorded != [row.verdict for row in case.end.rows]:
        yield f"tells other verdicts than it has sealed: {recorded}"


def _every_f_stays(case: Case) -> Iterator[str]:
    """A value in the record beyond a limit on every shot, or a mark that was seen, has its F in the verdicts."""
    for row in _verdicts(case):
        if row["judged"] == "every shot" and row["verdict"] != Verdict.FAILS and _evidence_against(case, row):
            yield f"{row['verdict']} for {row['clause']} although the record holds a value that fails it"


def _evidence_against(case: Case, row: Entry) -> bool:
    if row["must_be"] is not None:
        seen = [e for e in case.told if e["kind"] == "observation" and e["indicator"] == row["result"]]
        return any(e["state"] != row["must_be"] for e in seen)
    valid = [e for e in case.told if e["kind"] == "figures" and e["valid"] and e["part"] == "duty"]
    values = [e["results"][row["result"]]["value"] for e in valid if row["result"] in e["results"]]
    values += [e["value"] for e in case.told if e["kind"] == "measurement" and e["result"] == row["result"]]
    way = 1 if row["direction"] == "at_most" else -1
    return any(way * (abs(value) - row["limit"]) > EXACTLY * row["limit"] for value in values)


def _no_bug_of_ours(case: Case) -> Iterator[str]:
    """No fault of the bench makes the software fail."""
    for cause in () if case.end is None else (case.end.cause, *case.end.later):
        if cause.reason is Reason.INTERNAL_ERROR:
            yield f"the software failed: {cause.what}"


def _first_cause_is_right(case: Case) -> Iterator[str]:
    """What was done to the bench, or what the specimen really did before it."""
    if case.end is None or case.end.cause.reason in first_causes(case.fault):
        return
    ignited = case.end.cause.reason is Reason.INDICATOR_IGNITED and _is_marked(case)
    if not ignited and case.end.cause.reason is not Reason.SPECIMEN_FAILED:  # its F is judged by itself
        yield f"{case.fault} is told as {case.end.cause.reason}: {case.end.cause.what}"


CHECKS: dict[str, Callable[[Case], Iterator[str]]] = {
    "safe or blocked": _safe_or_blocked,
    "off before anybody restarts": _off_before_anybody_restarts,
    "discharged in time": _discharged_in_time,
    "proofs are true": _proofs_are_true,
    "never energised with an interlock open": _never_energised_with_an_open_interlock,
    "one shot a trigger": _one_shot_a_trigger,
    "no shot without proof of capture": _no_blind_shot,
    "every recorder asked for is proved": _every_recorder_is_proved,
    "nothing resumes by itself": _nothing_resumes,
    "verdicts rest on evidence": _verdicts_rest_on_evidence,
    "the record holds what was promised": _record_holds,
    "figures rest on durable captures": _figures_rest_on_durable_captures,
    "figures are those of their shot": _figures_are_those_of_their_shot,
    "says rightly whether it is safe": _says_rightly_whether_it_is_safe,
    "tells what it kept": _tells_what_it_kept,
    "an F stays": _every_f_stays,
    "no bug of ours": _no_bug_of_ours,
    "the first cause is right": _first_cause_is_right,
}
